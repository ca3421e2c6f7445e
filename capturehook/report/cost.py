"""What poses add to a print: clock(output) - clock(input), pose by pose, without writing either.

Only the moves around the stops are clocked: far from a block the machine runs as it did
before. Each window reaches as far as the machine could brake twice over, windows that meet
become one, and each is clocked from rest to rest with and without the blocks in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from operator import is_ as is_same
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.clock.clocking import Clocking, profile_clocking, spares_filament, timed_moves
from capturehook.clock.seconds import Timetable
from capturehook.model.block import Role
from capturehook.model.moves import DWELL, FW_RETRACT, FW_UNRETRACT, LINE, WAIT, MoveTable
from capturehook.model.pose import Pose
from capturehook.model.profile import Machine
from capturehook.model.stop import Ending, Split
from capturehook.read.job import Job

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_MOVES = 64
"""A window reaches over at least so many moves on either side of its stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What each of P poses takes, s.

    Attributes
    ----------
    added_s : (P,) clock(output) - clock(input); the other columns up to ``slowing_s`` add up to it
    retract_s, hop_s, travel_s, settle_s, hold_s, back_s : (P,) filament, Z, travel out,
        the wait until the scene is still, trigger and dwell, travel back
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


def added_seconds(job: Job, poses: Sequence[Pose], clocking: Clocking | None = None) -> Floats:
    """(P,) seconds that each pose adds to the print, as the clock sees it.

    ``clocking`` gives other limits than the profile's.
    """
    return pose_costs(job, poses, clocking).added_s


def pose_costs(job: Job, poses: Sequence[Pose], clocking: Clocking | None = None) -> Costs:
    """What each pose adds and what for; see :class:`Costs`.

    By the profile's limits the same poses are priced once: the plan, the dry run and the
    summary line all ask.
    """
    if not poses:
        return Costs(**{field.name: np.zeros(0) for field in fields(Costs)})
    if clocking is not None:
        return _price(job, poses, clocking)
    priced, costs = job.known.get("costs", ((), None))
    if len(priced) != len(poses) or not all(map(is_same, priced, poses)):
        priced, costs = tuple(poses), _price(job, poses, profile_clocking(job.profile))
        job.known["costs"] = priced, costs
    assert isinstance(costs, Costs)
    return costs


def _price(job: Job, poses: Sequence[Pose], clocking: Clocking) -> Costs:
    moves, blocks = timed_moves(job), _blocks_of(job, poses)
    windows = _Windows.around(moves, blocks.stop_line, clocking.machine)
    clocked = _clock_both(moves, clocking, windows, blocks)
    return _split_up(blocks, clocked, windows.next_line(moves))


# --- the blocks as moves

ROLES = {role: number for number, role in enumerate(Role)}
EVENTS = {Role.WAIT: WAIT, Role.RETRACT: FW_RETRACT, Role.UNRETRACT: FW_UNRETRACT}
"""What a line without a move or a dwell is to the clock."""


AFTERWARDS = (Role.TRAVEL_BACK, Role.LOWER, Role.UNRETRACT, Role.PRIME, Role.MODE, Role.FEED)
"""Roles of lines after the frame; the first of them ends the stillness."""


def _numbers(*roles: Role) -> list[int]:
    return [ROLES[role] for role in roles]


@dataclass(frozen=True, slots=True)
class _Blocks:
    """All blocks as one table of moves.

    Attributes
    ----------
    stop_line : (P,) line of the job before which each block goes
    first_line, size : (P,) which lines of the table are each block's
    lead : (P,) 1 where the first of these is the first part of a split line of the job
    fire_line, leave_line : (P,) lines at which the camera is told to fire and the head leaves
    role, event_role : (M,), (V,) what each move and event is for (see ROLES)
    """

    table: MoveTable
    stop_line: Ints
    first_line: Ints
    size: Ints
    lead: Ints
    fire_line: Ints
    leave_line: Ints
    role: Ints
    event_role: Ints
    ending: Ending | None
    """Where the last block leaves the head, where that is not where it began."""

    @property
    def shift(self) -> Ints:
        """(P,) how many lines the blocks before each one put into the job."""
        return np.cumsum(self.size) - self.size

    def pose_of(self, line: Ints) -> Ints:
        """Index of the pose to which lines of the table belong."""
        return np.asarray(np.searchsorted(self.first_line, line, side="right") - 1)


