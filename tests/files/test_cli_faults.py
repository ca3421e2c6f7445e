"""Every command that writes, with every file operation under it made to fail in turn.

Each time: what stood there is whole, no scrap is left, exit code 2, one clear error.
"""

from __future__ import annotations

import errno
import os
import shutil
import signal
import zipfile
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest

import capturehook
from capturehook.profile import load_profile
from tests import forked
from tests.adapters.host_calls import JOB
from tests.files.cli_faults import (
    COMMANDS,
    FAULTS,
    Command,
    Fault,
    files_in,
    lay_out,
    run_command,
    trapped,
)
from tests.files.fault_table import PAGE, page_with, table
from tests.resin import resin_jobs

BY_NAME = {command.name: command for command in COMMANDS}


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    box = BytesIO()
    with zipfile.ZipFile(box, "w") as out:
        out.writestr("about.txt", b"text")
        out.writestr("job.gcode", JOB)
    resin = resin_jobs.write_command_job(
        tmp_path_factory.mktemp("resin") / "job.zip",
        resin_jobs.command_text(4),
        [resin_jobs.bar(4)] * 4,
    )
    return {
        "job.gcode": JOB,
        "posed.gcode": capturehook.apply(JOB, load_profile("heron")).data,
        "old.gcode": b"; an older one\n",
        "old.toml": b"# an older one\n",
        "jobs/tower.gcode": JOB,
        "job.zip": resin.read_bytes(),
        "box.zip": box.getvalue(),
    }


@pytest.fixture(scope="module", autouse=True)
def no_advice() -> Iterator[None]:
    """Advice on the park point touches no file, and is most of what a rehearsal costs."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("capturehook.rehearse.run.advise_park", lambda *_: None)
        yield


@pytest.fixture(scope="module")
def clean(
    parts: dict[str, bytes], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, tuple[dict[str, bytes], dict[str, bytes]]]:
    """For each command the files before it and after it, when nothing fails."""
    found = {}
    for command in COMMANDS:
        folder = tmp_path_factory.mktemp("clean") / "work"
        before = prepare(command, folder, parts, {})
        assert run_command(command, command.words(folder)) in (0, 1), command.name
        found[command.name] = (before, files_in(folder))
        assert found[command.name][0] != found[command.name][1], f"{command.name} writes nothing"
    return found


def prepare(
    command: Command, folder: Path, parts: dict[str, bytes], made: dict[str, bytes]
) -> dict[str, bytes]:
    """Lay the files out, with what the commands before it make; ``made`` spares running them."""
    lay_out(folder, made or parts)
    if not made:
        for words in command.first:
            assert run_command(Command("", words), words(folder)) in (0, 1)
    return files_in(folder)


FIRST = {fault.operation: fault for fault in reversed(FAULTS)}
"""One errno for each operation; the others are tried on the first command alone."""
CASES = [
    (command.name, fault)
    for command in COMMANDS
    for fault in (FAULTS if command is COMMANDS[0] else FIRST.values())
]


@pytest.mark.parametrize(("name", "fault"), CASES, ids=str)
def test_operation_that_fails_costs_nothing(
    name: str,
    fault: Fault,
    parts: dict[str, bytes],
    clean: dict[str, tuple[dict[str, bytes], dict[str, bytes]]],
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    command = BY_NAME[name]
    before, after = clean[name]
    folder = tmp_path / "work"
    sprung = 0
    for at in (1, 2, 6) if command is COMMANDS[0] else (1, 3):
        prepare(command, folder, parts, before)
        capfd.readouterr()
        with trapped(folder, fault, at) as trap:
            code = run_command(command, command.words(folder))
        out, err = capfd.readouterr()
        if not trap.sprung:
            shutil.rmtree(folder)
            break
        sprung += 1
        found = files_in(folder)
        if "the plan was not kept" in out + err:  # the job is written, and stays so
            assert code in (0, 1)
            assert "Traceback" not in out + err
            assert after.keys() - found.keys() <= {one for one in after if "plan.json" in one}
            for file, data in found.items():
                assert_old_or_new(command.fixed, file, data, before, after)
            shutil.rmtree(folder)
            continue
        tells = check_told(name, fault, code, out + err)
        shutil.rmtree(folder)
        assert not [one for one in found if one.endswith(".part")], "a scrap is left"
        for file, data in found.items():
            assert_old_or_new(command.fixed and tells, file, data, before, after)
        missing = before.keys() - found.keys()
        assert not missing, "a file is lost"
        if not tells:
            assert found.keys() == after.keys()
    assert sprung or fault.operation == "read" or name == "profile new" or not command.fixed


def assert_old_or_new(
    fixed: bool, file: str, data: bytes, before: dict[str, bytes], after: dict[str, bytes]
) -> None:
    if data == before.get(file):
        return
    assert file in after, f"{file} should not be there"
    if fixed and not file.endswith((".json", ".jsonl")):
        assert data == after[file], f"{file} is neither the old nor the new one"
    else:  # times and paths in it differ from run to run
        assert len(data) > 0.7 * len(after[file]), f"{file} is not whole"


def check_told(name: str, fault: Fault, code: int, told: str) -> bool:
    """One clear error and exit code 2; False where the fault was rightly of no account."""
    assert "Traceback" not in told, told
    assert "a fault of" not in told, told
    if code in (0, 1) and fault.operation == "read":
        return False  # one picture that cannot be read is a finding of `audit`, no error
    assert code == 2, told
    reason = os.strerror(fault.code)
    lines = [line for line in told.splitlines() if reason in line]
    assert len(lines) == 1, told
    return True


def test_page_holds_the_table_as_it_is_today() -> None:
    """Else write it anew: `python tests/files/fault_table.py`."""
    text = PAGE.read_text()
    assert page_with(text, table()) == text
    rows = [line for line in text.splitlines() if line.startswith("| job.gcode: ")]
    told = {one for row in rows for one in row.rpartition("| 2 |")[2].strip("| ").split(", ")}
    assert told == {fault.operation for fault in FAULTS}


def test_table_names_all_kinds_of_fault() -> None:
    assert {fault.code for fault in FAULTS} >= {
        errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EIO, errno.ENOENT,
    }  # fmt: skip


# ---- signals ---------------------------------------------------------------------------------

STOP_AT = """
import os, signal, sys, time
number, step = int(sys.argv[1]), sys.argv[2]
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job ignores it
real = getattr(os, step)
def stops(*words, **more):
    made = real(*words, **more) if step == "fdopen" else None
    os.kill(os.getpid(), number)
    time.sleep(0.01)
    return made if step == "fdopen" else real(*words, **more)
