"""Blocks as moves: what the clock reads of the poses' records, without their text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.model.block import Role
from capturehook.model.moves import DWELL, FW_RETRACT, FW_UNRETRACT, LINE, WAIT, MoveTable
from capturehook.model.pose import Pose
from capturehook.model.stop import Ending, Split

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


def blocks_of(moves: MoveTable, poses: Sequence[Pose], *, spares_filament: bool) -> Blocks:
    """The blocks of some poses of a job, in its order, as one table.

    ``spares_filament``: M220 leaves moves of filament alone as they are.
    """
    rows = _Rows(spares_filament)
    for pose in poses:
        if pose.split is not None:
            rows.split_move(moves, pose.split)
        rows.block(pose)
    table, role, event_role = rows.table()
    first, size, lead, fire, leave = np.array(rows.places, dtype=np.int64).T
    return Blocks(
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
