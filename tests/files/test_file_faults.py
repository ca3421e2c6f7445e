"""Whatever fails while a file is replaced: the one that stood there is whole, nothing else is left.

Each step of `capturehook/files.py` is made to fail in turn; then a disk that is really full, one
that is really read-only, and a process that is really killed.
"""

from __future__ import annotations

import errno
import io
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

import pytest

from capturehook import files
from capturehook.errors import FileError, GcodeError
from capturehook.files import read_bytes, replacing, write_atomically, write_stream_atomically
from capturehook.jobfile.fence import strip_bytes
from tests import forked
from tests.adapters.host_calls import JOB, call, has_poses, one_line, scraps

OLD, NEW = b"the original\n" * 100, b"the new one\n" * 120


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "light house é.gcode"
    path.write_bytes(OLD)
    path.chmod(0o640)
    return path


def write(path: Path) -> None:
    write_atomically(path, NEW)


def stream(path: Path) -> None:
    def produce(out: IO[bytes]) -> None:
        for at in range(0, len(NEW), 100):
            out.write(NEW[at : at + 100])

    write_stream_atomically(path, produce)


def replace(path: Path) -> None:
    with replacing(path) as scrap:
        scrap.write_bytes(NEW)


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


WRITERS = [write, stream, replace]
STEPS = {
    "mkstemp": (tempfile, "mkstemp"),
    "fdopen": (os, "fdopen"),
    "fchmod": (os, "fchmod"),
    "fsync": (os, "fsync"),
    "replace": (os, "replace"),
    "close": (os, "close"),
}
OF_WRITER = {
    "write": {"mkstemp", "fdopen", "fchmod", "fsync", "replace"},
    "stream": {"mkstemp", "fdopen", "fchmod", "fsync", "replace"},
    "replace": {"mkstemp", "fchmod", "fsync", "replace"},
}
"""The steps each writer takes."""


def failing(*_: object, **__: object) -> Any:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


CASES = [(writer, step) for writer in WRITERS for step in sorted(OF_WRITER[writer.__name__])]


