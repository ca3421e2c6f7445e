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


X, Y, Z, LEVEL, E, CORNERS = range(6)
"""Of a block's numbers: where it begins (mm), the height of its level part, the job's number for
E, and then X and Y of each corner of its path."""


class FormLine(NamedTuple):
    """A line of a form, and which of a block's numbers are its x_mm, y_mm and z_mm.

    In its text ``{0}`` stands for the first of the form's words, and so on.
    """

    line: BlockLine
    x: int | None = None
    y: int | None = None
    z: int | None = None


class Word(NamedTuple):
    """A number as the text has it: one of the block's numbers, less ``minus``, over ``unit``."""

    number: int
    minus: float
    unit: float


@dataclass(frozen=True, slots=True, eq=False)
class Form:
    """Blocks that differ in their numbers alone."""

    lines: tuple[FormLine, ...]
    words: tuple[Word, ...]
    text: str
    shutter_xy_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Block:
    """The lines of one pose, without their fence: a form with its numbers."""

    form: Form
    numbers: tuple[float, ...]
    text: str
    """All lines, a line feed between two."""

    @property
    def texts(self) -> tuple[str, ...]:
        return tuple(self.text.split("\n"))

    @property
    def lines(self) -> tuple[BlockLine, ...]:
        """Each line with its own text and places."""
        numbers = self.numbers
        return tuple(
            line._replace(
                text=text,
                x_mm=line.x_mm if x is None else numbers[x],
                y_mm=line.y_mm if y is None else numbers[y],
                z_mm=line.z_mm if z is None else numbers[z],
            )
            for (line, x, y, z), text in zip(self.form.lines, self.texts, strict=True)
        )

    @property
    def shutter_mm(self) -> tuple[float, float, float]:
        """Where the head stands while the shutter is open: at the park point, or at the switch
        that the carriage presses."""
        return (*self.form.shutter_xy_mm, self.numbers[LEVEL])
