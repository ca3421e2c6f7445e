"""`trial read` on frames drawn with a known lag, swing, least hold and closing place."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path

import numpy as np
import pytest

from capturehook.errors import CaptureHookError
from capturehook.rig.trial import press_trial, still_trial
from capturehook.rig.trial_fit import fit_swing, match_steps
from capturehook.rig.trial_read import load_record, read_press, read_still
from tests.rig.test_trial import BUTTON, PIN, profile_of

PX_MM = 6.0


def swing_px(t_s: float, amplitude: float, damping: float, hertz: float) -> float:
    """Damped oscillator from the end of the travel on (textbook)."""
    decay = damping * 2 * math.pi * hertz
    return amplitude * math.exp(-decay * t_s) * math.cos(2 * math.pi * hertz * t_s + 0.4)


def truth(trial, lag_s, open_s, amplitude, damping, hertz):
    """(S, 2) true place of the target in px at the middle of each exposure; right and down."""
    places, about = [], trial.about
    sign = about["direction"]
    for step in trial.steps:
        right = down = 0.0
        if step.part == "settle":
            right = swing_px(step.value / 1000 + lag_s, amplitude, damping, hertz)
        if step.part == "scale":
            down = sign * PX_MM * about["scale_mm"]
        if step.part == "lag":
            v, a = about["lag_mm_s"], about["accel_mm_s2"]
            u, before = lag_s + open_s / 2, about["contact_mm"]
            gone = before + v * u  # evenly, from where the contact closed
            if not before:  # from rest
                gone = 0.5 * a * u * u if u < v / a else v * (u - v / a / 2)
            down = sign * PX_MM * gone
        places.append((right, down))
    return np.array(places)


def stamps(trial, lag_s, rate=1.003, start=1000.4, whole=True):
    t = np.array([step.t_s for step in trial.steps]) * rate + start + lag_s
    return np.floor(t) if whole else t


@pytest.mark.parametrize("trigger", [PIN, BUTTON], ids=["pin", "button"])
@pytest.mark.parametrize(
    ("lag_ms", "amplitude", "damping", "hertz"),
    [(120, 9.0, 0.05, 12.0), (230, 25.0, 0.03, 7.0), (160, 6.0, 0.1, 17.0)],
)
def test_known_lag_and_swing_are_found_within_10_ms(
    trigger, lag_ms, amplitude, damping, hertz
) -> None:
    """Frame stamps in whole seconds, a clock 0.3 % off, 0.05 px of noise in the shifts."""
    profile = profile_of("marlin", trigger)
    trial = still_trial(profile)
    open_s = profile.camera.open_ms / 1000
    places = truth(trial, lag_ms / 1000, open_s, amplitude, damping, hertz)
    noise = np.random.default_rng(1).normal(0, 0.05, places.shape)
    told = read_still(trial.record(), stamps(trial, lag_ms / 1000), places + noise, profile)
    assert told.numbers["lag_ms"] == pytest.approx(lag_ms, abs=10)
    decay = damping * 2 * math.pi * hertz
    settle_ms = 1000 * (math.log(amplitude / 0.5) / decay - lag_ms / 1000)
    assert told.numbers["settle_ms"] == pytest.approx(max(0.0, settle_ms), abs=10)
    assert f"settle_ms = {math.ceil(told.numbers['settle_ms'])}" in told.profile
    assert any(line.startswith("hold_ms") for line in told.profile)


def test_no_swing_means_no_wait() -> None:
    profile = profile_of("marlin", PIN)
    trial = still_trial(profile)
    places = truth(trial, 0.1, 0.004, 0.0, 0.05, 10.0)
    told = read_still(trial.record(), stamps(trial, 0.1), places, profile)
    assert told.numbers["settle_ms"] == 0
    assert told.numbers["lag_ms"] == pytest.approx(100, abs=10)


def test_least_hold_is_the_shortest_without_a_lost_frame() -> None:
    """Presses under 80 ms make no frame: 80 is the least, and half more goes to the profile."""
    profile = profile_of("marlin", PIN)
    trial = still_trial(profile)
    kept = np.array([s.part != "hold" or s.value >= 80 for s in trial.steps])
    places = truth(trial, 0.1, 0.004, 8.0, 0.05, 10.0)[kept]
    told = read_still(trial.record(), stamps(trial, 0.1)[kept], places, profile)
    assert told.numbers["least_hold_ms"] == 80
    assert "min_hold_ms = 120" in told.profile


def still_with(change):
    """What is told of frames whose places were changed by ``change(trial, places)``."""
    profile = profile_of("marlin", PIN)
    trial = still_trial(profile)
    places = truth(trial, 0.12, 0.004, 9.0, 0.05, 12.0)
    places += np.random.default_rng(1).normal(0, 0.05, places.shape)
    told = read_still(trial.record(), stamps(trial, 0.12), change(trial, places), profile)
    return told, {one.code for one in told.findings}


def of_part(trial, *parts):
    return np.array([step.part in parts for step in trial.steps])


@pytest.mark.parametrize(
    ("change", "code", "untold"),
    [
        (lambda trial, places: np.zeros_like(places), "trial-no-target", "settle_ms lag_ms"),
        # the box shows the frame of the printer, which stands still
        (lambda trial, places: places % 0.1, "trial-no-target", "settle_ms lag_ms"),
        (  # a target that hangs loose: each frame elsewhere
            lambda trial, places: (
                places
                + np.random.default_rng(2).normal(0, 4, places.shape)
                * of_part(trial, "settle")[:, None]
            ),
            "trial-no-swing",
            "settle_ms",
        ),
        # the move had not begun, or was over
        (
            lambda trial, places: np.where(of_part(trial, "lag")[:, None], 0.0, places),
            "trial-no-lag",
            "lag_ms",
        ),
        (  # it left the picture
            lambda trial, places: np.where(of_part(trial, "lag")[:, None], np.nan, places),
            "trial-no-lag",
            "lag_ms",
        ),
        # a swing that outlasts the ladder
        (
            lambda trial, places: (
                places
                + np.array([[20 * math.cos(s.value / 20), 0] for s in trial.steps])
                * of_part(trial, "settle")[:, None]
            ),
            "trial-swing-long",
            "settle_ms lag_ms",
        ),
    ],
)
def test_frames_that_cannot_tell_leave_it_untold(change, code, untold) -> None:
    told, codes = still_with(change)
    assert code in codes
    assert not {name for name in told.numbers if name in untold.split()}
    assert not any(line.split(" ")[0] in untold.split() for line in told.profile)


def test_frames_that_no_press_made_are_told() -> None:
    profile = profile_of("marlin", PIN)
    trial = still_trial(profile)
    times, places = stamps(trial, 0.1), truth(trial, 0.1, 0.004, 8.0, 0.05, 10.0)
    more = times[-1] + 300 + np.arange(20) * 3.0
    told = read_still(
        trial.record(), np.append(times, more), np.vstack((places, np.zeros((20, 2)))), profile
    )
    assert [one.code for one in told.findings] == ["trial-extra"]
    assert told.numbers["lag_ms"] == pytest.approx(100, abs=10)


def test_clocks_that_run_apart_are_matched() -> None:
    """0.7 % over a quarter of an hour is more than one press of the ladder."""
    trial = still_trial(profile_of("marlin", PIN))
    for rate in (0.993, 1.008):
        step_s = np.array([step.t_s for step in trial.steps])
        assert (match_steps(step_s, stamps(trial, 0.1, rate)) == np.arange(len(step_s))).all()


def test_frames_of_something_else_are_refused() -> None:
    profile = profile_of("marlin", PIN)
    trial = still_trial(profile)
    with pytest.raises(CaptureHookError, match="presses have a frame"):
        read_still(trial.record(), np.arange(20) * 60.0, np.zeros((20, 2)), profile)


def press_stamps(trial, closes_at, rate=0.998, start=77.3):
    """Whole-second stamps of the presses at least as deep as the contact of their sweep."""
    count = trial.about["count"]
    fired = [
        step.t_s
        for index, step in enumerate(trial.steps)
        if step.value >= closes_at[index // count] - 1e-9
    ]
    return np.floor(np.array(fired) * rate + start)


def test_closing_place_and_spread_are_found_to_half_a_step() -> None:
    trial = press_trial(profile_of("marlin", BUTTON))
    closes_at = 226.43 + np.array([0, 1, 2, 0, 1, 2, 0, 1, 2, 0]) * 0.03
    told = read_press(trial.record(), press_stamps(trial, closes_at))
    assert told.numbers["contact_mm"] == pytest.approx(closes_at.mean(), abs=0.03)
    assert np.ptp(closes_at) <= told.numbers["repeat_mm"] <= np.ptp(closes_at) + 0.1
    assert not told.findings
    assert told.profile[0] == "[trigger]"


def test_worked_example_of_counting() -> None:
    """Eight frames up to X 226.90 in steps of 0.05: it closed at 226.55, in (226.50, 226.55]."""
    trial = press_trial(profile_of("marlin", BUTTON), times=1)
    last = trial.steps[-1].value
    told = read_press(trial.record(), press_stamps(trial, [last - 7 * 0.05]))
    assert told.numbers["contact_mm"] == pytest.approx(last - 7 * 0.05 - 0.025)


def test_missed_double_and_empty_sweeps_are_left_out_and_said() -> None:
    trial = press_trial(profile_of("marlin", BUTTON))
    clean = press_stamps(trial, [226.5] * 10)
    codes = lambda told: {one.code for one in told.findings}  # noqa: E731
    per_sweep = len(clean) // 10
    missed = np.delete(clean, per_sweep - 3)
    assert codes(read_press(trial.record(), missed)) == {"trial-uneven"}
    double = np.sort(np.append(clean, clean[2] + 1))
    assert codes(read_press(trial.record(), double)) == {"trial-uneven"}
    assert codes(read_press(trial.record(), clean[per_sweep:])) == {"trial-no-frame"}
    deep = press_stamps(trial, [226.0] * 10)
    told = read_press(trial.record(), deep)
    assert codes(told) == {"trial-range"} and told.profile == ()


def test_match_survives_lost_frames_and_a_late_start() -> None:
    step_s = np.cumsum(np.random.default_rng(2).uniform(4, 7, 60))
    keep = np.ones(60, dtype=bool)
    keep[[0, 1, 17, 40]] = False
    found = match_steps(step_s, np.floor(step_s[keep] * 1.004 + 500))
    assert (found[keep] == np.arange(keep.sum())).all()
    assert (found[~keep] == -1).all()


def test_fit_agrees_with_the_swing_it_was_drawn_from() -> None:
    d = np.arange(0, 0.501, 0.025)
    x = 5 * np.exp(-4.0 * d) * np.cos(2 * np.pi * 9.3 * d + 1.0)
    swing = fit_swing(d, x)
    assert swing.decay_1_s == pytest.approx(4.0, rel=0.02)
    assert swing.hertz == pytest.approx(9.3, abs=0.05)
    assert swing.settle_s(0.5) == pytest.approx(math.log(10) / 4.0, abs=0.01)


@pytest.mark.parametrize(
    "text", ["[]", "{}", '{"trial": "press"}', "x", '{"trial": 3, "steps": 1}']
)
def test_a_file_that_is_no_side_file_is_one_clear_error(text, tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text(text)
    with pytest.raises(CaptureHookError, match="no side file"):
        load_record(path)


def test_side_file_with_a_falsified_number_is_refused(tmp_path: Path) -> None:
    record = press_trial(profile_of("marlin", BUTTON), times=1).record()
    path = tmp_path / "a.json"
    for key, value in (("step_mm", "wide"), ("count", None), ("axis", "q"), ("pause_s", 1e999)):
        path.write_text(json.dumps({**record, "about": {**record["about"], key: value}}))
        with pytest.raises(CaptureHookError, match="no side file"):
            load_record(path)
    path.write_text(json.dumps(record))
    assert load_record(path)["trial"] == "press"


def test_frames_without_times_are_one_clear_error() -> None:
    profile = profile_of("marlin", PIN)
    record = still_trial(profile).record()
    with pytest.raises(CaptureHookError, match="no times"):
        read_still(record, np.full(5, np.nan), np.zeros((5, 2)), profile)
    with pytest.raises(CaptureHookError, match="no times"):
        read_press(press_trial(profile_of("marlin", BUTTON)).record(), np.array([]))


def test_drawn_pictures_from_a_folder_give_the_lag_and_the_swing(tmp_path: Path) -> None:
    """PNG frames of a pattern, moved by parts of a pixel; times are those of the files."""
    image = pytest.importorskip("PIL.Image")
    from capturehook.cli.main import run

    profile_text = """schema = 1
