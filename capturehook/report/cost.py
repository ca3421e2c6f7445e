"""What poses add to a print: clock(output) - clock(input), pose by pose, without writing either.

Only the moves around the stops are clocked: far from a block the machine runs as it did
before. Each window reaches as far as the machine could brake twice over, windows that meet
become one, and each is clocked from rest to rest with and without the blocks in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import FIRMWARES
from capturehook.clock.clocking import Clocking, profile_clocking
from capturehook.clock.paths import is_e_only
from capturehook.clock.seconds import Timetable
from capturehook.model.moves import DWELL, FW_RETRACT, FW_UNRETRACT, WAIT, MoveTable
from capturehook.model.profile import Machine, Profile
from capturehook.model.state import State
from capturehook.place.shutter import settle_ms
from capturehook.read.lead_in import lead_in
from capturehook.read.moves import JobMoves, read_moves
from capturehook.read.source import open_source

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_MOVES = 64
"""A window reaches over at least so many moves on either side of its stop."""


class ReadJob(Protocol):
    """What is needed of a job that has been read."""

    @property
    def read(self) -> JobMoves: ...
    @property
    def profile(self) -> Profile: ...
    @property
    def moves(self) -> MoveTable: ...
    @property
    def filament_per_unit(self) -> float: ...


class SplitLine(Protocol):
    """The part of the job's own line that is printed before a block within it."""

    @property
    def first(self) -> str: ...


