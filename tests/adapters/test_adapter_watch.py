"""`watch_folder.py`: rest, partial files, new starts; and the watch itself on a clock of ours."""

from __future__ import annotations

import gzip
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from capturehook.errors import FileError, GcodeError, LayerError
from capturehook.hosts.summary import Posing
from capturehook.hosts.watch import LEDGER, Watch
from capturehook.profile import load_profile
from tests.adapters.host_calls import (
    ADAPTERS,
    EMPTY_JOB,
    JOB,
    PLANS,
    call,
    has_poses,
    one_line,
    scraps,
)
from tests.jobfile.samples import built
from tests.jobfile.test_damage import plates


class Counting:
    """The change that puts poses in, and how often it was made."""

    def __init__(self) -> None:
        self.jobs: list[str] = []
        self.pose = Posing(load_profile("heron"))

    def __call__(self, data: bytes, name: str) -> bytes:
        self.jobs.append(Path(name).name)
        return self.pose(data, name)


@pytest.fixture
def change() -> Counting:
    return Counting()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "jobs é 1"
    path.mkdir()
    return path


def put(folder: Path, name: str, data: bytes, at_s: int) -> Path:
    """A file with a time of change of its own."""
    path = folder / name
    path.write_bytes(data)
    os.utime(path, ns=(at_s * 10**9, at_s * 10**9))
    return path


def take_all(watch: Watch, now_s: float) -> list[str]:
    """What became of the jobs that are ripe at this time."""
    made = [watch.take(job) for job in watch.ripe(now_s)]
    return [path.name for path in made if path is not None]


def test_job_at_rest_gets_its_poses_and_stays_as_it_is(folder: Path, change: Counting) -> None:
    job = put(folder, "part.gcode", JOB, 1)
    watch = Watch(folder, None, change, 3.0)
    assert take_all(watch, 0.0) == []
    assert take_all(watch, 2.9) == []
    assert watch.waiting()
    assert take_all(watch, 3.0) == ["part.posed.gcode"]
    assert not watch.waiting()
    assert job.read_bytes() == JOB
    assert has_poses((folder / "part.posed.gcode").read_bytes())
    assert scraps(folder) == []


def test_job_that_still_grows_is_left_alone(folder: Path, change: Counting) -> None:
    """Debounce: the clock starts anew at every change of size or time."""
    watch = Watch(folder, None, change, 3.0)
    for now_s in range(10):
        put(folder, "part.gcode", JOB[: 150 * (now_s + 1)], now_s)
        assert take_all(watch, float(now_s)) == []
    put(folder, "part.gcode", JOB, 20)
    assert take_all(watch, 20.0) == []
    assert take_all(watch, 23.0) == ["part.posed.gcode"]
    assert change.jobs == ["part.gcode"]


