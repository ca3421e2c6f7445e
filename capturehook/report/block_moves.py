"""Blocks as moves: what the clock reads of the poses' records, without their text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.model.block import Form, Role, X, Y, Z
from capturehook.model.moves import DWELL, FW_RETRACT, FW_UNRETRACT, LINE, WAIT, MoveTable
from capturehook.model.pose import Pose
from capturehook.model.stop import Ending, Split

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ROLES = {role: number for number, role in enumerate(Role)}
EVENTS = {Role.WAIT: WAIT, Role.RETRACT: FW_RETRACT, Role.UNRETRACT: FW_UNRETRACT}
"""What a line without a move or a dwell is to the clock."""


AFTERWARDS = (Role.TRAVEL_BACK, Role.LOWER, Role.UNRETRACT, Role.PRIME, Role.MODE, Role.FEED)
"""Roles of lines after the frame; the first of them ends the stillness."""


@dataclass(frozen=True, slots=True)
class Blocks:
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


def blocks_of(moves: MoveTable, poses: Sequence[Pose], *, spares_filament: bool) -> Blocks:
    """The blocks of some poses of a job, in its order, as one table.

    ``spares_filament``: M220 leaves moves of filament alone as they are.
    """
    lead = np.array([pose.split is not None for pose in poses], np.int64)
    size = lead + np.array([len(pose.block.form.lines) for pose in poses])
    begin: Ints = np.cumsum(size) - size + lead
    fire, leave = begin.copy(), begin.copy()
    alike: dict[tuple[Form, float], list[int]] = {}
    for at, pose in enumerate(poses):
        alike.setdefault((pose.block.form, pose.state.modes.speed), []).append(at)
    rows, events = [np.empty((14, 0))], [np.empty((4, 0))]
    for (form, speed), some in alike.items():
        numbers = np.array([poses[at].block.numbers for at in some]).T
        rows += _moves_of(form, numbers, begin[some], speed, spares_filament)
        events += _events_of(form, begin[some])
        fires, leaves = _stands(form)
        fire[some] += fires
        leave[some] += leaves
    for at in np.flatnonzero(lead).tolist():
        split = poses[at].split
        assert split is not None
        rows.append(_before_split(moves, split, int(begin[at]) - 1))
    row, event = _in_order(rows), _in_order(events)
    names = "x0_mm y0_mm z0_mm x_mm y_mm z_mm e_step_mm feed_mm_min cx_mm cy_mm turn_rad"
    return Blocks(
        table=MoveTable(
            line_index=row[0].astype(np.int64),
            kind=row[13].astype(np.uint8),
            **dict(zip(names.split(), row[1:12], strict=True)),
            event_line_index=event[0].astype(np.int64),
            event_kind=event[1].astype(np.uint8),
            event_s=event[2],
        ),
        stop_line=np.array([pose.line_no - 1 for pose in poses], dtype=np.int64),
        first_line=begin - lead,
        size=size,
        lead=lead,
        fire_line=fire,
        leave_line=leave,
        role=row[12].astype(np.int64),
        event_role=event[3].astype(np.int64),
        ending=poses[-1].ending,
    )


def _in_order(rows: Sequence[Floats]) -> Floats:
    """Rows side by side, rising by their line, which is the first number of each."""
    joined = np.concatenate(rows, axis=1)
    return joined[:, np.argsort(joined[0], kind="stable")]


def _row(*columns: NDArray[Any] | float) -> Floats:
    return np.stack(np.broadcast_arrays(*columns)).astype(np.float64)


def _moves_of(
    form: Form, numbers: Floats, begin: Ints, speed: float, spares_filament: bool
) -> Iterator[Floats]:
    """The moves of P blocks of one form with (N, P) numbers, a line of all of them at a time."""
    place = numbers[[X, Y, Z]]
    for at, (line, *told) in enumerate(form.lines):
        if line.feed_mm_min <= 0:
            continue
        end = place.copy()
        for axis, number in enumerate(told):
            own = (line.x_mm, line.y_mm, line.z_mm)[axis]
            if number is not None:
                end[axis] = numbers[number]
            elif own is not None:
                end[axis] = own
        is_spared = spares_filament & (end == place).all(axis=0)
        feed = line.feed_mm_min * np.where(is_spared, 1.0, speed)
        straight = (np.nan, np.nan, 0.0, ROLES[line.role], LINE)
        yield _row(begin + at, *place, *end, line.e_step_mm, feed, *straight)
        place = end


def _events_of(form: Form, begin: Ints) -> Iterator[Floats]:
    """What else takes time in blocks of one form."""
    for at, (line, *_) in enumerate(form.lines):
        role = ROLES[line.role]
        if line.feed_mm_min <= 0 and line.dwell_s > 0:
            yield _row(begin + at, DWELL, line.dwell_s, role)
        elif line.feed_mm_min <= 0 and line.role in EVENTS:
            yield _row(begin + at, EVENTS[line.role], 0.0, role)


def _stands(form: Form) -> tuple[int, int]:
    """The line at which the camera is told to fire, and the one at which the head leaves."""
    fire, leave = -1, -1
    for at, (line, *_) in enumerate(form.lines):
        if fire < 0 and line.role in (Role.FIRE, Role.HOLD):
            fire = at
        if leave < 0 and line.role in (AFTERWARDS if fire >= 0 else (Role.TRAVEL_BACK,)):
            leave = at
    leave = len(form.lines) if leave < 0 else leave
    return leave if fire < 0 else fire, leave


def _before_split(moves: MoveTable, split: Split, line: int) -> Floats:
    """The part of the job's own move that is printed before the block."""
    row = split.move
    start = (moves.x0_mm[row], moves.y0_mm[row], moves.z0_mm[row])
    end = (split.x_mm, split.y_mm, split.z_mm)
    arc = (moves.cx_mm[row], moves.cy_mm[row], split.share * moves.turn_rad[row])
    rest = (split.e_step_mm, moves.feed_mm_min[row], *arc, -1, moves.kind[row])
    return np.array((line, *start, *end, *rest), dtype=np.float64)[:, np.newaxis]
