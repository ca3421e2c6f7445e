"""What a person should look at in a job, as findings with stable codes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import pi

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import DIALECTS, FIRMWARES, TRIGGERS
from capturehook.catalog.triggers.button_press import press_points
from capturehook.errors import Finding
from capturehook.model.moves import PAUSE, TOOL
from capturehook.model.pose import Pose
from capturehook.model.profile import Profile
from capturehook.model.state import Modes
from capturehook.place.shutter import hold_ms, settle_ms
from capturehook.read.arcs import move_extents, parts_of
from capturehook.read.effects import findings_of
from capturehook.read.job import Job
from capturehook.read.parking import parkings
from capturehook.read.verdict import stated_findings
from capturehook.read.whole import order_findings, whole_findings

EDGE_MM = 1e-6
MANY_VISITS = 5
"""Start and end code of a job park a few times."""
NEAR_PART_MM = 10.0
"""Printed lines this near to the park point are under the waiting nozzle's drips."""


def job_findings(job: Job) -> list[Finding]:
    """Everything about a job that a person should look at; `inspect`, `apply`, `plan` and the
    hooks all say it."""
    return [
        *whole_findings(job),
        *order_findings(job),
        *stated_findings(job),
        *_how_layers_are_told(job),
        *_outside(job),
        *_park_over_part(job),
        *_park_visited(job),
        *_odd_modes(job),
        *_strange_codes(job),
        *_unknown_times(job),
        *_parks(job),
        *_numbered(job),
        *_state_notes(job),
    ]


def _where_layer(job: Job, is_it: NDArray[np.bool_]) -> str:
    """The first line of the first layer of which something is so."""
    row = job.layers.first_move[int(np.argmax(is_it))]
    return str(job.source.where(int(job.moves.line_index[row])))


def _how_layers_are_told(job: Job) -> Iterator[Finding]:
    layers = job.layers
    if layers.contradicted_line >= 0:
        told = "heights" if layers.marks == "geometry" else "marks and heights"
        text = (
            "this layer mark contradicts the moves (printing goes on at the same height, or two "
            f"heights are printed after it): layers are told from {told}"
        )
        yield Finding("marks-contradict", str(job.source.where(layers.contradicted_line)), text)
    elif layers.marks == "geometry":
        what = "its marks do not fit its moves" if job.marks else "no layer marks"
        text = f"{what}: layers are told from the heights at which plastic is laid"
        yield Finding("no-marks", job.source.path, text)
        for fault in DIALECTS.broken:
            yield Finding("plugin-broken", str(fault.where), f"{fault.found}: it was not asked")
    if layers.spiral:
        turns = int(layers.is_spiral.sum())
        text = f"{turns} turns of a spiral begin here: a stop may leave a mark"
        yield Finding("spiral", _where_layer(job, layers.is_spiral), text)
    second = layers.object_no > 1
    if second.any():
        text = "a second object begins at the bed: the head must pass finished ones"
        yield Finding("one-at-a-time", _where_layer(job, second), text)


def _state_notes(job: Job) -> list[Finding]:
    """What the job's commands do that no pose block can know or change."""
    first_layer = int(job.moves.line_index[job.layers.first_move[0]])
    last_layer = int(job.moves.line_index[job.layers.last_move[-1]])
    return findings_of(job.source, job.read.others, first_layer, last_layer)


def pose_findings(job: Job, poses: Sequence[Pose]) -> list[Finding]:
    """What to look at in the poses of a job: their trigger, and what leaks meanwhile."""
    profile = job.profile
    lengths_mm = [pose.route.length_mm for pose in poses]
    return [
        *TRIGGERS[profile.trigger.by].findings(profile),
        *ooze_findings(profile, lengths_mm),
    ]


def while_printing(job: Job) -> list[Modes]:
    """Every set of modes in force between the first and the last layer."""
    first = int(job.moves.line_index[job.layers.first_move[0]])
    last = int(job.moves.line_index[job.layers.last_move[-1]])
    others = job.read.others
    start = int(np.searchsorted(others.modes_line, first)) - 1
    stop = int(np.searchsorted(others.modes_line, last))
    return others.modes[max(start, 0) : max(stop, 1)]


