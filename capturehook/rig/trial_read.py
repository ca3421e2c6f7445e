"""What the frames of a trial say: where the switch closes, the lag, the swing, the least hold.

In: the trial's side file and, for each frame, its time and how far its target has moved. Out:
TrialReading: numbers with their spread, and the lines for the profile. What a trial cannot tell
stays untold.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import CaptureHookError, Finding
from capturehook.files import read_bytes
from capturehook.model.profile import Profile
from capturehook.physics.interval import worst_miss_rate
from capturehook.rig.trial_fit import Floats, fit_swing, match_steps

NEEDS = {
    "press": ("sign", "first_mm", "step_mm", "count", "times", "pause_s"),
    "still": ("scale_mm", "lag_mm_s", "accel_mm_s2", "contact_mm", "away_mm"),
}
"""Numbers that the side file of each kind must hold."""
SURE = 0.6
"""Share of the presses that must have a frame before the match is believed."""
LEAST_PX_MM = 0.2
MOST_EXTRA = 3
"""Frames that may belong to no press: a few taken by hand."""
SAME_PX = 0.003
"""Photographs of a thing at rest differ by more."""
ASTRAY = 0.2
"""Of the scale's step: how far frames of one place may lie apart."""
LEAST_LEFT_PX, LEFT_SHARE = 0.3, 0.15
"""What a damped swing may leave unexplained, in px and of the largest shift."""
BEYOND = 1.5
"""Of the longest wait tried: how far a damped swing is told ahead."""
LAG_ERROR_S = 0.005
"""What a swing that goes on may add to the lag."""
STOOD_MM, ASIDE_MM = 0.3, 1.0
"""Under it the move had not begun; beside the move by more, the picture shows something else."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialReading:
    kind: str
    facts: tuple[tuple[str, str], ...]
    profile: tuple[str, ...]
    findings: tuple[Finding, ...]
    numbers: dict[str, float]


def load_record(path: Path) -> dict[str, Any]:
    """The side file of a trial.

    Raises
    ------
    CaptureHookError
        It is no side file that `trial` wrote.
    """
    data = read_bytes(path)
    try:
        record = json.loads(data)
        kind, steps, about = record["trial"], record["steps"], record["about"]
        sound = len(steps) >= 2 and all(_is_number(about[key]) for key in NEEDS[kind])
        sound = sound and about["axis"] in ("x", "y", "X", "Y")
        for one in steps:
            sound = sound and isinstance(one["part"], str)
            sound = sound and _is_number(one["t_s"]) and _is_number(one["value"])
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise _no_record(path) from fault
    if not sound:
        raise _no_record(path)
    return dict(record)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and math.isfinite(value)


def _no_record(path: Path) -> CaptureHookError:
    return CaptureHookError(
        str(path), "is no side file of a press or still trial", "Give the .json beside its job"
    )


def _check_times(frame_s: Floats) -> None:
    if len(frame_s) < 1 or not np.isfinite(frame_s).all():
        raise CaptureHookError(
            "trial read",
            "finds no times in these pictures, and a trial is read by them",
            "Copy them from the card again, so that they keep their times",
        )


def frames_to_follow(record: dict[str, Any], frame_s: Floats) -> tuple[int, NDArray[np.bool_]]:
    """Index of a frame taken after the longest wait (the rest), and (F,) True where a frame's
    picture is read: not where only its being there counts."""
    _check_times(frame_s)
    steps = record["steps"]
    found = match_steps(np.array([one["t_s"] for one in steps], dtype=np.float64), frame_s)
    waits = [one["value"] if one["part"] == "settle" else -1.0 for one in steps]
    seen = np.where(found >= 0, np.array(waits, dtype=np.float64), -1.0)
    wanted = np.zeros(len(frame_s), dtype=bool)
    wanted[[at for at, one in zip(found.tolist(), steps, strict=True) if one["part"] != "hold"]] = (
        True
    )
    return int(found[int(np.argmax(seen))]), wanted


def read_press(record: dict[str, Any], frame_s: Floats) -> TrialReading:
    """Where the contact closes in each sweep: from the last press back by the count of frames.

    Source: monotone counting, x_c = x_last - (N - 1) step; the true place is within one step
    before it.
    """
    _check_times(frame_s)
    about, steps = record["about"], record["steps"]
    times, count, step_mm = int(about["times"]), int(about["count"]), about["step_mm"]
    step_s = np.array([one["t_s"] for one in steps], dtype=np.float64)
    cycle_s = float(np.median(np.diff(step_s)))
    apart_s = 1.5 * cycle_s + about["pause_s"] / 2  # over a missed press, under a pause
    sweeps = np.split(frame_s, np.flatnonzero(np.diff(frame_s) > apart_s) + 1)
    findings: list[Finding] = []
    if len(sweeps) != times:
        text = f"{len(sweeps)} groups of frames for {times} sweeps: some sweep has none at all"
        findings.append(Finding("trial-no-frame", "frames", text))
    places = []
    for number, frames in enumerate(sweeps, 1):
        where, gaps = f"sweep {number}", np.diff(frames)
        if np.any((gaps > 1.5 * cycle_s) | (gaps < 0.5 * cycle_s)) or len(frames) > count:
            text = "is uneven: a press was missed or fired twice; left out"
            findings.append(Finding("trial-uneven", where, text))
        elif len(frames) == count:
            text = "fired at its first step: x_mm is too far in, begin farther off"
            findings.append(Finding("trial-range", where, text))
        else:
            first = count - len(frames)
            places.append(about["first_mm"] + about["sign"] * first * step_mm)
    if not places:
        return TrialReading(
            kind="press", facts=(), profile=(), findings=tuple(findings), numbers={}
        )
    middle = float(np.mean(places)) - about["sign"] * step_mm / 2
    repeat = float(np.ptp(places)) + step_mm
    axis = about["axis"]
    return TrialReading(
        kind="press",
        facts=(
            ("sweeps", f"{len(places)} of {times} tell a place"),
            ("closes at", ", ".join(f"{place:.2f}" for place in places) + f" (mm on {axis})"),
            ("repeat", f"{repeat:.3f} mm, the step included"),
        ),
        profile=("[trigger]", f"{axis}_mm = {middle:.3f}", f"repeat_mm = {repeat:.3f}"),
        findings=tuple(findings),
        numbers={"contact_mm": middle, "repeat_mm": repeat, "sweeps": float(len(places))},
    )


def read_still(
    record: dict[str, Any], frame_s: Floats, shift_px: Floats, profile: Profile
) -> TrialReading:
    """Settle time, lag and least hold from a `still` trial.

    Parameters
    ----------
    frame_s : (F,) times of the frames
    shift_px : (F, 2) shift of the target against one frame of the rest, right and down; NaN where
        the picture does not show it
    """
    _check_times(frame_s)
    steps = record["steps"]
    found = match_steps(np.array([one["t_s"] for one in steps], dtype=np.float64), frame_s)
    parts = np.array([one["part"] for one in steps])
    seen, looks = found >= 0, parts != "hold"
    alone = "the frames of this trial alone, and its own side file"
    _check_share(seen[looks], "presses have a frame at their time", alone)
    shows = seen & np.isfinite(shift_px[found]).all(axis=1)
    within = "a --box round a sharp target that stays within it"
    _check_share(shows[looks & seen], "frames show the target", within)
    found = np.where(shows | ~looks | (parts == "lag"), found, -1)  # off the move: told as such
    facts: list[tuple[str, str]] = [("frames", f"{int(seen.sum())} of {len(steps)} presses")]
    told = _Told(record, steps, parts, found, shift_px, profile, facts, [], {})
    extra = len(frame_s) - int(seen.sum())
    if extra > MOST_EXTRA:
        told.findings.append(
            Finding("trial-extra", "frames", f"{extra} of them belong to no press of this trial")
        )
    if _sees_target(told):
        if _tell_settle(told):
            _tell_lag(told)
        _tell_hold(told, seen)
    return TrialReading(
        kind="still",
        facts=tuple(facts),
        profile=tuple(_profile_lines(told.numbers, profile)),
        findings=tuple(told.findings),
        numbers=told.numbers,
    )


def _check_share(good: NDArray[np.bool_], what: str, cure: str) -> None:
    if good.mean() < SURE:
        raise CaptureHookError(
            "trial read", f"only {int(good.sum())} of {len(good)} {what}", f"Give {cure}"
        )


@dataclass(frozen=True, slots=True)
class _Told:
    """What the frames show, and what has been told of it so far."""

    record: dict[str, Any]
    steps: Sequence[dict[str, Any]]
    parts: NDArray[np.str_]
    found: NDArray[np.int64]
    shift_px: Floats
    profile: Profile
    facts: list[tuple[str, str]]
    findings: list[Finding]
    numbers: dict[str, float]

    def of(self, part: str) -> tuple[Floats, Floats]:
        """(value tried, shift) of the frames of one part."""
        at = np.flatnonzero((self.parts == part) & (self.found >= 0))
        values = np.array([self.steps[index]["value"] for index in at.tolist()], dtype=np.float64)
        return values, self.shift_px[self.found[at]]


def _sees_target(told: _Told) -> bool:
    """The picture follows the axis: else neither swing nor lag is read from it."""
    used = told.shift_px[told.found[(told.found >= 0) & (told.parts != "hold")]]
    used = used[np.isfinite(used).all(axis=1)]
    if np.ptp(used, axis=0).max() < SAME_PX:
        text = "show exactly the same: copies of one picture tell nothing"
        told.findings.append(Finding("trial-no-target", "frames", text))
        return False
    zero, scale = (told.of(part)[1] for part in ("zero", "scale"))
    if not len(zero) or not len(scale):
        return True
    step = scale.mean(axis=0) - zero.mean(axis=0)
    px_mm = float(np.hypot(*step)) / told.record["about"]["scale_mm"]
    astray = max(float(np.abs(one - one.mean(axis=0)).max()) for one in (zero, scale))
    if px_mm <= LEAST_PX_MM or astray > ASTRAY * np.hypot(*step):
        text = (
            f"does not follow the axis ({px_mm:.2f} px for a millimetre, {astray:.1f} px apart "
            "where it should stand alike): give a --box round a pattern on what moves"
        )
        told.findings.append(Finding("trial-no-target", "target", text))
        return False
    told.numbers["px_mm"] = px_mm
    return True


def _tell_settle(told: _Told) -> bool:
    """The swing along its own direction, and how long it shows. False where what swings still does
    when the frames for the lag are taken, so that they tell nothing."""
    settle_ms, shifts = told.of("settle")
    rest = shifts[settle_ms >= settle_ms.max()].mean(axis=0)
    moved = shifts - rest
    _, _, direction = np.linalg.svd(moved, full_matrices=False)
    along = moved @ direction[0]
    allowed_px = told.profile.camera.blur_px / 2  # there and back
    if np.abs(along[settle_ms < 500]).max() <= max(allowed_px / 2, 0.2):
        told.facts.append(("swing", f"none over {allowed_px:g} px, even at 0 ms"))
        told.numbers["settle_ms"] = 0.0
        return True
    swing = fit_swing(settle_ms / 1000, along)
    still_ms = 1000 * swing.settle_s(allowed_px)
    if swing.left_px > max(LEAST_LEFT_PX, LEFT_SHARE * float(np.abs(along).max())):
        text = (
            f"{swing.left_px:.1f} px of the shifts are no damped swing: a loose target or camera, "
            "a lag that varies, blur, or frames of something else; settle_ms stays untold"
        )
        told.findings.append(Finding("trial-no-swing", "swing", text))
        return True
    if still_ms > BEYOND * settle_ms.max():
        text = (
            f"over {allowed_px:g} px long after the longest wait tried ({settle_ms.max():g} ms): "
            "stiffen or lighten what swings, or travel slower; settle_ms stays untold"
        )
        told.findings.append(Finding("trial-swing-long", "swing", text))
        left_px = swing.amplitude_px * math.exp(-swing.decay_1_s * float(settle_ms.max()) / 1000)
        speed_px_s = told.record["about"]["lag_mm_s"] * told.numbers.get("px_mm", 0.0)
        return bool(left_px < LAG_ERROR_S * speed_px_s)
    damping = swing.decay_1_s / math.hypot(swing.decay_1_s, 2 * math.pi * swing.hertz)
    told.numbers.update(
        settle_ms=still_ms, swing_px=swing.amplitude_px, swing_hz=swing.hertz, damping=damping
    )
    text = (
        f"{swing.amplitude_px:.1f} px at the first frame, {swing.hertz:.1f} Hz, damping "
        f"{damping:.3f}; under {allowed_px:g} px after {still_ms:.0f} ms"
    )
    told.facts.append(("swing", text))
    return True


def _tell_lag(told: _Told) -> None:
    """From the picture of what moves evenly: how far it was when the shutter opened."""
    about = told.record["about"]
    moving, zero, scale = (told.of(part)[1] for part in ("lag", "zero", "scale"))
    if len(moving) < 3 or not len(zero) or not len(scale):
        text = "cannot be told: this trial has no frames of an even move, or of its scale"
        told.findings.append(Finding("trial-no-lag", "lag", text))
        return
    step = scale.mean(axis=0) - zero.mean(axis=0)
    ahead = step / np.hypot(*step) / told.numbers["px_mm"]
    gone_mm, aside_mm = (
        (moving - zero.mean(axis=0)) @ np.column_stack((ahead, ahead[::-1] * (1, -1)))
    ).T
    ramp_mm = about["lag_mm_s"] ** 2 / (2 * about["accel_mm_s2"])
    first_mm, last_mm = max(about["contact_mm"], STOOD_MM), about["away_mm"] - ramp_mm
    on_it = (first_mm <= gone_mm) & (gone_mm <= last_mm) & (np.abs(aside_mm) <= ASIDE_MM)
    if not on_it.all():
        low_ms, high_ms = (1000 * _lag_s(mm, about) for mm in (first_mm, last_mm))
        text = (
            f"cannot be told: {np.sum(~on_it)} of {len(moving)} frames were not taken on the even "
            f"move, so it is under {low_ms:.0f} ms or over {high_ms:.0f}, or a frame is another's"
        )
        told.findings.append(Finding("trial-no-lag", "lag", text))
        return
    lags_s = np.array([_lag_s(mm, about) for mm in gone_mm])
    lags_s -= told.profile.camera.open_ms / 2000  # the picture shows the middle of the exposure
    lag_ms, spread_ms = 1000 * float(lags_s.mean()), 1000 * float(lags_s.std(ddof=1))
    slowest_ms = max(1000 * float(lags_s.max()), lag_ms + 2 * spread_ms)
    told.numbers.update(lag_ms=lag_ms, lag_spread_ms=spread_ms, lag_slowest_ms=slowest_ms)
    text = (
        f"{lag_ms:.0f} ms on average, {spread_ms:.0f} of spread, {slowest_ms:.0f} to plan with "
        f"({len(moving)} frames, {told.numbers['px_mm']:.1f} px/mm)"
    )
    told.facts.append(("lag", text))


def _lag_s(gone_mm: float, about: dict[str, Any]) -> float:
    """Seconds from the contact's closing to a place on the move."""
    return _time_of(gone_mm, about) - _time_of(about["contact_mm"], about)


