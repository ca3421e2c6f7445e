"""The witness: reads the output's bytes and takes nothing from those who wrote them.

At each fence it finds out where the machine stands from the bytes before it alone, runs the
block, and compares. It shares no code with the reader of jobs (`read/`); what it cannot tell
is refused, and nothing is written then. docs/explain/pose_block.md#what-is-proved
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import dist, hypot, inf, pi
from typing import NamedTuple

from capturehook.block.second_opinion import check_block
from capturehook.block.witness_bytes import Bytes
from capturehook.block.witness_end import Reach, what_counts_on_the_place
from capturehook.block.witness_filament import NotToldError
from capturehook.block.witness_lines import Command, commands_of
from capturehook.block.witness_state import Family, Found
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

SAME = 1e-6
"""mm, and mm/min: job numbers are written to nine decimals."""
SAME_FILAMENT_MM = 1e-4
STROKE_MM = 0.0105
"""Strokes under 0.01 mm are not made."""
ON_PATH_MM = 2e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What the plan says of a block: how high it is when away, its prime, its wipe (mm)."""

    pose: int
    level_z_mm: float
    prime_mm: float
    wipe: tuple[tuple[float, float], ...] = ()
    """Places the block may visit below its hop: along what was just printed."""
    stays: bool = False
    """The head stays up, or away: only end code follows."""


class Step(NamedTuple):
    """One command of a block, with where it began and ended (job's numbers, mm)."""

    command: Command
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    fed_mm: float


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
    witness = _Witness(text, profile, Family(firmware, letter, per_unit), stated)
    for place, piece in places:
        witness.check_piece(place, piece)
    witness.check_all_seen()


