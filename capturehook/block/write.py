"""The machine's state at a line + one planned pose -> the lines of one pose block.

The block goes away and comes back; whatever it switches it puts back, in the order that
every firmware reads alike (docs/reference/gcode_facts.md#order-of-modes).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import chain
from math import ceil, log10
from typing import NamedTuple

from capturehook.catalog import FIRMWARES, TRIGGERS
from capturehook.errors import PlanError, Where
from capturehook.model.block import (
    CORNERS,
    LEVEL,
    Block,
    BlockLine,
    E,
    Form,
    FormLine,
    Role,
    Word,
    X,
    Z,
)
from capturehook.model.contracts import Fire, Firmware, command_lines, dwell_lines, wait_lines
from capturehook.model.effects import Command
from capturehook.model.numbers import exact, fixed
from capturehook.model.profile import Profile
from capturehook.model.state import Modes, State
from capturehook.model.stop import Ending
from capturehook.place.shutter import hold_ms, settle_ms
from capturehook.read.modal import switch
from capturehook.read.words import read_commands

Point = tuple[float, float, float]
LEAST_MM = 0.01
"""Filament: a shorter stroke is not worth a line."""


@dataclass(frozen=True, slots=True)
class Kit:
    """All that is the same in every block of one job."""

    profile: Profile
    firmware: Firmware
    e_letter: str
    filament_per_unit: float
    use_fw_retract: bool
    e_number_counts: bool
    """After steps of E the job goes on with places for it."""
    standing: tuple[BlockLine, ...]
    """From the arrival at the park point until the head leaves it."""
    shutter_xy_mm: tuple[float, float]
    forms: dict[tuple[object, ...], Form] = field(default_factory=dict, repr=False, compare=False)
    """The forms written so far, by all that a block's lines depend on but its numbers."""


def make_kit(
    profile: Profile,
    *,
    e_letter: str,
    filament_per_unit: float,
    job_fw_retract: bool,
    e_number_counts: bool = False,
) -> Kit:
    """What the blocks of one job share.

    Raises
    ------
    PlanError
        The profile asks for what this firmware does not have.
    """
    firmware = FIRMWARES[profile.machine.firmware]
    use_fw = job_fw_retract or profile.retract.by == "firmware"
    if use_fw and not firmware.has_firmware_retract:
        raise PlanError(
            Where("[retract] by"),
            f"{firmware.name} has no retraction of its own",
            'Use by = "moves"',
        )
    fire = TRIGGERS[profile.trigger.by].fire(firmware, profile)
    return Kit(
        profile=profile,
        firmware=firmware,
        e_letter=e_letter,
        filament_per_unit=filament_per_unit,
        use_fw_retract=use_fw,
        e_number_counts=e_number_counts,
        standing=standing_lines(profile, firmware, fire),
        shutter_xy_mm=fire.shutter_xy_mm or (profile.park.x_mm, profile.park.y_mm),
    )


def standing_lines(profile: Profile, firmware: Firmware, fire: Fire) -> tuple[BlockLine, ...]:
    """Wait until still, settle, fire, hold. A trigger's own commands may hold dwells."""
    return (
        *wait_lines(firmware),
        *dwell_lines(firmware, settle_ms(profile), Role.SETTLE),
        *(_timed(line, firmware) for line in fire.lines),
        *dwell_lines(firmware, hold_ms(profile, fire.held_ms)),
    )


def _timed(line: BlockLine, firmware: Firmware) -> BlockLine:
    """A line of the profile's own with the time that a dwell in it takes."""
    if line.role is not Role.FIRE:
        return line
    dwells = (
        firmware.dwell_ms(command.get("P"), command.get("S"))
        for command in read_commands(line.text.encode("ascii"), several=firmware.several_commands)
        if command.code == "G4"
    )
    return line._replace(dwell_s=sum(dwells) / 1000)


def pose_block(
    kit: Kit,
    state: State,
    points: Sequence[Point],
    *,
    prime: bool = True,
    wipe: Sequence[tuple[float, float]] = (),
    ending: Ending | None = None,
) -> Block:
    """One block, without its fence.

    Parameters
    ----------
    state : where the machine is; X, Y and Z must be known
    points : mm, machine frame: from above the nozzle (after the hop) to the park point
    prime : push [retract] extra_prime_mm on return
    wipe : mm, X and Y back along what was just printed, before the hop; ``points`` then
        begin above its last
    ending : where the head stays, where that is not where the block began

    Raises
    ------
    PlanError
        The block cannot be written so that the state is put back.
    """
    level_mm = points[0][2]
    way = _Way(
        hops=level_mm > state.z_mm + 1e-9,
        corners=len(points) - (not wipe),
        wipes=len(wipe),
        prime=prime,
        lowers=ending is None,
        comes_back=ending is None or not ending.at_park,
    )
    key = (
        way,
        state.modes,
        state.shift_mm,
        state.fw_retracted,
        round(state.deficit_mm, 9),
        state.feed_mm_min,
        state.e_mm != 0,
    )
    form = kit.forms.get(key)
    if form is None:
        form = kit.forms[key] = _Writer(kit, state).form(way)
    corners = chain.from_iterable(point[:2] for point in (*(points if wipe else points[1:]), *wipe))
    numbers = (state.x_mm, state.y_mm, state.z_mm, level_mm, state.e_mm, *corners)
    words = [_exact((numbers[at] - minus) / unit) for at, minus, unit in form.words]
    return Block(form, numbers, form.text.format(*words))


