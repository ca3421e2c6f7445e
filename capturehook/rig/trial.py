"""Short cold jobs that commission the rig: the poses in air, the switch, stillness, resin.

In: a profile (and a job). Out: Trial. How they are read: `trial_read`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from capturehook.catalog.triggers.button_press import press_points
from capturehook.errors import CaptureHookError, counted
from capturehook.model.block import Role
from capturehook.model.numbers import fixed
from capturehook.model.pose import Pose
from capturehook.model.profile import Profile
from capturehook.rig.trial_program import Program, Trial

LIFT_MM = 20.0
STEP_MM = 0.05
DEEPEST_SHARE = 0.9
"""Of the over-travel, less the spread: never to the stop."""
CYCLE_MS = 4000.0
"""Between two presses: longer than a camera's slowest cycle, and over whole-second stamps."""
PAUSE_MS = 20_000.0
"""Between two sweeps: so that they can be told apart by the times of the frames."""
SETTLE_LADDER_MS = (*range(0, 501, 25), 750, 1000, 2000)
HOLD_LADDER_MS = (300, 200, 150, 120, 100, 80, 60, 40, 20, 0)
AWAY_MM = 60.0
SCALE_MM = 10.0
LAG_MM_MIN = 3000.0
LAG_TIMES = 10
RUN_UP_MM = 1.0
"""Before the place where the contact opens again: the sloped press begins with it open."""
PRESS_SHARE = 0.4
"""Of the even move that the press may take; the rest is for the lag."""


def air_trial(poses: Sequence[Pose], profile: Profile, lift_mm: float = LIFT_MM) -> Trial:
    """The first poses of a job, lifted, without heat and filament: what the head will do."""
    if not poses:
        raise CaptureHookError("air", "the job has no poses", "Choose other layers, or another job")
    top_mm = max(line.z_mm for pose in poses for line in pose.block.lines if line.z_mm is not None)
    program = Program(profile, top_mm + lift_mm)
    for pose in poses:
        program.comment(f"pose {pose.pose}, layer {pose.layer}")
        _fly(program, pose, lift_mm)
    says = (
        f"{len(poses)} poses of the job, {lift_mm:g} mm higher, with the trigger, at full speed.",
        "Watch cable, switch and camera; stop it when anything comes near.",
    )
    return program.finish("air", says, {"poses": len(poses), "lift_mm": lift_mm})


def _fly(program: Program, pose: Pose, lift_mm: float) -> None:
    """To where the pose begins, then its moves, waits and trigger; no filament."""
    state, park = pose.state, program.profile.park
    start_mm = state.z_mm + lift_mm
    program.move({"X": state.x_mm, "Y": state.y_mm}, park.travel_mm_min)
    program.move({"Z": start_mm}, park.hop_mm_min)
    fired = False
    for line in pose.block.lines:
        places = {"X": line.x_mm, "Y": line.y_mm, "Z": line.z_mm}
        to = {axis: mm for axis, mm in places.items() if mm is not None}
        if "Z" in to:
            to["Z"] += lift_mm
        if to:
            program.move(to, line.feed_mm_min or park.travel_mm_min)
        elif line.role in (Role.WAIT, Role.SETTLE, Role.HOLD, Role.FIRE, Role.RELEASE):
            if line.role in (Role.FIRE, Role.HOLD) and not fired:
                fired = True
                program.mark("air", float(pose.pose))
            program.add(line)


