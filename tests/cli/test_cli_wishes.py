"""Film length, steps and layers told beside the profile, by options of `plan` and `apply`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.calling import call, profile_text
from tests.small_jobs import Recipe, make_job

Capture = pytest.CaptureFixture[str]
LAYERS = 12


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "lighthouse.gcode"
    path.write_bytes(make_job(Recipe(layers=LAYERS)).data)
    rhythm = "[capture]\nevery_layers = 5\nfirst_layer = 2\n"
    (tmp_path / "heron.toml").write_text(profile_text() + rhythm)
    return path


def layers_of(capsys: Capture, job: Path, *words: str) -> list[int]:
    profile = job.with_name("heron.toml")
    code, out, err = call(capsys, "apply", job, "-p", profile, "--dry-run", "--json", *words)
    assert code == 0, err
    return [pose["layer"] for pose in json.loads(out)["poses"]]


def test_each_wish_replaces_the_rhythm_of_the_profile(job: Path, capsys: Capture) -> None:
    assert layers_of(capsys, job) == [2, 7, 12]
    assert layers_of(capsys, job, "--every", "4") == [2, 6, 10, 12]
    assert layers_of(capsys, job, "--layers", "1-3,9") == [1, 2, 3, 9]
    assert layers_of(capsys, job, "--layers", "1-8", "--every", "2") == [1, 3, 5, 7]
    assert len(layers_of(capsys, job, "--film", "0.2")) == 6  # 0.2 s x 30 fps
    assert len(layers_of(capsys, job, "--film", "1", "--fps", "5")) == 5
    assert layers_of(capsys, job, "--every", "0.4 mm") == layers_of(capsys, job, "--every", "2")


def test_plan_and_apply_say_what_the_hold_adds(job: Path, capsys: Capture) -> None:
    profile = job.with_name("heron.toml")
    _, out, _ = call(capsys, "plan", job, "-p", profile, "--film", "0.2")
    said = "0.20 s, 2.20 s with the last frame held 2 s"
    assert f"6 frames at 30 a second: {said}" in out
    _, out, _ = call(capsys, "apply", job, "-p", profile, "--film", "0.2")
    assert out.rstrip().endswith(f"; film {said}")


@pytest.mark.parametrize("command", ["plan", "apply", "profile check"])
def test_each_command_says_where_a_hand_has_too_little_time(
    command: str, job: Path, capsys: Capture
) -> None:
    profile = job.with_name("heron.toml")
    text = profile.read_text()
    assert 'fired_by = "sensor"' in text
    profile.write_text(text.replace('fired_by = "sensor"', 'fired_by = "hand"'))
    words = (profile,) if command == "profile check" else (job, "-p", profile)
    code, _, err = call(capsys, *command.split(), *words)
    assert code == 1 and "the head stands still for 0.47 s" in err and "[hold-short]" in err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ["--film", "10"],
            "11 layers give at most 0.36 s at 30 fps, 10 s are asked for.",
        ),
        (["--film", "4", "--every", "2"], "--film: --every is given too"),
        (["--every", "2 km"], "--every: '2 km' is not a step. Write 2 (layers), 0.4mm"),
        (["--every", "0"], "--every: 0 is under 1. Write 1 or more"),
        (["--film", "-1"], "--film: -1.0 is not above 0"),
        (["--layers", "x"], '--layers: "x" does not have the right form'),
        (["--fps", "0"], '--fps: "0" is not a film speed'),
    ],
)
@pytest.mark.parametrize("command", ["plan", "apply"])
def test_wish_that_cannot_be_had_is_told_and_nothing_is_written(
    command: str, words: list[str], told: str, job: Path, capsys: Capture
) -> None:
    before = job.read_bytes()
    code, _, err = call(capsys, command, job, "-p", job.with_name("heron.toml"), *words)
    assert code == 2
    assert told in err
    assert job.read_bytes() == before
