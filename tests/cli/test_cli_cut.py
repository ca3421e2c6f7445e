"""A job that was cut off, met by each command."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.calling import call, profile_text
from tests.small_jobs import Recipe, make_job

Capture = pytest.CaptureFixture[str]
JOB = make_job(Recipe(layers=5)).data
END = JOB.index(b"; end of the part")


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    (tmp_path / "heron.toml").write_text(profile_text())
    return tmp_path / "lighthouse.gcode"


def run(capsys: Capture, command: str, job: Path, *more: str) -> tuple[int, str]:
    code, _, err = call(capsys, command, job, "-p", job.with_name("heron.toml"), *more)
    return code, err


@pytest.mark.parametrize("command", ["inspect", "plan", "apply"])
def test_job_without_an_end_is_told_with_its_last_line(
    command: str, desk: Path, capsys: Capture
) -> None:
    desk.write_bytes(JOB[:END])
    code, err = run(capsys, command, desk)
    assert code == 1
    lines = JOB[:END].count(b"\n")
    assert f"lighthouse.gcode:{lines}: no heater, no motor" in err and "[may-be-cut]" in err
    desk.write_bytes(JOB)
    assert "may-be-cut" not in run(capsys, command, desk)[1]


@pytest.mark.parametrize("command", ["plan", "apply"])
def test_where_the_cut_shows_it_is_refused_unless_told_to_be_whole(
    command: str, desk: Path, capsys: Capture
) -> None:
    cut = JOB[: JOB.rindex(b"G1 X", 0, END) + 8]
    desk.write_bytes(cut)
    code, err = run(capsys, command, desk)
    assert code == 2
    assert "seems to be cut off" in err and "--whole" in err
    assert desk.read_bytes() == cut
    code, err = run(capsys, command, desk, "--whole")
    assert code == 1 and "[may-be-cut]" in err
    desk.write_bytes(cut)
    assert run(capsys, "inspect", desk)[0] == 1