class PosedBlock(Protocol):
    """What is needed of a pose: where it goes in, what it says, where it stands still."""

    @property
    def line_no(self) -> int: ...
    @property
    def state(self) -> State: ...
    @property
    def halves(self) -> SplitLine | None: ...
    @property
    def lines(self) -> tuple[str, ...]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What each of P poses takes, s.

    Attributes
    ----------
    added_s : (P,) clock(output) - clock(input); the other columns up to ``slowing_s`` add up to it
    retract_s, hop_s, travel_s, settle_s, hold_s, back_s : (P,) filament, Z, the way out,
        the wait until the scene is still, trigger and dwell, the way back
    slowing_s : (P,) what the job's own moves around the stop lose (or gain) by it
    fire_s : (P,) from the begin of the block until the camera is told to fire
    still_s : (P,) from then until the nozzle leaves the park point
    fire_at_s : (P,) when the camera is told to fire, counted from when the job without
        poses would have been at the pose's line
    """

    added_s: Floats
    retract_s: Floats
    hop_s: Floats
    travel_s: Floats
    settle_s: Floats
    hold_s: Floats
    back_s: Floats
    slowing_s: Floats
    fire_s: Floats
    still_s: Floats
    fire_at_s: Floats


def added_seconds(
    job: ReadJob, poses: Sequence[PosedBlock], clocking: Clocking | None = None
) -> Floats:
    """(P,) seconds that each pose adds to the print, as the clock sees it.

    ``clocking`` gives other limits than the profile's.
    """
    return pose_costs(job, poses, clocking).added_s


def pose_costs(
    job: ReadJob, poses: Sequence[PosedBlock], clocking: Clocking | None = None
) -> Costs:
    """What each pose adds and what for; see :class:`Costs`."""
    if not poses:
        return Costs(**{field.name: np.zeros(0) for field in fields(Costs)})
    clocking = clocking or profile_clocking(job.profile)
    blocks = _read_blocks(job, poses)
    windows = _Windows.around(job.moves, blocks.stop_line, clocking.machine)
    clocked = _clock_both(job.moves, clocking, windows, blocks)
    return _split(job.profile, blocks, clocked, windows.next_line(job.moves))


# --- the blocks as moves


@dataclass(frozen=True, slots=True)
class _Blocks:
    """All blocks as one table of moves.

    Attributes
    ----------
    stop_line : (P,) line of the job before which each block goes
    first_line, size : (P,) which lines of the table's text are each block's
    lead : (P,) 1 where the first of these is the first part of a split line of the job
    park : (P, 2) rows: the first move after arriving at the park point, the first move away
    """

    table: MoveTable
    stop_line: Ints
    first_line: Ints
    size: Ints
    lead: Ints
    park: Ints

    @property
    def shift(self) -> Ints:
        """(P,) how many lines the blocks before each one put into the job."""
        return np.cumsum(self.size) - self.size

    def rows(self) -> Ints:
        """(B,) index of the pose for every row that belongs to a block, -1 for lead-ins."""
        return self._which(self.table.line_index)

    def events(self) -> Ints:
        """(V,) likewise for the events."""
        return self._which(self.table.event_line_index)

    def _which(self, line: Ints) -> Ints:
        pose = np.searchsorted(self.first_line, line, side="right") - 1
        inside = (pose >= 0) & (line < (self.first_line + self.size)[np.maximum(pose, 0)])
        return np.where(inside, pose, -1)


def _read_blocks(job: ReadJob, poses: Sequence[PosedBlock]) -> _Blocks:
    firmware, e_letter = FIRMWARES[job.profile.machine.firmware], job.read.e_letter
    text: list[str] = []
    first_line, size = [], []
    for pose in poses:
        state, lines = pose.state, pose.lines
        if pose.halves is not None:
            state, lines = job.read.state_at(pose.line_no - 1), (pose.halves.first, *lines)
        text += lead_in(firmware, e_letter, state)
        first_line.append(len(text))
        size.append(len(lines))
        text += lines
    table = read_moves(
        open_source("\n".join([*text, ""]).encode(), "the blocks"),
        firmware,
        extruder_axis=e_letter,
        filament_per_unit=job.filament_per_unit,
    ).table
    starts, sizes = np.array(first_line), np.array(size)
    lead = np.array([int(pose.halves is not None) for pose in poses])
    return _Blocks(
        table=table,
        stop_line=np.array([pose.line_no - 1 for pose in poses]),
        first_line=starts,
        size=sizes,
        lead=lead,
        park=_park_rows(job.profile, table, starts + lead, sizes - lead),
    )


def _park_rows(profile: Profile, table: MoveTable, first_line: Ints, size: Ints) -> Ints:
    """Where in each block the way out is over and where the way back begins (rows).

    The way out ends with the first move to the park point, the way back begins with the last
    move from there; what a trigger moves lies between.
    """
    x_mm, y_mm = profile.park.x_mm, profile.park.y_mm
    comes = (np.abs(table.x_mm - x_mm) < 1e-4) & (np.abs(table.y_mm - y_mm) < 1e-4)
    leaves = (np.abs(table.x0_mm - x_mm) < 1e-4) & (np.abs(table.y0_mm - y_mm) < 1e-4)
    has_xy = ~is_e_only(table) & ((table.x_mm != table.x0_mm) | (table.y_mm != table.y0_mm))
    begin = np.searchsorted(table.line_index, first_line)
    stop = np.searchsorted(table.line_index, first_line + size)
    arrive, depart = np.flatnonzero(comes & has_xy), np.flatnonzero(leaves & has_xy)
    after = np.searchsorted(arrive, begin)
    came = np.append(arrive, len(table))[after]
    before = np.searchsorted(depart, stop) - 1
    left = np.append(depart, -1)[before]
    nowhere = (came >= stop) | (left < begin)
    came, left = np.where(nowhere, begin, came + 1), np.where(nowhere, stop, left)
    return np.column_stack((came, left))


# --- the windows


@dataclass(frozen=True, slots=True)
class _Windows:
    """Rows to clock, and where the stops stand among them."""

    kept: Ints
    starts: NDArray[np.bool_]
    """(K,) True for the first row of each window."""
    stop_row: Ints
    """(P,) row of the whole table before which each block goes."""

    @classmethod
    def around(cls, moves: MoveTable, stop_line: Ints, machine: Machine) -> _Windows:
        row = np.searchsorted(moves.line_index, stop_line)
        low, high = _reach(moves, row, machine)
        depth = np.zeros(len(moves) + 1, np.int64)
        np.add.at(depth, low, 1)
        np.add.at(depth, high, -1)
        kept = np.flatnonzero(np.cumsum(depth[:-1]) > 0)
        starts = np.ones(len(kept), bool)
        starts[1:] = np.diff(kept) > 1
        return cls(kept, starts, row)

    def next_line(self, moves: MoveTable) -> Ints:
        """(P,) line half-way (in moves) to the stop that follows: what lies before it is a
        pose's own doing."""
        row = np.append(self.stop_row, len(moves))
        middle = np.minimum((row[:-1] + row[1:]) // 2, len(moves) - 1)
        return np.asarray(moves.line_index[middle], dtype=np.int64)


def _reach(moves: MoveTable, row: Ints, machine: Machine) -> tuple[Ints, Ints]:
    """(P,) first row and row after the last of each window."""
    top_mm_s = min(float(moves.feed_mm_min.max(initial=0.0)), machine.max_mm_min.x) / 60
    accel = min(
        machine.accel_mm_s2,
        machine.travel_accel_mm_s2 or machine.accel_mm_s2,
        machine.max_accel_mm_s2.x,
        machine.max_accel_mm_s2.y,
    )
    reach_mm = top_mm_s**2 / accel  # twice the way from full speed to rest
    done_mm = np.cumsum(np.hypot(moves.x_mm - moves.x0_mm, moves.y_mm - moves.y0_mm))
    here_mm = np.concatenate(([0.0], done_mm))[row]
    low = np.searchsorted(done_mm, here_mm - reach_mm)
    high = np.searchsorted(done_mm, here_mm + reach_mm) + 1
    low = np.maximum(np.minimum(low, row - LEAST_MOVES), 0)
    high = np.minimum(np.maximum(high, row + LEAST_MOVES), len(moves))
    return low, high


# --- clocking


@dataclass(frozen=True, slots=True)
class _Clocked:
    """The windows' times without and with the blocks."""

    without: Timetable
    with_blocks: Timetable


def _clock_both(
    moves: MoveTable, clocking: Clocking, windows: _Windows, blocks: _Blocks
) -> _Clocked:
    bare = _cut_out(moves, windows)
    accel = clocking.accel(bare)
    full, full_accel = _with_blocks(bare, blocks, clocking, accel)
    return _Clocked(clocking.times(bare, accel), clocking.times(full, full_accel))


def _columns(table: MoveTable, event: bool) -> dict[str, NDArray[Any]]:
    names = [field.name for field in fields(MoveTable) if field.name.startswith("event_") == event]
    return {name: getattr(table, name) for name in names}


def _cut_out(moves: MoveTable, windows: _Windows) -> MoveTable:
    """The windows as one table, each set apart by a full stop."""
    rows = {name: column[windows.kept] for name, column in _columns(moves, False).items()}
    stops = rows["line_index"][windows.starts]
    event = {
        "event_line_index": np.concatenate((moves.event_line_index, stops)),
        "event_kind": np.concatenate((moves.event_kind, np.full(len(stops), WAIT, np.uint8))),
        "event_s": np.concatenate((moves.event_s, np.zeros(len(stops)))),
    }
    order = np.argsort(event["event_line_index"], kind="stable")
    return MoveTable(**rows, **{name: column[order] for name, column in event.items()})


def _with_blocks(
    bare: MoveTable, blocks: _Blocks, clocking: Clocking, accel: Floats | None
) -> tuple[MoveTable, Floats | None]:
    """The windows with the blocks put in, and the acceleration in force there.

    Lines are numbered as in the output, its fences left out.
    """
    pose, event_pose = blocks.rows(), blocks.events()
    mine, my_events = pose >= 0, event_pose >= 0
    pose, event_pose = pose[mine], event_pose[my_events]
    moved = blocks.stop_line + blocks.shift - blocks.first_line
    put_in = np.concatenate(([0], np.cumsum(blocks.size)))

    def renumber(line: Ints) -> Ints:
        return line + put_in[np.searchsorted(blocks.stop_line, line, side="right")]

    at = np.searchsorted(bare.line_index, blocks.stop_line)
    own = _second_halves(bare, blocks, at)
    rows, event = {}, {}
    for name, column in _columns(own, False).items():
        added = getattr(blocks.table, name)[mine]
        if name == "line_index":
            column, added = renumber(column), (added + moved[pose])
        rows[name] = np.insert(column, at[pose], added)
    for name, column in _columns(own, True).items():
        added = getattr(blocks.table, name)[my_events]
        if name == "event_line_index":
            column, added = renumber(column), (added + moved[event_pose])
        event[name] = np.concatenate((column, added))
    order = np.argsort(event["event_line_index"], kind="stable")
    table = MoveTable(**rows, **{name: column[order] for name, column in event.items()})
    if accel is None:
        return table, None
    every_pose = blocks.stop_line[np.maximum(blocks.rows(), 0)]
    block_accel = clocking.accel(replace(blocks.table, line_index=every_pose))
    assert block_accel is not None
    return table, np.insert(accel, at[pose], block_accel[mine])


def _second_halves(bare: MoveTable, blocks: _Blocks, at: Ints) -> MoveTable:
    """The moves with those that a block splits shortened to what is left after it."""
    split = np.flatnonzero(blocks.lead)
    if not len(split):
        return bare
    cut = at[split]
    first = np.searchsorted(blocks.table.line_index, blocks.first_line[split])
    changed = {}
    for start, end in (("x0_mm", "x_mm"), ("y0_mm", "y_mm"), ("z0_mm", "z_mm")):
        changed[start] = getattr(bare, start).copy()
        changed[start][cut] = getattr(blocks.table, end)[first]
    for name in ("e_step_mm", "turn_rad"):
        changed[name] = getattr(bare, name).copy()
        changed[name][cut] -= getattr(blocks.table, name)[first]
    return replace(bare, **changed)


# --- what the time goes into


def _split(profile: Profile, blocks: _Blocks, clocked: _Clocked, next_line: Ints) -> Costs:
    before, after = clocked.without, clocked.with_blocks
    gained = after.second_at(next_line + blocks.shift + blocks.size) - before.second_at(next_line)
    gained[-1] = after.total_s - before.total_s
    added = np.diff(gained, prepend=0.0)
    part, fire_line = _parts(profile, blocks, after)
    in_job = blocks.stop_line + blocks.shift
    fire = after.second_at(fire_line)
    lines = blocks.table.line_index
    leave_line = lines[np.minimum(blocks.park[:, 1], len(lines) - 1)]
    leave = after.second_at(in_job + np.minimum(leave_line - blocks.first_line, blocks.size))
    own = sum(part.values(), start=np.zeros(len(in_job)))
    return Costs(
        added_s=added,
        slowing_s=added - own,
        fire_s=fire - after.second_at(in_job + blocks.lead),
        still_s=leave - fire,
        fire_at_s=fire - before.second_at(blocks.stop_line),
        **part,
    )


def _parts(profile: Profile, blocks: _Blocks, after: Timetable) -> tuple[dict[str, Floats], Ints]:
    """Seconds of the block's own moves and events by what they are for, and the line (of the
    output without fences) at which the camera is told to fire."""
    table, poses = blocks.table, len(blocks.size)
    moved = blocks.stop_line + blocks.shift - blocks.first_line
    pose, event_pose = blocks.rows(), blocks.events()
    rows = np.flatnonzero(pose >= 0)
    rows = rows[table.line_index[rows] >= (blocks.first_line + blocks.lead)[pose[rows]]]
    events = np.flatnonzero(event_pose >= 0)
    pose, event_pose = pose[rows], event_pose[events]
    line = table.line_index[rows] + moved[pose]
    move_s = after.second_at(line + 1) - after.second_at(line)
    event_line = table.event_line_index[events] + moved[event_pose]
    event_s = after.second_at(event_line + 1) - after.second_at(event_line)

    def total(which: NDArray[np.bool_]) -> Floats:
        return np.asarray(np.bincount(pose[which], move_s[which], poses), dtype=np.float64)

    def total_events(which: NDArray[np.bool_]) -> Floats:
        which_s = np.bincount(event_pose[which], event_s[which], poses)
        return np.asarray(which_s, dtype=np.float64)

    filament = is_e_only(table)[rows]
    still = ~filament & (rows >= blocks.park[pose, 0]) & (rows < blocks.park[pose, 1])
    going = ~filament & (rows < blocks.park[pose, 0])
    coming = ~filament & ~still & ~going
    in_xy = ((table.x_mm != table.x0_mm) | (table.y_mm != table.y0_mm))[rows]
    kind = table.event_kind[events]
    strokes = (kind == FW_RETRACT) | (kind == FW_UNRETRACT)
    settles = (kind == DWELL) & _first_of_each(event_pose, kind == DWELL) & (settle_ms(profile) > 0)
    parts = {
        "retract_s": total(filament) + total_events(strokes),
        "hop_s": total((going | coming) & ~in_xy),
        "travel_s": total(going & in_xy),
        "settle_s": total_events(settles),
        "hold_s": total(still) + total_events(~strokes & ~settles),
        "back_s": total(coming & in_xy),
    }
    return parts, _fire_lines(event_pose, event_line, kind, settles, still, pose, line, poses)


def _first_of_each(pose: Ints, which: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """True for the first event of each pose among those that ``which`` names."""
    first = np.zeros(len(pose), bool)
    chosen = np.flatnonzero(which)
    first[chosen[np.unique(pose[chosen], return_index=True)[1]]] = True
    return first


def _fire_lines(
    event_pose: Ints,
    event_line: Ints,
    kind: NDArray[np.uint8],
    settles: NDArray[np.bool_],
    presses: NDArray[np.bool_],
    move_pose: Ints,
    move_line: Ints,
    poses: int,
) -> Ints:
    """(P,) the line with which the camera is told to fire: the first after settling; where
    the trigger moves (a button), the first dwell after its first moves."""
    fire = np.full(poses, -1, np.int64)
    waits = kind == WAIT
    for marks in (waits, settles):
        fire[event_pose[marks][::-1]] = event_line[marks][::-1] + 1
    first_press = np.full(poses, np.iinfo(np.int64).max)
    np.minimum.at(first_press, move_pose[presses], move_line[presses])
    held = (kind == DWELL) & ~settles & (event_line > first_press[event_pose])
    fire[event_pose[held][::-1]] = event_line[held][::-1]
    return fire
