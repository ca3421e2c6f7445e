"""Carries out what the commands of a family do to the state: stacks, saved states, offsets,
workplaces, and what is unknown after them.

Positions are not known while lines are read one by one, so what depends on them becomes an
operation of the axis (`axis.py`) or of the feed, and is solved with all others at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from capturehook.errors import Finding, GcodeError
from capturehook.model.contracts import Firmware
from capturehook.model.effects import (
    Command,
    Effect,
    End,
    Lose,
    MachineCoordinates,
    Note,
    Pop,
    Push,
    Refuse,
    RestoreState,
    ReturnToPlace,
    SavePlace,
    SaveState,
    SetE,
    SetFactor,
    SetOffset,
    SetOrigin,
    UseWorkplace,
)
from capturehook.model.state import Modes
from capturehook.read import axis
from capturehook.read.source import Source

if TYPE_CHECKING:
    from capturehook.read.others import Others

MOST_SHOWN = 40
NEVER = 1 << 62
KEEP, RECALL = range(2)
"""What a line does to the feed: keep it in a slot, or bring a slot's back."""


@dataclass(slots=True)
class Lost:
    """Some of the state is unknown from a line on, since a command did what no job tells.

    ``until`` is the line before which only homing or a known workplace gives the place back.
    """

    line_index: int
    items: str
    command: str
    foreign: bool = False
    frame: bool = False
    until: int = 0


@dataclass(frozen=True, slots=True)
class Factors:
    """In per cent: of feeds, and of each tool's filament where that is not 100."""

    speed: float = 100.0
    flow: tuple[tuple[int, float], ...] = ()

    def flow_of(self, tool: int) -> float:
        return dict(self.flow).get(tool, 100.0)


@dataclass(slots=True)
class _Saved:
    slot: int
    modes: Modes
    offsets: dict[str, float]
    factors: Factors


