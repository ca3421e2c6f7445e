"""Doubts that the commands tell about a job and a profile that do not belong together."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.calling import call, profile_text
from tests.small_jobs import Recipe, make_job

JOB = make_job(Recipe(layers=5)).data


def files(folder: Path, job: bytes = JOB, firmware: str = "marlin", width: float = 235) -> Path:
    (folder / "job.gcode").write_bytes(job)
    (folder / "heron.toml").write_text(profile_text(firmware, width))
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
    assert re.search(
        r"job\.gcode:\d+: M83 is no command of rs274 itself: .* \[strange-codes\]", err
    )
    code, _, err = call(capsys, "apply", job, "-p", tmp_path / "heron.toml")
    assert code == 1 and err.count("[strange-codes]") == 1, "apply says what inspect says"
    lines = job.read_text().splitlines()
    blocks = [line for line in lines if re.fullmatch(r"G1 E-?[\d.]+ F2100", line)]
    assert all(abs(float(line[4:].split()[0])) <= 0.8 for line in blocks), "steps, not places"


# Promise: a block never leaves the machine, and a job that does is told by every command.
def test_job_outside_the_machine_is_refused_by_apply_and_told_by_inspect(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = files(tmp_path, width=20)
    code, out, err = call(capsys, "apply", job, "-p", tmp_path / "heron.toml")
    assert code == 1 and out == "" and job.read_bytes() == JOB
    assert re.search(r"job\.gcode:\d+: the nozzle stands at X[\d.]+ here, outside the", err)
    for words in (("inspect",), ("apply", "--skip-unsafe"), ("plan", "--skip-unsafe")):
        command, *flags = words
        code, _, err = call(capsys, command, job, "-p", tmp_path / "heron.toml", *flags)
        assert code == 1
        assert re.search(r"prints at X[\d.]+, outside \[0, 20\] of profile heron", err), command


def test_where_the_firmware_parks_is_to_be_kept_clear_of_a_switch(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where M600 and G27 park is in the firmware's settings (NOZZLE_PARK_POINT), which may be
    where the switch stands; M0 only waits, and M600 X200 says its place."""
    at = JOB.rindex(b"G1 X")
    job = files(tmp_path, JOB[:at] + b"M600\nM600 X200\nM0\n" + JOB[at:] + b"G27 P2\n")
    profile = tmp_path / "heron.toml"
    text, told = profile.read_text(), {}
    for trigger in ("", '[trigger]\nby = "button"\nx_mm = 228\n'):
        head = text.partition("[trigger]")[0]
        profile.write_text(head + trigger if trigger else text)
        _, _, err = call(capsys, "inspect", job, "-p", profile)
        told[bool(trigger)] = re.findall(r"(\S+) parks the head where .*\[park-unknown\]", err)
    assert told == {False: [], True: ["M600", "G27"]}


def test_park_place_out_of_reach_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Marlin M600.cpp: X stands for NOZZLE_PARK_POINT.x, a place of the machine (G92 or not)."""
    job = files(tmp_path, JOB + b"G92 X0\nM600 X300\n")
    _, _, err = call(capsys, "inspect", job, "-p", tmp_path / "heron.toml")
    assert re.search(r"M600 X300 parks the head out of reach .*\[outside-machine\]", err)


POST = """
[[machine.keep_out]]
name = "post"
x_mm = [0, 20]
y_mm = [200, 235]
"""


def test_same_doubt_at_many_places_is_one_line_for_people(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = files(tmp_path)
    profile = tmp_path / "heron.toml"
    profile.write_text(profile.read_text().replace("[park]", POST + "[park]"))
    code, _, err = call(capsys, "apply", job, "-p", profile, "--skip-unsafe")
    assert code == 1 and err.count("\n") == 1
    assert "keep-out box 'post'" in err and "(also at " in err
    _, out, _ = call(capsys, "apply", job, "-p", profile, "--skip-unsafe", "--dry-run", "--json")
    assert out.count('"pose-unsafe"') == 4


def test_refusal_tells_each_kind_of_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = files(tmp_path)
    profile = tmp_path / "heron.toml"
    low = profile.read_text().replace("z_mm = [0, 250]", "z_mm = [0, 1.7]")
    profile.write_text(
        low.replace("[park]", POST.replace("[200", "[10, 20]\nz_mm = [0, 1.0]#") + "[park]")
    )
    profile.write_text(profile.read_text().replace("y_mm = 215", "y_mm = 15"))
    code, _, err = call(capsys, "apply", job, "-p", profile)
    assert code == 1 and job.read_bytes() == JOB
    assert re.search(
        r"keep-out box 'post' .* \(and \d more of 4 poses\); line \d+: the hop to ", err
    )


def test_closed_standard_input_is_one_error(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", None)
    code, _, err = call(capsys, "apply", "-", "-p", "heron")
    assert (code, err) == (2, "standard input: cannot be read (it is closed). Pipe the job in.\n")


@pytest.mark.parametrize(
    ("out", "advice"),
    [("nowhere/out.gcode", "Make the folder first"), (".", "Name a file, not a folder")],
)
def test_out_that_cannot_be_says_what_to_do(
    out: str, advice: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = files(tmp_path)
    told = call(capsys, "apply", job, "-p", tmp_path / "heron.toml", "-o", tmp_path / out)
    assert told[0] == 2 and advice in told[2]
    assert job.read_bytes() == JOB


def test_label_that_never_ends_is_told_in_good_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = files(
        tmp_path, JOB.replace(b";LAYER_CHANGE", b"EXCLUDE_OBJECT_START NAME=a\n;LAYER_CHANGE", 1)
    )
    err = call(capsys, "apply", job, "-p", tmp_path / "heron.toml")[2]
    assert "every line there lies within an object label [pose-left-out]" in err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_full_standard_output_is_one_error(tmp_path: Path) -> None:
    job = files(tmp_path)
    words = ["-m", "capturehook", "apply", str(job), "-p", str(tmp_path / "heron.toml"), "-o", "-"]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, *words], stdout=full, stderr=subprocess.PIPE, timeout=60
        )
    assert done.returncode == 2
    assert done.stderr.decode().splitlines() == [
        "standard output: cannot be written (No space left on device). Free some space."
    ]


def test_out_that_is_a_pipe_is_refused_not_replaced(tmp_path: Path) -> None:
    job = files(tmp_path)
    words = ["-p", str(tmp_path / "heron.toml"), "-o", "/dev/stdout"]
    done = subprocess.run(
        [sys.executable, "-m", "capturehook", "apply", str(job), *words],
        capture_output=True,
        timeout=60,
    )
    assert (done.returncode, done.stdout) == (2, b"")
    assert b"/dev/stdout: is a device, not a file" in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="a folder in use cannot be removed there")
def test_folder_that_is_gone_is_one_error(tmp_path: Path) -> None:
    """A terminal that still stands in a folder that was removed; POSIX getcwd then fails."""
    job = files(tmp_path)
    gone = tmp_path / "gone"
    gone.mkdir()
    apply = f"{sys.executable} -m capturehook apply {job} -p {tmp_path / 'heron.toml'}"
    for command, code in ((f"{apply} -o out.gcode", 2), (apply, 0)):
        done = subprocess.run(
            ["sh", "-c", f"rmdir {gone}; {command}"],
            cwd=gone,
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == code and "Traceback" not in done.stderr
        gone.mkdir()
