"""`stdin_stdout.py`: a job through a pipe."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.adapters.host_calls import ADAPTERS, EMPTY_JOB, JOB, PLANS, call, has_poses, one_line

SCRIPT = str(ADAPTERS / "stdin_stdout.py")


def test_job_goes_through_byte_for_byte_but_for_the_blocks(tmp_path: Path) -> None:
    crlf = JOB.replace(b"\n", b"\r\n").rstrip(b"\r\n")
    done = call("stdin_stdout.py", "-p", "heron", cwd=tmp_path, stdin=crlf)
    assert done.returncode == 0
    assert one_line(done.stderr).startswith("standard input: 4 poses, adds ")
    assert has_poses(done.stdout, crlf)


@pytest.mark.parametrize("data", [b"", EMPTY_JOB, b"PK\x03\x04zip"])
def test_nothing_goes_out_when_the_job_is_refused(data: bytes, tmp_path: Path) -> None:
    done = call("stdin_stdout.py", "-p", "heron", cwd=tmp_path, stdin=data)
    assert (done.returncode, done.stdout) == (2, b"")
    assert one_line(done.stderr).startswith("standard input")


def shell(redirections: str, cwd: Path) -> subprocess.CompletedProcess[bytes]:
    command = f'exec "{sys.executable}" "{SCRIPT}" -p heron {redirections}'
    words = ["/bin/sh", "-c", command]
    return subprocess.run(words, cwd=cwd, env=PLANS, capture_output=True, timeout=60)


def test_closed_or_full_streams_are_one_line_and_a_code(tmp_path: Path) -> None:
    (tmp_path / "job.gcode").write_bytes(JOB)
    for redirections, said in (
        ("<&-", "standard input: cannot be read (it is closed)"),
        ("<job.gcode >&-", "standard output: cannot be written (it is closed)"),
        ("<job.gcode >/dev/full", "standard output: cannot be written (No space left on device)"),
    ):
        done = shell(redirections, tmp_path)
        assert done.returncode == 2
        assert one_line(done.stderr).startswith(said)


def test_reader_that_goes_away_is_one_line_and_a_code(tmp_path: Path) -> None:
    big = JOB + b"; padding\n" * 100_000
    (tmp_path / "job.gcode").write_bytes(big)
    command = f'( "{sys.executable}" "{SCRIPT}" -p heron <job.gcode; echo $? >code ) | true'
    done = subprocess.run(
        ["/bin/sh", "-c", command], cwd=tmp_path, env=PLANS, capture_output=True, timeout=60
    )
    assert (tmp_path / "code").read_text() == "2\n"
    assert one_line(done.stderr).startswith("standard output: cannot be written (Broken pipe)")


def test_the_environment_names_the_profile(tmp_path: Path) -> None:
    env = {"CAPTUREHOOK_PROFILE": "heron"}
    done = call("stdin_stdout.py", cwd=tmp_path, stdin=JOB, env=env)
    assert done.returncode == 0 and has_poses(done.stdout)
