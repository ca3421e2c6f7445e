"""What the head must pass beside the layers: purged plastic, and the switch.

Plastic pushed out without moving in XY (a purge in place, a column) is no layer, but it
stands on the bed: it becomes a keep-out box as wide as its volume says.
docs/explain/space.md#what-stands-on-the-bed
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog.triggers.button_press import PressPoints, press_points
from capturehook.errors import PlanError
from capturehook.model.moves import MoveTable
from capturehook.model.pose import Purge
from capturehook.model.profile import KeepOut, Machine, Profile
from capturehook.read.arcs import move_extents
from capturehook.read.job import Job
from capturehook.read.parking import parkings

LEAST_PURGE_MM3 = 5.0
"""Less is the bead at the start of a line (an extra restart length), not a blob."""
TOUCH_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Purged:
    """Plastic pushed out in place: the line that ended it, and the box it takes up."""

    line_index: int
    box: Purge


def purged_boxes(job: Job) -> list[Purged]:
    """Every blob and column of a job, in file order.

    A column that climbs is as wide as its volume over its height; what is pushed out at one
    height is taken as a ball (volume of a cylinder and of a sphere, any geometry handbook).
    """
    moves = job.moves
    in_xy = _in_xy(moves)
    rows = np.flatnonzero(~in_xy)
    fed = moves.e_step_mm[rows]
    rows, fed = rows[fed > TOUCH_MM], fed[fed > TOUCH_MM]
    pushed = fed - job.read.deficit_mm.at(rows - 1)
    rows, pushed = rows[pushed > TOUCH_MM], pushed[pushed > TOUCH_MM]
    if not len(rows):
        return []
    goes_off = np.logical_or.reduceat(in_xy, rows)
    starts = np.flatnonzero(np.concatenate(([True], goes_off[:-1])))
    area_mm2 = pi * job.profile.machine.filament_mm**2 / 4
    volumes = np.add.reduceat(pushed, starts) * area_mm2
    low = np.minimum.reduceat(np.minimum(moves.z0_mm[rows], moves.z_mm[rows]), starts)
    high = np.maximum.reduceat(np.maximum(moves.z0_mm[rows], moves.z_mm[rows]), starts)
    ends = np.concatenate((starts[1:], [len(rows)])) - 1
    found = []
    for at in np.flatnonzero(volumes >= LEAST_PURGE_MM3).tolist():
        row, line = int(rows[starts[at]]), int(moves.line_index[rows[ends[at]]])
        centre = (float(moves.x_mm[row]), float(moves.y_mm[row]))
        height = (float(low[at]), float(high[at]))
        found.append(Purged(line, _box(line, centre, height, float(volumes[at]))))
    return found


def _box(
    line_index: int, centre: tuple[float, float], height: tuple[float, float], volume_mm3: float
) -> Purge:
    low, high = height
    ball_mm = (6 * volume_mm3 / pi) ** (1 / 3)
    climbs = high - low
    width = 2 * sqrt(volume_mm3 / (pi * climbs)) if climbs > ball_mm else ball_mm
    half = max(width, 0.2) / 2
    (x, y), top = centre, max(high, ball_mm)
    return Purge.model_construct(
        name=f"line {line_index + 1}",
        x_mm=(x - half, x + half),
        y_mm=(y - half, y + half),
        z_mm=(0.0, top),
    )


def _in_xy(moves: MoveTable) -> NDArray[np.bool_]:
    moved: NDArray[np.bool_] = (
        (moves.x_mm != moves.x0_mm) | (moves.y_mm != moves.y0_mm) | (moves.turn_rad != 0)
    )
    return moved


class Surroundings:
    """The machine with all that stands on it at a line: for stops in rising order."""

    def __init__(self, job: Job) -> None:
        self._purged = purged_boxes(job)
        self._machine = short_of_switch(job.profile)
        self._count = 0
        self._now = self._machine

    def at(self, line_index: int) -> Machine:
        """The machine, its boxes those of the profile and of what was purged before a line."""
        count = sum(one.line_index < line_index for one in self._purged)
        if count != self._count:
            boxes: Sequence[KeepOut] = [one.box for one in self._purged[:count]]
            keep_out = (*self._machine.keep_out, *boxes)
            self._now = self._machine.model_copy(update={"keep_out": keep_out})
            self._count = count
        return self._now


# --- the switch that the carriage presses


def pressed_switch(profile: Profile) -> PressPoints | None:
    """Where the switch is met, for a profile whose carriage presses one."""
    return press_points(profile) if profile.trigger.by == "button" else None


def short_of_switch(profile: Profile) -> Machine:
    """The machine, its reach ending where the carriage would first touch the switch."""
    points, machine = pressed_switch(profile), profile.machine
    if points is None:
        return machine
    key = f"{points.axis}_mm"
    low, high = getattr(machine, key)
    reach = (
        (low, min(high, points.touch_mm))
        if points.sign > 0
        else (
            max(low, points.touch_mm),
            high,
        )
    )
    return machine.model_copy(update={key: reach})


def refuse_pressing(job: Job) -> None:
    """The job's own lines must leave the switch alone: start code, prime lines, end code, and
    commands that state where the head parks.

    Raises
    ------
    PlanError
        A line that touches the switch, by how much, and where its contact and stop are.
    """
    points = pressed_switch(job.profile)
    if points is None or not len(job.moves):
        return
    low, high = move_extents(job.moves, points.axis)
    reached = points.sign * (high if points.sign > 0 else low)
    told = job.read.axes[points.axis.upper()].first_set_row
    reached[:told] = -np.inf  # homed, at the end that only the firmware knows
    ends = getattr(job.moves, f"{points.axis}_mm")
    reached[told : told + 1] = points.sign * ends[told : told + 1]
    past = reached - points.sign * points.touch_mm
    rows = np.flatnonzero(past > TOUCH_MM)
    found = []
    if len(rows):
        worst = int(rows[np.argmax(past[rows])])
        place = points.sign * float(reached[worst])
        found.append((float(past[worst]), place, int(job.moves.line_index[worst]), "this line"))
    count = len(rows)
    for one in parkings(job):
        stated = one.x_mm if points.axis == "x" else one.y_mm
        if stated is None or (by_mm := points.sign * (stated - points.touch_mm)) <= TOUCH_MM:
            continue
        found.append((by_mm, stated, one.line_index, one.command))
        count += 1
    if not found:
        return
    past_mm, place, line_index, what = max(found)
    axis = points.axis.upper()
    beyond_stop = points.sign * (place - points.stop_mm)
    harm = (
        f"rams its stop at {axis}{points.stop_mm:g} by {beyond_stop:.2f} mm"
        if beyond_stop > 0
        else "closes its contact, so the camera fires"
        if points.sign * (place - points.contact_mm) >= 0
        else "touches its plunger"
    )
    more = f" ({count} lines do so)" if count > 1 else ""
    raise PlanError(
        job.source.where(line_index),
        f"{what} goes to {axis}{place:g}, {past_mm:.2f} mm past {axis}{points.touch_mm:g}, "
        f"where the carriage first meets the switch, and {harm}{more}",
        "Move the switch out of the job's reach, slice the model farther from it, or correct "
        f"[trigger] {points.axis}_mm",
    )
