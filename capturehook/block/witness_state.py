"""What is known of the machine from bytes alone, and what one command does to it.

Written apart from the interpreter of jobs (`read/`), from the facts and sources in
docs/reference/gcode_facts.md. What cannot be told is None, with the place of the line that lost it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import pi
from typing import Any

from capturehook.block.witness_found import Found, Number, moves
from capturehook.block.witness_lines import FOREIGN, Command
from capturehook.model.contracts import Firmware

AXES = tuple(enumerate("XYZ"))
MOTION = {"G0": 0, "G1": 1, "G2": 2, "G3": 3}
LOSES_PLACE = frozenset(
    "G5 G5.1 G12 G26 G27 G29 G30 G31 G32 G33 G34 G35 G38.2 G38.3 G38.4 G38.5 G42 G53 G76 "
    "G425 M18 M48 M84 M206 M280 M374 M375 M376 "
    "M401 M402 M410 M420 M421 M423 M428 M561 M852 BED_MESH_CALIBRATE BED_MESH_CLEAR "
    "BED_MESH_PROFILE PROBE QUAD_GANTRY_LEVEL SET_STEPPER_ENABLE Z_TILT_ADJUST".split()
)
"""Homing, probing, corrections, motors off: afterwards the place is not told by the job."""
OTHER_FRAME = frozenset(
    "G10 G43 G43.1 G43.2 G49 G52 G55 G56 G57 G58 G59 G59.1 G59.2 G59.3 G92.3 G92.9".split()
)
"""Tables of offsets: numbers mean other places of the machine afterwards."""
STOPS_FOLLOWING = frozenset(
    "G6 G7 G16 G18.1 G41 G41.1 G42.1 G50 G51 G66 G68 G93 G95 M23 M24 M26 M28 M32 M37 M70 M71 M72 "
    "M97 M99 M471 M584 M596 M606 M669 M808 MERGE SDCARD_PRINT_FILE WHILE".split()
)
"""Feed, lengths, directions or the order of lines mean something else from here on."""
NAMED_STATES = frozenset({"SET_GCODE_OFFSET", "SAVE_GCODE_STATE", "RESTORE_GCODE_STATE"})
"""Commands by name, where a family has such."""
FOLLOWED = (
    OTHER_FRAME
    | NAMED_STATES
    | frozenset(
        "G10 G11 G17 G18 G19 G20 G21 G28 G80 G90 G90.1 G91 G91.1 G92 G92.1 G92.2 M82 M83 M109 M200 "
        "M209 M221 IF ELIF ELSE".split()
    )
)
"""Commands with a rule of their own below, whatever list of harmless ones they stand in."""
_KEEPS_MOTION = frozenset("G54 G61 G61.1 G64 G94 G97".split())
CONDITIONS = frozenset({"IF", "ELIF", "ELSE"})


@dataclass(slots=True)
class Family:
    """How lines are carried out, and what filament one unit of E is."""

    firmware: Firmware
    e_letter: str
    usual_per_unit: float
    """mm of filament for one unit of E, where the job does not say M200."""
    kept: dict[str, Found] = field(default_factory=dict)
    """Stored states by name; a stack has its depth for a name."""
    idle: frozenset[str] = field(init=False, repr=False)
    """M commands, and names, that change nothing of what is followed."""

    def __post_init__(self) -> None:
        harmless = self.firmware.effects.harmless
        self.idle = frozenset(one for one in harmless if one[:1] == "M" or "_" in one) - FOLLOWED

    def is_motion(self, command: Command) -> bool:
        """Motion, or where the family goes on with it, words alone."""
        return command.code in MOTION or (command.code == "" and self.firmware.modal_motion)

    def e_absolute(self, found: Found) -> bool:
        e_absolute = found.m82 is not False
        if self.firmware.g91_forces_relative_e:
            return e_absolute and found.absolute
        return e_absolute

    def e_unit(self, found: Found) -> float:
        return found.unit() if self.firmware.inch_scales_e else 1.0

    def mm_per_unit(self, found: Found) -> float:
        """mm of filament for one of the numbers in ``Found.e``, where an axis moves too."""
        area = pi * found.volumetric_mm**2 / 4
        return (1 / area if area > 0 else self.usual_per_unit) * self._flow(found)

    def share_alone(self, found: Found) -> float:
        """What a move of filament alone feeds, as a share of that."""
        return 1 / self._flow(found) if self.firmware.factors_spare_filament else 1.0

    def _flow(self, found: Found) -> float:
        return found.flows.get(self._flow_tool(found), 1.0) if found.flows else 1.0

    def _flow_tool(self, found: Found) -> int:
        return 0 if self.firmware.flow_tool is None else int(found.tool[1:])

    # What one line does ------------------------------------------------------------------

    def carry_out(self, found: Found, command: Command, at: int) -> float | None:
        """Change ``found`` by one command; returns filament fed (mm), None where not told."""
        code = command.code
        if found.dead is not None:
            return None
        if code in self.idle:
            return 0.0
        if self.is_motion(command):
            return self._move(found, command, MOTION.get(code), at)
        if not self._switch(found, command) and not self._renumber(found, command, at):
            return self._other(found, command, at)
        return 0.0

    def _move(self, found: Found, command: Command, kind: int | None, at: int) -> float | None:
        words, unit = command.words, found.unit()
        strange = kind in (0, 1) and ("R" in words or "H" in words)
        if kind is not None:
            found.motion = kind
        elif found.motion is None and {"X", "Y", "Z", "A"} & set(words):
            self.lose(found, at)
            return None
        for index, letter in AXES:
            if letter not in words:
                continue
            value, was = words[letter], found.number[index]
            if value is None or strange or (not found.absolute and was is None):
                found.number[index] = None
                found.lost_at = at
            else:
                found.number[index] = value * unit + (0.0 if found.absolute else _or_0(was))
        self._take_feed(found, words)
        return self._stroke(found, words, at)

    def _take_feed(self, found: Found, words: dict[str, float | None]) -> None:
        feed = words.get("F")
        if feed is None or not one_way(feed > 0):
            return
        if self.firmware.rapid_has_own_feed and found.motion == 0:
            found.rapid_feed = feed * found.unit()
        else:
            found.feed = feed * found.unit()

    def _stroke(self, found: Found, words: dict[str, float | None], at: int) -> float | None:
        value = words.get(self.e_letter)
        if value is None:
            return 0.0
        value = value * self.e_unit(found)
        if self.e_absolute(found):
            step = None if found.e is None else value - found.e
            found.e = value
        else:
            step = value
            found.e = self.after_strokes(found.e, step)
        alone = 1.0 if {"X", "Y", "Z"} & set(words) else self.share_alone(found)
        return None if step is None else step * self.mm_per_unit(found) * alone

    def after_strokes(self, e: float | None, step: float) -> float | None:
        """The number for E after relative strokes: families differ."""
        way = self.firmware.effects.relative_stroke
        if way == "zero":
            return 0.0
        return e if way == "stays" or e is None else e + step

    def _switch(self, found: Found, command: Command) -> bool:
        code = command.code
        if code in ("G90", "G91"):
            found.absolute = code == "G90"
            if self.firmware.g90_sets_e:
                found.m82, found.guessed_e_mode = found.absolute, False
        elif code in ("M82", "M83"):
            if self.e_letter == "E" or self.firmware.has_e_modes:
                found.m82, found.guessed_e_mode = code == "M82", False
        elif code in ("G20", "G21"):
            found.inch = code == "G20"
        elif code in ("G17", "G18", "G19"):
            found.plane = int(code[1:])
        elif code in ("G90.1", "G91.1"):
            found.absolute_centres = code == "G90.1"
        else:
            return False
        return True

    def _renumber(self, found: Found, command: Command, at: int) -> bool:
        code, words, pair = command.code, command.words, self.firmware.effects.keep_and_give_back
        if code == "G92" and not {"X", "Y", "Z", self.e_letter} & set(words):
            self._bare_g92(found)
        elif code == "G92":
            for index, letter in AXES:
                if letter in words:
                    found.number_is(index, _or_0(words[letter]) * found.unit())
            if self.e_letter in words:
                found.e = _or_0(words[self.e_letter]) * self.e_unit(found)
        elif code in ("G92.1", "G92.2"):
            found.unshift()
            found.e, found.lost_at = None, at
        elif code in NAMED_STATES and self.firmware.has_named_macros:
            self._take_named_state(found, command, at)
        elif pair and code == pair[0]:
            self.kept[f" {len(self.kept)}"] = found.copy()
            if found.volumetric_mm:
                found.dead = at  # counted otherwise inside, on some
        elif pair and code == pair[1]:
            if self.kept:  # else a message, no change
                found.give_modes_back(self.kept.popitem()[1])
        else:
            return False
        return True

    def _take_named_state(self, found: Found, command: Command, at: int) -> None:
        given = command.keys()
        name = given.get("NAME", "default")
        if command.code == "SET_GCODE_OFFSET":
            found.set_offset(given, at)
        elif command.code == "SAVE_GCODE_STATE":
            self.kept[name] = found.copy()
        else:
            found.give_back(self.kept.get(name), moves(given), at)

    def _bare_g92(self, found: Found) -> None:
        if self.firmware.bare_g92 == "zero":
            for index, _ in AXES:
                found.number_is(index, 0.0)
        elif self.firmware.bare_g92 == "clear":
            found.unshift()
        if self.firmware.bare_g92 != "nothing":
            found.e = 0.0

    # All others --------------------------------------------------------------------------

    def _other(self, found: Found, command: Command, at: int) -> float | None:
        """Commands that change no number by a rule; returns filament fed, None if not told."""
        code, words, effects = command.code, command.words, self.firmware.effects
        several, temperatures = self.firmware.several_commands, not {*"LXYZA"} & {*words}
        if code in (effects.stored_place or ()):
            self._store_place(found, command, at)
        elif code in effects.ends_job or (code in STOPS_FOLLOWING and code not in effects.harmless):
            found.dead = at
        elif code == FOREIGN and several == "modes first":
            found.dead = at  # loops, expressions
        elif code == "M200" and self.firmware.reads_volumetric:
            self._count_volume(found, command, at)
        elif code == "M221":
            self._set_flow(found, command, at)
        elif code == "M209":
            found.lone_e_is_retraction = bool(command.number("S"))
        elif code in CONDITIONS or code == "G54" or self.retracts(command):
            pass
        elif code in OTHER_FRAME and not (code == "G10" and temperatures):
            if code != "G49" or found.shift != [0.0, 0.0, 0.0]:
                found.number, found.shift = [None, None, None], [None, None, None]
                found.lost_at = at
        elif code == "G28" and not self.firmware.has_stored_points:
            self._home(found, command)
        elif code == "G28" or (code in LOSES_PLACE and code not in effects.harmless):
            found.number, found.lost_at = [None, None, None], at
        elif self._is_no_command(code):
            pass  # an error message, and nothing done
        elif (code == "M109" and "T" in words and several == "in turn") or (
            code not in effects.harmless and code != "G10"
        ):  # a tool with macros, or a command that is not known
            self._foreign(found, command, at)
            return None
        if code[:1] == "G" and code not in ("G4", "G10", "G11") and self.firmware.modal_motion:
            found.motion = found.motion if code in _KEEPS_MOTION else None
        return 0.0

    def _store_place(self, found: Found, command: Command, at: int) -> None:
        """M401 and M402 (Repetier `Printer.cpp`): the feed comes back with the place."""
        store, _ = self.firmware.effects.stored_place or ("", "")
        if command.code == store:
            self.kept[f" {store}"] = found.copy()
            return
        saved = self.kept.get(f" {store}")
        found.number, found.lost_at = [None, None, None], at
        found.feed = None if saved is None else saved.feed
        if self.e_letter in command.words:
            found.e = None

    def _home(self, found: Found, command: Command) -> None:
        """Home is 0 of the machine, and shifts of G92 are gone."""
        named = [letter in command.words for letter in "XYZ"]
        for index in range(3):
            if named[index] or not any(named):
                found.number[index], found.shift[index] = 0.0, found.offset[index]

    def _is_no_command(self, code: str) -> bool:
        """A name, to a family that runs what it does not know as nothing."""
        firmware = self.firmware
        stops = firmware.has_named_macros or firmware.several_commands == "modes first"
        return code != FOREIGN and not stops and not (code[:1] in "GMT" and code[1:2].isdigit())

    def _foreign(self, found: Found, command: Command, at: int) -> None:
        code = command.code
        is_tool = code[:1] == "T" and code[1:].isdigit()
        if code == "ACTIVATE_EXTRUDER" and self._flow(found) != 1:
            found.dead = at  # 100 % again, or not where it was in use already
        self.lose(found, at, keep_feed=is_tool or code in ("M98", "ACTIVATE_EXTRUDER"))
        if is_tool:
            found.tool = code
        if self.firmware.modal_motion and code[:1] == "G":
            found.motion = None

    def retracts(self, command: Command) -> bool:
        """Is it the firmware's own retraction, or the end of it?"""
        if command.code == "G11":
            return self.firmware.has_firmware_retract
        return command.code == "G10" and self.firmware.g10_retracts("".join(command.words))

    def _set_flow(self, found: Found, command: Command, at: int) -> None:
        firmware = self.firmware
        percent = command.number("S") if "S" in command.words else firmware.bare_percent
        if firmware.flow_percent is None or percent is None:
            return
        least, most = firmware.flow_percent
        percent = min(max(int(percent) if firmware.whole_percents else percent, least), most)
        tool = command.number(firmware.flow_tool) if firmware.flow_tool else None
        found.flows[self._flow_tool(found) if tool is None else int(tool)] = percent / 100

    def _count_volume(self, found: Found, command: Command, at: int) -> None:
        diameter, tool = command.number("D"), command.number("T")
        other = tool is not None and f"T{tool:g}" != found.tool
        if (found.inch and diameter) or (other and diameter != found.volumetric_mm):
            found.dead = at
        if command.number("S") and diameter is None and not found.volumetric_mm:
            found.dead = at
        if command.number("S") == 0:
            found.volumetric_mm = 0.0
        elif diameter is not None:
            found.volumetric_mm = diameter

    def lose(self, found: Found, at: int, *, keep_feed: bool = False) -> None:
        """After a command that may do anything. Modes stated before it count as kept: the job's
        own next lines count on them."""
        found.number, found.e, found.lost_at = [None, None, None], None, at
        if not keep_feed:
            found.feed = found.rapid_feed = None
        found.guessed_e_mode |= found.m82 is None

    def lose_named(self, found: Found, command: Command, at: int) -> None:
        """A line that may or may not be run: what it would change is not known afterwards."""
        before = found.copy()
        self.carry_out(found, command, at)
        if found.modes() != before.modes():
            found.dead = at
        found.number = [
            now if now == was and letter not in command.words else None
            for now, was, letter in zip(found.number, before.number, "XYZ", strict=True)
        ]
        found.e = found.e if found.e == before.e else None
        found.feed = found.feed if found.feed == before.feed else None
        found.lost_at = at


def _or_0(value: Number) -> Number:
    return 0.0 if value is None else value


def one_way(truth: Any) -> bool:
    """The truth of a bool, or of all rows of a column.

    Raises
    ------
    ValueError
        Rows differ.
    """
    if not isinstance(truth, bool) and truth.any() != truth.all():
        raise ValueError("rows differ")
    return bool(truth if isinstance(truth, bool) else truth.all())