def _outside(job: Job) -> Iterator[Finding]:
    """Does the job print where the machine cannot reach? The first line of each axis."""
    moves, machine = job.moves, job.profile.machine
    for axis in "xyz":
        least, most = getattr(machine, f"{axis}_mm")
        first, count = None, 0
        for part in parts_of(len(moves)):
            low, high = move_extents(moves, axis, part)
            outside = (low < least - EDGE_MM) | (high > most + EDGE_MM)
            outside &= moves.prints[part]
            count += int(np.count_nonzero(outside))
            if first is None and outside.any():
                at = int(np.argmax(outside))
                first = part.start + at, low[at] if low[at] < least - EDGE_MM else high[at]
        if first is not None:
            row, place = first
            more = f" ({count} lines do so)" if count > 1 else ""
            text = (
                f"prints at {axis.upper()}{place:g}, outside [{least:g}, {most:g}] of profile "
                f"{job.profile.name}{more}: is it the right profile?"
            )
            where = str(job.source.where(int(moves.line_index[row])))
            yield Finding("outside-machine", where, text)
    yield from _past_the_rim(job)


def _past_the_rim(job: Job) -> Iterator[Finding]:
    """Does the job print past the edge of a round bed, within both axes?"""
    moves, machine = job.moves, job.profile.machine
    for part in parts_of(len(moves)) if machine.round else ():
        past = moves.prints[part] & ~machine.reaches(moves.x_mm[part], moves.y_mm[part])
        if past.any():
            row = part.start + int(np.argmax(past))
            text = (
                f"prints at X{moves.x_mm[row]:g} Y{moves.y_mm[row]:g}, past the edge of the round "
                f"bed of profile {job.profile.name}: is it the right profile?"
            )
            where = str(job.source.where(int(moves.line_index[row])))
            yield Finding("outside-machine", where, text)
            return


def _park_over_part(job: Job) -> Iterator[Finding]:
    """The nozzle waits above what it printed: leaks fall onto the part."""
    moves, park = job.moves, job.profile.park
    part = slice(int(job.layers.first_move[0]), int(job.layers.last_move[-1]) + 1)
    prints = moves.prints[part]
    x, y = moves.x_mm[part], moves.y_mm[part]
    left, front = (float(one.min(where=prints, initial=np.inf)) for one in (x, y))
    right, back = (float(one.max(where=prints, initial=-np.inf)) for one in (x, y))
    if not (left < park.x_mm < right and front < park.y_mm < back):
        return
    near = prints.copy()
    for axis, place in (("x", park.x_mm), ("y", park.y_mm)):
        low, high = move_extents(moves, axis, part)
        near &= (low - NEAR_PART_MM < place) & (place < high + NEAR_PART_MM)
    if not near.any():
        return
    text = (
        f"the park point X{park.x_mm:g} Y{park.y_mm:g} lies over the part "
        f"(X{left:g} to X{right:g}, Y{front:g} to Y{back:g}): the waiting nozzle drips "
        "onto it; park beside it"
    )
    yield Finding("park-over-part", "[park]", text)


def _park_visited(job: Job) -> Iterator[Finding]:
    """Poses of an earlier run whose fences are gone: nothing else tells them from the job."""
    moves, park = job.moves, job.profile.park
    visits = 0
    for part in parts_of(len(moves)):
        there = (moves.x_mm[part] == park.x_mm) & (moves.y_mm[part] == park.y_mm)
        there[1:] &= ~there[:-1]
        visits += int(np.count_nonzero(there))
    if visits >= MANY_VISITS:
        text = (
            f"goes to the park point X{park.x_mm:g} Y{park.y_mm:g} {visits} times already: poses "
            "of an earlier run that lost their marks? Take the original job, or park elsewhere"
        )
        yield Finding("park-visited", job.source.path, text)


def _strange_codes(job: Job) -> Iterator[Finding]:
    """Commands of other families that change what this one reads, the first of each."""
    firmware = FIRMWARES[job.profile.machine.firmware]
    strange, others = firmware.strange_codes, job.read.others
    for code in sorted(strange.keys() & set(others.command)):
        if code[0] == "M" and job.read.e_letter != "E":
            continue
        line = others.command_line[others.command.index(code)]
        text = (
            f"{code} is no command of {firmware.name} itself: {strange[code]}; "
            "is it the right firmware?"
        )
        yield Finding("strange-codes", str(job.source.where(line)), text)


