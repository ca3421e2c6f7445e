"""The witness: reads the output's bytes and takes nothing from those who wrote them.

At each fence it finds out where the machine stands from the bytes before it alone, runs the
block, and compares. It shares no code with the reader of jobs (`read/`); what it cannot tell
is refused, and nothing is written then. docs/explain/pose_block.md#what-is-proved
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from math import inf, pi
from operator import attrgetter

import numpy as np

from capturehook.block.second_opinion import check_block
from capturehook.block.witness_block import LEAST_MM, Block, Columns, Stated, run_lines, same
from capturehook.block.witness_bytes import Bytes
from capturehook.block.witness_end import Reach, what_counts_on_the_place
from capturehook.block.witness_filament import NotToldError
from capturehook.block.witness_found import Found, Number
from capturehook.block.witness_halves import check_halves, run_half
from capturehook.block.witness_lines import commands_of
from capturehook.block.witness_state import Family
from capturehook.block.witness_text import (
    Fence,
    extruder_letter,
    fail,
    is_progress,
    own_text,
    read_fences,
)
from capturehook.errors import ProofError, UntoldError
from capturehook.model.contracts import Firmware
from capturehook.model.profile import Profile

AT_ONCE = 512
"""Blocks of one form that are judged together."""
_NUMBER = re.compile(rb" ([A-Z])(-?[0-9]+(?:\.[0-9]*)?)")
_IN_COLUMNS = re.compile(rb"(?:G[01]|G92)(?:%s)+" % _NUMBER.pattern)
_WITHOUT_NUMBERS = frozenset("G4 G10 G11 G90 G91 M82 M83".split())
_modes_of = attrgetter(
    "absolute", "m82", "inch", "plane", "absolute_centres", "volumetric_mm", "tool", "motion",
    "lone_e_is_retraction", "guessed_e_mode",
)  # fmt: skip


def check_output(
    pieces: Sequence[bytes | memoryview],
    profile: Profile,
    firmware: Firmware,
    stated: Sequence[Stated],
) -> None:
    """Check every block of an output.

    Parameters
    ----------
    pieces : the output in order; the job's own bytes and ours take turns, the job's first
    stated : one for each pose fence of the output, in its order

    Raises
    ------
    ProofError
        A block is not neutral, goes where it must not, or stands where the bytes before it do
        not tell enough.
    """
    text, places = own_text(pieces)
    if b"\r" in text:
        text = text.replace(b"\r\n", b" \n").replace(b"\r", b"\n")
    letter = extruder_letter(text, profile)
    area = pi * profile.machine.filament_mm**2 / 4
    per_unit = 1.0 / area if profile.machine.volumetric else 1.0
    for at_once in (AT_ONCE, 1):
        family = Family(firmware, letter, per_unit)
        try:
            _Witness(text, profile, family, stated, at_once).check(places)
            return
        except (ProofError, NotToldError, TypeError, ValueError):
            if at_once == 1:
                raise
            # Some row is odd, or rows go different ways: one by one says which, and why.


_Layout = dict[int, tuple[int, list[str]]]
"""Of a form: lines whose numbers count, each with the first's index and the letters."""


@dataclass(slots=True)
class _Case:
    """A block as it stands in the output; or blocks of one form in one state, as columns.

    ``deficit_mm`` is how far filament is retracted before it (None: not told), less what the
    first half of a cut line has fed, ``fed_mm``. ``rows`` are the numbers of each: those of the
    state and of what is stated first, then those of its lines.
    """

    fence: Fence
    stated: Stated
    found: Found
    deficit_mm: Number
    drawn: bool
    fed_mm: float = 0.0
    layout: _Layout = field(default_factory=dict)
    places: list[int] = field(default_factory=list)
    rows: list[list[float]] = field(default_factory=list)
    columns: Columns = field(default_factory=dict)

    def retracted(self) -> Number:
        return np.maximum(0.0, self.deficit_mm - self.fed_mm)


