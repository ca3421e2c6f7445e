"""A pose block as lines that each say what they are for; their text is never read again."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple


class Role(Enum):
    """What a line of a pose block is for, in the order in which they come."""

    MODE = "mode"
    RETRACT = "retract"
    WIPE = "wipe"
    HOP = "hop"
    TRAVEL_OUT = "travel out"
    WAIT = "wait"
    SETTLE = "settle"
    PRESS = "press"
    FIRE = "fire"
    HOLD = "hold"
    RELEASE = "release"
    TRAVEL_BACK = "travel back"
    LOWER = "lower"
    UNRETRACT = "unretract"
    PRIME = "prime"
    FEED = "feed"


class BlockLine(NamedTuple):
    """One line: its role, its text, and what it makes the machine do.

    ``x_mm``, ``y_mm``, ``z_mm`` are machine positions, None where the line does not name the
    axis. ``e_step_mm`` is filament (negative: back). A move has a ``feed_mm_min``; a line that
    only waits has ``dwell_s``. A trigger's own move leaves ``text`` empty: the block writes it
    in the job's numbers.
    """

    role: Role
    text: str = ""
    x_mm: float | None = None
    y_mm: float | None = None
    z_mm: float | None = None
    e_step_mm: float = 0.0
    feed_mm_min: float = 0.0
    dwell_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Block:
    """The lines of one pose, without their fence.

    ``shutter_mm`` is where the head stands while the shutter is open: the park point, or the
    switch that the carriage presses.
    """

    lines: tuple[BlockLine, ...]
    shutter_mm: tuple[float, float, float]

    @property
    def texts(self) -> tuple[str, ...]:
        return tuple(line.text for line in self.lines)