_exact = lru_cache(maxsize=1024)(exact)


class _Way(NamedTuple):
    """What a block does on its way, without its places."""

    hops: bool
    corners: int
    wipes: int
    prime: bool
    comes_back: bool
    lowers: bool


class _Writer:
    """Writes a form in the job's own numbers: its units, its shifted zero, its modes."""

    def __init__(self, kit: Kit, state: State) -> None:
        self.kit, self.state = kit, state
        per_unit = state.modes.filament_per_unit(kit.filament_per_unit)
        self.per_unit = per_unit * state.modes.flow_alone(kit.firmware)
        self.unit = state.modes.unit_mm
        self.e_unit = state.modes.e_unit(kit.firmware)
        self.inside: Modes = state.modes
        self.feed: str | None = None
        self.words: list[Word] = []

    def form(self, way: _Way) -> Form:
        """The form of all blocks that go such a way from such a state."""
        corners = [CORNERS + 2 * at for at in range(way.corners + way.wipes)]
        corners, wipe = corners[: way.corners], corners[way.corners :]
        lines = self.enter()
        retract, unretract = _filament(self, way.prime)
        lines += retract
        lines += [self.level(Role.WIPE, at) for at in wipe]
        if way.hops:
            lines.append(self.vertical(Role.HOP, LEVEL))
        lines += [self.level(Role.TRAVEL_OUT, at) for at in corners[bool(wipe) :]]
        lines += [FormLine(self.standing(line)) for line in self.kit.standing]
        if way.comes_back:
            lines += [self.level(Role.TRAVEL_BACK, at) for at in (*reversed(corners[:-1]), X)]
        if way.lowers and way.hops:
            lines.append(self.vertical(Role.LOWER, Z))
        lines += unretract
        lines += self.leave()
        text = "\n".join(one.line.text for one in lines)
        return Form(tuple(lines), tuple(self.words), text, self.kit.shutter_xy_mm)

    def enter(self) -> list[FormLine]:
        """Modes for the block, only where the job's differ."""
        if self.state.modes.absolute:
            return []
        codes = ["G90"]
        if self.kit.firmware.has_e_modes:
            codes.append("M83")
        return self._switch(codes)

    def leave(self) -> list[FormLine]:
        """Modes and feed as they were."""
        lines, wanted = [], self.state.modes
        if not wanted.absolute:
            lines += self._switch(["G91"])
            if self.inside.m82 != wanted.m82:  # without modes for E: only where the job says M82
                lines += self._switch(["M83" if wanted.m82 is False else "M82"])
        if self.state.feed_mm_min > 0 and self.feed is not None:
            text = f"G1 F{exact(self.state.feed_mm_min / self.unit)}"
            lines.append(FormLine(BlockLine(Role.FEED, text)))
        return lines

    def _switch(self, codes: Iterable[str]) -> list[FormLine]:
        codes = list(codes)
        for code in codes:
            self.inside = switch(self.inside, Command(code, ()), self.kit.firmware)
        return list(map(FormLine, command_lines(Role.MODE, codes)))

    def _f(self, feed_mm_min: float) -> str:
        """The F word, only where it changes."""
        text = fixed(feed_mm_min / self.unit, 1)
        if text == self.feed:
            return ""
        self.feed = text
        return f" F{text}"

    def _word(self, number: int, minus: float, unit: float) -> str:
        """A place in the text for one of a block's numbers."""
        self.words.append(Word(number, minus, unit))
        return f"{{{len(self.words) - 1}}}"

    def _axis(self, letter: str, number: int) -> str:
        shift_mm = self.state.shift_mm["XYZ".index(letter)]
        return f"{letter}{self._word(number, shift_mm, self.unit)}"

    def vertical(self, role: Role, z: int) -> FormLine:
        """Up or down to one of a block's heights."""
        feed = self.kit.profile.park.hop_mm_min
        text = f"G1 {self._axis('Z', z)}{self._f(feed)}"
        return FormLine(BlockLine(role, text, feed_mm_min=feed), z=z)

    def level(self, role: Role, x: int) -> FormLine:
        """To one of a block's places; its Y follows its X."""
        feed = self.kit.profile.park.travel_mm_min
        text = f"G1 {self._axis('X', x)} {self._axis('Y', x + 1)}{self._f(feed)}"
        return FormLine(BlockLine(role, text, feed_mm_min=feed), x=x, y=x + 1)

    def standing(self, line: BlockLine) -> BlockLine:
        """A line at the park point; a trigger's own move is written in the job's numbers."""
        if line.x_mm is None and line.y_mm is None:
            return line._replace(text=line.text.replace("{", "{{").replace("}", "}}"))
        places = zip("XY", (line.x_mm, line.y_mm), self.state.shift_mm, strict=False)
        words = [
            f"{letter}{exact((float(fixed(mm)) - shift_mm) / self.unit)}"
            for letter, mm, shift_mm in places
            if mm is not None
        ]
        self.feed = None
        return line._replace(
            text=f"G1 {' '.join(words)} F{exact(float(fixed(line.feed_mm_min)) / self.unit)}"
        )

    def extrude(self, role: Role, step: float, before: float) -> FormLine:
        """A move of filament alone: ``step`` in the job's E units, from so much less than the
        number for E at the begin of the block.

        Its feed counts mm of filament even where E counts mm3: docs/reference/gcode_facts.md#marlin
        """
        kit = self.kit
        number = (
            self._word(E, before, self.e_unit)
            if self.counts_places()
            else exact(step / self.e_unit)
        )
        feed = kit.profile.retract.feed_mm_min
        text = f"G1 {kit.e_letter}{number}{self._f(feed)}"
        return FormLine(BlockLine(role, text, e_step_mm=step * self.per_unit, feed_mm_min=feed))

    def units(self, filament_mm: float) -> float:
        """The job's units of E for so much filament: five decimals, more where one is long."""
        decimals = 5 + max(0, ceil(log10(self.per_unit)))
        return round(filament_mm / self.per_unit, min(decimals, 9))

    def counts_places(self) -> bool:
        """Is an E word in the block a place, and not a step?"""
        return self.inside.e_absolute(self.kit.firmware)

    def number_back(self) -> FormLine:
        """The number for E as it was before the block."""
        text = f"G92 {self.kit.e_letter}{self._word(E, 0.0, self.e_unit)}"
        return FormLine(BlockLine(Role.PRIME, text))

    def extrude_again(self, role: Role, step: float, before: float) -> FormLine:
        """As `extrude`, after moves at other feeds: F is stated, and not taken as known."""
        known, self.feed = self.feed, None
        line = self.extrude(role, step, before)
        self.feed = known
        return line


