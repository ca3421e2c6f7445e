"""Doubts that the commands tell about a job and a profile that do not belong together."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from capturehook.cli.main import run
from tests.small_jobs import Recipe, make_job

PROFILE = """
schema = 1
name = "heron"
[machine]
firmware = "{firmware}"
x_mm = [0, {width}]
y_mm = [0, 235]
z_mm = [0, 250]
[park]
x_mm = 8
y_mm = 215
"""
JOB = make_job(Recipe(layers=5)).data


def call(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of one command."""
    with pytest.raises(SystemExit) as stop:
        run([str(word) for word in words])
    heard = capsys.readouterr()
    return int(str(stop.value.code)), heard.out, heard.err


def files(folder: Path, job: bytes = JOB, firmware: str = "marlin", width: float = 235) -> Path:
    (folder / "job.gcode").write_bytes(job)
    text = PROFILE.format(firmware=firmware, width=width)
    (folder / "heron.toml").write_text(text)
    return folder / "job.gcode"


# Promise: a job that says M83 for a family that has no such command is followed as it means,
# and inspect says so.
def test_m83_for_rs274_is_followed_and_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = files(tmp_path, firmware="rs274")
    assert b"\nM83\n" in JOB
    code, out, err = call(capsys, "inspect", job, "-p", tmp_path / "heron.toml")
    assert code == 1 and "E relative" in out
    assert re.search(r"job\.gcode:\d+: M83 is no command of rs274 itself: .* \[strange-codes\]", err)
    assert call(capsys, "apply", job, "-p", tmp_path / "heron.toml")[0] == 0
    lines = job.read_text().splitlines()
    blocks = [line for line in lines if re.fullmatch(r"G1 E-?[\d.]+ F2100", line)]
    assert all(abs(float(line[4:].split()[0])) <= 0.8 for line in blocks), "steps, not places"