def _odd_modes(job: Job) -> Iterator[Finding]:
    path, modes = job.source.path, while_printing(job)
    if job.read.e_letter == "E" and all(m.m82 is None for m in modes):
        text = "never says M82 or M83: E is taken as absolute"
        yield Finding("e-mode-unsaid", path, text)
    if not FIRMWARES[job.profile.machine.firmware].reads_inches and any(m.inch for m in modes):
        text = "is in inches (G20), which this firmware family refuses"
        yield Finding("inch", path, text)


def _unknown_times(job: Job) -> Iterator[Finding]:
    """Pauses and tool changes after the first plastic."""
    first = int(job.moves.line_index[job.layers.first_move[0]])
    for kind, code, what in (
        (PAUSE, "pauses", "waits for a person"),
        (TOOL, "tool-changes", "changes the tool"),
    ):
        lines = job.moves.event_line_index[job.moves.event_kind == kind]
        lines = lines[lines > first]
        if len(lines):
            more = f" (and {len(lines) - 1} times more)" if len(lines) > 1 else ""
            text = f"{what} here: its length is not in the print time{more}"
            if kind == TOOL and job.profile.trigger.by == "button":
                text += "; no job tells where the head goes for it: keep that clear of the switch"
            yield Finding(code, str(job.source.where(int(lines[0]))), text)


def _parks(job: Job) -> Iterator[Finding]:
    """Commands that park the head past the machine's reach, or perhaps at the switch."""
    profile, machine = job.profile, job.profile.machine
    switch = press_points(profile) if profile.trigger.by == "button" else None
    unknown: dict[str, list[int]] = {}
    for one in parkings(job):
        where, (left, right), (front, back) = one.line_index, machine.x_mm, machine.y_mm
        x_mm = (left + right) / 2 if one.x_mm is None else one.x_mm
        y_mm = (front + back) / 2 if one.y_mm is None else one.y_mm
        if not machine.reaches(x_mm, y_mm):
            text = (
                f"{one.command} parks the head out of reach (X{left:g} to {right:g}, Y{front:g} to "
                f"{back:g}{', round' if machine.round else ''}) of profile {profile.name}: is it "
                "the right profile?"
            )
            yield Finding("outside-machine", str(job.source.where(where)), text)
        if switch is not None and (one.x_mm if switch.axis == "x" else one.y_mm) is None:
            unknown.setdefault(one.code, []).append(where)
    for code, lines in unknown.items():
        assert switch is not None
        more = f" ({len(lines)} lines do so)" if len(lines) > 1 else ""
        text = (
            f"{code} parks the head where the firmware's settings say, which no job tells{more}: "
            f"see that it is short of {switch.axis.upper()}{switch.touch_mm:g}, where the carriage "
            "first meets the switch"
        )
        yield Finding("park-unknown", str(job.source.where(lines[0])), text)


def _numbered(job: Job) -> Iterator[Finding]:
    lines = job.read.others.motion_line[:1]
    if lines and job.source.line(lines[0]).lstrip()[:1] in (b"N", b"n"):
        text = "its lines are numbered; inserted lines carry no number, as cards accept"
        yield Finding("line-numbers", job.source.path, text)


# --- what seeps out of the nozzle while it is away


def away_s(profile: Profile, way_mm: float) -> float:
    """Seconds from leaving the part to being back, without accelerations."""
    firmware = FIRMWARES[profile.machine.firmware]
    fire = TRIGGERS[profile.trigger.by].fire(firmware, profile)
    still_s = (settle_ms(profile) + hold_ms(profile, fire.held_ms) + fire.held_ms) / 1000
    return still_s + 2 * way_mm * 60 / profile.park.travel_mm_min


def ooze_findings(profile: Profile, ways_mm: Sequence[float]) -> Iterator[Finding]:
    """One finding when the longest absence may ooze more than the profile allows.

    Free ooze falls off after a retraction, so this is an upper bound (common practice, no source).
    """
    seconds = away_s(profile, max(ways_mm)) if ways_mm else 0.0
    volume_mm3 = seconds * profile.ooze.rate_mm3_s
    if volume_mm3 > profile.ooze.limit_mm3:
        filament_mm = volume_mm3 / (pi * profile.machine.filament_mm**2 / 4)
        text = (
            f"in {seconds:.1f} s away {volume_mm3:.2f} mm3 may ooze ({filament_mm:.2f} mm of "
            f"filament), over {profile.ooze.limit_mm3:g}: shorten the stand, retract more, or "
            "prime as much back"
        )
        yield Finding("ooze", "[ooze] limit_mm3", text)
