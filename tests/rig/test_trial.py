"""Trial jobs, played by the slow interpreter: no heat, no filament, inside, clear of the stop."""

from __future__ import annotations

import itertools
import json

import pytest

from capturehook.api import apply
from capturehook.catalog import FIRMWARES
from capturehook.demo.lighthouse import lighthouse_job
from capturehook.errors import CaptureHookError, ProofError
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from capturehook.rig.trial import air_trial, press_trial, still_trial
from capturehook.rig.trial_program import Program, Trial, prove_trial
from tests.read.slow import Interpreter

BUTTON = {"by": "button", "x_mm": 226.5}
PIN = {"by": "pin", "pin": 5}
HEAT = ("M104", "M109", "M140", "M190", "M141", "SET_HEATER", "G28", "M84")


def profile_of(
    family: str,
    trigger: dict[str, object],
    park: object = None,
    retract: object = None,
    **machine: object,
) -> Profile:
    table = {
        "schema": 1,
        "name": "heron",
        "machine": {
            "firmware": family,
            "x_mm": [0, 235],
            "y_mm": [0, 235],
            "z_mm": [0, 250],
            "moves": "bed-y",
            **machine,
        },
        "park": park or {"x_mm": 205, "y_mm": 215},
        "camera": {"exposure_ms": 4},
        "retract": retract or {},
        "trigger": trigger,
    }
    return build_profile(table, "heron.toml")


def played(trial: Trial, family: str) -> Interpreter:
    """The whole text, line by line; places before the first move stay unknown."""
    machine = Interpreter(family, "A" if family == "rs274" else "E")
    for line in trial.text.splitlines():
        machine.feed(line)
    return machine


def assert_harmless(trial: Trial, family: str, stop_mm: float = 227.0) -> None:
    """What is promised of every trial, told from the interpreter's moves and the text alone."""
    machine = played(trial, family)
    assert len(machine.moves) > 5
    assert all(move.e_step_mm == 0 for move in machine.moves)
    ends = [move.end for move in machine.moves[2:]]
    assert all(0 <= x <= 235 and 0 <= y <= 235 and 5 < z <= 250 for x, y, z in ends)
    assert max(x for x, _, _ in ends) < stop_mm - 0.05 + 1e-9
    commands = [line.split(";")[0] for line in trial.text.splitlines()]
    assert not any(line.upper().startswith(HEAT) for line in commands)
    assert not any("E" in line for line in commands if line.startswith("G"))


@pytest.mark.parametrize("axis", ["x", "y"])
def test_switch_at_the_low_end_is_pressed_downwards(axis: str) -> None:
    """The machine's reach begins at 4 mm, above the 0 that an unread place might be taken for."""
    other = "y" if axis == "x" else "x"
    trigger = {"by": "button", "axis": axis, "direction": "-", f"{axis}_mm": 12.0}
    park = {f"{axis}_mm": 30.0, f"{other}_mm": 110.0}
    profile = profile_of("marlin", trigger, x_mm=[4, 235], y_mm=[4, 235], park=park)
    at = "xy".index(axis)
    for trial, deepest in ((press_trial(profile), 11.6), (still_trial(profile), 11.625)):
        ends = [move.end for move in played(trial, "marlin").moves[1:]]
        assert min(end[at] for end in ends) == pytest.approx(deepest)
        assert all(4 <= x <= 235 and 4 <= y <= 235 and z == 30 for x, y, z in ends)


def test_trial_that_would_leave_a_round_bed_is_refused() -> None:
    profile = profile_of("marlin", BUTTON)  # parks at X205 Y215, in a corner
    machine = profile.machine.model_copy(update={"round": True})
    with pytest.raises(CaptureHookError, match="goes outside the round bed"):
        press_trial(profile.model_copy(update={"machine": machine}))


