"""What must hold whatever comes in: one call each, a list of complaints out."""

from __future__ import annotations

import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import capturehook
from capturehook.errors import CaptureHookError
from capturehook.jobfile.fence import MARK
from capturehook.model.plan import load_plan
from capturehook.model.profile import Profile
from capturehook.profile import build_profile, parse_profile
from tests.block_checks import PLACES, POSE_BEGIN, POSE_END, take_apart
from tests.read.slow import Interpreter, differences, split_lines

PATH = "lighthouse.gcode"
Counts = Counter[str]


def guarded(counts: Counts, name: str, call: Callable[[], Any]) -> tuple[Any, list[str]]:
    """(result or None, complaints): only our own errors may leave, and no fault of ours."""
    try:
        made = call()
    except CaptureHookError as fault:
        counts[f"{name}: {type(fault).__name__}"] += 1
        if fault.exit_code == 3:
            return None, [f"{name}: fault of ours: {fault}"]
        if len(str(fault)) > 6000 or not str(fault).isprintable():
            wrong = len(str(fault)) > 6000 or any(
                not one.isprintable() for one in str(fault).split("\n")
            )
            return None, [
                f"{name}: message not fit to print: {str(fault)[:200]!r}"
            ] if wrong else []
        return None, []
    except Exception as fault:
        last = traceback.extract_tb(fault.__traceback__)[-1]
        counts[f"{name}: {type(fault).__name__}"] += 1
        return None, [
            f"{name}: {type(fault).__name__}: {str(fault)[:200]} ({last.filename}:{last.lineno})"
        ]
    counts[f"{name}: accepted"] += 1
    return made, []


def check_profile(counts: Counts, text: str) -> list[str]:
    return guarded(counts, "parse_profile", lambda: parse_profile(text, "heron.toml"))[1]


def check_plan(counts: Counts, path: Path) -> list[str]:
    return guarded(counts, "load_plan", lambda: load_plan(path))[1]


def profile_of(counts: Counts, table: dict[str, Any]) -> Profile | None:
    made: Profile | None = guarded(
        counts, "build_profile", lambda: build_profile(table, "heron.toml")
    )[0]
    return made


def check_job(
    counts: Counts, data: bytes, profile: Profile, *, all_calls: bool = True
) -> list[str]:
    """apply, strip, inspect and plan on one job."""
    stripped, wrong = guarded(counts, "strip", lambda: capturehook.strip(data, path=PATH))
    applied, more = guarded(counts, "apply", lambda: capturehook.apply(data, profile, path=PATH))
    wrong += more
    if all_calls:
        wrong += guarded(counts, "inspect", lambda: capturehook.inspect(data, profile, path=PATH))[
            1
        ]
        wrong += guarded(counts, "plan", lambda: capturehook.plan(data, profile, path=PATH))[1]
    if applied is None:
        return wrong
    if stripped is None:
        return [*wrong, "applied to a job that cannot be stripped"]
    if MARK not in data and stripped != data:
        wrong.append("strip changed a job without blocks")
    if capturehook.strip(applied.data, path=PATH) != stripped:
        wrong.append("strip does not give the job back")
    again, more = guarded(
        counts, "apply again", lambda: capturehook.apply(applied.data, profile, path=PATH)
    )
    wrong += more
    if again is None or again.data != applied.data:
        wrong.append("twice is not once")
    counts["poses"] += len(applied.poses)
    return wrong + neutral_faults(stripped, applied.data, profile, len(applied.poses))


def neutral_faults(job: bytes, data: bytes, profile: Profile, poses: int) -> list[str]:
    """By the slow interpreter: the machine after each block is the machine before it."""
    outside, blocks, owner = take_apart(data)
    if MARK not in job:
        if b"".join(outside) != job:
            return ["bytes outside the blocks are not the job's"]
        if len(blocks) != poses:
            return [f"{poses} poses told of, {len(blocks)} blocks"]
    machine = profile.machine
    auto = "A" if machine.firmware == "rs274" else "E"
    axis = auto if machine.extruder_axis == "auto" else machine.extruder_axis
    posed = Interpreter(machine.firmware, axis, volumetric=machine.volumetric, keep_moves=False)
    before, stays_fed = None, None
    for line, mine in zip(split_lines(data), owner, strict=True):
        if mine > 0 and POSE_BEGIN.match(line):
            before = posed.state()
        if mine != -3:
            try:
                posed.feed(line)
            except (OverflowError, ValueError, ZeroDivisionError):
                return []  # numbers past what the slow interpreter can count with
        if mine > 0 and POSE_END.match(line) and before is not None:
            wrong = differences(before, posed.state(), 1e-3)
            if profile.retract.extra_prime_mm:
                wrong = [one for one in wrong if not one.startswith(("fed", "e_mm", "deficit"))]
            if mine == poses:  # where only end code follows, the last one may leave the head away
                places = [one for one in wrong if one.startswith(PLACES)]
                wrong = [one for one in wrong if one not in places]
                stays_fed = posed.state().fed_mm if places else None
            if wrong:
                return [f"pose {mine} is not neutral: {'; '.join(wrong)}"]
        elif stays_fed is not None and mine == 0 and posed.state().fed_mm > stays_fed + 1e-3:
            return [f"pose {poses} leaves the head away, and {line!r} feeds filament"]
    return []
