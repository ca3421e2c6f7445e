"""Where a pose stands in the job: before which line, and in a spiral where within a move."""

from __future__ import annotations

from dataclasses import dataclass

from capturehook.model.state import State


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """A point within a move: ``share`` of its length is printed before the stop."""

    move: int
    share: float
    x_mm: float
    y_mm: float
    z_mm: float
    e_step_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One chosen place: the block goes before line ``line_index``."""

    layer_index: int
    line_index: int
    finished: bool = False
    split: Split | None = None
    """Spirals: the line is a printing move, cut here."""


NEVER = 1 << 60
"""A line that no job has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """Where the block of the finished part leaves the head, since only end code follows.

    ``at_park``: where the frame was taken; else above the place where printing stopped.
    ``offset_mm``: X, Y and Z of the head there, less where the job's own lines had it.
    ``stated_line``: for X, Y and Z the line of the job from which the axis is where the job has
    it again (a place stated, or homing), or NEVER.
    """

    at_park: bool
    offset_mm: tuple[float, float, float]
    stated_line: tuple[int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoStop:
    """A layer after which no block may stand, and why."""

    layer_index: int
    line_index: int
    reason: str


@dataclass(frozen=True, slots=True)
class Halves:
    """``first`` goes before the block; ``second`` after it, None where the job's line serves.

    ``state`` is the machine between the two.
    """

    first: str
    second: str | None
    state: State