@dataclass
class Keeper:
    """The family's memory while a job is read."""

    firmware: Firmware
    source: Source
    found: Others
    first_plastic: int
    """Line of the first move that lays plastic: what changes the frame before it is what the
    profile's numbers are measured in."""
    stack: list[tuple[dict[str, Any], int]] = field(default_factory=list)
    saved: dict[str, _Saved] = field(default_factory=dict)
    places: dict[str, int] = field(default_factory=dict)
    offsets: dict[str, float] = field(default_factory=lambda: dict.fromkeys("XYZE", 0.0))
    origins: dict[int, dict[str, float]] = field(
        default_factory=lambda: {1: dict.fromkeys("XYZ", 0.0)}
    )
    workplace: int = 1
    slots: int = 0
    factors: Factors = Factors()
    kept_speed: float = 100.0
    shifted: bool = False
    """Numbers of X, Y or Z may not be places of the machine."""
    saw_foreign: bool = False

    def take(self, index: int, command: Command, modes: Modes) -> Modes:
        """Carry out a command; the modes after it."""
        for effect in self.firmware.changes(command):
            modes = self._carry_out(index, command, effect, modes)
        if command.code == "G92" and any(command.has(letter) for letter in "XYZ"):
            self.shifted = True
            text = f"{shown(command)} gives places other numbers from here on; paths count that"
            self.note(index, Note("numbers-shift", text, printing=True))
        return self._with_factors(modes)

    def _carry_out(self, index: int, command: Command, effect: Effect, modes: Modes) -> Modes:
        if isinstance(effect, Lose):
            self.lose(index, effect, shown(command))
        elif isinstance(effect, Refuse):
            raise self.refusal(index, effect)
        elif isinstance(effect, Note):
            self.note(index, effect)
        elif isinstance(effect, Push):
            return self._push(index, effect, modes)
        elif isinstance(effect, Pop):
            return self._pop(index, effect, modes)
        elif isinstance(effect, SaveState):
            self._save(index, effect.name, modes)
        elif isinstance(effect, RestoreState):
            return self._restore(index, command, effect, modes)
        elif isinstance(effect, SavePlace):
            self.places[effect.slot] = self._store(index)
        elif isinstance(effect, ReturnToPlace):
            self._return(index, command, effect)
        elif isinstance(effect, SetE):
            self._axis(index, "E", axis.SHIFT, effect.value_mm)
        elif isinstance(effect, SetFactor):
            self._factor(index, command, effect, modes)
        elif isinstance(effect, End):
            self.found.end_line, self.found.end_goes_on = index, effect.goes_on
        else:
            self._place_numbers(index, command, effect, modes)
        return modes

    def _place_numbers(self, index: int, command: Command, effect: Effect, modes: Modes) -> None:
        """What changes which place a number means."""
        if isinstance(effect, SetOffset):
            self._offset(index, effect)
        elif isinstance(effect, SetOrigin):
            self._origin(index, command, effect, modes)
        elif isinstance(effect, UseWorkplace):
            self._use(index, command, effect.number)
        elif isinstance(effect, MachineCoordinates) and self.shifted:
            raise self.refusal(
                index,
                Refuse(
                    f"{command.code} counts in coordinates of the machine, while G92 or a "
                    "workplace shifts the job's own numbers",
                ),
            )

    # --- unknown

    def lose(self, index: int, effect: Lose, text: str) -> None:
        """Mark items as unknown from a line on; the numbers believed until then go on, as the
        job's own lines believe in them."""
        if effect.foreign:
            self.saw_foreign = True
        frame = effect.frame and index > self.first_plastic
        until = NEVER if frame else 0
        self.found.lost.append(Lost(index, effect.items, text, effect.foreign, frame, until))

    def homed(self, index: int, command: Command) -> None:
        """Homing gives a frame back; where the nozzle stands after it is the build's own."""
        self._found_again(index)
        self.found.lost.append(Lost(index, "XYZ", shown(command)))
        for letter, offset in self.offsets.items():
            if offset and letter != "E":
                self._axis(index, letter, axis.BASE, offset)

    def _found_again(self, index: int) -> None:
        for one in self.found.lost:
            if one.until == NEVER:
                one.until = index

    def refusal(self, index: int, effect: Refuse) -> GcodeError:
        return GcodeError(self.source.where(index), effect.found, effect.advice)

    def note(self, index: int, note: Note) -> None:
        self.found.notes.append((index, note))

    # --- stacks and saved states

    def _store(self, index: int) -> int:
        self.slots += 1
        for letter in "XYZE":
            self._axis(index, letter, axis.STORE, self.slots)
        self.found.feeds.append((index, KEEP, self.slots))
        return self.slots

    def _push(self, index: int, effect: Push, modes: Modes) -> Modes:
        self.slots += 1
        self.found.feeds.append((index, KEEP, self.slots))
        kept = {name: getattr(modes, name) for name in effect.modes}
        if "coordinate_system" in kept:
            kept["coordinate_system"] = self.workplace
        self.stack = [] if effect.single else self.stack
        self.stack.append((kept, self.slots))
        if effect.clears_volumetric and modes.volumetric_mm:
            return replace(modes, volumetric_mm=0.0)
        return modes

    def _pop(self, index: int, effect: Pop, modes: Modes) -> Modes:
        if not self.stack:
            if isinstance(effect.empty, Refuse):
                raise self.refusal(index, effect.empty)
            if effect.empty is not None:
                self.note(index, effect.empty)
            return modes
        kept, slot = self.stack[-1] if effect.keeps else self.stack.pop()
        self.found.feeds.append((index, RECALL, slot))
        kept = dict(kept)
        workplace = kept.pop("coordinate_system", None)
        if workplace is not None:
            self._use(index, Command("", (), "a restored workplace"), workplace)
        return replace(modes, **kept)

    def _save(self, index: int, name: str, modes: Modes) -> None:
        self.saved[name] = _Saved(self._store(index), modes, dict(self.offsets), self.factors)

    def _restore(self, index: int, command: Command, effect: RestoreState, modes: Modes) -> Modes:
        saved = self.saved.get(effect.name)
        if saved is None and self.saw_foreign:
            self.lose(index, Lose(), shown(command))  # a macro may have saved it
            return modes
        if saved is None:
            raise self.refusal(
                index,
                Refuse(
                    f"{shown(command)} restores a state that was never saved "
                    "(state-never-saved); the firmware stops the print there",
                ),
            )
        for letter in "XYZ":
            self._axis(index, letter, axis.REBASE, saved.slot)
            if effect.moves:
                self._axis(index, letter, axis.RETURN, saved.slot)
        self._axis(index, "E", axis.RENUMBER, saved.slot)
        self.found.feeds.append((index, RECALL, saved.slot))
        self.offsets = dict(saved.offsets)
        if saved.factors != self.factors:
            self.note(index, Note("factors", "speed and flow factors (M220, M221) come back here"))
            self.factors = saved.factors
        return replace(modes, absolute=saved.modes.absolute, m82=saved.modes.m82)

    def _return(self, index: int, command: Command, effect: ReturnToPlace) -> None:
        slot = self.places.get(effect.slot)
        if slot is None:
            self.lose(index, Lose(effect.axes + "F"), shown(command))
            return
        for letter in effect.axes:
            self._axis(index, letter, axis.RETURN, slot)
        self.found.feeds.append((index, RECALL, slot))

    # --- offsets and workplaces

    def _offset(self, index: int, effect: SetOffset) -> None:
        was = self.offsets[effect.axis]
        now = was + effect.value_mm if effect.adds else effect.value_mm
        self.offsets[effect.axis] = now
        what = axis.CARRY if effect.moves else axis.BASE
        self._axis(index, effect.axis, what, now - was)
        self.shifted |= effect.axis != "E"

    def _origin(self, index: int, command: Command, effect: SetOrigin, modes: Modes) -> None:
        number = effect.number or self.workplace
        origin = self.origins.setdefault(number, {})
        for letter, word in effect.words:
            value = word * modes.unit_mm
            before = origin.pop(letter, None)
            if not effect.here:
                origin[letter] = value
            if number != self.workplace:
                continue
            if effect.here:
                self._axis(index, letter, axis.SHIFT, value)
            elif before is not None:
                self._axis(index, letter, axis.BASE, value - before)
            else:
                self.lose(index, Lose(letter, frame=True), shown(command))
        if not effect.words:
            self.origins[number] = {}
            if number == self.workplace:
                self.lose(index, Lose("XYZ", frame=True), shown(command))
        self.shifted = True

    def _use(self, index: int, command: Command, number: int) -> None:
        if number == self.workplace:
            return
        before, after = self.origins.get(self.workplace, {}), self.origins.get(number, {})
        if len(before) == len(after) == 3:
            for letter in "XYZ":
                self._axis(index, letter, axis.BASE, after[letter] - before[letter])
            self.shifted = True
        elif index <= self.first_plastic:
            self.origins = {number: dict.fromkeys("XYZ", 0.0)}
            self.lose(index, Lose("XYZ"), shown(command))
        else:
            self._leave(index, command, number)
        self.workplace = number

    def _leave(self, index: int, command: Command, number: int) -> None:
        """To a workplace whose origin the job does not tell, or back from it."""
        known = self.origins.get(number, {})
        if len(known) == 3:
            self._found_again(index)
            self.lose(index, Lose("XYZ"), shown(command))
        else:
            self.lose(index, Lose("XYZ", frame=True), shown(command))

    # --- factors

    def _factor(self, index: int, command: Command, effect: SetFactor, modes: Modes) -> None:
        was, percent = self.factors, effect.percent
        if effect.what == "speed":
            now = self.kept_speed if effect.recalls else was.speed
            self.kept_speed = was.speed if effect.keeps else self.kept_speed
            self.factors = replace(was, speed=now if percent is None else percent)
            if self.factors.speed not in (was.speed, 100.0):
                text = f"the print runs at {self.factors.speed:g} % of its feeds from here"
                self._note_factor(index, command, f"{text}; the times count that")
            return
        tool = self._flow_tool(modes) if effect.tool is None else effect.tool
        before = was.flow_of(tool)
        if percent is None and before != 100.0:
            refused = Refuse(
                f"{shown(command)} ends M221 S{before:g} or not, as that extruder was in use "
                "before it or not",
                "State M221 S100 before it, or slice the model again",
            )
            raise self.refusal(index, refused)
        if percent is None or percent == before:
            return
        flow = {**dict(was.flow), tool: percent}
        self.factors = replace(was, flow=tuple(sorted(flow.items())))
        if percent != 100.0:
            text = f"filament is fed at {percent:g} % from here"
            self._note_factor(index, command, f"{text}; widths and strokes of blocks count that")

    def _note_factor(self, index: int, command: Command, text: str) -> None:
        self.note(index, Note("factors", f"{shown(command)}: {text}"))

    def _flow_tool(self, modes: Modes) -> int:
        return 0 if self.firmware.flow_tool is None else modes.tool

    def _with_factors(self, modes: Modes) -> Modes:
        speed = self.factors.speed / 100
        flow = self.factors.flow_of(self._flow_tool(modes)) / 100
        if speed == modes.speed and flow == modes.flow:
            return modes
        return replace(modes, speed=speed, flow=flow)

    def _axis(self, index: int, letter: str, operation: int, value: float = 0.0) -> None:
        self.found.events[letter].add(index, operation, value)