setattr(os, step, stops)
if sys.argv[3]:
    from importlib import import_module
    sys.exit(import_module("capturehook.hosts." + sys.argv[3]).main(sys.argv[4:]))
from capturehook.cli.main import run
run(sys.argv[4:])
"""
STOPPED = ("apply JOB", "strip JOB", "resin --pose", "rehearse -o", "edit_in_place.py")


@pytest.mark.parametrize("step", ["fdopen", "fsync", "replace"])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL], ids=str)
@pytest.mark.parametrize("name", STOPPED)
def test_signal_in_mid_write_leaves_the_original_whole(
    name: str, number: signal.Signals, step: str, parts: dict[str, bytes], tmp_path: Path
) -> None:
    command = BY_NAME[name]
    if name == "rehearse -o" and step != "fsync":
        pytest.skip("films are written by the encoder")
    folder = tmp_path / "work"
    before = prepare(command, folder, parts, {})
    texts = [str(word) for word in command.words(folder)]
    words = ["-c", STOP_AT, str(int(number)), step, command.adapter, *texts]
    done = forked.run(words, cwd=tmp_path)
    found = files_in(folder)
    if number == signal.SIGKILL:
        assert done.returncode == -signal.SIGKILL
        scraps = [one for one in found if one.endswith(".part")]
        assert len(scraps) == 1 and scraps[0].startswith("."), "hidden, and named as what it is"
        del found[scraps[0]]
    else:
        assert done.returncode == {signal.SIGINT: 130, signal.SIGTERM: 143}[number]
        assert b"Traceback" not in done.stderr, done.stderr
        assert len([line for line in done.stderr.splitlines() if line]) <= 1
    assert found == before


FULL = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
from capturehook.cli.main import run
run(sys.argv[2:])
"""


@pytest.mark.parametrize(
    "name", ["apply JOB", "rehearse -o", "assemble -o --list", "audit --sheet"]
)
def test_files_that_may_not_grow_leave_the_original_whole(
    name: str, parts: dict[str, bytes], tmp_path: Path
) -> None:
    """A limit on the size of files stands for a quota (setrlimit, POSIX RLIMIT_FSIZE); here the
    encoder's own writes fail too."""
    command = BY_NAME[name]
    folder = tmp_path / "work"
    before = prepare(command, folder, parts, {})
    texts = [str(word) for word in command.words(folder)]
    done = forked.run(["-c", FULL, "1500", *texts], cwd=tmp_path)
    assert done.returncode == 2, done.stderr
    assert b"Traceback" not in done.stderr, done.stderr
    assert b"could not be written" in done.stderr or b"cannot be written" in done.stderr
    assert files_in(folder) == before
