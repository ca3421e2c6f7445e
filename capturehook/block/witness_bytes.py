"""Where the machine stands at a place of the output, told by the bytes before it alone.

From one fence to the next only what counts is looked for, backwards from the fence: the last
X, Y, Z, E and F words. Lines that are no plain motion are looked at one by one, and the few
that change what words mean cut the text into stretches. docs/explain/pose_block.md#what-is-proved
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from capturehook.block.witness_filament import Filament, NotToldError, Span
from capturehook.block.witness_found import Found
from capturehook.block.witness_lines import Command, commands_of
from capturehook.block.witness_state import AXES, CONDITIONS, FOLLOWED, MOTION, Family

PIECE = 1 << 18
PLAIN_BEGIN, PLAIN_MASK = np.uint32(int.from_bytes(b"G0 ", "little")), np.uint32(0xFFFCFF)
"""`G0 ` as a number, and what of four bytes tells `G0 ` to `G3 `."""


@dataclass(slots=True)
class Index:
    """The lines of a text that are no plain motion and no comment, by what they do; offsets."""

    event_at: list[int] = field(default_factory=list)
    events: list[tuple[Command, ...]] = field(default_factory=list)
    reset_at: list[int] = field(default_factory=list)
    """Lines that state the number for E and nothing else (`G92 E0`), and that number."""
    resets: list[float] = field(default_factory=list)
    stroke_at: list[int] = field(default_factory=list)
    """The firmware's own retraction (True) and its end."""
    strokes: list[bool] = field(default_factory=list)
    odd_at: list[int] = field(default_factory=list)
    """Motion alone, but not written plainly (`g1x5`, `N12 G1 X5`, words alone)."""


def other_lines(text: bytes, *, several: bool) -> list[int]:
    """Offsets of the lines that are neither plain motion (`G0 ` to `G3 `) nor a comment.

    ``several``: plain motion with a second command on its line counts too.
    """
    whole, found = np.frombuffer(text, np.uint8), []
    fours: NDArray[np.uint32] = np.ndarray(
        (max(len(text) - 3, 0),), dtype="<u4", buffer=text, strides=(1,)
    )
    low = end = 0
    while end < len(text):  # pieces of whole lines
        low, end = end, text.find(b"\n", end + PIECE) + 1 or len(text)
        piece = whole[low:end]
        starts = np.concatenate(([low], np.flatnonzero(piece == 10) + (low + 1)))
        starts = starts[starts < end]
        inner = starts[: np.searchsorted(starts, len(fours))]
        first = whole[starts]
        plain = np.zeros(len(starts), np.bool_)
        plain[: len(inner)] = fours[inner] & PLAIN_MASK == PLAIN_BEGIN
        found.append(starts[~plain & (first != 59) & (first != 10) & (first != 13)])
        if several:
            found.append(_with_two_commands(text, piece, starts[plain], low))
    return np.sort(np.concatenate(found)).tolist() if found else []


def _with_two_commands(
    text: bytes, piece: NDArray[np.uint8], starts: NDArray[np.int64], low: int
) -> NDArray[np.int64]:
    """Of the plain motion lines that begin in a piece, those with a second command."""
    if not len(starts):
        return starts
    is_letter = np.isin(piece, _COMMAND_LETTERS)
    is_letter[starts - low] = False
    at = np.flatnonzero(is_letter) + low
    lines = np.flatnonzero(np.bincount(np.searchsorted(starts, at, side="right"), minlength=1)[1:])
    return np.array(
        [start for start in starts[lines].tolist() if _SECOND.match(text, start)], np.int64
    )


_COMMAND_LETTERS = np.frombuffer(b"GMTgmt", np.uint8)
_SECOND = re.compile(rb"G[0-3] [^\n;(]*[GMTgmt]")