def _time_of(gone_mm: float, about: dict[str, Any]) -> float:
    """Seconds from the start of a move to a place on it: v^2/2a of ramp, then evenly.

    Source: kinematics.
    """
    speed, accel = about["lag_mm_s"], about["accel_mm_s2"]
    ramp_mm = speed**2 / (2 * accel)
    if gone_mm < ramp_mm:
        return math.sqrt(2 * gone_mm / accel)
    return float(speed / accel + (gone_mm - ramp_mm) / speed)


def _tell_hold(told: _Told, seen: NDArray[np.bool_]) -> None:
    """The shortest hold from which all longer ones have all their frames."""
    at = np.flatnonzero(told.parts == "hold")
    if not len(at):
        return
    tried = np.array([told.steps[index]["value"] for index in at.tolist()], dtype=np.float64)
    holds = np.unique(tried)[::-1]
    whole = [bool(seen[at][tried == hold].all()) for hold in holds.tolist()]
    good = 0
    while good < len(whole) and whole[good]:
        good += 1
    if not good:
        text = f"even {holds[0]:g} ms loses frames: look at the contact"
        told.findings.append(Finding("trial-no-hold", "hold", text))
        return
    told.numbers["least_hold_ms"] = float(holds[good - 1])
    tries = int(np.isin(tried, holds[:good]).sum())
    text = (
        f"{holds[good - 1]:g} ms is the shortest without a lost frame; none lost in {tries} "
        f"presses still allows {worst_miss_rate(tries):.0%} (95 % sure)"
    )
    told.facts.append(("hold", text))


def _profile_lines(numbers: dict[str, float], profile: Profile) -> list[str]:
    """What was found, as keys; a half more than the shortest hold (common practice)."""
    lines = []
    if "settle_ms" in numbers:
        lines += ["[park]", f"settle_ms = {math.ceil(numbers['settle_ms'])}"]
    camera = []
    if "lag_slowest_ms" in numbers:
        camera.append(f"lag_ms = {math.ceil(numbers['lag_slowest_ms'])}")
    if "least_hold_ms" in numbers:
        camera.append(f"min_hold_ms = {math.ceil(1.5 * numbers['least_hold_ms'])}")
    if camera:
        lines += ["[camera]", *camera]
    if "lag_slowest_ms" in numbers and profile.trigger.by in ("button", "pin"):
        camera_s = profile.camera
        hold = numbers["lag_slowest_ms"] + camera_s.open_ms + camera_s.margin_ms
        hold = max(hold, 1.5 * numbers.get("least_hold_ms", 0.0))
        after = f"at {camera_s.exposure_ms:g} ms of exposure; left out, it follows lag and exposure"
        lines += ["[trigger]", f"hold_ms = {math.ceil(hold)}   # {after}"]
    return lines