def press_trial(
    profile: Profile, *, times: int = 10, step_mm: float = STEP_MM, z_mm: float = 30.0
) -> Trial:
    """Steps towards the switch, released between: where its contact closes, and how evenly.

    The camera takes a frame at each press deep enough, so their count tells the place.
    """
    if profile.trigger.by != "button":
        raise CaptureHookError(
            "trigger.by",
            f'is "{profile.trigger.by}": there is no switch to press',
            'Set [trigger] by = "button" and x_mm to about where the contact closes',
        )
    points, trigger = press_points(profile), profile.trigger
    program = Program(profile, z_mm)
    machine = profile.machine
    low_mm, high_mm = machine.x_mm if points.axis == "x" else machine.y_mm
    left = high_mm - points.contact_mm if points.sign > 0 else points.contact_mm - low_mm
    deepest = min(left, DEEPEST_SHARE * trigger.overtravel_mm - trigger.repeat_mm)
    before = max(0.5, 4 * trigger.repeat_mm)
    count = max(2, math.floor((before + deepest) / step_mm + 1e-9) + 1)
    first = points.contact_mm + points.sign * (deepest - (count - 1) * step_mm)
    along, across = points.axis.upper(), "Y" if points.axis == "x" else "X"
    shows_step = machine.moves == "bed-y" and points.axis == "x"
    bed_low, bed_high = machine.y_mm
    program.move({along: points.start_mm, across: points.cross_mm}, profile.park.travel_mm_min)
    for sweep in range(times):
        program.comment(f"sweep {sweep + 1}")
        for k in range(count):
            place = first + points.sign * k * step_mm
            if shows_step:
                bed_mm = bed_low + 20 + 2 * k
                program.move({"Y": min(bed_mm, bed_high)}, profile.park.travel_mm_min)
            program.comment(f"step {k + 1} {along}{fixed(place)}")
            program.show(f"step {k + 1} {along}{fixed(place)}")
            program.move({along: place}, trigger.approach_mm_min)
            program.wait()
            program.mark("press", place)
            program.dwell(300)
            program.move({along: points.start_mm}, trigger.release_mm_min)
            program.wait()
            program.dwell(CYCLE_MS)
        program.dwell(PAUSE_MS)
    program.move({"X": profile.park.x_mm, "Y": profile.park.y_mm}, profile.park.travel_mm_min)
    last = first + points.sign * (count - 1) * step_mm
    says = (
        f"{counted(times, 'sweep')} of {count} presses, {along} {fixed(first)} to {fixed(last)} in "
        f"steps of {step_mm:g} mm, at {along} {fixed(points.start_mm)} between them; the switch's "
        f"stop at {fixed(points.stop_mm)} is never met.",
        "The camera takes a frame at each press deep enough. Count them, or run `trial read`.",
        *(["The bed moves 2 mm further at each step: a ruler on it shows the step."] * shows_step),
    )
    about = {
        "axis": points.axis,
        "sign": points.sign,
        "first_mm": first,
        "step_mm": step_mm,
        "count": count,
        "times": times,
        "pause_s": PAUSE_MS / 1000,
    }
    return program.finish("press", says, about)


def still_trial(profile: Profile, *, times: int = 2, z_mm: float = 30.0) -> Trial:
    """Ladders of settle and hold times at the park point, and frames of a moving bed.

    The frames tell how long the scene swings, how long the camera lags, and the shortest press.
    """
    if profile.trigger.by == "wait":
        raise CaptureHookError(
            "trigger.by",
            'is "wait": the job cannot fire the camera',
            "Choose button, pin, camera, message or lines in [trigger]",
        )
    program, park = Program(profile, z_mm), profile.park
    axis, away_mm = _away(profile)
    stand_ms = profile.camera.lag_ms + profile.camera.open_ms + CYCLE_MS
    for settle_ms in (*SETTLE_LADDER_MS * times, *(2000,) * 3):
        program.comment(f"settle {settle_ms} ms")
        program.move({axis: away_mm}, park.travel_mm_min)
        program.move({axis: _at_park(profile, axis)}, park.travel_mm_min)
        program.wait()
        program.dwell(settle_ms)
        program.press("settle", float(settle_ms))
        program.dwell(stand_ms)
    moving, even = _moving_part(program, stand_ms), _even_move(profile)
    if profile.trigger.by in ("button", "pin"):
        for hold_ms in HOLD_LADDER_MS * 3:
            program.comment(f"hold {hold_ms} ms")
            program.press("hold", float(hold_ms), hold_ms=hold_ms)
            program.dwell(stand_ms)
    says = (
        f"{len(SETTLE_LADDER_MS) * times + 3} frames after a travel along {axis}, from 0 to 2000 "
        "ms after the stop.",
        *moving,
        *(
            [f"{len(HOLD_LADDER_MS) * 3} presses from {HOLD_LADDER_MS[0]} to 0 ms."]
            if profile.trigger.by in ("button", "pin")
            else []
        ),
        "A target with a clear pattern on what moves; exposure 1/250 s or shorter; focus by hand.",
    )
    machine = profile.machine
    about: dict[str, Any] = {
        "axis": axis,
        "scale_mm": SCALE_MM if even else 0.0,
        "lag_mm_s": even.mm_s if even else 0.0,
        "accel_mm_s2": machine.travel_accel_mm_s2 or machine.accel_mm_s2,
        "direction": 1.0 if away_mm > _at_park(profile, axis) else -1.0,
        "contact_mm": even.contact_mm if even else 0.0,
        "away_mm": abs(away_mm - _at_park(profile, axis)),
    }
    return program.finish("still", says, about)