class Bytes:
    """A job's text, and the machine's state at any place of it, asked in rising order."""

    def __init__(self, text: bytes, family: Family) -> None:
        self.text, self.family = text, family
        self.several = family.firmware.several_commands
        self.found = Found()
        self.at = self.next_event = self.tool_since = 0
        self.steps: list[tuple[int, int]] = []
        """Stretches whose relative E words are not in ``found.e`` yet."""
        self.drawn: dict[str, bool] = {}
        self.deficits: dict[str, float] = {}
        letter = re.escape(family.e_letter.encode())
        self._reset = re.compile(rb"G92 " + letter + rb"(-?[0-9]+\.?[0-9]*)[ \t]*(?:;.*)?\r?")
        self.index = self._sort_lines()
        self.filament = Filament(text, family, self.index, self._motions)
        self.deficit_mm = self.filament.deficit_mm

    def counts_places_after(self, place: int, found: Found) -> bool:
        """Is an E word a place again behind this byte, where it is a step now?"""
        machine, family = found.copy(), self.family
        given_back = {*(family.firmware.effects.keep_and_give_back or ())}
        given_back |= {"RESTORE_GCODE_STATE"} if family.firmware.has_named_macros else set()
        first = bisect_left(self.index.event_at, place)
        for one in (one for commands in self.index.events[first:] for one in commands):
            if one.code in ("G90", "G91", "M82", "M83"):
                family.carry_out(machine, one, 0)
            if one.code in given_back or family.e_absolute(machine):
                return True
        return False

    @property
    def uses_fw_retract(self) -> bool:
        """The job retracts by the firmware's own command somewhere."""
        return any(self.index.strokes)

    # The index ---------------------------------------------------------------------------

    def _sort_lines(self) -> Index:
        text, index = self.text, Index()
        seen: dict[bytes, object] = {}
        for start in other_lines(text, several=self.several != "first"):
            end = text.find(b"\n", start)
            raw = text[start : end if end >= 0 else len(text)]
            kind = seen.get(raw)
            if kind is None:
                kind = seen[raw] = self._kind(raw)
            if isinstance(kind, float):
                index.reset_at.append(start)
                index.resets.append(kind)
            elif isinstance(kind, bool):
                index.stroke_at.append(start)
                index.strokes.append(kind)
            elif kind == "motion":
                index.odd_at.append(start)
            elif isinstance(kind, tuple):
                index.event_at.append(start)
                index.events.append(kind)
        return index

    def _kind(self, raw: bytes) -> object:
        """A reset of E (float), a firmware's stroke (bool), "motion", "harmless", or commands."""
        reset = self._reset.fullmatch(raw)
        if reset:
            return float(reset[1])
        if self.family.firmware.effects.small_letters_act and raw[:1].islower():
            return (Command("M28", {}),)  # the board's own command: nothing is sure after it
        commands = commands_of(raw.rstrip(b"\r"), self.several)
        if len(commands) == 1:
            code = commands[0].code
            if self.family.is_motion(commands[0]):
                return "motion"
            if code in ("G10", "G11") and self.family.retracts(commands[0]):
                return code == "G10"
        return commands if any(map(self._matters, commands)) else "harmless"

    def _matters(self, command: Command) -> bool:
        code = command.code
        if code == "":
            return self.family.firmware.modal_motion
        return code in FOLLOWED or code not in self.family.firmware.effects.harmless

    # The state at a place ----------------------------------------------------------------

    def state_at(self, place: int) -> Found:
        """The machine just before a byte; places must rise from call to call."""
        index = self.index
        while self.next_event < len(index.event_at):
            at = index.event_at[self.next_event]
            if at >= place:
                break
            self.next_event += 1
            if at >= self.at:  # else it stood behind a condition
                self._advance(at)
                self._take_event(at, index.events[self.next_event - 1])
        self._advance(place)
        if not (self.family.firmware.has_e_modes or self.family.e_absolute(self.found)):
            self.sum_steps()  # a block's own G90 makes its E words places
        return self.found

    def is_drawn(self, place: int) -> bool:
        """Is the firmware's own retraction in force for the tool in use? Asked after state_at."""
        last = bisect_left(self.index.stroke_at, place) - 1
        if last >= 0 and self.index.stroke_at[last] >= self.tool_since:
            return self.index.strokes[last]
        return self.drawn.get(self.found.tool, False)

    def line_end(self, at: int) -> int:
        """Offset behind the line that holds a byte."""
        end = self.text.find(b"\n", at)
        return end + 1 if end >= 0 else len(self.text)

    def _take_event(self, at: int, commands: tuple[Command, ...]) -> None:
        found, family = self.found, self.family
        before, tool, e, deficit = self._meaning(), found.tool, found.e, 0.0
        selects = any(one.code[:1] == "T" and one.code[1:].isdigit() for one in commands)
        if selects:
            deficit = self.filament.deficit_mm(at) or 0.0
            self.drawn[tool] = self.is_drawn(at)
        if not family.e_absolute(found):
            self.sum_steps()
        fed: float | None = 0.0
        for one in commands:
            step = family.carry_out(found, one, at)
            fed = None if step is None or fed is None else fed + step
        if any(one.code == "G53" for one in commands):
            found.number = [None, None, None]
        self.at = self.line_end(at)
        if commands[-1].code in CONDITIONS:
            self._pass_body()
        base = None
        if selects:
            self.tool_since = self.at
            self.deficits[tool] = deficit
            base = self.deficits.get(found.tool, 0.0)
        if self._meaning() != before or found.tool != tool or fed != 0.0:
            self._new_span(at, base, fed)
            if base is not None and found.e is None:
                # for how far is retracted, not for what is returned to
                self.filament.spans[-1].number = e

    def _meaning(self) -> tuple[bool, float | None, float, float, float]:
        """Of an E word, and the number from which it counts; as a span has it."""
        found, family = self.found, self.family
        return (
            family.e_absolute(found),
            found.e,
            family.mm_per_unit(found),
            family.e_unit(found),
            family.share_alone(found),
        )

    def _new_span(self, line_at: int, base_mm: float | None, fed_mm: float | None) -> None:
        self.filament.spans.append(Span(self.at, line_at, *self._meaning(), base_mm, fed_mm))

    def _pass_body(self) -> None:
        """Indented lines behind a condition: what they would change is not known after them."""
        while self.text[self.at : self.at + 1] in (b" ", b"\t"):
            end = self.line_end(self.at)
            for one in commands_of(self.text[self.at : end].rstrip(b"\r\n"), self.several):
                self.family.lose_named(self.found, one, self.at)
            self.at = end

    def _advance(self, place: int) -> None:
        """From ``self.at`` on over lines that are motion, resets of E, or harmless."""
        low, found, family = self.at, self.found, self.family
        self.at = max(place, low)
        if place <= low or found.dead is not None:
            return
        last = bisect_left(self.index.reset_at, place) - 1
        e_low = low
        if last >= 0 and self.index.reset_at[last] >= low:
            e_low = self.index.reset_at[last]
            found.e = self.index.resets[last] * family.e_unit(found)
            self.steps = []
        if found.absolute:
            for index, letter in AXES:
                word, _ = self._last(letter, low, place)
                if word is not None:
                    value, unit = word.words[letter], found.unit()
                    odd = word.code in ("G0", "G1") and {"R", "H"} & {*word.words}
                    found.number[index] = None if value is None or odd else value * unit
        else:
            self._add_steps(low, place)
        if family.firmware.retraction_moves_numbers:
            self._lose_lift(low, place)
        if family.e_absolute(found):
            word, _ = self._last(family.e_letter, e_low, place)
            if word is not None:
                value = word.number(family.e_letter)
                found.e = None if value is None else value * family.e_unit(found)
        else:
            self.steps.append((e_low, place))
        self._take_feed(low, place)
        if family.firmware.modal_motion:
            found.motion = self._motion_in_force(low, place)

    def _lose_lift(self, low: int, place: int) -> None:
        """The firmware's own retraction may lift; its end, or an absolute Z word, tells Z again."""
        last = bisect_left(self.index.stroke_at, place) - 1
        if last < 0 or not self.index.strokes[last] or self.index.stroke_at[last] < low:
            return
        at = self.index.stroke_at[last]
        if not self.found.absolute or self._last("Z", at, place)[0] is None:
            self.found.number[2], self.found.lost_at = None, at

    def _last(self, letter: str, low: int, high: int) -> tuple[Command | None, int]:
        """The last motion of a stretch that names a letter, big or small, or that has a command
        (G); and where its line starts."""
        text, big, small = self.text, letter.encode(), letter.lower().encode()
        while True:
            at = text.rfind(big, low, high)
            at = max(at, text.rfind(small, max(at, low), high))
            if at < 0:
                return None, low
            start = text.rfind(b"\n", low, at) + 1 or low
            motion = self._motion_of(text[start : min(self.line_end(at), high)].rstrip(b"\n"))
            if motion is not None and (letter in motion.words or (letter == "G" and motion.code)):
                return motion, start
            high = start

    def _motion_of(self, line: bytes) -> Command | None:
        """The line as motion; None where it is none.

        Raises
        ------
        NotToldError
            It should be motion and cannot be read.
        """
        commands = commands_of(line.rstrip(b"\r"), self.several)
        if len(commands) != 1 or not self.family.is_motion(commands[0]):
            if line[:2] in (b"G0", b"G1", b"G2", b"G3") and line[2:3] == b" " and commands:
                raise NotToldError(f"{line.decode('latin-1')!r} cannot be read")
            return None
        return commands[0]

    def _take_feed(self, low: int, high: int) -> None:
        """The last speed stated; G0 has its own on some families."""
        while True:
            motion, high = self._last("F", low, high)
            if motion is None:
                return
            feed, is_rapid = motion.number("F"), False
            if self.family.firmware.rapid_has_own_feed:
                goes_on = motion.code == "" and self._motion_in_force(low, high) == 0
                is_rapid = goes_on or motion.code == "G0"
            if feed is not None and feed > 0 and not is_rapid:
                self.found.feed = feed * self.found.unit()
                return

    def _motion_in_force(self, low: int, high: int) -> int | None:
        """Which motion words alone would go on with."""
        motion, _ = self._last("G", low, high)
        return self.found.motion if motion is None else MOTION[motion.code]

    def _motions(self, low: int, high: int) -> Iterator[Command]:
        """Every motion of a stretch in order: slow, where steps have to be added up."""
        for line in self.text[low:high].split(b"\n"):
            motion = self._motion_of(line) if line[:1] not in (b";", b"") else None
            if motion is not None:
                yield motion

    def _add_steps(self, low: int, high: int) -> None:
        number, unit = self.found.number, self.found.unit()
        for motion in self._motions(low, high):
            for index, letter in enumerate("XYZ"):
                if letter in motion.words:
                    was, step = number[index], motion.words[letter]
                    known = was is not None and step is not None
                    number[index] = was + step * unit if known else None  # type: ignore[operator]

    def sum_steps(self) -> None:
        """Take relative E words into the number for E, as the family does."""
        found, family = self.found, self.family
        for low, high in self.steps:
            for motion in self._motions(low, high):
                step = motion.number(family.e_letter)
                if step is not None:
                    found.e = family.after_strokes(found.e, step * family.e_unit(found))
        self.steps = []

    def remember(self, place: int, deficit_mm: float | None) -> None:
        """What was retracted at a place, so that it is not looked for again."""
        if deficit_mm is not None:
            self._new_span(place, deficit_mm, 0.0)