class _Rows:
    """Collects the moves and events of all blocks, line by line."""

    def __init__(self, spares_filament: bool) -> None:
        self.line, self.spares_filament = 0, spares_filament
        self.moves: list[tuple[float, ...]] = []
        self.events: list[tuple[float, ...]] = []
        self.places: list[tuple[int, int, int, int, int]] = []

    def split_move(self, moves: MoveTable, split: Split) -> None:
        """The part of the job's own move that is printed before the block."""
        row = split.move
        start = (float(moves.x0_mm[row]), float(moves.y0_mm[row]), float(moves.z0_mm[row]))
        end = (split.x_mm, split.y_mm, split.z_mm)
        arc = (moves.cx_mm[row], moves.cy_mm[row], split.share * moves.turn_rad[row])
        rest = (split.e_step_mm, moves.feed_mm_min[row], *arc, -1, moves.kind[row])
        self.moves.append((self.line, *start, *end, *(float(one) for one in rest)))
        self.line += 1

    def block(self, pose: Pose) -> None:
        lead = int(pose.halves is not None)
        first, fire, leave = self.line - lead, -1, -1
        place = (pose.state.x_mm, pose.state.y_mm, pose.state.z_mm)
        for line in pose.block.lines:
            if line.role in (Role.FIRE, Role.HOLD) and fire < 0:
                fire = self.line
            if leave < 0 and line.role in (AFTERWARDS if fire >= 0 else (Role.TRAVEL_BACK,)):
                leave = self.line
            if line.feed_mm_min > 0:
                end = tuple(
                    now if to is None else to
                    for now, to in zip(place, (line.x_mm, line.y_mm, line.z_mm), strict=True)
                )
                straight = (np.nan, np.nan, 0.0, ROLES[line.role], LINE)
                spared = self.spares_filament and end == place
                feed = line.feed_mm_min * (1.0 if spared else pose.state.modes.speed)
                self.moves.append((self.line, *place, *end, line.e_step_mm, feed, *straight))
                place = (end[0], end[1], end[2])
            elif line.dwell_s > 0:
                self.events.append((self.line, DWELL, line.dwell_s, ROLES[line.role]))
            elif line.role in EVENTS:
                self.events.append((self.line, EVENTS[line.role], 0.0, ROLES[line.role]))
            self.line += 1
        leave = self.line if leave < 0 else leave
        fire = leave if fire < 0 else fire
        self.places.append((first, self.line - first, lead, fire, leave))

    def table(self) -> tuple[MoveTable, Ints, Ints]:
        """All rows as one table, and the roles of its moves and events."""
        rows = np.array(self.moves, dtype=np.float64).reshape(-1, 14).T
        events = np.array(self.events, dtype=np.float64).reshape(-1, 4).T
        names = "x0_mm y0_mm z0_mm x_mm y_mm z_mm e_step_mm feed_mm_min cx_mm cy_mm turn_rad"
        table = MoveTable(
            line_index=rows[0].astype(np.int64),
            kind=rows[13].astype(np.uint8),
            **dict(zip(names.split(), rows[1:12], strict=True)),
            event_line_index=events[0].astype(np.int64),
            event_kind=events[1].astype(np.uint8),
            event_s=events[2],
        )
        return table, rows[12].astype(np.int64), events[3].astype(np.int64)