class _Witness:
    def __init__(
        self, text: bytes, profile: Profile, family: Family, stated: Sequence[Stated]
    ) -> None:
        self.profile, self.family, self.text = profile, family, text
        self.bytes = Bytes(text, family)
        self.stated: Mapping[int, Stated] = {one.pose: one for one in stated}
        self.seen: list[int] = []
        machine = profile.machine
        self.reach = Reach((machine.x_mm, machine.y_mm, machine.z_mm), machine.round)

    def check_all_seen(self) -> None:
        if self.seen != list(self.stated):
            raise fail("blocks", f"{len(self.seen)} stand in the output, {len(self.stated)} were "
                        "planned, or their order differs")  # fmt: skip

    def check_piece(self, place: int, ours: bytes) -> None:
        """Everything of ours at one place of the job."""
        fences = list(read_fences(ours))
        if all(fence.kind == "job" or is_progress(fence) for fence in fences):
            return
        name = next((f"pose {f.number}" for f in fences if f.kind == "pose"), "job lines")
        try:
            found = self._found(place)
            machine, halves = found.copy(), 0.0
            for fence in fences:
                if fence.kind == "pose":
                    self._check_block(fence, machine, place, halves)
                elif fence.kind == "lines":
                    halves += self._run_half(fence, machine)
            if any(fence.kind == "lines" for fence in fences):
                self._check_halves(fences, found, machine, place, halves)
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
        missing = [a for a, n, s in zip("XYZ", found.number, found.shift, strict=True)
                   if n is None or s is None]  # fmt: skip
        if missing:
            axes, lost = " ".join(missing), found.lost_at
            why = f"{self._line(lost)} loses it" if lost >= 0 else "never stated"
            raise NotToldError(f"where {axes} stands ({why})")
        return found

    def _line(self, at: int) -> str:
        end = self.text.find(b"\n", at)
        line = self.text[at : end if end >= 0 else len(self.text)].decode("latin-1").strip()
        number = self.text.count(b"\n", 0, at) + 1
        return f"line {number} of the job, {line[:40]!r}"

    # One block ---------------------------------------------------------------------------

    def _check_block(self, fence: Fence, found: Found, place: int, fed_before_mm: float) -> None:
        name = f"pose {fence.number}"
        stated = self.stated.get(fence.number)
        if stated is None:
            raise fail(name, "this block was not planned")
        self.seen.append(fence.number)
        if found.e is None and self.family.e_absolute(found):
            words = (
                commands_of(line, self.family.firmware.several_commands) for line in fence.lines
            )
            if any(self.family.e_letter in one.words for line in words for one in line):
                raise NotToldError(
                    f"the number for E ({self._line(max(found.lost_at, 0))} loses it)"
                )
        after = found.copy()
        steps = self._run(fence.lines, after)
        deficit = self.bytes.deficit_mm(place)
        drawn = self.bytes.is_drawn(place)
        self._check_told(steps, found, fence.lines)
        if stated.stays:
            shift_z = found.shift[2] or 0.0
            level = stated.level_z_mm - shift_z
            rest = self.text[place:]
            wrong = what_counts_on_the_place(rest, self.family, found, after, level, self.reach)
            if wrong is not None:
                raise fail(name, f"the head does not come back, and after it {wrong}")
        check = _Block(name, steps, found, after, stated, self.family)
        check.gives_back()
        self._check_number_for_e(name, fence.lines, found, after, place)
        check.keeps_filament()
        check.keeps_clear(self.reach)
        if deficit is None:
            raise NotToldError("how far filament is retracted")
        try:
            self._check_drawn(name, steps, max(0.0, deficit - fed_before_mm), drawn)
        except ProofError:
            exactly = self.bytes.deficit_mm(place, enough_mm=inf)
            if exactly is None or exactly == deficit:
                raise
            deficit = exactly
            self._check_drawn(name, steps, max(0.0, deficit - fed_before_mm), drawn)
        self.bytes.remember(place, deficit)
        self._check_motion_goes_on(name, found, after, place)
        ends = after.number if stated.stays else found.number
        check_block(fence.lines, found, self.family, stated.prime_mm, ends)

    def _run(self, lines: Sequence[bytes], machine: Found) -> list[Step]:
        family, steps, start = self.family, [], (*machine.number,)
        several = family.firmware.several_commands
        for line in lines:
            for command in commands_of(line, several):
                fed = family.carry_out(machine, command, 0)
                end = (*machine.number,)
                if fed is None or machine.dead is not None or None in end:
                    raise NotToldError(f"what {line.decode('latin-1')!r} of the block does")
                steps.append(Step(command, start, end, fed))  # type: ignore[arg-type]
                start = end
        return steps

    def _check_told(self, steps: Sequence[Step], found: Found, lines: Sequence[bytes]) -> None:
        letter = self.family.e_letter
        strokes = any(letter in one.command.words for one in steps)
        if strokes and found.guessed_e_mode:
            raise NotToldError(
                "whether E counts places or steps: a command before the first M82 or M83 may have "
                "switched it"
            )
        if found.feed is None and any("F" in one.command.words for one in steps):
            raise NotToldError("the speed (F) in force")
        lone = any(letter in s.command.words and not {*"XYZ"} & {*s.command.words} for s in steps)
        if lone and found.lone_e_is_retraction:
            raise NotToldError(
                "what a move of E alone does: M209 makes it the firmware's own retraction"
            )

    def _check_number_for_e(
        self, name: str, lines: Sequence[bytes], found: Found, after: Found, place: int
    ) -> None:
        """Where E words are steps, its number counts only if they are places again later."""
        alike = after.e is None or _same(after.e, found.e)
        if alike or self.family.e_absolute(found) or not self.bytes.counts_places_after(place):
            return
        self.bytes.sum_steps()
        again, was = found.copy(), self.bytes.found.e
        again.e = was
        self._run(lines, again)
        if was is not None and not _same(again.e, was):
            raise fail(name, f"E is {again.e} after the block, was {was}, and the job goes on "
                        "with places for it")  # fmt: skip

    def _check_drawn(
        self, name: str, steps: Sequence[Step], deficit_mm: float, drawn: bool
    ) -> None:
        """The block retracts what the job has not, and by the means it should."""
        wish = self.profile.retract
        own = [one.command.code for one in steps if one.command.code in ("G10", "G11")]
        stroke = -sum(one.fed_mm for one in steps if one.fed_mm < 0)
        by_firmware = wish.by == "firmware" or self.bytes.uses_fw_retract
        if drawn or (by_firmware and deficit_mm < 0.01):
            wanted_own, wanted = ([] if drawn else ["G10", "G11"]), 0.0
        else:
            wanted_own, wanted = [], max(0.0, wish.stroke_mm - deficit_mm)
        if own != wanted_own:
            raise fail(name, f"the block sends {own or 'no G10'}, while the firmware's own "
                        f"retraction is {'on' if drawn else 'off'} before it")  # fmt: skip
        if abs(stroke - wanted) > STROKE_MM:
            raise fail(name, f"the block retracts {stroke:.5g} mm where {deficit_mm:.5g} mm are "
                        f"retracted already and {wish.stroke_mm:g} mm are wished")  # fmt: skip

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
                if self.bytes.is_motion(command):
                    return
            at = end + 1

    # A line of the job cut in two --------------------------------------------------------

    def _run_half(self, fence: Fence, machine: Found) -> float:
        steps = self._run(fence.lines, machine)
        if any(not self.bytes.is_motion(one.command) for one in steps):
            raise fail(f"lines {fence.number}", "hold more than motion")
        if any(one.fed_mm < -SAME for one in steps):
            raise fail(f"lines {fence.number}", "retract")
        return sum(one.fed_mm for one in steps)

    def _check_halves(
        self, fences: Sequence[Fence], found: Found, machine: Found, place: int, fed_mm: float
    ) -> None:
        """The two halves together lay what the job's own line lays, along the same path."""
        name = next(f"lines {one.number}" for one in fences if one.kind == "lines")
        own = b"".join(one.kept for one in fences).strip()
        if not own:  # the job's line itself is the second half
            own = self.text[place : self.bytes.line_end(place)].strip()
            machine, between = machine.copy(), machine.copy()
            fed_mm += sum(one.fed_mm for one in self._run([own], machine))
        else:
            between = None
        whole = found.copy()
        steps = self._run([own], whole)
        if len(steps) != 1 or not self.bytes.is_motion(steps[0].command):
            raise fail(name, f"{own.decode('latin-1')!r} is no single motion to be cut")
        laid = steps[0].fed_mm
        if abs(fed_mm - laid) > SAME_FILAMENT_MM:
            raise fail(name, f"the halves feed {fed_mm:.6g} mm, the job's line {laid:.6g}")
        for letter, now, was in zip("XYZ", machine.number, whole.number, strict=True):
            if not _same(now, was):
                raise fail(name, f"the halves end at {letter}{now:.6g}, the line at {was:.6g}")
        for what, now, was in (("E", machine.e, whole.e), ("F", machine.feed, whole.feed)):
            if not (what == "E" and not self.family.e_absolute(whole)) and not _same(now, was):
                raise fail(name, f"{what} is {now} after the halves, {was} after the line")
        cut = [one for fence in fences if fence.kind == "lines" for one in fence.lines]
        self._check_path(name, cut, own, found, steps[0], between)

    def _check_path(
        self, name: str, halves: list[bytes], own: bytes, found: Found, whole: Step,
        between: Found | None,
    ) -> None:  # fmt: skip
        machine, ends, centres = found.copy(), [], []
        lines = halves if between is None else [*halves, own]
        for line in lines:
            for step in self._run([line], machine):
                ends.append(step.end)
                centres.append(_centre(step, machine))
        if whole.command.code in ("G2", "G3"):
            wanted = _centre(whole, found)
            if any(
                one is None or wanted is None or dist(one, wanted) > ON_PATH_MM for one in centres
            ):
                raise fail(name, "the halves are no parts of the job's arc")
            return
        length = dist(whole.start, whole.end)
        for end in ends[:-1]:
            if abs(dist(whole.start, end) + dist(end, whole.end) - length) > ON_PATH_MM:
                raise fail(name, f"the cut at {end} is not on the job's line")


