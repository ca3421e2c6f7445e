"""Names and texts of strangers on a terminal; streams that are closed, full or cut off."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import forked
from tests.adapters.host_calls import JOB

ODD = b"part \xff\n\x1b]0;owned\x07\x9b2J.gcode"
"""No UTF-8, a new line, an escape sequence that renames the window, a control letter of eight
bits."""
MARKED = JOB.replace(b";LAYER_CHANGE", b";LAYER_CHANGE \x1b[2J", 1)


def shell(command: str, cwd: Path) -> subprocess.CompletedProcess[bytes]:
    me = f'"{sys.executable}" -m capturehook'
    line = command.replace("CAPTUREHOOK", me)
    return subprocess.run(["/bin/sh", "-c", line], cwd=cwd, capture_output=True, timeout=120)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "job.gcode").write_bytes(JOB)
    return tmp_path


@pytest.mark.parametrize(
    "words", [["inspect"], ["plan"], ["apply", "--dry-run"], ["apply"], ["strip"]]
)
@pytest.mark.parametrize("as_json", [False, True])
def test_odd_names_work_and_never_reach_the_terminal_raw(
    words: list[str], as_json: bool, tmp_path: Path
) -> None:
    job = os.path.join(os.fsencode(tmp_path), ODD)  # noqa: PTH118 - the name is no text
    Path(os.fsdecode(job)).write_bytes(MARKED)
    more = ["-p", "heron"] if words != ["strip"] else []
    more += ["--json"] if as_json else []
    done = forked.run(["-m", "capturehook", *words, os.fsdecode(job), *more])
    assert done.returncode in (0, 1), done.stderr
    for stream in (done.stdout, done.stderr):
        assert b"\x1b" not in stream and b"\x07" not in stream
        assert b"Traceback" not in stream
        stream.decode()
        assert not any(line.startswith(b"\\x1b]0") for line in stream.splitlines()), stream
    if as_json:
        json.loads(done.stdout)
    if words == ["apply"] and not as_json:
        assert b" poses, adds " in done.stdout


def test_full_standard_output_is_one_error(folder: Path) -> None:
    for command in ("inspect job.gcode -p heron", "plan job.gcode -p heron --json", "profile list"):
        done = shell(f"CAPTUREHOOK {command} >/dev/full", folder)
        assert done.returncode == 2
        assert (
            done.stderr.decode()
            .splitlines()[-1]
            .startswith("standard output: cannot be written (No space left on device)")
        )
        assert b"Traceback" not in done.stderr


def test_full_or_closed_standard_error_changes_no_result(folder: Path) -> None:
    want = shell("CAPTUREHOOK apply job.gcode -p heron -o out.gcode", folder).returncode
    for where in ("2>/dev/full", "2>&-", ">&- 2>&-"):
        (folder / "out.gcode").unlink()
        done = shell(f"CAPTUREHOOK apply job.gcode -p heron -o out.gcode {where}", folder)
        assert done.returncode == want, done.stderr
        assert b"; capturehook pose 1 begin" in (folder / "out.gcode").read_bytes()
    hook = f'"{sys.executable}" -m capturehook.hosts.edit -p heron'
    assert shell(f"{hook} job.gcode 2>/dev/full", folder).returncode == 0


def test_closed_standard_output_is_no_traceback(folder: Path) -> None:
    for command in ("inspect job.gcode -p heron", "plan job.gcode -p heron", "profile list"):
        done = shell(f"CAPTUREHOOK {command} >&-", folder)
        assert done.returncode in (0, 1)
        assert b"Traceback" not in done.stderr and b"rror" not in done.stderr


def test_reader_that_has_seen_enough_is_no_fault(folder: Path) -> None:
    for command in (
        "plan job.gcode -p heron --json",
        "plan job.gcode -p heron",
        "profile schema",
        "inspect job.gcode -p heron",
    ):
        done = shell(f"(CAPTUREHOOK {command}; echo $? >code) | head -1", folder)
        assert (folder / "code").read_text() == "0\n"
        assert b"Traceback" not in done.stderr and b"Broken pipe" not in done.stderr