def _blocks_of(job: Job, poses: Sequence[Pose]) -> _Blocks:
    rows, moves = _Rows(spares_filament(job)), timed_moves(job)
    for pose in poses:
        if pose.split is not None:
            rows.split_move(moves, pose.split)
        rows.block(pose)
    table, role, event_role = rows.table()
    first, size, lead, fire, leave = np.array(rows.places, dtype=np.int64).T
    return _Blocks(
        table=table,
        stop_line=np.array([pose.line_no - 1 for pose in poses], dtype=np.int64),
        first_line=first,
        size=size,
        lead=lead,
        fire_line=fire,
        leave_line=leave,
        role=role,
        event_role=event_role,
        ending=poses[-1].ending,
    )


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
    reach_mm = top_mm_s**2 / accel  # twice the braking path from full speed to rest
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
    pose = blocks.pose_of(blocks.table.line_index)
    event_pose = blocks.pose_of(blocks.table.event_line_index)
    moved = blocks.stop_line + blocks.shift - blocks.first_line
    put_in = np.concatenate(([0], np.cumsum(blocks.size)))

    def renumber(line: Ints) -> Ints:
        return line + put_in[np.searchsorted(blocks.stop_line, line, side="right")]

    at = np.searchsorted(bare.line_index, blocks.stop_line)
    own = _after_ending(_second_halves(bare, blocks, at), blocks)
    rows, event = {}, {}
    for name, column in _columns(own, False).items():
        added = getattr(blocks.table, name)
        if name == "line_index":
            column, added = renumber(column), (added + moved[pose])
        rows[name] = np.insert(column, at[pose], added)
    for name, column in _columns(own, True).items():
        added = getattr(blocks.table, name)
        if name == "event_line_index":
            column, added = renumber(column), (added + moved[event_pose])
        event[name] = np.concatenate((column, added))
    order = np.argsort(event["event_line_index"], kind="stable")
    table = MoveTable(**rows, **{name: column[order] for name, column in event.items()})
    if accel is None:
        return table, None
    block_accel = clocking.accel(replace(blocks.table, line_index=blocks.stop_line[pose]))
    assert block_accel is not None
    return table, np.insert(accel, at[pose], block_accel)


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


def _after_ending(own: MoveTable, blocks: _Blocks) -> MoveTable:
    """The moves with those of the end code as they are from where the last block left the head."""
    ending = blocks.ending
    if ending is None:
        return own
    changed, after = {}, own.line_index >= blocks.stop_line[-1]
    for axis, offset, stated in zip("xyz", ending.offset_mm, ending.stated_line, strict=True):
        start, end = f"{axis}0_mm", f"{axis}_mm"
        changed[start] = getattr(own, start) + offset * (after & (own.line_index <= stated))
        changed[end] = getattr(own, end) + offset * (after & (own.line_index < stated))
    return replace(own, **changed)


# --- what the time goes into


def _split_up(blocks: _Blocks, clocked: _Clocked, next_line: Ints) -> Costs:
    before, after = clocked.without, clocked.with_blocks
    gained = after.second_at(next_line + blocks.shift + blocks.size) - before.second_at(next_line)
    gained[-1] = after.total_s - before.total_s
    added = np.diff(gained, prepend=0.0)
    part = _parts(blocks, after)
    moved = blocks.stop_line + blocks.shift - blocks.first_line
    fire = after.second_at(blocks.fire_line + moved)
    leave = after.second_at(blocks.leave_line + moved)
    begin = after.second_at(blocks.stop_line + blocks.shift + blocks.lead)
    own = sum(part.values(), start=np.zeros(len(fire)))
    return Costs(
        added_s=added,
        slowing_s=added - own,
        fire_s=fire - begin,
        still_s=leave - fire,
        fire_at_s=fire - before.second_at(blocks.stop_line),
        **part,
    )


def _parts(blocks: _Blocks, after: Timetable) -> dict[str, Floats]:
    """Seconds of the block's own moves and events by what they are for."""
    poses = len(blocks.size)
    moved = blocks.stop_line + blocks.shift - blocks.first_line
    timed = []
    for line, role in (
        (blocks.table.line_index, blocks.role),
        (blocks.table.event_line_index, blocks.event_role),
    ):
        pose = blocks.pose_of(line)
        at = line + moved[pose]
        timed.append((pose, role, after.second_at(at + 1) - after.second_at(at)))

    def total(*roles: Role) -> Floats:
        seconds = np.zeros(poses)
        for pose, role, takes_s in timed:
            which = np.isin(role, _numbers(*roles))
            seconds += np.bincount(pose[which], takes_s[which], poses)
        return seconds

    return {
        "retract_s": total(Role.RETRACT, Role.UNRETRACT, Role.PRIME),
        "hop_s": total(Role.HOP, Role.LOWER),
        "travel_s": total(Role.TRAVEL_OUT, Role.WIPE),
        "settle_s": total(Role.SETTLE),
        "hold_s": total(Role.WAIT, Role.PRESS, Role.FIRE, Role.HOLD, Role.RELEASE),
        "back_s": total(Role.TRAVEL_BACK),
    }