@pytest.mark.parametrize("family", FIRMWARES)
def test_press_trial_is_harmless_and_steps_up_to_the_depth_allowed(family: str) -> None:
    trial = press_trial(profile_of(family, BUTTON))
    assert_harmless(trial, family)
    presses = [step.value for step in trial.steps]
    sweep = presses[: trial.about["count"]]
    assert len(presses) == 10 * len(sweep)
    assert sweep[0] <= 226.0 + 1e-9 and sweep[-1] == pytest.approx(226.5 + 0.9 * 0.5 - 0.05)
    gaps = [after - before for before, after in itertools.pairwise(sweep)]
    assert gaps == pytest.approx([0.05] * len(gaps))
    visited = {round(move.end[0], 3) for move in played(trial, family).moves}
    assert {round(place, 3) for place in sweep} <= visited


@pytest.mark.parametrize("family", FIRMWARES)
@pytest.mark.parametrize("trigger", [BUTTON, PIN], ids=["button", "pin"])
def test_still_trial_is_harmless(family: str, trigger: dict[str, object]) -> None:
    if family == "smoothie" and trigger is PIN:
        trigger = {"by": "lines", "lines": ["M42"], "allow": ["M42"]}
    trial = still_trial(profile_of(family, trigger))
    assert_harmless(trial, family)
    parts = {step.part for step in trial.steps}
    assert {"settle", "zero", "scale", "lag"} <= parts
    times = [step.t_s for step in trial.steps]
    assert times == sorted(times) and times[-1] < trial.seconds < 7200


@pytest.mark.parametrize("family", FIRMWARES)
def test_air_trial_flies_the_poses_without_filament(family: str) -> None:
    if family == "rs274":
        pytest.skip("the built-in lighthouse has no A axis")
    profile = profile_of(family, BUTTON)
    poses = apply(lighthouse_job(), profile).poses[:3]
    trial = air_trial(poses, profile)
    assert_harmless(trial, family)
    machine = played(trial, family)
    assert len(trial.steps) == 3
    assert min(move.end[2] for move in machine.moves) >= 20 + poses[0].z_mm - 1e-9
    heights = [move.end[2] for move in machine.moves]
    assert f"Z {min(heights):g} to {max(heights):g} mm." in trial.says
    presses = [m for m in machine.moves if m.end[0] == pytest.approx(226.875)]
    assert len(presses) == 3


def test_slow_machine_is_never_told_to_go_faster_and_the_lag_is_read_at_its_speed() -> None:
    slow = {"x": 2400, "y": 2400, "z": 300, "e": 1200}
    park = {"x_mm": 205, "y_mm": 215, "travel_mm_min": 2400, "hop_mm_min": 300}
    profile = profile_of("marlin", PIN, park=park, max_mm_min=slow, retract={"feed_mm_min": 1200})
    trial = still_trial(profile)
    assert max(move.feed_mm_min for move in played(trial, "marlin").moves) <= 2400
    assert trial.about["lag_mm_s"] == 40


def test_sloped_press_closes_where_the_straight_line_says() -> None:
    """Vector sum: 5 mm/s across and 50 along are 60 sqrt(2525) mm/min; the contact, 1.1 mm after
    the slope's start (differential and 1 mm), closes 1.1/5 s later: 11 mm on."""
    trial = still_trial(profile_of("marlin", BUTTON))
    moves = played(trial, "marlin").moves[2:]
    slopes = [m for m in moves if m.start[0] != m.end[0] and m.start[1] != m.end[1]]
    slopes = [m for m in slopes if m.end[0] > 226.5]
    assert len(slopes) == 10
    (x0, y0, _), (x1, y1, _) = slopes[0].start, slopes[0].end
    assert slopes[0].feed_mm_min == pytest.approx(60 * (50**2 + 5**2) ** 0.5, abs=0.01)
    assert abs(y1 - y0) * (226.5 - x0) / (x1 - x0) == pytest.approx(11.0)
    assert trial.about["contact_mm"] == pytest.approx(11.0)


@pytest.mark.parametrize("trigger", [BUTTON, PIN], ids=["button", "pin"])
def test_part_is_back_at_the_park_point_when_holds_are_tried(trigger: dict[str, object]) -> None:
    text = still_trial(profile_of("marlin", trigger)).text
    before = text[: text.index("; hold 300 ms")]
    assert [line for line in before.splitlines() if " Y" in line][-1].startswith("G1 Y215 ")