def test_stalled_copy_is_made_again_when_it_goes_on(folder: Path, change: Counting) -> None:
    """A copy that rests half-way is refused once, and taken when the rest has come."""
    half = JOB.index(b";LAYER_CHANGE", len(JOB) // 2)
    put(folder, "part.gcode", JOB[:half], 1)
    watch = Watch(folder, None, change, 1.0)
    take_all(watch, 0.0)
    with pytest.raises(GcodeError, match="seems to be cut off"):
        take_all(watch, 1.0)
    assert take_all(watch, 1.5) == []
    assert not (folder / "part.posed.gcode").exists()
    put(folder, "part.gcode", JOB, 2)
    take_all(watch, 2.0)
    assert take_all(watch, 3.0) == ["part.posed.gcode"]
    assert has_poses((folder / "part.posed.gcode").read_bytes())


def test_copy_that_rests_between_two_layers_is_waited_for(folder: Path) -> None:
    """Nothing shows a cut there but that no end comes."""
    change = Posing(load_profile("heron"), needs_end=True)
    cut = JOB.index(b"\n", JOB.index(b";LAYER_CHANGE", len(JOB) // 2)) + 1
    put(folder, "part.gcode", JOB[:cut] + b"G1 Z9 F600\n", 1)
    watch = Watch(folder, None, change, 1.0)
    take_all(watch, 0.0)
    with pytest.raises(GcodeError, match=r"cut off|no program ends"):
        take_all(watch, 1.0)
    assert take_all(watch, 1.5) == []
    put(folder, "part.gcode", JOB, 2)
    take_all(watch, 2.0)
    assert take_all(watch, 3.0) == ["part.posed.gcode"]


def test_empty_and_foreign_files_are_never_taken(folder: Path, change: Counting) -> None:
    for name in (".hidden.gcode", "~part.gcode", "part.gcode.part", "notes.txt", "a.posed.gcode"):
        put(folder, name, JOB, 1)
    put(folder, "empty.gcode", b"", 1)
    (folder / "folder.gcode").mkdir()
    os.mkfifo(folder / "pipe.gcode")
    (folder / "nowhere.gcode").symlink_to(folder / "none")
    watch = Watch(folder, None, change, 0.0)
    assert take_all(watch, 0.0) == []
    assert not watch.waiting()


def test_suffixes_in_any_case(folder: Path, change: Counting) -> None:
    for name in ("a.GCODE", "b.gco", "c.g"):
        put(folder, name, JOB, 1)
    made = take_all(Watch(folder, None, change, 0.0), 0.0)
    assert sorted(made) == ["a.posed.GCODE", "b.posed.gco", "c.posed.g"]


def test_new_start_does_nothing_twice(folder: Path, change: Counting) -> None:
    put(folder, "part.gcode", JOB, 1)
    assert take_all(Watch(folder, None, change, 0.0), 0.0) == ["part.posed.gcode"]
    (folder / "part.posed.gcode").unlink()  # carried to the printer
    assert take_all(Watch(folder, None, change, 0.0), 0.0) == []
    os.utime(folder / "part.gcode")  # touched, not changed
    assert take_all(Watch(folder, None, change, 0.0), 0.0) == []
    assert change.jobs == ["part.gcode"]


def test_new_start_after_a_crash_before_the_ledger_does_nothing_twice(
    folder: Path, change: Counting
) -> None:
    """The result itself tells: without its blocks it is the job."""
    put(folder, "part.gcode", JOB, 1)
    take_all(Watch(folder, None, change, 0.0), 0.0)
    (folder / LEDGER).unlink()
    assert take_all(Watch(folder, None, change, 0.0), 0.0) == []
    assert change.jobs == ["part.gcode"]
    assert json.loads((folder / LEDGER).read_text())["name"] == "part.gcode"


def test_ledger_cut_by_a_crash_is_read_as_far_as_it_goes(folder: Path, change: Counting) -> None:
    put(folder, "a.gcode", JOB, 1)
    put(folder, "b.gcode", JOB, 1)
    take_all(Watch(folder, None, change, 0.0), 0.0)
    ledger = folder / LEDGER
    whole = ledger.read_bytes()
    ledger.write_bytes(whole[:-30])
    (folder / "a.posed.gcode").unlink()
    (folder / "b.posed.gcode").unlink()
    made = take_all(Watch(folder, None, change, 0.0), 0.0)
    assert len(made) == 1
    assert take_all(Watch(folder, None, change, 0.0), 0.0) == []
    assert len(change.jobs) == 3


def test_job_that_comes_back_to_an_older_content_is_made_again(
    folder: Path, change: Counting
) -> None:
    other = JOB.replace(b"made for tests", b"made once more")
    for at_s, data in enumerate((JOB, other, JOB), 1):
        put(folder, "part.gcode", data, at_s)
        assert take_all(Watch(folder, None, change, 0.0), 0.0) == ["part.posed.gcode"]
        assert has_poses((folder / "part.posed.gcode").read_bytes(), data)


def test_results_may_go_into_a_folder_of_their_own(folder: Path, change: Counting) -> None:
    out = folder / "posed é" / "deep"
    put(folder, "part.gcode", JOB, 1)
    assert take_all(Watch(folder, out, change, 0.0), 0.0) == ["part.gcode"]
    assert has_poses((out / "part.gcode").read_bytes())
    assert sorted(path.name for path in folder.iterdir()) == ["part.gcode", "posed é"]


def test_out_that_is_the_folder_itself_never_overwrites_the_job(
    folder: Path, change: Counting
) -> None:
    put(folder, "part.gcode", JOB, 1)
    assert take_all(Watch(folder, folder / ".", change, 0.0), 0.0) == ["part.posed.gcode"]
    assert (folder / "part.gcode").read_bytes() == JOB


def test_file_of_another_is_never_overwritten(folder: Path, change: Counting) -> None:
    out = folder / "out"
    out.mkdir()
    put(folder, "part.gcode", JOB, 1)
    put(out, "part.gcode", b"; my own\n", 1)
    watch = Watch(folder, out, change, 0.0)
    with pytest.raises(FileError, match="is not a result of ours"):
        take_all(watch, 0.0)
    assert (out / "part.gcode").read_bytes() == b"; my own\n"
    assert take_all(watch, 1.0) == []


def test_refused_job_is_not_tried_again_before_it_changes(folder: Path, change: Counting) -> None:
    put(folder, "part.gcode", EMPTY_JOB, 1)
    watch = Watch(folder, None, change, 0.0)
    with pytest.raises(LayerError, match="laid any plastic"):
        take_all(watch, 0.0)
    assert take_all(watch, 1.0) == []
    put(folder, "part.gcode", JOB, 2)
    assert take_all(watch, 2.0) == ["part.posed.gcode"]


def test_job_that_vanishes_or_changes_in_between_is_passed_over(
    folder: Path, change: Counting, monkeypatch: pytest.MonkeyPatch
) -> None:
    import capturehook.hosts.watch as module

    job = put(folder, "part.gcode", JOB, 1)
    watch = Watch(folder, None, change, 0.0)
    (ripe,) = watch.ripe(0.0)
    monkeypatch.setattr(module, "read_bytes", lambda path: put(folder, path.name, JOB, 9) and JOB)
    assert watch.take(ripe) is None
    monkeypatch.undo()
    job.unlink()
    assert watch.take(ripe) is None
    assert change.jobs == []


def test_folder_that_is_missing_is_one_line(tmp_path: Path) -> None:
    done = call("watch_folder.py", "-p", "heron", tmp_path / "none é", cwd=tmp_path)
    assert done.returncode == 2
    assert "is no folder. Make it, or name another." in one_line(done.stderr)


def test_times_out_of_range_are_one_line(folder: Path) -> None:
    for words in (("--still-s", "nan"), ("--every-s", "0"), ("--still-s", "fast")):
        done = call("watch_folder.py", "-p", "heron", *words, folder, cwd=folder)
        assert done.returncode == 2
        one_line(done.stderr)


def test_once_does_all_that_is_there_and_tells_of_what_it_refused(folder: Path) -> None:
    put(folder, "good.gcode", JOB, 1)
    put(folder, "bad.gcode", EMPTY_JOB, 1)
    words = ("-p", "heron", "--once", "--still-s", "0.2", "--every-s", "0.1", folder)
    done = call("watch_folder.py", *words, cwd=folder.parent)
    assert done.returncode == 2
    said = done.stderr.decode().splitlines()
    assert sorted(line.partition(".gcode")[0].rpartition("/")[2] for line in said) == [
        "bad",
        "good",
    ]
    assert "good.gcode -> " in one_line(done.stdout)
    assert has_poses((folder / "good.posed.gcode").read_bytes())
    again = call("watch_folder.py", *words, cwd=folder.parent)
    assert again.stdout == b""


def test_watch_runs_until_stopped_and_takes_what_comes(folder: Path) -> None:
    words = ["-p", "heron", "--still-s", "0.2", "--every-s", "0.1", str(folder)]
    command = [sys.executable, str(ADAPTERS / "watch_folder.py"), *words]
    host = subprocess.Popen(
        command, cwd=folder.parent, env=PLANS, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE
    )
    try:
        put(folder, "part.gcode", JOB, 1)
        result, deadline = folder / "part.posed.gcode", time.monotonic() + 60
        while not result.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        assert has_poses(result.read_bytes())
        assert host.poll() is None
    finally:
        host.terminate()
        host.communicate(timeout=30)
    assert host.returncode == 128 + signal.SIGTERM  # as shells count a stop
    assert scraps(folder) == []


def test_links_are_never_followed(folder: Path, change: Counting, tmp_path: Path) -> None:
    """A link in the place of a result, of the ledger or of a job could lead anywhere."""
    mine = tmp_path / "mine.txt"
    mine.write_bytes(b"; my own\n")
    put(folder, "part.gcode", JOB, 1)
    (folder / "part.posed.gcode").symlink_to(mine)
    (folder / "linked.gcode").symlink_to(folder / "part.gcode")
    watch = Watch(folder, None, change, 0.0)
    with pytest.raises(FileError, match="is a link, not a result of ours"):
        take_all(watch, 0.0)
    assert mine.read_bytes() == b"; my own\n"
    assert not (folder / "linked.posed.gcode").exists()
    (folder / LEDGER).unlink(missing_ok=True)
    (folder / LEDGER).symlink_to(mine)
    with pytest.raises(FileError, match="is a link"):
        Watch(folder, None, change, 0.0)
    assert mine.read_bytes() == b"; my own\n"


def test_result_that_was_changed_by_hand_is_not_overwritten(folder: Path, change: Counting) -> None:
    put(folder, "part.gcode", JOB, 1)
    watch = Watch(folder, None, change, 0.0)
    assert take_all(watch, 0.0) == ["part.posed.gcode"]
    result = folder / "part.posed.gcode"
    edited = result.read_bytes() + b"; tuned by hand\n"
    result.write_bytes(edited)
    put(folder, "part.gcode", JOB + b"; new export\n", 2)
    with pytest.raises(FileError, match="is not a result of ours"):
        take_all(watch, 1.0)
    assert result.read_bytes() == edited


def test_packed_kinds_are_taken_and_the_rest_is_told_once(
    folder: Path, change: Counting, capsys: pytest.CaptureFixture[str]
) -> None:
    put(folder, "a.gcode.gz", gzip.compress(JOB), 1)
    put(folder, "b.bgcode", built(2, 0), 1)
    put(folder, "c.gcode.3mf", plates(), 1)
    put(folder, "notes.txt", b"", 1)
    (folder / "d.gcode").symlink_to(folder / "a.gcode.gz")
    watch = Watch(folder, None, change, 0.0)
    made = take_all(watch, 0.0)
    assert sorted(made) == ["a.posed.gcode.gz", "b.posed.bgcode", "c.posed.gcode.3mf"]
    assert has_poses(gzip.decompress((folder / "a.posed.gcode.gz").read_bytes()))
    take_all(watch, 1.0)
    told = capsys.readouterr().err
    assert told.count("notes.txt: skipped, its name is none of a job's.") == 1
    assert told.count("d.gcode: skipped, it is a link.") == 1