name = "heron"
[machine]
firmware = "marlin"
x_mm = [0, 235]
y_mm = [0, 235]
z_mm = [0, 250]
moves = "bed-y"
[park]
x_mm = 205
y_mm = 215
[camera]
exposure_ms = 4
[trigger]
by = "pin"
pin = 5
"""
    (tmp_path / "mine.toml").write_text(profile_text)
    trial = still_trial(profile_of("marlin", PIN), times=1)
    (tmp_path / "still.json").write_text(json.dumps(trial.record()))
    places = truth(trial, 0.15, 0.004, 7.0, 0.05, 11.0)
    card = tmp_path / "card"
    card.mkdir()
    pattern = np.random.default_rng(3).normal(size=(192, 192))
    waves = np.fft.fft2(pattern)
    fy, fx = np.meshgrid(np.fft.fftfreq(192), np.fft.fftfreq(192), indexing="ij")
    waves = waves * np.exp(-((fx**2 + fy**2) / 0.06**2))  # soft, like a lens
    for number, ((right, down), t_s) in enumerate(zip(places, stamps(trial, 0.15), strict=True)):
        moved = np.fft.ifft2(waves * np.exp(-2j * np.pi * (fx * right + fy * down))).real
        grey = np.clip(128 + 60 * moved / moved.std() / 2, 0, 255).astype(np.uint8)
        path = card / f"img_{number:04d}.png"
        image.fromarray(grey).convert("RGB").save(path)
        os.utime(path, (1.7e9 + t_s, 1.7e9 + t_s))
    argv = ["trial", "read", str(card), "--trial", str(tmp_path / "still.json"), "--json"]
    import contextlib
    import io

    said = io.StringIO()
    with pytest.raises(SystemExit) as ended, contextlib.redirect_stdout(said):
        run([*argv, "-p", str(tmp_path / "mine.toml")])
    assert ended.value.code == 0
    numbers = json.loads(said.getvalue())["numbers"]
    assert numbers["lag_ms"] == pytest.approx(150, abs=10)
    settle = 1000 * (math.log(7.0 / 0.5) / (0.05 * 2 * math.pi * 11.0) - 0.15)
    assert numbers["settle_ms"] == pytest.approx(settle, abs=10)
