"""What poses add to a print: clock(output) - clock(input), pose by pose, without writing either.

Only the moves around the stops are clocked: far from a block the machine runs as it did
before. Each window reaches as far as the machine could brake twice over, windows that meet
become one, and each is clocked from rest to rest with and without the blocks in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from operator import is_ as is_same
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.clock.clocking import Clocking, profile_clocking, spares_filament, timed_moves
from capturehook.clock.seconds import Timetable
from capturehook.model.block import Role
from capturehook.model.columns import rising
from capturehook.model.moves import WAIT, MoveTable
from capturehook.model.pose import Pose
from capturehook.model.profile import Machine
from capturehook.read.job import Job
from capturehook.report.block_moves import ROLES, Blocks, blocks_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_MOVES = 64
"""A window reaches over at least so many moves on either side of its stop."""
BATCH_MOVES = 1 << 15
"""Moves worked on at once, and in the windows of one batch of poses at the least."""


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
    """The poses batch by batch, so that memory does not grow with their number."""
    moves, spares = timed_moves(job), spares_filament(job)
    stop_line = np.array([pose.line_no - 1 for pose in poses], dtype=np.int64)
    row = moves.line_index.searchsorted(stop_line)
    low, high = _reach(moves, row, clocking.machine)
    following = np.append(row[1:], len(moves))
    middle = np.minimum((row + following) // 2, len(moves) - 1)
    next_line = moves.line_index[middle]  # what lies before it is a pose's own doing
    batches = []
    alone = clocking.job is None  # else each batch would look through the job for its limits
    for part in _batches(low, high) if alone else [slice(0, len(low))]:
        blocks = blocks_of(moves, poses[part], spares_filament=spares)
        windows = _Windows.of(low[part], high[part])
        batches.append(
            _split_up(blocks, _clock_both(moves, clocking, windows, blocks), next_line[part])
        )
    so_far = np.cumsum([0.0, *(float(batch.added_s.sum()) for batch in batches)])[:-1]
    joined = {
        field.name: np.concatenate([getattr(batch, field.name) for batch in batches])
        for field in fields(Costs)
    }
    joined["fire_at_s"] += np.repeat(so_far, [len(batch.added_s) for batch in batches])
    return Costs(**joined)


def _batches(low: Ints, high: Ints) -> Iterator[slice]:
    """Poses in runs whose windows have some thousand moves, each ending where windows part."""
    parts = np.flatnonzero(low[1:] > high[:-1]) + 1
    rows = np.cumsum(high - np.maximum(low, np.append(0, high[:-1])))  # each counted once
    first = done = 0
    for stop, count in zip(parts.tolist(), rows[parts - 1].tolist(), strict=True):
        if count - done >= BATCH_MOVES:
            yield slice(first, stop)
            first, done = stop, count
    yield slice(first, len(low))


# --- the windows


@dataclass(frozen=True, slots=True)
class _Windows:
    """Rows to clock, (K,), and which of them are the first of a window."""

    kept: Ints
    starts: NDArray[np.bool_]

    @classmethod
    def of(cls, low: Ints, high: Ints) -> _Windows:
        """From the first row and the row after the last around each stop, both rising."""
        opens = np.append(True, low[1:] > high[:-1])
        first = low[opens]
        size = high[np.append(opens[1:], True)] - first
        before = np.cumsum(size) - size
        kept = np.arange(size.sum()) + np.repeat(first - before, size)
        starts = np.zeros(len(kept), np.bool_)
        starts[before] = True
        return cls(kept, starts)


def _reach(moves: MoveTable, row: Ints, machine: Machine) -> tuple[Ints, Ints]:
    """(P,) first row and row after the last of each window; both rise."""
    top_mm_s = min(float(moves.feed_mm_min.max(initial=0.0)), machine.max_mm_min.x) / 60
    accel = min(
        machine.accel_mm_s2,
        machine.travel_accel_mm_s2 or machine.accel_mm_s2,
        machine.max_accel_mm_s2.x,
        machine.max_accel_mm_s2.y,
    )
    reach_mm = top_mm_s**2 / accel  # twice the braking path from full speed to rest
    back = _rows_within(moves, row, reach_mm, -1)
    ahead = _rows_within(moves, row, reach_mm, 1)
    return np.maximum.accumulate(np.maximum(row - back, 0)), np.maximum.accumulate(
        np.minimum(row + ahead, len(moves))
    )


def _rows_within(moves: MoveTable, row: Ints, reach_mm: float, towards: int) -> Ints:
    """(P,) how many moves before (-1) or behind (1) some rows make up a length, at least
    LEAST_MOVES; past an end of the job a length is endless."""
    found, left, size = np.zeros(len(row), np.int64), np.arange(len(row)), LEAST_MOVES
    while len(left):
        steps = np.arange(size) if towards > 0 else -1 - np.arange(size)
        for part in np.array_split(left, max(1, len(left) * size // BATCH_MOVES)):
            at = row[part, np.newaxis] + steps
            is_outside = (at < 0) | (at >= len(moves))
            at[is_outside] = 0
            length = np.hypot(moves.x_mm[at] - moves.x0_mm[at], moves.y_mm[at] - moves.y0_mm[at])
            length[is_outside] = np.inf
            is_far = np.cumsum(length, axis=1) >= reach_mm
            found[part] = np.where(is_far[:, -1], is_far.argmax(axis=1) + 1, 0)
        left, size = left[found[left] == 0], 4 * size
    return np.maximum(found, LEAST_MOVES)


# --- clocking


@dataclass(frozen=True, slots=True)
class _Clocked:
    """The windows' times without and with the blocks."""

    without: Timetable
    with_blocks: Timetable


