"""`edit_in_place.py`, called as hosts call it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

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


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "Tür mit Leerzeichen é 灯台"
    folder.mkdir()
    path = folder / "lighthouse 1.gcode.pp"
    path.write_bytes(JOB)
    return path


@pytest.fixture
def elsewhere(tmp_path: Path) -> Path:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    return folder


def test_job_is_edited_in_place_and_one_line_is_said(job: Path, elsewhere: Path) -> None:
    job.chmod(0o640)
    done = call("edit_in_place.py", "-p", "heron", job, cwd=elsewhere)
    assert (done.returncode, done.stdout) == (0, b"")
    assert one_line(done.stderr).startswith(f"{job}: 4 poses, adds ")
    assert has_poses(job.read_bytes())
    assert job.stat().st_mode & 0o777 == 0o640
    assert list(elsewhere.iterdir()) == []
    assert scraps(job.parent) == []


def test_second_script_line_on_the_same_file_changes_nothing(job: Path, elsewhere: Path) -> None:
    assert call("edit_in_place.py", "-p", "heron", job, cwd=elsewhere).returncode == 0
    once = job.read_bytes()
    assert call("edit_in_place.py", "-p", "heron", job, cwd=elsewhere).returncode == 0
    assert job.read_bytes() == once


def test_profile_may_be_a_path_with_spaces(job: Path, elsewhere: Path) -> None:
    from capturehook.profile.load import BUILT_IN

    profile = job.parent / "mein Profil é.toml"
    profile.write_bytes((BUILT_IN / "kestrel.toml").read_bytes())
    done = call("edit_in_place.py", "-p", profile, job, cwd=elsewhere)
    assert done.returncode == 0
    assert b"SET_PIN" in job.read_bytes()


def test_unreadable_job_is_named_by_its_final_name(job: Path, elsewhere: Path) -> None:
    """The temporary name would say nothing to the person."""
    job.write_bytes(EMPTY_JOB)
    for name in (r"C:\prints\lighthouse final é.gcode", "/home/ada/lighthouse final é.gcode"):
        env = {"SLIC3R_PP_OUTPUT_NAME": name, "SLIC3R_PP_HOST": "File", "PYTHONUTF8": "1"}
        done = call("edit_in_place.py", "-p", "heron", job, cwd=elsewhere, env=env)
        assert done.returncode == 2
        assert one_line(done.stderr).startswith("lighthouse final é.gcode:")
        assert job.read_bytes() == EMPTY_JOB


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "missing argument 'JOB'"),
        (("-p",), "option '-p' requires an argument"),
        (("-p", "heron"), "missing argument 'JOB'"),
        (("JOB",), "no profile is named"),
        (("-p", "heronn", "JOB"), "nearest is heron"),
        (("-p", "heron", "none.gcode"), "cannot be read (No such file or directory)"),
        (("-p", "heron", "."), "cannot be read (Is a directory)"),
        (("--fast", "-p", "heron", "JOB"), "no such option"),
    ],
)
def test_wrong_call_is_one_line_and_a_code(
    words: tuple[str, ...], said: str, job: Path, elsewhere: Path
) -> None:
    given = [str(job) if word == "JOB" else word for word in words]
    done = call("edit_in_place.py", *given, cwd=elsewhere)
    assert (done.returncode, done.stdout) == (2, b"")
    assert said in one_line(done.stderr)
    assert job.read_bytes() == JOB


def test_faulty_profile_reports_every_fault_and_keeps_the_job(job: Path, elsewhere: Path) -> None:
    bad = elsewhere / "bad.toml"
    bad.write_text('schema = 1\nname = "bad"\n')
    done = call("edit_in_place.py", "-p", bad, job, cwd=elsewhere)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 2
    assert job.read_bytes() == JOB


def test_closed_streams_do_no_harm(job: Path, elsewhere: Path) -> None:
    """A host without a console may close all three."""
    script = ADAPTERS / "edit_in_place.py"
    command = f'exec "{sys.executable}" "{script}" -p "$2" "$1" <&- >&- 2>&-'
    shell = ["/bin/sh", "-c", command, "sh", str(job)]
    assert subprocess.run([*shell, "heron"], cwd=elsewhere, env=PLANS, timeout=60).returncode == 0
    assert has_poses(job.read_bytes())
    assert subprocess.run([*shell, "none"], cwd=elsewhere, env=PLANS, timeout=60).returncode == 2


def test_a_python_without_us_says_so_in_one_line(job: Path, elsewhere: Path) -> None:
    """`-S` stands for a Python without the packages: nothing beyond the standard library."""
    script = str(ADAPTERS / "edit_in_place.py")
    command = [sys.executable, "-S", script, "-p", "heron", str(job)]
    done = subprocess.run(command, cwd=elsewhere, env=PLANS, capture_output=True, timeout=60)
    assert done.returncode == 1
    assert one_line(done.stderr).startswith(f"capturehook cannot be loaded by {sys.executable} (")
    assert job.read_bytes() == JOB


def test_a_fault_of_ours_is_one_line_with_code_3(
    job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import capturehook.api
    from capturehook.hosts.edit import main

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("line one\nline two")

    monkeypatch.setattr(capturehook.api, "apply", broken)
    assert main(["-p", "heron", str(job)]) == 3
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "a fault of ours (ZeroDivisionError: line one line two at " in said
    assert job.read_bytes() == JOB


def test_link_is_followed_and_kept(job: Path, elsewhere: Path) -> None:
    link = elsewhere / "link.gcode"
    link.symlink_to(job)
    assert call("edit_in_place.py", "-p", "heron", link, cwd=elsewhere).returncode == 0
    assert link.is_symlink()
    assert has_poses(job.read_bytes())


def test_every_adapter_is_short_and_has_its_row() -> None:
    rows = (ADAPTERS / "README.md").read_text()
    scripts = sorted(ADAPTERS.glob("*.py"))
    assert len(scripts) == 4
    for script in scripts:
        assert f"`{script.name}`" in rows
        assert len(script.read_text().splitlines()) < 40
        assert "print(" not in script.read_text()
    assert os.access(ADAPTERS / "edit_in_place.py", os.R_OK)


def test_the_environment_names_the_profile(job: Path, elsewhere: Path) -> None:
    (elsewhere / "capture.toml").write_text("not for hooks")
    done = call("edit_in_place.py", job, cwd=elsewhere, env={"CAPTUREHOOK_PROFILE": "heron"})
    assert done.returncode == 0 and has_poses(job.read_bytes())
    done = call("edit_in_place.py", job, cwd=elsewhere)
    assert done.returncode == 2
    assert "no profile is named, and CAPTUREHOOK_PROFILE is not set" in one_line(done.stderr)


def test_a_job_that_seems_cut_is_taken_where_somebody_says_it_is_whole(
    job: Path, elsewhere: Path
) -> None:
    job.write_bytes(JOB[: JOB.rindex(b"M104 S0")].rstrip())
    assert call("edit_in_place.py", "-p", "heron", job, cwd=elsewhere).returncode == 2
    done = call("edit_in_place.py", "-p", "heron", "--whole", job, cwd=elsewhere)
    assert done.returncode == 0 and b"; capturehook pose 1 begin" in job.read_bytes()
