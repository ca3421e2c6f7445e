"""The machine as bytes alone tell it, and what changes it whatever the family."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

Number = Any
"""A float or None, or a column (N,) of floats; what is asked of it, a bool or a column of bools."""


@dataclass
class Found:
    """The machine as the bytes tell it; None where they do not.

    ``number`` are X, Y, Z as the job counts them (mm), ``shift`` what to add for the machine's
    own place. ``e`` is the job's number for E. Feeds are in mm/min. Where many blocks are run at
    once, numbers, E and feeds are columns, a row for each.
    """

    number: list[Number] = field(default_factory=lambda: [None, None, None])
    shift: list[float | None] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    offset: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    """What an offset command has put on, where the family has one."""
    e: Number = None
    feed: Number = None
    rapid_feed: Number = None
    absolute: bool = True
    m82: bool | None = None
    inch: bool = False
    plane: int = 17
    absolute_centres: bool = False
    volumetric_mm: float = 0.0
    flows: dict[int, float] = field(default_factory=dict)
    """What filament is multiplied by (M221), by tool; one not told is 1."""
    tool: str = "T0"
    motion: int | None = 1
    lone_e_is_retraction: bool = False
    guessed_e_mode: bool = False
    """A foreign command stood before the job's first M82 or M83."""
    dead: int | None = None
    """Where a line stands after which nothing can be followed."""
    lost_at: int = -1
    """Where the last line stands that lost something; -1: nothing has stated it yet."""

    def copy(self) -> Found:
        twin = object.__new__(Found)
        vars(twin).update(vars(self))
        twin.number, twin.shift, twin.offset = [*self.number], [*self.shift], [*self.offset]
        twin.flows = dict(self.flows)
        return twin

    def unit(self) -> float:
        return 25.4 if self.inch else 1.0

    def modes(self) -> tuple[object, ...]:
        """What a block must put back beside place, E and F."""
        return (
            f"G{90 if self.absolute else 91}",
            "M83" if self.m82 is False else "M82",
            f"G{20 if self.inch else 21}",
            f"G{self.plane}",
            "G90.1" if self.absolute_centres else "G91.1",
            self.volumetric_mm,
            tuple(sorted(self.flows.items())),
            self.tool,
            tuple(self.shift),
        )

    # Other numbers for the same place ------------------------------------------------------

    def number_is(self, index: int, number: Number) -> None:
        """The machine stands still and the number of an axis is another."""
        was, shift = self.number[index], self.shift[index]
        known = was is not None and shift is not None
        self.shift[index] = was + shift - number if known else None
        self.number[index] = number

    def unshift(self) -> None:
        """Numbers are the machine's own."""
        for index, (was, shift) in enumerate(zip(self.number, self.shift, strict=True)):
            self.number[index] = None if was is None or shift is None else was + shift
            self.shift[index] = 0.0

    def set_offset(self, given: Mapping[str, str], at: int) -> None:
        """Klipper `gcode_move.py`, cmd_SET_GCODE_OFFSET."""
        if any(key.startswith("E") for key in given):
            self.e, self.lost_at = None, at
        for index, letter in enumerate("XYZ"):
            try:
                if letter in given:
                    delta = float(given[letter]) - self.offset[index]
                elif f"{letter}_ADJUST" in given:
                    delta = float(given[f"{letter}_ADJUST"])
                else:
                    continue
            except ValueError:
                self.dead = at
                return
            self.offset[index] += delta
            was, shift = self.number[index], self.shift[index]
            self.shift[index] = None if shift is None else shift + delta
            if was is not None and not moves(given):
                self.number[index] = was - delta

    # What was stored comes back --------------------------------------------------------------

    def give_back(self, saved: Found | None, moves_back: bool, at: int) -> None:
        """Klipper `gcode_move.py`: modes, F, bases come back; the place only with MOVE."""
        if saved is None:
            self.dead = at  # the printer stops there
            return
        for index, back in enumerate(saved.shift):
            was, shift = self.number[index], self.shift[index]
            known = was is not None and shift is not None and back is not None
            self.number[index] = was + shift - back if known else None
        self.number = [*saved.number] if moves_back else self.number
        self.shift, self.offset = [*saved.shift], [*saved.offset]
        self.e, self.feed, self.flows = saved.e, saved.feed, dict(saved.flows)
        self.absolute, self.m82, self.lost_at = saved.absolute, saved.m82, at

    def give_modes_back(self, saved: Found) -> None:
        """M120 and M121: RepRapFirmware `GCodeMachineState.cpp`, Smoothieware `Robot.cpp`."""
        self.feed, self.rapid_feed = saved.feed, saved.rapid_feed
        self.absolute, self.m82 = saved.absolute, saved.m82
        self.inch, self.plane = saved.inch, saved.plane


def moves(given: Mapping[str, str]) -> bool:
    """Does a command of Klipper's move the head too?"""
    return given.get("MOVE", "0") not in ("0", "")
