"""What must hold of a block, or of many blocks of one form at once.

Blocks of one form differ by their numbers alone. Each of these is a column then, one row for a
block, and the rules below ask all rows together: ``x <= 235`` is a bool for one block and a
column of them for many. Where rows would go different ways, numpy refuses to choose.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import is_, or_
from typing import Any, NamedTuple

import numpy as np

from capturehook.block.witness_end import SAME, Reach
from capturehook.block.witness_filament import NotToldError
from capturehook.block.witness_found import Found, Number
from capturehook.block.witness_lines import Command, commands_of
from capturehook.block.witness_state import Family
from capturehook.block.witness_text import fail
from capturehook.model.profile import Retract

SAME_FILAMENT_MM = 1e-4
STROKE_MM = 0.0105
LEAST_MM = 0.01
"""Shorter strokes are not made."""
Place = tuple[Number, ...]
Columns = Mapping[int, dict[str, Number]]
"""Words of lines whose numbers are columns, by the line's index in its block."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What the plan says of a block: how high it is when away, its prime, its wipe (mm)."""

    pose: int
    level_z_mm: Number
    prime_mm: float
    wipe: tuple[tuple[Number, Number], ...] = ()
    """Places the block may visit below its hop: along what was just printed."""
    stays: bool = False
    """The head stays up, or away: only end code follows."""


class Step(NamedTuple):
    """One command of a block, with where it began and ended (job's numbers, mm)."""

    command: Command
    start: Place
    end: Place
    fed_mm: Number


def run_lines(
    family: Family, lines: Sequence[bytes], machine: Found, columns: Columns | None = None
) -> list[Step]:
    """Carry out lines on a machine whose place is known.

    Raises
    ------
    NotToldError
        What one of them does is not known.
    """
    steps, start = [], (*machine.number,)
    for index, line in enumerate(lines):
        for command in commands_of(line, family.firmware.several_commands):
            if columns and index in columns:
                command = command._replace(words=columns[index])
            fed = family.carry_out(machine, command, 0)
            end = (*machine.number,)
            end = start if all(map(is_, start, end)) else end
            if fed is None or machine.dead is not None or any(one is None for one in end):
                raise NotToldError(f"what {line.decode('latin-1')!r} of the block does")
            steps.append(Step(command, start, end, fed))
            start = end
    return steps


def holds(truth: Any) -> bool:
    """Of every block?"""
    return truth if isinstance(truth, bool) else bool(truth.all())


def same(a: Number | None, b: Number | None) -> bool:
    """Are two numbers known, and alike?"""
    return a is not None and b is not None and holds(abs(a - b) <= SAME)


def _is_over(place: Place, x: Number, y: Number) -> Any:
    return (abs(place[0] - x) <= SAME) & (abs(place[1] - y) <= SAME)