def _clock_both(
    moves: MoveTable, clocking: Clocking, windows: _Windows, blocks: Blocks
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
    rows = {name: rising(one, windows.kept) for name, one in _columns(moves, False).items()}
    stops = rows["line_index"][windows.starts]
    event = {
        "event_line_index": np.concatenate((moves.event_line_index, stops)),
        "event_kind": np.concatenate((moves.event_kind, np.full(len(stops), WAIT, np.uint8))),
        "event_s": np.concatenate((moves.event_s, np.zeros(len(stops)))),
    }
    order = np.argsort(event["event_line_index"], kind="stable")
    return MoveTable(**rows, **{name: column[order] for name, column in event.items()})


def _with_blocks(
    bare: MoveTable, blocks: Blocks, clocking: Clocking, accel: Floats | None
) -> tuple[MoveTable, Floats | None]:
    """The windows with the blocks put in, and the acceleration in force there.

    Lines are numbered as in the output, its fences left out.
    """
    pose = blocks.pose_of(blocks.table.line_index[:])
    event_pose = blocks.pose_of(blocks.table.event_line_index)
    moved = blocks.stop_line + blocks.shift - blocks.first_line
    put_in = np.concatenate(([0], np.cumsum(blocks.size)))

    def renumber(line: Ints) -> Ints:
        return line + put_in[np.searchsorted(blocks.stop_line, line, side="right")]

    at = bare.line_index.searchsorted(blocks.stop_line)
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


def _second_halves(bare: MoveTable, blocks: Blocks, at: Ints) -> MoveTable:
    """The moves with those that a block splits shortened to what is left after it."""
    split = np.flatnonzero(blocks.lead)
    if not len(split):
        return bare
    cut = at[split]
    first = blocks.table.line_index.searchsorted(blocks.first_line[split])
    changed = {}
    for start, end in (("x0_mm", "x_mm"), ("y0_mm", "y_mm"), ("z0_mm", "z_mm")):
        changed[start] = getattr(bare, start).copy()
        changed[start][cut] = getattr(blocks.table, end)[first]
    for name in ("e_step_mm", "turn_rad"):
        changed[name] = getattr(bare, name).copy()
        changed[name][cut] -= getattr(blocks.table, name)[first]
    return replace(bare, **changed)


def _after_ending(own: MoveTable, blocks: Blocks) -> MoveTable:
    """The moves with those of the end code as they are from where the last block left the head."""
    ending = blocks.ending
    if ending is None:
        return own
    changed, lines = {}, own.line_index[:]
    after = lines >= blocks.stop_line[-1]
    for axis, offset, stated in zip("xyz", ending.offset_mm, ending.stated_line, strict=True):
        start, end = f"{axis}0_mm", f"{axis}_mm"
        changed[start] = getattr(own, start) + offset * (after & (lines <= stated))
        changed[end] = getattr(own, end) + offset * (after & (lines < stated))
    return replace(own, **changed)


# --- what the time goes into


def _split_up(blocks: Blocks, clocked: _Clocked, next_line: Ints) -> Costs:
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


def _parts(blocks: Blocks, after: Timetable) -> dict[str, Floats]:
    """Seconds of the block's own moves and events by what they are for."""
    poses = len(blocks.size)
    moved = blocks.stop_line + blocks.shift - blocks.first_line
    timed = []
    for line, role in (
        (blocks.table.line_index[:], blocks.role),
        (blocks.table.event_line_index, blocks.event_role),
    ):
        pose = blocks.pose_of(line)
        at = line + moved[pose]
        timed.append((pose, role, after.second_at(at + 1) - after.second_at(at)))

    def total(*roles: Role) -> Floats:
        seconds = np.zeros(poses)
        for pose, role, takes_s in timed:
            which = np.isin(role, [ROLES[one] for one in roles])
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