class _Witness:
    """``at_once``: so many blocks of one form are judged together; 1: each where it stands."""

    def __init__(
        self, text: bytes, profile: Profile, family: Family, stated: Sequence[Stated], at_once: int
    ) -> None:
        self.profile, self.family, self.text, self.at_once = profile, family, text, at_once
        self.bytes = Bytes(text, family)
        self.stated: Mapping[int, Stated] = {one.pose: one for one in stated}
        self.seen: list[int] = []
        self.waiting: dict[tuple[object, ...], _Case] = {}
        self.layouts: dict[object, _Layout | None] = {}
        machine = profile.machine
        self.reach = Reach((machine.x_mm, machine.y_mm, machine.z_mm), machine.round)

    def check(self, places: Sequence[tuple[int, bytes]]) -> None:
        """All our pieces, each with its place in the job."""
        for place, ours in places:
            self._check_piece(place, ours)
        for case in self.waiting.values():
            self._judge_rows(case)
        if self.seen != list(self.stated):
            raise fail("blocks", f"{len(self.seen)} stand in the output, {len(self.stated)} were "
                        "planned, or their order differs")  # fmt: skip

    def _check_piece(self, place: int, ours: bytes) -> None:
        fences = list(read_fences(ours))
        if all(fence.kind == "job" or is_progress(fence) for fence in fences):
            return
        name = next((f"pose {f.number}" for f in fences if f.kind == "pose"), "job lines")
        is_cut = any(fence.kind == "lines" for fence in fences)
        try:
            found = self._found(place)
            machine, fed_mm = found.copy() if is_cut else found, 0.0
            for fence in fences:
                if fence.kind == "pose":
                    self._take_block(fence, machine, place, fed_mm)
                elif fence.kind == "lines":
                    fed_mm += run_half(self.family, fence, machine)
            if is_cut:
                check_halves(
                    self.family, fences, found, self.text[place : self.bytes.line_end(place)]
                )
        except NotToldError as untold:
            raise UntoldError(
                name,
                f"the lines before it do not tell {untold}",
                "Nothing was written; state modes, place and F again after that line, or leave "
                "the layer out",
            ) from untold

    def _found(self, place: int) -> Found:
        found = self.bytes.state_at(place)
        if found.dead is not None:
            raise NotToldError(
                f"where the machine stands: nothing can be followed after {self._line(found.dead)}"
            )
        if None in found.number or None in found.shift:
            missing = [a for a, n, s in zip("XYZ", found.number, found.shift, strict=True)
                       if n is None or s is None]  # fmt: skip
            axes, lost = " ".join(missing), found.lost_at
            why = f"{self._line(lost)} loses it" if lost >= 0 else "never stated"
            raise NotToldError(f"where {axes} stands ({why})")
        return found

    def _line(self, at: int) -> str:
        end = self.text.find(b"\n", at)
        line = self.text[at : end if end >= 0 else len(self.text)].decode("latin-1").strip()
        number = self.text.count(b"\n", 0, at) + 1
        return f"line {number} of the job, {line[:40]!r}"

    # Blocks ------------------------------------------------------------------------------

    def _take_block(self, fence: Fence, found: Found, place: int, fed_mm: float) -> None:
        """Judge a block, or let it wait for others of its form."""
        stated, lines = self.stated.get(fence.number), fence.lines
        if stated is None:
            raise fail(f"pose {fence.number}", "this block was not planned")
        self.seen.append(fence.number)
        deficit, drawn = self.bytes.deficit_mm(place), self.bytes.is_drawn(place)
        parts = _NUMBER.split(b"\n".join(lines))
        form = (*parts[::3], *parts[1::3])
        if form not in self.layouts:
            self.layouts[form] = _layout_of(lines, self.family)
        layout = self.layouts[form]
        if self.at_once == 1 or stated.stays or deficit is None or layout is None:
            case = _Case(fence, stated, found, deficit, drawn, fed_mm, places=[place])
            self._judge(case)
            self.bytes.remember(place, case.deficit_mm)
            return
        self.bytes.remember(place, deficit)
        speeds = (found.e, found.feed, found.rapid_feed)
        key = (
            form, _modes_of(found), tuple(found.shift), frozenset(found.flows.items()),
            tuple(one is None for one in speeds), drawn, deficit - fed_mm < LEAST_MM,
            stated.prime_mm, len(stated.wipe),
        )  # fmt: skip
        case = self.waiting.get(key) or self.waiting.setdefault(
            key, _Case(fence, stated, found.copy(), deficit, drawn, fed_mm, layout)
        )
        row = [*found.number, *(one for one in speeds if one is not None)]
        row += [max(0.0, deficit - fed_mm), stated.level_z_mm, *chain(*stated.wipe)]
        row += map(float, parts[2::3])
        case.places.append(place)
        case.rows.append(row)
        if len(case.rows) == self.at_once:
            self._judge_rows(self.waiting.pop(key))

    def _judge_rows(self, case: _Case) -> None:
        """Blocks of one form at once: each of their numbers becomes a column."""
        if len(case.rows) > 1:
            table = np.ascontiguousarray(np.array(case.rows).T)
            table.flags.writeable = False
            columns, found = iter(table), case.found
            found.number = [next(columns) for _ in "XYZ"]
            for name in ("e", "feed", "rapid_feed"):
                if getattr(found, name) is not None:
                    setattr(found, name, next(columns))
            case.deficit_mm, case.fed_mm, level = next(columns), 0.0, next(columns)
            wipe = tuple((next(columns), next(columns)) for _ in case.stated.wipe)
            case.stated = replace(case.stated, level_z_mm=level, wipe=wipe)
            numbers = [*columns]
            case.columns = {
                index: dict(zip(letters, numbers[first:], strict=False))
                for index, (first, letters) in case.layout.items()
            }
        self._judge(case)

    def _judge(self, case: _Case) -> None:
        """Run a case, compare, and let pygcode judge it too."""
        name, lines, family = f"pose {case.fence.number}", case.fence.lines, self.family
        found, stated, letter = case.found, case.stated, family.e_letter
        if found.e is None and family.e_absolute(found):
            words = (commands_of(line, family.firmware.several_commands) for line in lines)
            if any(letter in one.words for line in words for one in line):
                raise NotToldError(
                    f"the number for E ({self._line(max(found.lost_at, 0))} loses it)"
                )
        after = found.copy()
        steps = run_lines(family, lines, after, case.columns)
        block = Block(name, steps, found, after, stated, family)
        block.is_told()
        if stated.stays:
            rest, level = self.text[case.places[0] :], stated.level_z_mm - (found.shift[2] or 0.0)
            wrong = what_counts_on_the_place(rest, family, found, after, level, self.reach)
            if wrong is not None:
                raise fail(name, f"the head does not come back, and after it {wrong}")
        block.gives_back()
        self._check_number_for_e(case, block)
        block.keeps_filament()
        block.keeps_clear(self.reach)
        if case.deficit_mm is None:
            raise NotToldError("how far filament is retracted")
        self._check_retraction(case, block)
        for place in case.places:
            self._check_motion_goes_on(name, found, after, place)
        ends = after.number if stated.stays else found.number
        check_block(lines, found, family, stated.prime_mm, ends, case.columns)

    def _check_number_for_e(self, case: _Case, block: Block) -> None:
        """Where E words are steps, its number counts only if they are places again later."""
        found, after, place = block.before, block.after, case.places[0]
        if after.e is None or same(after.e, found.e) or self.family.e_absolute(found):
            return
        if not self.bytes.counts_places_after(place, found):
            return
        if self.at_once > 1:
            raise NotToldError("what steps before it come to, which is added up one by one")
        self.bytes.sum_steps()
        again, was = found.copy(), self.bytes.found.e
        again.e = was
        run_lines(self.family, case.fence.lines, again)
        if was is not None and not same(again.e, was):
            raise fail(block.name, f"E is {again.e} after the block, was {was}, and the job goes "
                        "on with places for it")  # fmt: skip

    def _check_retraction(self, case: _Case, block: Block) -> None:
        wish, place = self.profile.retract, case.places[0]
        by_firmware = wish.by == "firmware" or self.bytes.uses_fw_retract
        try:
            block.retracts(wish, case.retracted(), case.drawn, by_firmware)
        except ProofError:
            exactly = None if self.at_once > 1 else self.bytes.deficit_mm(place, enough_mm=inf)
            if exactly is None or exactly == case.deficit_mm:
                raise
            case.deficit_mm = exactly
            block.retracts(wish, case.retracted(), case.drawn, by_firmware)

    def _check_motion_goes_on(self, name: str, found: Found, after: Found, place: int) -> None:
        """Words alone behind the block go on with the motion before it."""
        if not self.family.firmware.modal_motion or found.motion == after.motion:
            return
        at = place
        while at < len(self.text):
            end = self.text.find(b"\n", at)
            end = end if end >= 0 else len(self.text)
            for command in commands_of(
                self.text[at:end].rstrip(b"\r"), self.family.firmware.several_commands
            ):
                if command.code == "" and {*"XYZ", self.family.e_letter} & {*command.words}:
                    was = found.motion
                    raise fail(name, f"the job goes on with words alone, with G{was} in force "
                                f"before the block and G{after.motion} after it")  # fmt: skip
                if self.family.is_motion(command):
                    return
            at = end + 1


def _layout_of(lines: Sequence[bytes], family: Family) -> _Layout | None:
    """Where the numbers of a form count; None where it holds more than plain motion, plain modes
    and what changes nothing."""
    layout: _Layout = {}
    first = 0
    for index, line in enumerate(lines):
        letters = [match[1].decode() for match in _NUMBER.finditer(line)]
        codes = {one.code for one in commands_of(line, family.firmware.several_commands)}
        if _IN_COLUMNS.fullmatch(line) and len({*letters}) == len(letters):
            layout[index] = (first, letters)
        elif codes - family.idle - (_WITHOUT_NUMBERS if not letters else {"G4"}):
            return None
        first += len(letters)
    return layout