def shown(command: Command) -> str:
    """A command as a message shows it."""
    words = "".join(
        f" {letter}{'' if value is None else f'{value:g}'}" for letter, value in command.words
    )
    text = f"{command.code}{words}" if command.words else f"{command.code} {command.text}".strip()
    text = " ".join(text.partition(";")[0].split())
    text = "".join(one if one.isprintable() else "?" for one in text)
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}..."


def findings_of(source: Source, found: Others, first_line: int, last_line: int) -> list[Finding]:
    """Notes of a job as findings, of each code with one text only the first; and the commands
    between the first layer and the last that may be anything."""
    told: dict[tuple[str, str], Finding] = {}
    for index, note in found.notes:
        if note.printing and not first_line < index < last_line:
            continue
        where = str(source.where(index))
        told.setdefault((note.code, note.text), Finding(note.code, where, note.text))
    foreign = [one for one in found.lost if one.foreign and first_line < one.line_index < last_line]
    if foreign:
        first = foreign[0]
        more = f" ({len(foreign)} such lines)" if len(foreign) > 1 else ""
        text = (
            f"`{first.command}` is no command of this firmware family, so what a macro of that "
            f"name does is unknown{more}: no pose stands there until the job states its place again"
        )
        told["unknown-command", ""] = Finding(
            "unknown-command", str(source.where(first.line_index)), text
        )
    return list(told.values())