@dataclass(frozen=True, slots=True)
class Block:
    """Blocks of one form that have been run, and what must hold of them."""

    name: str
    steps: Sequence[Step]
    before: Found
    after: Found
    stated: Stated
    family: Family

    def is_told(self) -> None:
        """The bytes before it tell all that its words count on."""
        before, letter = self.before, self.family.e_letter
        strokes = [one.command.words for one in self.steps if letter in one.command.words]
        if strokes and before.guessed_e_mode:
            raise NotToldError(
                "whether E counts places or steps: a command before the first M82 or M83 may have "
                "switched it"
            )
        if before.feed is None and any("F" in one.command.words for one in self.steps):
            raise NotToldError("the speed (F) in force")
        if before.lone_e_is_retraction and not all({*"XYZ"} & {*words} for words in strokes):
            raise NotToldError(
                "what a move of E alone does: M209 makes it the firmware's own retraction"
            )

    def gives_back(self) -> None:
        """Place, E, F and modes are after the block what they were before it."""
        before, after = self.before, self.after
        for letter, now, was in zip("XYZ", after.number, before.number, strict=True):
            if not (same(now, was) or self.stated.stays):
                raise fail(self.name, f"{letter} is {now:.6g} after the block, was {was:.6g}")
        if after.modes() != before.modes():
            raise fail(self.name, f"the modes are {after.modes()} after the block, were "
                        f"{before.modes()}")  # fmt: skip
        checked = [("F", after.feed, before.feed), ("F of G0", after.rapid_feed, before.rapid_feed)]
        if self.family.e_absolute(before):
            checked.append((self.family.e_letter, after.e, before.e))
        for what, now, was in checked:
            if not (now is was or same(now, was)):
                raise fail(self.name, f"{what} is {now} after the block, was {was}")

    def keeps_filament(self) -> None:
        """Net nothing but the stated prime; nothing pushed but where the block ends: where it
        began, but for the finished part."""
        fed = sum(one.fed_mm for one in self.steps)
        if not holds(abs(fed - self.stated.prime_mm) <= SAME_FILAMENT_MM):
            raise fail(self.name, f"the block feeds {fed:.6g} mm of filament, not "
                        f"{self.stated.prime_mm:g}")  # fmt: skip
        x, y, _ = self.after.number
        for one in self.steps:
            pushes_not = one.fed_mm <= 0 if one.command.code != "G11" else False
            if not holds(pushes_not) and not holds(
                pushes_not | (_is_over(one.start, x, y) & _is_over(one.end, x, y))
            ):
                raise fail(self.name, "the block pushes filament away from the part")

    def keeps_clear(self, reach: Reach) -> None:
        """Level motion at the hop or above, never lower than the start, inside the machine."""
        shift = [value or 0.0 for value in self.before.shift]
        x, y, floor = self.before.number
        level = self.stated.level_z_mm - shift[2]
        if not holds(level >= floor - SAME):
            raise fail(self.name, "the hop is stated lower than where the nozzle stands")
        seen: Place = ()
        for command, start, end, _ in self.steps:
            if command.code in ("G2", "G3"):
                raise fail(self.name, "the block holds an arc")
            if end is seen:
                continue  # stands where the one before it was found to be clear
            seen = end
            is_up = (start[2] >= level - SAME) & (end[2] >= level - SAME)
            is_clear = is_up | ((start[0] == end[0]) & (start[1] == end[1]))
            if not holds(is_clear) and not holds(is_clear | self._is_wipe(start, end, shift)):
                raise fail(self.name, "the block moves in XY below its hop")
            if not holds(end[2] >= floor - SAME):
                raise fail(self.name, "the block goes lower than it started")
            is_home = _is_over(end, x, y)
            places = [number + add for number, add in zip(end, shift, strict=True)]
            for letter, place, (least, most) in zip("XYZ", places, reach.ranges, strict=True):
                is_in = (place >= least - SAME) & (place <= most + SAME)
                if not holds(is_in if letter == "Z" else is_in | is_home):
                    raise fail(self.name, f"the block leaves the machine's {letter} range")
            if not holds(is_home | reach.is_over_bed(places[0], places[1])):
                raise fail(self.name, "the block leaves the machine's round bed")

    def _is_wipe(self, start: Place, end: Place, shift: Sequence[float]) -> Any:
        """At the height where printing stopped, between places of the stated wipe."""
        x, y, z = self.before.number
        allowed = [(x, y), *((a - shift[0], b - shift[1]) for a, b in self.stated.wipe)]
        truth = (abs(start[2] - z) <= SAME) & (abs(end[2] - start[2]) <= SAME)
        for place in (start, end):
            truth = truth & reduce(or_, [_is_over(place, *one) for one in allowed])
        return truth

    def retracts(self, wish: Retract, deficit_mm: Number, drawn: bool, by_firmware: bool) -> None:
        """What the job has not, by the means it should: ``deficit_mm`` is retracted before it,
        ``drawn`` by the firmware itself."""
        own = [one.command.code for one in self.steps if one.command.code in ("G10", "G11")]
        stroke = sum(np.maximum(-one.fed_mm, 0.0) for one in self.steps)
        if drawn or (by_firmware and holds(deficit_mm < LEAST_MM)):
            wanted_own, wanted = ([] if drawn else ["G10", "G11"]), 0.0
        else:
            wanted_own, wanted = [], np.maximum(0.0, wish.stroke_mm - deficit_mm)
        if own != wanted_own:
            raise fail(self.name, f"the block sends {own or 'no G10'}, while the firmware's own "
                        f"retraction is {'on' if drawn else 'off'} before it")  # fmt: skip
        if not holds(abs(stroke - wanted) <= STROKE_MM):
            raise fail(self.name, f"the block retracts {stroke:.5g} mm where {deficit_mm:.5g} mm "
                        f"are retracted already and {wish.stroke_mm:g} mm are wished")  # fmt: skip
