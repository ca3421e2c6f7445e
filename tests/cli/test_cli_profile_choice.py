"""Which profile a command takes when none is named, and what it says of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.calling import call, profile_text

Capture = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def _own_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.delenv("CAPTUREHOOK_PROFILE", raising=False)


def test_hook_without_a_profile_prints_no_line_for_another_printer(capsys: Capture) -> None:
    code, out, err = call(capsys, "hook")
    assert (code, out) == (2, "")
    assert "no profile was named" in err


def test_hook_takes_the_profile_of_this_folder_and_says_so(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "capture.toml").write_text(profile_text())
    code, out, _ = call(capsys, "hook")
    assert code == 0
    assert out.startswith("Profile: capture.toml (none was named")
    assert str(tmp_path / "capture.toml") in out
    assert "heron" not in out


@pytest.mark.parametrize("command", ["inspect", "plan", "apply", "strip"])
def test_profile_given_as_job_is_told_as_such(
    command: str, tmp_path: Path, capsys: Capture
) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("# my printer\n" + profile_text())
    code, out, err = call(capsys, command, path)
    assert (code, out) == (2, "")
    assert "is a capturehook profile, not a job" in err
    assert f"capturehook profile check {path}" in err
    assert path.read_text() == "# my printer\n" + profile_text()