@pytest.mark.parametrize(
    ("writer", "step"), CASES, ids=lambda case: getattr(case, "__name__", case)
)
def test_step_that_fails_leaves_the_original_whole(
    writer: Callable[[Path], None], step: str, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place, name = STEPS[step]
    real_close, opened = os.close, []
    if step in ("fdopen", "close"):  # the handle made before it would else stay open

        def keep(*words: Any, **more: Any) -> Any:
            opened.append(words[0])
            return failing(None)

        monkeypatch.setattr(place, name, keep)
    else:
        monkeypatch.setattr(place, name, failing)
    with pytest.raises(FileError) as caught:
        writer(file)
    monkeypatch.undo()
    for handle in opened:
        real_close(handle)
    assert str(caught.value) == (
        f"{file}: could not be written (No space left on device); what stood there is unchanged. "
        "Free some space or check the folder's rights, then run it again."
    )
    assert file.read_bytes() == OLD
    assert file.stat().st_mode & 0o777 == 0o640
    assert names_in(file.parent) == [file.name]


@pytest.mark.parametrize("after", [0, 1, 500])
def test_disk_that_fills_in_mid_write_leaves_the_original_whole(after: int, file: Path) -> None:
    def produce(out: IO[bytes]) -> None:
        out.write(NEW[:after])
        out.flush()
        failing(out)

    with pytest.raises(FileError, match="No space left on device"):
        write_stream_atomically(file, produce)
    assert file.read_bytes() == OLD
    assert names_in(file.parent) == [file.name]


@pytest.mark.parametrize("fault", [GcodeError("a", "b", "C"), KeyboardInterrupt(), MemoryError()])
def test_any_other_fault_in_mid_write_passes_through(fault: BaseException, file: Path) -> None:
    def produce(out: IO[bytes]) -> None:
        out.write(NEW)
        raise fault

    with pytest.raises(type(fault)):
        write_stream_atomically(file, produce)
    with pytest.raises(type(fault)), replacing(file):
        raise fault
    assert file.read_bytes() == OLD
    assert names_in(file.parent) == [file.name]


def test_folder_that_cannot_be_synced_is_no_fault(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some systems cannot open a folder; the file itself is on the disk by then."""
    monkeypatch.setattr(os, "open", failing)
    real = tempfile.mkstemp

    def with_open(*words: Any, **more: Any) -> Any:
        monkeypatch.undo()
        made = real(*words, **more)
        monkeypatch.setattr(os, "open", failing)
        return made

    monkeypatch.setattr(tempfile, "mkstemp", with_open)
    write(file)
    assert file.read_bytes() == NEW


@pytest.mark.parametrize("writer", WRITERS)
def test_all_went_well(writer: Callable[[Path], None], file: Path) -> None:
    writer(file)
    assert file.read_bytes() == NEW
    assert file.stat().st_mode & 0o777 == 0o640
    assert names_in(file.parent) == [file.name]


@pytest.mark.parametrize("writer", WRITERS)
def test_new_file_has_the_usual_rights(writer: Callable[[Path], None], tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    writer(tmp_path / "new")
    assert (tmp_path / "new").stat().st_mode == plain.stat().st_mode


@pytest.mark.parametrize("writer", WRITERS)
def test_device_is_never_replaced_by_a_file(writer: Callable[[Path], None], tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for target in (pipe, Path(os.devnull)):
        with pytest.raises(FileError, match="is a device, not a file"):
            writer(target)
    assert pipe.is_fifo()
    assert Path(os.devnull).is_char_device()


@pytest.mark.parametrize("writer", WRITERS)
def test_folder_in_the_place_of_a_file_is_one_error(
    writer: Callable[[Path], None], tmp_path: Path
) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(FileError, match="could not be written"):
        writer(tmp_path / "folder")
    with pytest.raises(FileError, match="No such file or directory"):
        writer(tmp_path / "none" / "file")
    assert names_in(tmp_path) == ["folder"]


def test_very_long_names_can_be_written(tmp_path: Path) -> None:
    """255 bytes is the longest name of most file systems (POSIX NAME_MAX); é has two bytes."""
    for name in ("é" * 127, "x" * 255, "灯" * 85):
        write(tmp_path / name)
        assert (tmp_path / name).read_bytes() == NEW


def test_file_that_vanishes_or_is_no_file_is_one_error(tmp_path: Path) -> None:
    for path in (tmp_path / "none", tmp_path):
        with pytest.raises(FileError, match="cannot be read"):
            read_bytes(path)


def test_folder_that_vanishes_while_the_job_is_worked_on(tmp_path: Path) -> None:
    from capturehook.hosts.edit import edit_file

    folder = tmp_path / "usb stick"
    folder.mkdir()
    job = folder / "job.gcode"
    job.write_bytes(OLD)

    def change(data: bytes, _: str) -> bytes:
        shutil.rmtree(folder)
        return data + NEW

    with pytest.raises(FileError, match="could not be written"):
        edit_file(job, change)


# ---- the whole program on real faults --------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 128 kB; only root may make one."""
    place = tmp_path / "small disk é"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=128k", "tmpfs", str(place)]
    try:
        mounted = subprocess.run(words, capture_output=True, timeout=30).returncode == 0
    except OSError:
        mounted = False
    if not mounted:
        pytest.skip("no right to mount a small disk here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True, timeout=30)


def big_job() -> bytes:
    return JOB + b"; padding that takes room on the disk\n" * 2000


def test_full_disk_leaves_the_job_whole(small_disk: Path, tmp_path: Path) -> None:
    job, original = small_disk / "light house.gcode", big_job()
    job.write_bytes(original)
    done = call("edit_in_place.py", "-p", "heron", job, cwd=tmp_path)
    assert done.returncode == 2
    assert "No space left on device" in one_line(done.stderr)
    assert job.read_bytes() == original
    assert names_in(small_disk) == [job.name]


def test_disk_that_is_read_only_leaves_the_job_whole(small_disk: Path, tmp_path: Path) -> None:
    job = small_disk / "light house.gcode"
    job.write_bytes(JOB)
    again = ["mount", "-o", "remount,ro", str(small_disk)]
    assert subprocess.run(again, capture_output=True, timeout=30).returncode == 0
    done = call("edit_in_place.py", "-p", "heron", job, cwd=tmp_path)
    assert done.returncode == 2
    assert "Read-only file system" in one_line(done.stderr)
    assert job.read_bytes() == JOB


def test_file_size_limit_leaves_the_job_whole(tmp_path: Path) -> None:
    """A limit stands for a quota: writing past it fails (setrlimit, POSIX RLIMIT_FSIZE)."""
    job, original = tmp_path / "job.gcode", big_job()
    job.write_bytes(original)

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    words = [sys.executable, "-B", "-m", "capturehook.hosts.edit", "-p", "heron", str(job)]
    done = subprocess.run(words, capture_output=True, timeout=60, preexec_fn=limit)
    assert done.returncode == 2
    assert "File too large" in one_line(done.stderr)
    assert job.read_bytes() == original
    assert names_in(tmp_path) == [job.name]


STOP_AT = """
import os, signal, sys
from capturehook.hosts import edit
place, name = sys.argv[1].split(".")
after = sys.argv[2] == "after"
import tempfile
module = {"os": os, "tempfile": tempfile}[place]
real = getattr(module, name)
def dies(*words, **more):
    if after:
        real(*words, **more)
    os.kill(os.getpid(), signal.SIGKILL)
setattr(module, name, dies)
edit.main(["-p", "heron", sys.argv[3]])
"""


@pytest.mark.parametrize("when", ["before", "after"])
@pytest.mark.parametrize("step", ["tempfile.mkstemp", "os.fchmod", "os.fsync", "os.replace"])
def test_kill_at_any_step_leaves_the_old_or_the_new_file_whole(
    step: str, when: str, tmp_path: Path
) -> None:
    job = tmp_path / "light house.gcode"
    job.write_bytes(JOB)
    done = forked.run(["-c", STOP_AT, step, when, job])
    assert done.returncode == -signal.SIGKILL
    found = job.read_bytes()
    assert has_poses(found) if (step, when) == ("os.replace", "after") else found == JOB
    assert strip_bytes(found) == JOB
    assert call("edit_in_place.py", "-p", "heron", job, cwd=tmp_path).returncode == 0
    assert has_poses(job.read_bytes())


def test_kill_while_half_the_file_is_written_leaves_the_original_whole(tmp_path: Path) -> None:
    """kill -9 from outside, with half the new bytes on the disk."""
    job = tmp_path / "job.gcode"
    job.write_bytes(OLD)
    program = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from capturehook.files import write_stream_atomically\n"
        "def produce(out):\n"
        "    out.write(b'half' * 1000); out.flush(); print('half', flush=True); time.sleep(60)\n"
        "write_stream_atomically(Path(sys.argv[1]), produce)\n"
    )
    words = [sys.executable, "-c", program, str(job)]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"half\n"
        writer.kill()
        writer.wait(timeout=30)
    assert job.read_bytes() == OLD
    assert len(list(scraps(tmp_path))) == 1  # hidden, and named as what it is
    write(job)
    assert job.read_bytes() == NEW


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no such device here")
def test_device_or_endless_pipe_is_refused_before_memory_ends(monkeypatch: Any) -> None:
    with pytest.raises(FileError, match="is a device"):
        files.read_bytes(Path("/dev/zero"))
    monkeypatch.setattr(files, "memory_bytes", lambda: 16e6)
    with Path("/dev/zero").open("rb") as endless, pytest.raises(FileError, match="gives 4 MB"):
        files.read_pipe(endless, "a pipe")
    assert files.read_pipe(io.BytesIO(b"G28\n" * 10), "a pipe") == b"G28\n" * 10