def _filament(writer: _Writer, prime: bool) -> tuple[list[FormLine], list[FormLine]]:
    """Lines that retract what the job has not, and lines that unretract it (and prime)."""
    kit, state = writer.kit, writer.state
    retract = kit.profile.retract
    prime_mm = retract.extra_prime_mm if prime else 0.0
    if state.fw_retracted:
        if prime_mm > 0 and kit.firmware.retraction_moves_numbers:
            raise PlanError(
                Where("[retract] extra_prime_mm"),
                f"{kit.firmware.name} counts its own retraction (G10) in the number for E, so "
                f"{prime_mm:g} mm cannot be primed while it is on",
                "Set extra_prime_mm = 0",
            )
        return [], _prime(writer, prime_mm)
    if kit.use_fw_retract and state.deficit_mm < LEAST_MM:
        back = list(map(FormLine, command_lines(Role.RETRACT, kit.firmware.retract())))
        again = map(FormLine, command_lines(Role.UNRETRACT, kit.firmware.unretract()))
        return back, [*again, *_prime(writer, prime_mm)]
    stroke = max(0.0, retract.stroke_mm - state.deficit_mm)
    if stroke < LEAST_MM:
        return [], _prime(writer, prime_mm)
    step = writer.units(stroke)
    back = [writer.extrude(Role.RETRACT, -step, step)]
    forth = [writer.extrude_again(Role.UNRETRACT, step, 0.0), *_prime(writer, prime_mm)]
    loses_number = kit.firmware.effects.relative_stroke == "zero" and state.e_mm != 0
    if loses_number and prime_mm <= 0 and kit.e_number_counts and not writer.counts_places():
        forth.append(writer.number_back())
    return back, forth


def _prime(writer: _Writer, prime_mm: float) -> list[FormLine]:
    """Push a little more than was retracted, and put the number for E back."""
    if prime_mm <= 0:
        return []
    kit, state = writer.kit, writer.state
    if not kit.firmware.can_prime:
        raise PlanError(
            Where("[retract] extra_prime_mm"),
            f"{kit.firmware.name} cannot put the number for the extruder back after it",
            "Set extra_prime_mm = 0",
        )
    step = writer.units(prime_mm)
    lines = [writer.extrude_again(Role.PRIME, step, -step)]
    if state.modes.m82 is not False or writer.counts_places() or kit.e_number_counts:
        lines.append(writer.number_back())
    return lines