def _centre(step: Step, machine: Found) -> tuple[float, float] | None:
    """Of an arc by I and J; None for straight motion and arcs by radius."""
    words, unit = step.command.words, machine.unit()
    if step.command.code not in ("G2", "G3") or "R" in words:
        return None
    i, j = ((words.get(letter) or 0.0) * unit for letter in "IJ")
    if machine.absolute_centres:
        return (i if "I" in words else step.start[0], j if "J" in words else step.start[1])
    return (step.start[0] + i, step.start[1] + j)


@dataclass(frozen=True, slots=True)
class _Block:
    """One block that has been run, and what must hold of it."""

    name: str
    steps: Sequence[Step]
    before: Found
    after: Found
    stated: Stated
    family: Family

    def gives_back(self) -> None:
        """Place, E, F and modes are after the block what they were before it."""
        before, after = self.before, self.after
        for letter, now, was in zip("XYZ", after.number, before.number, strict=True):
            if not _same(now, was) and not self.stated.stays:
                raise fail(self.name, f"{letter} is {now:.6g} after the block, was {was:.6g}")
        if after.modes() != before.modes():
            raise fail(self.name, f"the modes are {after.modes()} after the block, were "
                        f"{before.modes()}")  # fmt: skip
        checked = [("F", after.feed, before.feed), ("F of G0", after.rapid_feed, before.rapid_feed)]
        if self.family.e_absolute(before):
            checked.append((self.family.e_letter, after.e, before.e))
        for what, now, was in checked:
            if now != was and not _same(now, was):
                raise fail(self.name, f"{what} is {now} after the block, was {was}")

    def keeps_filament(self) -> None:
        """Net nothing but the stated prime; nothing pushed but at home; the firmware's own
        retraction as it was."""
        fed = sum(one.fed_mm for one in self.steps)
        if abs(fed - self.stated.prime_mm) > SAME_FILAMENT_MM:
            raise fail(self.name, f"the block feeds {fed:.6g} mm of filament, not "
                        f"{self.stated.prime_mm:g}")  # fmt: skip
        for one in self.steps:
            pushes = one.fed_mm > 0 or one.command.code == "G11"
            if pushes and not all(map(self._is_at_end, (one.start, one.end))):
                raise fail(self.name, "the block pushes filament away from the part")

    def _is_at_end(self, place: tuple[float, float, float]) -> bool:
        """Over the place where the block ends: where it began, but for the finished part."""
        end = self.after.number
        return _same(place[0], end[0]) and _same(place[1], end[1])

    def _is_away(self, place: tuple[float, float, float]) -> bool:
        home = self.before.number
        return not (_same(place[0], home[0]) and _same(place[1], home[1]))

    def keeps_clear(self, reach: Reach) -> None:
        """Level motion at the hop or above, never lower than the start, inside the machine."""
        shift = [value or 0.0 for value in self.before.shift]
        floor = self.before.number[2] or 0.0
        level = self.stated.level_z_mm - shift[2]
        if level < floor - SAME:
            raise fail(self.name, "the hop is stated lower than where the nozzle stands")
        seen: tuple[float, ...] = ()
        for one in self.steps:
            if one.command.code in ("G2", "G3"):
                raise fail(self.name, "the block holds an arc")
            if one.end == seen:
                continue  # stands where the one before it was found to be clear
            seen = one.end
            low = min(one.start[2], one.end[2])
            in_xy = hypot(one.end[0] - one.start[0], one.end[1] - one.start[1]) > 0
            if in_xy and low < level - SAME and not self._is_wipe(one, shift):
                raise fail(self.name, "the block moves in XY below its hop")
            if low < floor - SAME:
                raise fail(self.name, "the block goes lower than it started")
            away = self._is_away(one.end)
            for letter, number, add, (least, most) in zip(
                "XYZ", one.end, shift, reach.ranges, strict=True
            ):
                if (away or letter == "Z") and not least - SAME <= number + add <= most + SAME:
                    raise fail(self.name, f"the block leaves the machine's {letter} range")
            if away and reach.is_past_round(one.end[0] + shift[0], one.end[1] + shift[1]):
                raise fail(self.name, "the block leaves the machine's round bed")

    def _is_wipe(self, step: Step, shift: Sequence[float]) -> bool:
        """At the height where printing stopped, between places of the stated wipe."""
        if not (_same(step.start[2], self.before.number[2]) and _same(step.end[2], step.start[2])):
            return False
        home = self.before.number
        allowed = [(home[0], home[1]), *((x - shift[0], y - shift[1]) for x, y in self.stated.wipe)]
        return all(
            any(_same(place[0], x) and _same(place[1], y) for x, y in allowed)
            for place in (step.start, step.end)
        )


def _same(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and abs(a - b) <= SAME
