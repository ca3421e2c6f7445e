"""Settings that only the host's environment states, and warnings that name all their places."""

from __future__ import annotations

from pathlib import Path

import pytest

from capturehook.errors import Finding
from capturehook.hosts.edit import main
from capturehook.hosts.run import settings_of_host
from capturehook.hosts.summary import alike
from tests.adapters.host_calls import JOB, has_poses


def test_environment_is_held_against_the_profile_and_leaves_no_trace(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tmp_path / "part.gcode"
    job.write_bytes(JOB)
    monkeypatch.setenv("SLIC3R_BED_SHAPE", "0x0,90x0,90x90,0x90")
    monkeypatch.setenv("SLIC3R_NOTES", "two\nlines")
    monkeypatch.setenv("SLIC3R_PP_HOST", "File")
    assert settings_of_host() == b"; bed_shape = 0x0,90x0,90x90,0x90\n"
    assert main(["-p", "heron", str(job)]) == 0
    told = capsys.readouterr().err
    assert "1 warning;" in told and "bed from 0 to 90 mm" in told
    assert has_poses(job.read_bytes())


def test_warnings_said_at_many_places_name_them_all() -> None:
    found = [Finding("pose-unsafe", f"part.gcode:{line}", "no path") for line in (12, 40, 77)]
    assert alike(found) == ["! part.gcode:12: no path [pose-unsafe] (also at 40, 77)"]
    many = alike([Finding("a", f"j:{line}", "b") for line in range(100)])
    assert many[0].endswith("and 59 more)")