def test_air_trial_that_would_leave_the_top_is_refused() -> None:
    profile = profile_of("marlin", BUTTON)
    poses = apply(lighthouse_job(), profile).poses[:3]
    with pytest.raises(CaptureHookError, match="not within the machine"):
        air_trial(poses, profile, lift_mm=249.5)


def test_the_clock_of_a_trial_is_that_of_the_slow_interpreter() -> None:
    """Moves from rest to rest by hand: d/v + v/a, or 2 sqrt(d/a) where v is not reached."""
    trial = press_trial(profile_of("marlin", BUTTON), times=1)
    seconds = 0.0
    for move in played(trial, "marlin").moves[2:]:
        d = sum((b - a) ** 2 for a, b in zip(move.start, move.end, strict=True)) ** 0.5
        v, a = move.feed_mm_min / 60, 1500.0
        seconds += d / v + v / a if d >= v * v / a else 2 * (d / a) ** 0.5
    dwells = sum(
        float(line.split("P")[1]) / 1000
        for line in trial.text.splitlines()
        if line.startswith("G4 P")
    )
    assert trial.seconds == pytest.approx(seconds + dwells, abs=0.01)


@pytest.mark.parametrize(
    "line",
    ["M104 S200", "G1 E5 F300", "G1 X300 F900", "G1 X226.99 F300", "G28", "G91", "M42 P9 S255"],
)
def test_a_harmful_line_in_a_trial_is_refused(line: str) -> None:
    profile = profile_of("marlin", BUTTON)
    program = Program(profile, 30.0)
    program.press("air", 1.0)
    program.lines.append(line)
    with pytest.raises(ProofError):
        program.finish("air", (), {})


def test_proof_reads_the_text_and_not_the_steps() -> None:
    profile = profile_of("marlin", BUTTON)
    trial = press_trial(profile, times=1)
    worse = Trial(
        kind="press",
        text=trial.text.replace("G1 X226.9 ", "G1 X227.1 "),
        says=(),
        steps=trial.steps,
        seconds=1.0,
    )
    with pytest.raises(ProofError, match="to its stop"):
        prove_trial(worse, profile)


def test_trials_that_cannot_be_made_are_refused() -> None:
    timer = {"by": "wait", "fired_by": "hand"}
    with pytest.raises(CaptureHookError, match="no switch to press"):
        press_trial(profile_of("marlin", PIN))
    with pytest.raises(CaptureHookError, match="cannot fire"):
        still_trial(profile_of("marlin", timer))
    with pytest.raises(CaptureHookError, match="not within the machine"):
        press_trial(profile_of("marlin", BUTTON), z_mm=300)
    with pytest.raises(CaptureHookError, match="minutes"):
        press_trial(profile_of("marlin", BUTTON), times=50, step_mm=0.01)


def test_side_file_is_plain_json() -> None:
    record = still_trial(profile_of("klipper", {"by": "pin", "pin": "shutter"})).record()
    again = json.loads(json.dumps(record))
    assert again == record and len(again["steps"]) > 60


def test_resin_trial_tells_the_light_of_two_layers_as_the_timeline_has_them(tmp_path) -> None:
    """The built-in lighthouse: the light of layer n by its own commands, clocked from the start."""
    from capturehook.demo.resin import resin_lighthouse
    from capturehook.resin.job import load_resin_profile, read_job
    from capturehook.rig.trial_resin import resin_trial

    path = tmp_path / "lighthouse.zip"
    path.write_bytes(resin_lighthouse())
    timeline = read_job(path, load_resin_profile("tern")[1]).timeline
    told = resin_trial(timeline, (20, 120))
    on_s = [timeline.flash_on_s[timeline.flash_layer_no == layer][0] for layer in (20, 120)]
    assert (told.numbers["first_s"], told.numbers["last_s"]) == pytest.approx(tuple(on_s))
    with pytest.raises(CaptureHookError, match="two layers"):
        resin_trial(timeline, (120, 20))
