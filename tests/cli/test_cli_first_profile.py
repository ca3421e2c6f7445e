"""`profile new` by questions and from a job, as a newcomer meets it: answers piped in."""

from __future__ import annotations

import gzip
import io
import math
import re
import sys
from pathlib import Path

import pytest

from capturehook import apply
from capturehook.cli import show
from capturehook.profile import load_profile, parse_profile
from capturehook.read.job import read_job
from capturehook.read.verdict import stated_findings
from tests.block_checks import take_apart
from tests.cli.calling import call
from tests.small_jobs import Recipe, make_job

Capture = pytest.CaptureFixture[str]
DATA = Path(__file__).parents[1] / "data"

NEWCOMER = {
    "firmware": "Marlin",
    "X": "0 250",
    "Y": "0 210",
    "Z": "210",
    "moves": "bed-y",
    "by": "button",
    "side": "Right",
    "contact": "241.3",
    "over-travel": "1.2",
    "park": "190",
    "exposure": "1/4",
    "lag": "120",
}
"""A bed-slinger of 250 x 210 x 210 mm with a small lever switch on the right end."""


@pytest.fixture(autouse=True)
def _own_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "own"))


def ask(capsys: Capture, monkeypatch: pytest.MonkeyPatch, *answers: str, more: str = "") -> str:
    """The questions as shown; the profile is written to mine.toml."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join([*answers, ""])))
    words = ["profile", "new", "mine", "--ask", "-o", "mine.toml", *more.split()]
    code, _, err = call(capsys, *words)
    assert code == 0, err
    return err


def test_profile_new_asks_on_a_terminal_and_nowhere_else(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    for on_terminal in (False, True):
        monkeypatch.setattr(show, "is_terminal", lambda answer=on_terminal: answer)
        monkeypatch.setattr(sys, "stdin", io.StringIO("\n" * 20))
        code, _, err = call(
            capsys, "profile", "new", f"n{on_terminal:d}", "-o", "a.toml", "--replace"
        )
        assert code == 0 and ("What carries the part" in err) == on_terminal


def test_newcomer_answers_twelve_questions_and_the_switch_is_pressed_by_the_computed_depth(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Makers ask that 70 to 100 % of the over-travel be used (Unionwell, mechanical precautions
    for snap-action switches); the deepest point must stay short of the mechanical stop."""
    ask(capsys, monkeypatch, *NEWCOMER.values())
    assert len(NEWCOMER) == 12
    profile = load_profile("mine.toml")
    assert profile.machine.x_mm == (0, 250) and profile.machine.z_mm == (0, 210)
    assert call(capsys, "profile", "check", "mine.toml")[0] == 0
    job = Path("lighthouse.gcode")
    job.write_bytes(make_job(Recipe(layers=5)).data)
    code, out, err = call(capsys, "apply", job, "-p", "mine.toml")
    assert (code, err) == (0, ""), err
    text = job.read_text()
    blocks = re.findall(r"; capturehook pose \d+ begin.*?; capturehook pose \d+ end", text, re.S)
    assert len(blocks) == 4 and "4 poses" in out
    for block in blocks:
        furthest = max(float(x) for x in re.findall(r"^G1 .*?X([-0-9.]+)", block, re.M))
        depth = furthest - 241.3
        assert 0.7 * 1.2 <= depth <= 1.2 - profile.trigger.repeat_mm
        assert furthest == pytest.approx(241.3 + profile.trigger.press_share * 1.2, abs=1e-3)
        held = [int(ms) for ms in re.findall(r"^G4 P(\d+)", block, re.M)]
        assert max(held) >= 120 + 250  # lag and exposure: nothing moves while the shutter is open