@dataclass(frozen=True, slots=True)
class _EvenMove:
    """The move of the lag part: ``mm_s`` along ``axis``, the contact closing ``contact_mm`` on."""

    axis: str
    park_mm: float
    away_mm: float
    mm_s: float
    contact_mm: float


def _even_move(profile: Profile) -> _EvenMove | None:
    """None where the switch is pressed along the axis that moves.

    A switch is pressed on the way, so that the move is even before its contact closes.
    """
    axis, away_mm = _away(profile)
    park_mm, limits = _at_park(profile, axis), profile.machine.max_mm_min
    mm_s = min(LAG_MM_MIN, limits.y if axis == "Y" else limits.x) / 60
    if profile.trigger.by != "button":
        return _EvenMove(axis, park_mm, away_mm, mm_s, 0.0)
    if profile.trigger.axis == axis.lower():
        return None
    points, press_mm_s = press_points(profile), profile.trigger.approach_mm_min / 60
    run_mm = RUN_UP_MM + profile.trigger.differential_mm
    press_s = (run_mm + abs(points.press_mm - points.contact_mm)) / press_mm_s
    mm_s = min(mm_s, PRESS_SHARE * abs(away_mm - park_mm) / press_s)
    return _EvenMove(axis, park_mm, away_mm, mm_s, mm_s * run_mm / press_mm_s)


def _moving_part(program: Program, stand_ms: float) -> tuple[str, ...]:
    """Frames for the scale, then of what moves evenly; none where the switch is in the way."""
    profile, even = program.profile, _even_move(program.profile)
    if even is None:
        return ()
    axis, park_mm = even.axis, even.park_mm
    step = math.copysign(SCALE_MM, even.away_mm - park_mm)
    for part, place in (("zero", park_mm), ("scale", park_mm + step)) * 2:
        program.move({axis: place}, profile.park.travel_mm_min)
        program.wait()
        program.dwell(2000)
        program.press_at(part, place, axis)
        program.dwell(stand_ms)
    for _ in range(LAG_TIMES):
        program.move({axis: park_mm}, profile.park.travel_mm_min)
        program.wait()
        program.dwell(2000)
        _fire_on_the_move(program, even)
        program.dwell(stand_ms)
    program.move({axis: park_mm}, profile.park.travel_mm_min)
    return (f"4 frames for the scale and {LAG_TIMES} while {axis} moves at {even.mm_s:g} mm/s.",)


def _fire_on_the_move(program: Program, even: _EvenMove) -> None:
    """An output first and then the move; a switch by a sloped move, which goes on evenly.

    Source: vector sum for the feed, a straight line for where the contact closes.
    """
    profile, mm_s = program.profile, even.mm_s
    if profile.trigger.by != "button":
        away = {even.axis: even.away_mm}
        program.press_at(
            "lag", even.park_mm, even.axis, within=lambda: program.move(away, 60 * mm_s)
        )
        return
    points, trigger = press_points(profile), profile.trigger
    along, press_mm_s = points.axis.upper(), trigger.approach_mm_min / 60
    run_mm = even.contact_mm / mm_s * press_mm_s
    program.move({along: points.start_mm}, profile.park.travel_mm_min)
    program.move({along: points.contact_mm - points.sign * run_mm}, trigger.approach_mm_min)
    press_s = (run_mm + abs(points.press_mm - points.contact_mm)) / press_mm_s
    passed_mm = math.copysign(mm_s * press_s, even.away_mm - even.park_mm)
    program.mark("lag", even.park_mm)
    slope = {along: points.press_mm, even.axis: even.park_mm + passed_mm}
    program.move(slope, 60 * math.hypot(press_mm_s, mm_s))
    program.move({even.axis: even.away_mm}, 60 * mm_s)
    program.wait()
    program.move({along: points.start_mm}, trigger.release_mm_min)
    park_mm = profile.park.x_mm if along == "X" else profile.park.y_mm
    program.move({along: park_mm}, profile.park.travel_mm_min)


def _away(profile: Profile) -> tuple[str, float]:
    """(axis, place): what carries the part or the head goes there and comes back."""
    axis = "Y" if profile.machine.moves == "bed-y" else "X"
    low_mm, high_mm = profile.machine.y_mm if axis == "Y" else profile.machine.x_mm
    at_mm = _at_park(profile, axis)
    up = high_mm - at_mm >= at_mm - low_mm
    return axis, min(high_mm, at_mm + AWAY_MM) if up else max(low_mm, at_mm - AWAY_MM)


def _at_park(profile: Profile, axis: str) -> float:
    return profile.park.x_mm if axis == "X" else profile.park.y_mm
