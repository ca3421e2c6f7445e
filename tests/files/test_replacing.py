"""A file that is replaced: whose it is, what is kept, what a killed run left behind."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from capturehook.errors import FileError
from capturehook.files import read_and_look, write_atomically
from capturehook.hosts.edit import edit_file
from tests.adapters.host_calls import JOB
from tests.cli.calling import call


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "part.gcode"
    path.write_bytes(JOB)
    return path


@pytest.mark.parametrize("how", ["written over", "replaced", "deleted"])
def test_new_export_written_meanwhile_is_never_lost(how: str, job: Path) -> None:
    """The host saves again while poses are being put in."""

    def change(text: bytes, name: str) -> bytes:
        if how == "written over":
            job.write_bytes(b"; newer\n")
        elif how == "replaced":
            (job.parent / "new").write_bytes(b"; newer\n")
            (job.parent / "new").replace(job)
        else:
            job.unlink()
        return text + b"; capturehook pose 1 begin layer 1 z 0.20\n; capturehook pose 1 end\n"

    with pytest.raises(FileError, match="was written by another program while this ran"):
        edit_file(job, change)
    assert not job.exists() if how == "deleted" else job.read_bytes() == b"; newer\n"
    assert [path.name for path in job.parent.iterdir()] == ([] if how == "deleted" else [job.name])


def test_file_that_grows_while_it_is_read_is_refused(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, calls = os.fstat, []

    def growing(handle: int) -> os.stat_result:
        calls.append(handle)
        if len(calls) == 2:
            with job.open("ab") as file:
                file.write(b"; more\n")
        return real(handle)

    monkeypatch.setattr(os, "fstat", growing)
    with pytest.raises(FileError, match="is being written by another program"):
        read_and_look(job)


def test_read_only_file_is_refused(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job.chmod(0o444)
    code, _, err = call(capsys, "apply", job, "-p", "heron")
    assert code == 2 and "is read-only" in err
    assert job.read_bytes() == JOB


def test_hard_links_are_told(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = job.with_name("other.gcode")
    other.hardlink_to(job)
    _, _, err = call(capsys, "apply", job, "-p", "heron")
    assert "it had 2 names (hard links): the others still name the old content" in err
    assert other.read_bytes() == JOB


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="asks for root")
def test_owner_group_and_mode_are_kept(job: Path) -> None:
    os.chown(job, 1234, 2345)
    job.chmod(0o640)
    assert write_atomically(job, b"new") == ()
    found = job.stat()
    assert (found.st_uid, found.st_gid, found.st_mode & 0o777) == (1234, 2345, 0o640)


def test_owner_that_cannot_be_kept_is_told(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.fstat

    def other(handle: int) -> os.stat_result:
        found = list(real(handle))
        found[4] += 1  # st_uid
        return os.stat_result(found)

    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "fstat", other)
    monkeypatch.setattr(os, "fchown", refuse)
    (note,) = write_atomically(job, b"new")
    assert note.startswith("its owner 0 could not be kept (Operation not permitted)") or (
        "could not be kept" in note
    )


KILLED = """
import os, signal, sys
from pathlib import Path
from capturehook.files import write_stream_atomically

def produce(out):
    out.write(b"half")
    out.flush()
    if sys.argv[2] == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    print("ready", flush=True)
    sys.stdin.read()

write_stream_atomically(Path(sys.argv[1]), produce)
"""


def scraps(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.endswith(".part"))


def test_what_a_killed_run_left_goes_with_the_next_one(job: Path) -> None:
    subprocess.run([sys.executable, "-c", KILLED, job, "kill"], timeout=60)
    assert len(scraps(job.parent)) == 1
    foreign = [job.with_name(f".{job.name}.theirs.part"), job.with_name(".x.capturehook-a.part")]
    for path in foreign:
        path.write_bytes(b"not ours")
    write_atomically(job, b"new")
    assert scraps(job.parent) == sorted(path.name for path in foreign)


def test_scrap_of_a_run_that_still_writes_is_left_alone(job: Path) -> None:
    command = [sys.executable, "-c", KILLED, job, "wait"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None and other.stdin is not None
        assert other.stdout.readline() == b"ready\n"
        (scrap,) = scraps(job.parent)
        write_atomically(job, b"new")
        assert scraps(job.parent) == [scrap]
        other.stdin.close()
        assert other.wait(60) == 0
    assert job.read_bytes() == b"half"


def test_name_of_255_bytes_that_is_no_text_works(tmp_path: Path) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + b"\xff" * 249 + b".gcode"))
    write_atomically(path, b"one")
    write_atomically(path, b"two")
    assert path.read_bytes() == b"two"