def test_bare_returns_give_a_sound_profile(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask(capsys, monkeypatch, *[""] * 20)
    assert load_profile("mine.toml").trigger.fired_by == "hand"
    assert len(Path("mine.toml").read_text().splitlines()) <= 30


@pytest.mark.parametrize("way", ["button", "pin", "camera", "message", "timer", "hand", "sensor"])
def test_every_way_to_fire_ends_in_a_sound_profile(
    way: str, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask(capsys, monkeypatch, *[""] * 5, way, *[""] * 20)
    profile = load_profile("mine.toml")
    trigger = profile.trigger
    assert way in (trigger.by, trigger.fired_by, "timer")
    assert profile.camera.hold_ms == (120 + 275 + 2000 if way == "hand" else None)


@pytest.mark.parametrize("side", ["left", "right", "front", "back"])
def test_switch_on_every_side(side: str, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    ask(capsys, monkeypatch, *[""] * 5, "button", side, *[""] * 20)
    trigger = load_profile("mine.toml").trigger
    axis, direction = {"left": "x-", "right": "x+", "front": "y-", "back": "y+"}[side]
    assert (trigger.axis, trigger.direction) == (axis, direction)
    assert call(capsys, "profile", "check", "mine.toml")[0] == 0


def test_wrong_answer_is_told_at_once_and_asked_again(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = {
        "firmware": ("merlin", "Choose from marlin, klipper"),
        "X": ("wide", "'wide' is not a number"),
        "Y": ("210 0", "Write lowest and highest"),
        "Z": ("1e999", "is not a number"),
        "by": ("thought", "Choose from button, pin"),
        "contact": ("252", "is past the end of the axis at 250"),
        "over-travel": ("-1", "is not above 0"),
        "park": ("300", "300 is past the end of the axis at 210"),
        "exposure": ("0.25", "0.25 ms is shorter than 1/1000 s; for seconds write 1/4"),
        "lag": ("-1", "is under 0"),
    }
    answers = [one for key, good in NEWCOMER.items() for one in (*wrong.get(key, ())[:1], good)]
    err = ask(capsys, monkeypatch, *answers)
    for _, told in wrong.values():
        assert f"! {told}" in err or told in err, told
    assert load_profile("mine.toml").trigger.x_mm == 241.3


def test_nothing_is_written_when_the_answers_end_early(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("marlin\n0 250\n"))
    assert call(capsys, "profile", "new", "mine", "--ask", "-o", "mine.toml")[0] == 130
    assert not Path("mine.toml").exists()


@pytest.mark.parametrize("name", ["spiral_single_wall", "three_objects_one_at_a_time"])
def test_profile_from_a_job_agrees_with_that_job(name: str, capsys: Capture) -> None:
    data = gzip.decompress((DATA / f"{name}.gcode.gz").read_bytes())
    Path("job.gcode").write_bytes(data)
    code, _, err = call(capsys, "profile", "new", "mine", "--from-job", "job.gcode", "-o", "m.toml")
    assert code == 0
    assert "job.gcode states [machine] x_mm = [0, 200]" in err
    text = Path("m.toml").read_text()
    assert len(text.splitlines()) <= 30
    profile = parse_profile(text, "m.toml")
    assert profile.machine.max_mm_min.x == 30_000 and profile.machine.z_mm == (0, 200)
    assert stated_findings(read_job(data, "job.gcode", profile)) == []


def test_job_that_states_everything_and_a_switch_still_fit_into_thirty_lines(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = gzip.decompress((DATA / "spiral_single_wall.gcode.gz").read_bytes())
    for old, new in (
        (b"retracting = 1500,1250", b"retracting = 1400"),
        (b"travel = 1500,1250", b"travel = 1300"),
        (b"filament_diameter = 1.75", b"filament_diameter = 2.85"),
        (b"use_volumetric_e = 0", b"use_volumetric_e = 1"),
        (b"max_feedrate_x = 500,200", b"max_feedrate_x = 100"),
        (b"max_feedrate_y = 500,200", b"max_feedrate_y = 100"),
    ):
        assert old in data
        data = data.replace(old, new)
    Path("job.gcode").write_bytes(data)
    answers = [*[""] * 5, "button", "front", *[""] * 20]
    ask(capsys, monkeypatch, *answers, more="--from-job job.gcode")
    assert len(Path("mine.toml").read_text().splitlines()) <= 30
    assert load_profile("mine.toml").machine.filament_mm == 2.85


def test_profile_from_a_job_for_a_round_bed_parks_on_it(capsys: Capture) -> None:
    turns = (2 * math.pi * k / 60 for k in range(60))
    rim = ",".join(f"{90 * math.cos(a):.3f}x{90 * math.sin(a):.3f}" for a in turns)
    Path("job.gcode").write_bytes(make_job(Recipe()).data + f"; bed_shape = {rim}\n".encode())
    assert call(capsys, "profile", "new", "kite", "--from-job", "job.gcode", "-o", "k.toml")[0] == 0
    made = load_profile("k.toml")
    assert made.machine.round and made.machine.moves == "none"
    assert math.hypot(made.park.x_mm, made.park.y_mm) < 80
    text = Path("k.toml").read_text()
    Path("k.toml").write_text(text.replace(f"x_mm = {made.park.x_mm:g}", "x_mm = -80"))
    assert "outside the round bed" in call(capsys, "profile", "check", "k.toml")[2]


@pytest.mark.parametrize("side", ["", "right", "back"])
def test_answers_for_a_delta_park_and_press_on_its_round_bed(
    side: str, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = ["marlin", "-90 90", "-90 90", "200", "delta", "button" if side else "hand"]
    ask(capsys, monkeypatch, *answers, *([side] if side else []), *[""] * 8)
    made = load_profile("mine.toml")
    assert made.machine.round and made.machine.moves == "none"
    posed = apply(make_job(Recipe(centre_mm=(0, 0), end_code=False)).data, made)
    lines = b"".join(b"".join(block.lines) for block in take_apart(posed.data)[1])
    along = {
        letter: map(float, re.findall(rb"%b(-?[0-9.]+)" % letter, lines)) for letter in (b"X", b"Y")
    }
    assert posed.poses and math.hypot(*(max(map(abs, one)) for one in along.values())) <= 90


def test_without_a_terminal_nothing_is_asked(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert call(capsys, "profile", "new", "mine", "-o", "mine.toml")[0] == 0
    assert "made from heron" in Path("mine.toml").read_text()
    code, _, err = call(capsys, "profile", "new", "x", "--from", "heron", "--ask")
    assert code == 2 and "omit --from-job and --ask" in err
