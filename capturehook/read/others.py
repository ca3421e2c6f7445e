"""The lines that are no plain moves: modes, position shifts, events, and odd motion lines.

These are few in a job (a per cent or two), so they are read one by one, in order.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from capturehook.errors import GcodeError
from capturehook.model.contracts import Firmware
from capturehook.model.effects import Command, Lose, Note
from capturehook.model.moves import (
    DWELL,
    FW_RETRACT,
    FW_UNRETRACT,
    HEAT,
    HOME,
    PAUSE,
    PROBE,
    TOOL,
    WAIT,
)
from capturehook.model.state import Modes
from capturehook.read import axis
from capturehook.read.axis import AxisEvents, no_events
from capturehook.read.effects import Keeper, Lost, shown
from capturehook.read.modal import switch
from capturehook.read.source import Source
from capturehook.read.words import WordError, read_commands

MOST = 1e8
"""Numbers from here on are no positions, feeds or lengths."""
MOTION = {"G0": 0, "G1": 1, "G2": 2, "G3": 3}
HEATS = frozenset({"M109", "M190", "M191", "M116", "TEMPERATURE_WAIT"})
_MODE_WORDS = frozenset({"G90", "G91", "M82", "M83"})
_BODY_OF = frozenset({"IF", "ELIF", "ELSE"})


@dataclass
class Others:
    """What the other lines of a job say, in file order."""

    modes_line: list[int] = field(default_factory=lambda: [-1])
    modes: list[Modes] = field(default_factory=lambda: [Modes()])
    events: dict[str, AxisEvents] = field(
        default_factory=lambda: {letter: no_events() for letter in "XYZE"}
    )
    event_line: list[int] = field(default_factory=list)
    event_kind: list[int] = field(default_factory=list)
    event_s: list[float] = field(default_factory=list)
    motion_line: list[int] = field(default_factory=list)
    motion: list[Command] = field(default_factory=list)
    command_line: list[int] = field(default_factory=list)
    command: list[str] = field(default_factory=list)
    feeds: list[tuple[int, int, int]] = field(default_factory=list)
    """Line, what happens to the feed, slot."""
    lost: list[Lost] = field(default_factory=list)
    notes: list[tuple[int, Note]] = field(default_factory=list)
    """What a person should know, and at which line."""
    bodies: list[tuple[int, int]] = field(default_factory=list)
    """First and last line of each indented body, with the line that rules it."""
    end_line: int | None = None
    """The line at which the firmware stops reading."""
    end_goes_on: bool = False

    def event(self, line_index: int, kind: int, seconds: float = 0.0) -> None:
        self.event_line.append(line_index)
        self.event_kind.append(kind)
        self.event_s.append(seconds)


def read_others(
    source: Source,
    line_indices: list[int],
    firmware: Firmware,
    e_letter: str,
    first_plastic: int = -1,
) -> Others:
    """Read every line that the fast reader left.

    ``first_plastic`` is the line of the first move that may lay plastic.

    Raises
    ------
    GcodeError
        A motion line holds a word that is no number, or feed is counted in a way that
        cannot be followed, or a command does what no reader of the job can follow.
    """
    found = Others()
    keeper = Keeper(firmware, source, found, first_plastic)
    starts = source.line_starts
    data, size = source.data, len(source.data)
    last = len(starts) - 1
    e_resets: dict[bytes, float] = {}
    body_end, ruling = -1, ""
    for index in line_indices:
        raw = data[starts[index] : starts[index + 1] if index < last else size]
        if body_end >= 0 and index > body_end:
            keeper.lose(body_end + 1, Lose(), ruling)
            found.lost[-1].line_index, body_end = body_end, -1
        if raw in e_resets and not found.modes[-1].inch:
            # By far the most frequent of these lines: `G92 E0`, once or more a layer.
            found.command_line.append(index)
            found.command.append("G92")
            found.events["E"].add(index, axis.SHIFT, e_resets[raw])
            continue
        line = raw.rstrip(b"\r\n")
        _refuse_text(keeper, index, line)
        try:
            commands = read_commands(line, several=firmware.several_commands)
        except WordError as fault:
            raise GcodeError(
                source.where(index, fault.column),
                f"word {fault.found!r} {fault.wrong}",
                "Slice the model again, or fix that line",
            ) from fault
        if index <= body_end:  # on a condition, and no line of the body is believed anyway
            commands = tuple(one for one in commands if one.code != "M112")
        for command in commands:
            _take(found, index, command, firmware, e_letter, source, keeper)
        if found.end_line is not None and not found.end_goes_on:
            break
        code = commands[0].code if len(commands) == 1 else ""
        if firmware.indented_bodies and code in _BODY_OF and body_end < 0:
            body_end = _body_end(source, index)
            ruling = shown(commands[0])
            found.bodies.append((index - (code != "IF"), body_end))
        if code == "G92" and len(commands[0].words) == 1:
            letter, value = commands[0].words[0]
            if letter == e_letter and value is not None:
                e_resets[raw] = value
    if body_end >= 0:
        keeper.lose(body_end + 1, Lose(), ruling)
    _note_modes(found, source, firmware)
    return found


def _refuse_text(keeper: Keeper, index: int, line: bytes) -> None:
    text = line.decode("latin-1").partition(";")[0].strip()
    if text and (refused := keeper.firmware.refuses_text(text)) is not None:
        raise keeper.refusal(index, refused)


def _body_end(source: Source, index: int) -> int:
    """The last line of the deeper indented lines under a line."""
    depth = _indent(source.line(index))
    at = end = index
    while at + 1 < source.line_count:
        at += 1
        line = source.line(at)
        if not line.strip() or line.lstrip()[:1] == b";":
            continue
        if _indent(line) <= depth:
            break
        end = at
    return end


def _indent(line: bytes) -> int:
    return len(line) - len(line.lstrip(b" \t"))


def _note_modes(found: Others, source: Source, firmware: Firmware) -> None:
    """What is told of the job as a whole."""
    foreign = [one for one in found.lost if one.foreign]
    if foreign and not _MODE_WORDS & set(found.command):
        raise GcodeError(
            source.where(foreign[0].line_index),
            f"`{foreign[0].command}` is a macro, and the job never says G90, M82 or M83 itself, "
            "so how it counts places and filament is unknown (modes-never-stated)",
            "State the modes in the host's start code, after the macro",
        )
    last = source.line_count - 1
    is_open = last >= 0 and not source.data.endswith(b"\n")
    if firmware.needs_line_end and is_open and source.line(last).partition(b";")[0].strip():
        text = "the last line has no line end, and this firmware does not run it"
        found.notes.append((last, Note("last-line-not-run", text)))


def _take(
    found: Others,
    index: int,
    command: Command,
    firmware: Firmware,
    e_letter: str,
    source: Source,
    keeper: Keeper,
) -> None:
    code = command.code
    if code in MOTION or code in ("", "G92"):
        _refuse_odd_words(source, index, command)
    if code in MOTION or (code == "" and firmware_goes_on(firmware, command)):
        _refuse_odd_start(source, index, command, firmware)
        found.motion_line.append(index)
        found.motion.append(command)
        return
    if found.motion_line and found.motion_line[-1] == index:
        raise GcodeError(
            source.where(index),
            f"{code or 'a command'} stands after a motion on the same line",
            "Put it on a line of its own: this tool could not follow it safely",
        )
    found.command_line.append(index)
    found.command.append(code)
    modes = found.modes[-1]
    after = modes if _is_strange(command, firmware, e_letter) else switch(modes, command, firmware)
    after = keeper.take(index, command, after)
    if after is not modes:
        found.modes_line.append(index)
        found.modes.append(after)
    if code in ("G93", "G95"):
        raise GcodeError(
            source.where(index),
            f"{code} counts feed in a way this tool cannot follow",
            "Slice the model with feed in units per minute (G94)",
        )
    if code == "G20" and not firmware.reads_inches:
        raise GcodeError(
            source.where(index),
            f"G20 (inches), at which the firmware family {firmware.name} stops",
            "Slice the model in millimetres, or set [machine] firmware to the right family",
        )
    if firmware.reads_volumetric and code in ("M200", "G20"):
        _refuse_odd_volume(source, index, command, modes, after)
    _take_position(found, index, command, firmware, e_letter, after)
    if code == "G28" and not firmware.has_stored_points:
        keeper.homed(index, command)
    _take_event(found, index, command, firmware)


def _is_strange(command: Command, firmware: Firmware, e_letter: str) -> bool:
    """M82/M83 where the family has none are additions of a controller that has E words; A knows
    G90/G91 alone."""
    return command.code in ("M82", "M83") and not firmware.has_e_modes and e_letter != "E"


def _refuse_odd_words(source: Source, index: int, command: Command) -> None:
    if len({letter for letter, _ in command.words}) < len(command.words):
        many = Counter(letter for letter, _ in command.words)
        twice = next(letter for letter, count in many.items() if count > 1)
        raise doubled_word(source, index, twice)
    for letter, value in command.words:
        if value is not None and abs(value) >= MOST:
            raise GcodeError(
                source.where(index),
                f"{letter} is {value:.6g}, past all that a printer does",
                "The line is damaged: slice the model again",
            )


def _refuse_odd_volume(
    source: Source, index: int, command: Command, before: Modes, after: Modes
) -> None:
    """E in cubic millimetres of a filament that is not told."""
    diameter, tool = command.get("D"), command.get("T")
    if diameter is not None and diameter < 0:
        found = f"M200 states a filament of {diameter:g} mm"
    elif after.inch and after.volumetric_mm > 0:
        found = "M200 together with G20, which families count differently"
    elif command.get("S") and diameter is None and not before.volumetric_mm:
        found = "M200 S without D: the filament's diameter is not told"
    elif tool is not None and tool != before.tool and before.volumetric_mm != after.volumetric_mm:
        found = f"M200 for tool {tool:g} alone, while tool {before.tool} is in use"
    else:
        return
    raise GcodeError(
        source.where(index),
        f"{found}, so how much filament E feeds is unknown",
        "Slice the model with E in millimetres (M200 D0)",
    )


def _refuse_odd_start(source: Source, index: int, command: Command, firmware: Firmware) -> None:
    """Words alone that do not begin with an axis or F: families differ in whether they move."""
    letter = command.words[0][0] if command.words else "X"
    if not command.code and letter not in firmware.lone_words:
        raise odd_start(source, index, letter)


def odd_start(source: Source, index: int, letter: str) -> GcodeError:
    """Words alone that do not begin with an axis or F."""
    return GcodeError(
        source.where(index),
        f"words without a command that begin with {letter}, which is no axis",
        "The line is damaged: slice the model again",
    )


def doubled_word(source: Source, index: int, letter: str) -> GcodeError:
    """One letter twice on a line (NIST RS274/NGC 3.3.2: an error; other families take the
    first or the last)."""
    return GcodeError(
        source.where(index),
        f"the word {letter} stands twice, and firmware families differ in which one counts",
        "The line is damaged (a line end may be lost): slice the model again",
    )


def firmware_goes_on(firmware: Firmware, command: Command) -> bool:
    """Words alone move this machine (the last motion goes on)."""
    return firmware.modal_motion and any(letter in "XYZEA" for letter, _ in command.words)


def _take_position(
    found: Others, index: int, command: Command, firmware: Firmware, e_letter: str, modes: Modes
) -> None:
    code, events = command.code, found.events
    if code in ("G92.1", "G92.2"):
        for letter in "XYZE":
            events[letter].add(index, axis.UNKNOWN if letter == "E" else axis.CLEAR)
        found.lost.append(Lost(index, "E", shown(command)))
    elif code == "G92" and not any(command.has(letter) for letter in "XYZEA"):
        _bare_g92(events, index, firmware.bare_g92)
    elif code == "G92":
        _shift(events, index, command, firmware, e_letter, modes)
    elif code == "G28" and not firmware.has_stored_points:
        named = [letter for letter in "XYZ" if command.has(letter)] or "XYZ"
        for letter in named:
            events[letter].add(index, axis.HOME)


def _bare_g92(events: dict[str, AxisEvents], index: int, what: str) -> None:
    """G92 without words: the axes read 0, or lose their shifts, or nothing happens."""
    if what == "nothing":
        return
    for letter in "XYZE":
        if what == "clear" and letter != "E":
            events[letter].add(index, axis.CLEAR)
        else:
            events[letter].add(index, axis.SHIFT, 0.0)


def _shift(
    events: dict[str, AxisEvents],
    index: int,
    command: Command,
    firmware: Firmware,
    e_letter: str,
    modes: Modes,
) -> None:
    words = [word for word in command.words if word[0] != "E" or e_letter == "E"]
    named = {("E" if letter == e_letter else letter): value for letter, value in words}
    for letter in "XYZE":
        if letter in named:
            unit = modes.e_unit(firmware) if letter == "E" else modes.unit_mm
            events[letter].add(index, axis.SHIFT, (named[letter] or 0.0) * unit)


def _take_event(found: Others, index: int, command: Command, firmware: Firmware) -> None:
    code = command.code
    if code == "G4":
        dwell_ms = firmware.dwell_ms(command.get("P"), command.get("S"))
        found.event(index, DWELL, max(dwell_ms, 0.0) / 1000)
    elif code == "M400":
        found.event(index, WAIT)
    elif code in HEATS:
        found.event(index, HEAT)
    elif code == "G28":
        found.event(index, HOME)
    elif code in ("G29", "G30", "G32", "G33", "BED_MESH_CALIBRATE"):
        found.event(index, PROBE)
    elif code in firmware.pauses:
        found.event(index, PAUSE)
    elif code[:1] == "T" and code[1:].isdigit():
        found.event(index, TOOL)
    elif code == "G10" and firmware.g10_retracts(command.letters):
        found.event(index, FW_RETRACT)
    elif code == "G11" and firmware.has_firmware_retract:
        found.event(index, FW_UNRETRACT)
