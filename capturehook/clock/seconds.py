"""The print-time model: moves + machine -> seconds of each move and event.

Each move is a trapezoid of speed; its ends are as fast as the corners, the lengths and the
accelerations around it let them be. The path is cut where every firmware stops: at waits and
dwells, and around moves of filament alone. How it works and how well: docs/explain/time_model.md.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from capturehook.catalog import FIRMWARES
from capturehook.clock.paths import follow_paths, is_e_only
from capturehook.model.columns import Lines
from capturehook.model.contracts import CornerRule
from capturehook.model.moves import (
    DWELL,
    FW_RETRACT,
    FW_UNRETRACT,
    HEAT,
    HOME,
    PAUSE,
    PROBE,
    TOOL,
    MoveTable,
)
from capturehook.model.paths import Paths
from capturehook.physics.lookahead import cruise_caps, plan_speeds
from capturehook.physics.trapezoid import ramp_seconds, trapezoid_seconds

if TYPE_CHECKING:
    from capturehook.model.profile import Machine, Retract

Floats = NDArray[np.float64]

CHUNK = 1 << 14
"""Moves worked on at once (cut only at full stops): keeps arrays in the cache, memory low."""

RETRACT_MM, RETRACT_MM_MIN = 0.8, 2100.0
"""Stroke of a firmware retract when no profile is at hand (that of the profile's defaults)."""


def clock_moves(moves: MoveTable, machine: Machine, accel_mm_s2: Floats | None = None) -> Floats:
    """Seconds of each move.

    Parameters
    ----------
    moves : MoveTable
        M moves in file order; those without a length take no time.
    machine : Machine
        Accelerations, limits of the axes, and the corner rule (else the firmware's usual one).
    accel_mm_s2 : (M,), optional
        Acceleration asked of each move instead of the profile's; see
        :func:`capturehook.clock.limits.accel_in_force`.

    Returns
    -------
    (M,) float64, s

    Source: docs/explain/time_model.md
    """
    seconds = np.zeros(len(moves))
    _clock_into(seconds, moves, machine, accel_mm_s2)
    return seconds


def _clock_into(
    seconds: Floats, moves: MoveTable, machine: Machine, accel_mm_s2: Floats | None
) -> None:
    rule = FIRMWARES[machine.firmware].corner_rule(machine)
    cut_before = _full_stops(moves)
    for rows in _chunks(cut_before):
        paths, kept = follow_paths(moves, machine, rows, accel_mm_s2)
        if len(kept):
            joined = _joins(cut_before[rows], kept)
            seconds[rows.start + kept] = _stretch_seconds(paths, rule, joined)


def _full_stops(moves: MoveTable) -> NDArray[np.bool_]:
    """(M,) True where the path is cut before a move."""
    cut = np.zeros(len(moves), dtype=bool)
    after_event = moves.line_index.searchsorted(moves.event_line_index)
    cut[after_event[after_event < len(moves)]] = True
    filament = is_e_only(moves)
    cut |= filament
    cut[1:] |= filament[:-1]
    return cut


def _chunks(cut_before: NDArray[np.bool_]) -> Iterator[slice]:
    """Rows in runs of about CHUNK, each ending at a full stop."""
    cuts, start, count = np.flatnonzero(cut_before), 0, len(cut_before)
    while start < count:
        place = np.searchsorted(cuts, start + CHUNK)
        stop = int(cuts[place]) if place < len(cuts) else count
        yield slice(start, stop)
        start = stop


def _joins(cut_before: NDArray[np.bool_], kept: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(K,) True where a kept move goes over into the next kept one without a stop."""
    cuts_so_far = np.cumsum(cut_before)[kept]
    return np.concatenate((cuts_so_far[1:] == cuts_so_far[:-1], [False]))


def _stretch_seconds(paths: Paths, rule: CornerRule, joined: NDArray[np.bool_]) -> Floats:
    """(K,) seconds of one stretch that starts and ends at rest."""
    top_v2 = paths.top_mm_s**2
    gain = 2.0 * paths.accel_mm_s2 * paths.length_mm
    rest = rule.rest_v2(paths)
    meet = np.minimum(rule.meet_v2(paths), np.minimum(top_v2[:-1], top_v2[1:]))
    entry_cap = rest.copy()
    entry_cap[1:] = np.where(joined[:-1], meet, rest[1:])
    if rule.cruise_ratio > 0:
        entry, top_v2, leave = cruise_caps(entry_cap, top_v2, gain, joined, rule.cruise_ratio)
    else:
        entry, leave = plan_speeds(entry_cap, rest, gain, joined)
    return ramp_seconds(paths.length_mm, top_v2, paths.accel_mm_s2, entry, leave)


def clock_events(moves: MoveTable, machine: Machine, retract: Retract | None = None) -> Floats:
    """Seconds of each event.

    A dwell counts as stated and a firmware retract as its stroke. Heating and homing are
    unknown to a job: the profile's ``startup_s`` stands for all of them, charged to the first.
    Other waits, probing, pauses and tool changes count nothing (see :func:`is_unknown`).

    Returns
    -------
    (V,) float64, s
    """
    kind = moves.event_kind
    seconds = np.where(kind == DWELL, moves.event_s, 0.0)
    seconds[(kind == FW_RETRACT) | (kind == FW_UNRETRACT)] = _stroke_seconds(machine, retract)
    start_up = np.flatnonzero((kind == HEAT) | (kind == HOME))
    seconds[start_up[:1]] = machine.startup_s
    return seconds


def is_unknown(moves: MoveTable) -> NDArray[np.bool_]:
    """(V,) True where a job cannot tell how long an event takes."""
    return np.isin(moves.event_kind, (HEAT, HOME, PROBE, PAUSE, TOOL))


def _stroke_seconds(machine: Machine, retract: Retract | None) -> float:
    """One firmware retract or its return: the extruder alone, from rest to rest."""
    length_mm = RETRACT_MM if retract is None else retract.stroke_mm
    feed_mm_min = RETRACT_MM_MIN if retract is None else retract.feed_mm_min
    if length_mm <= 0:
        return 0.0
    accel = min(machine.retract_accel_mm_s2 or machine.accel_mm_s2, machine.max_accel_mm_s2.e)
    speed = min(feed_mm_min, machine.max_mm_min.e) / 60.0
    return float(trapezoid_seconds(length_mm, speed, accel))


@dataclass(frozen=True, slots=True)
class Timetable:
    """Seconds from the start of a job to any of its lines.

    Attributes
    ----------
    move_s : (M,) float64, seconds of each move
    event_s : (V,) float64, seconds of each event
    """

    _move_lines: Lines
    _event_lines: NDArray[np.int64]
    _move_sums_s: Floats
    _event_sums_s: Floats
    event_s: Floats

    @property
    def move_s(self) -> Floats:
        return np.diff(self._move_sums_s)

    @property
    def total_s(self) -> float:
        """Seconds of the whole job."""
        return float(self._move_sums_s[-1] + self._event_sums_s[-1])

    def second_at(self, line_index: ArrayLike) -> Floats:
        """When the machine begins with a line (index from 0), s; any shape -> the same shape."""
        moves_done = self._move_lines.searchsorted(line_index)
        events_done = np.searchsorted(self._event_lines, line_index, side="left")
        return np.asarray(self._move_sums_s[moves_done] + self._event_sums_s[events_done])


def make_timetable(
    moves: MoveTable,
    machine: Machine,
    retract: Retract | None = None,
    accel_mm_s2: Floats | None = None,
) -> Timetable:
    """Clock a whole job; see :func:`clock_moves` and :func:`clock_events`."""
    move_sums, event_s = np.zeros(len(moves) + 1), clock_events(moves, machine, retract)
    _clock_into(move_sums[1:], moves, machine, accel_mm_s2)
    return Timetable(
        moves.line_index,
        moves.event_line_index,
        np.cumsum(move_sums, out=move_sums),
        np.cumsum(np.append(0.0, event_s)),
        event_s,
    )
