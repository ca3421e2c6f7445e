"""What most firmware families answer; an attribute is told in `model/contracts.py`, or here."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import TYPE_CHECKING

from capturehook.catalog.firmware.corners import Deviation, Jerk, SquareCorner
from capturehook.model.contracts import (
    Axes,
    CornerRule,
    Effects,
    Firmware,
    Limits,
    OwnCommand,
    Snippet,
)
from capturehook.model.effects import (
    Changes,
    Command,
    Lose,
    MachineCoordinates,
    Note,
    Refuse,
    SetFactor,
    SetOrigin,
    UseWorkplace,
)

if TYPE_CHECKING:
    from capturehook.model.profile import Machine

GENERAL = frozenset(
    [
        "",
        *"G4 G10 G11 G17 G18 G19 G20 G21 G28 G90 G90.1 G91 G91.1 G92 G92.1 G92.2 G94".split(),
        *"M82 M83 M104 M105 M106 M107 M109 M114 M115 M117 M119 M140 M190 M220 M221 M400".split(),
    ]
)
"""What the reader takes itself, or what touches no state wherever it is known."""
RENUMBERS = frozenset(
    "G10 G11 G17 G18 G19 G20 G21 G28 G90 G90.1 G91 G91.1 G92 G92.1 G92.2 M82 M83".split()
)
NAMES = frozenset(
    "EXCLUDE_OBJECT EXCLUDE_OBJECT_DEFINE EXCLUDE_OBJECT_END EXCLUDE_OBJECT_START "
    "SET_PRINT_STATS_INFO M624 M625".split()
)
"""Labels and progress that hosts write into jobs of any family."""
HOME_OFFSETS = frozenset({"M206", "M428"})
"""A number means another place of the machine from then on, also one that is stated anew."""
RESCALES = frozenset("M92 M350 SET_EXTRUDER_ROTATION_DISTANCE SYNC_EXTRUDER_MOTION".split())
"""What one mm of an axis or of filament is for the motors: the job's numbers stay."""
SWITCHES = frozenset({"M42", "M240"})
"""Pins and cameras, which a block may switch."""
LIMITS = "M201 M203 M204 M205"
"""Limits change times only."""
WORKPLACES = {
    **{f"G{53 + number}": number for number in range(1, 7)},
    **{f"G59.{part}": 6 + part for part in (1, 2, 3)},
}
"""G54 ... G59.3 and their numbers (RS-274/NGC 3.5.13)."""
_CODED = frozenset(letter + digit for letter in "GMT" for digit in "0123456789")
MOTORS_OFF = frozenset({"M18", "M84"})
ALL_ACCELERATIONS = ("accel_mm_s2", "travel_accel_mm_s2", "retract_accel_mm_s2")
CARD = {
    "M23": "opens another file of the card",
    "M26": "jumps within the card's file",
    "M28": "stores the lines after it on the card instead of running them",
    "M32": "runs another file of the card",
}
"""Codes refused by the families that run jobs of a card by line."""
AUTO_RETRACT = Refuse(
    "M209 turns strokes of filament alone into the firmware's own retraction "
    "(auto-retract), so those of a pose block would be lost",
    "Turn auto-retract off (M209 S0) in the host's start code",
)


TEXT = OwnCommand(text=True)
BEEP = OwnCommand(may=("S", "P"), most={"P": 5000})
OWN_COMMANDS = {
    "G4": OwnCommand(may=("P", "S")),
    "M400": OwnCommand(),
    "M117": TEXT,
    "M118": TEXT,
    "M42": OwnCommand(must=("P", "S"), pin="P"),
    "M300": BEEP,
    "M355": OwnCommand(may=("S", "P")),
}
"""What most families know and what harms nothing."""
HEATER_NAME = re.compile(r"heat|hot_?end|nozzle|extruder|chamber|bed", re.I)
"""A pin so named is never switched."""


class CommonFirmware(Firmware):
    """Answers of the catalog's Firmware contract that most families agree on."""

    name = ""
    flavours: tuple[str, ...] = ()
    # modes and words
    g90_sets_e = False
    g91_forces_relative_e = False
    has_e_modes = True
    inch_scales_e = True
    rapid_has_own_feed = False
    rapid_ignores_feed = False
    modal_motion = False
    lone_words = "XYZEAF"
    several_commands = "first"
    reads_inches = True
    reads_radius_arcs = True
    reads_relative_arcs = True
    bare_g92 = "nothing"
    has_stored_points = False
    reads_volumetric = True
    suspects: re.Pattern[bytes] | None = None
    strange_codes: Mapping[str, str] = {}
    # state
    pauses = frozenset({"M0", "M1", "M25", "M226", "M600", "M601"})
    parks: Mapping[str, str] = dict.fromkeys(("M25", "M600", "M601"), "")
    e_after_relative = "added"
    indented_bodies = False
    has_named_macros = False
    needs_line_end = False
    harmless: frozenset[str] = frozenset()
    loses: Mapping[str, str] = {}
    refuses: Mapping[str, str] = {}
    stops = frozenset({"M112"})
    """Commands that end the print at once, heaters and motors with it."""
    has_workplaces = False  # G53, and G54 to G59.3
    # filament
    has_firmware_retract = True
    retraction_moves_numbers = False
    retract_code: str | None = "M207"
    can_prime = True
    # time
    speed_percent: tuple[float, float] | None = (1.0, 999.0)
    flow_percent: tuple[float, float] | None = (1.0, 1000.0)
    bare_percent: float | None = None
    whole_percents = False
    factors_spare_filament = False
    flow_tool: str | None = None
    limits_hold_for_path = False
    cruise_ratio = 0.0
    rounds_facets = False
    reversal_adds = False
    default_jerk = (10.0, 10.0, 0.3, 5.0)
    corner_keys: frozenset[str] = frozenset()
    limit_commands: tuple[str, ...] = ()
    axis_limits: Mapping[str, tuple[str, float]] = {}
    accel_letters: Mapping[str, tuple[str, ...]] = {}  # of M204, and what each states
    junction_letter: str | None = None  # of M205, where it states a junction deviation
    usual_junction_mm: float | None = None  # by which corners are taken where nothing is stated
    # pins and texts
    pin_line = "M42 P{pin} S{level:g}"
    message_line = "M118 {text}"
    full_on = 255.0
    names_pins = False
    # own lines: docs/reference/triggers.md#lines
    own_commands: Mapping[str, OwnCommand] = OWN_COMMANDS
    reads_small_letters = True
    # snippet
    snippet_cautions: tuple[str, ...] = ()

    ends_job: frozenset[str] = frozenset()
    silent_end: frozenset[str] = frozenset()
    stored_place: tuple[str, str] | None = None
    keep_and_give_back: tuple[str, str] | None = None

    @cached_property
    def effects(self) -> Effects:  # type: ignore[override]
        """The same tables as the witness of the output reads them."""
        own = GENERAL - RENUMBERS | self.harmless | self.pauses | NAMES | SWITCHES
        return Effects(
            harmless=own - self.ends_job - frozenset(self.keep_and_give_back or ()),
            ends_job=self.ends_job,
            silent_end=self.silent_end,
            stored_place=self.stored_place,
            keep_and_give_back=self.keep_and_give_back,
            relative_stroke={"added": "adds", "kept": "stays"}.get(self.e_after_relative, "zero"),
            small_letters_act=not self.reads_small_letters,
        )

    def changes(self, command: Command) -> Changes:
        """By ``special``, then ``harmless``, ``loses`` and ``refuses``."""
        special = self.special(command)
        if special is not None:
            return special
        code = command.code
        if self.has_workplaces and code == "G53":
            return (MachineCoordinates(),)
        if self.has_workplaces and code in WORKPLACES:
            return (UseWorkplace(WORKPLACES[code]),)
        if code in ("M220", "M221"):
            return tuple(self.factors(command))
        whole = code.partition(".")[0] if code[:1] == "M" else code
        if whole in RESCALES and whole in self.harmless and (command.words or command.text):
            text = f"{code} changes the steps per mm: lengths differ from here on, in blocks too"
            return (Note("lengths-change", text, printing=True),)
        if whole in self.stops:
            return (Refuse(f"{code} stops the printer at once: nothing after it is printed"),)
        if code in GENERAL or whole in self.harmless or whole in NAMES or whole in self.pauses:
            return ()
        if whole in self.loses:
            return (Lose(self.loses[whole], frame=whole in HOME_OFFSETS),)
        if whole in self.refuses:
            return (Refuse(f"{code} {self.refuses[whole]}"),)
        if whole in MOTORS_OFF:
            return () if command.has("S") else (Lose("XYZ", frame=True),)
        if code[:1] == "T" and code[1:].isdigit():
            return (Lose("XYZER"),)
        if not self.has_named_macros and code[:1] + code[1:2] not in _CODED:
            return ()  # an error message, and nothing done
        return (Lose(foreign=True),)

    def special(self, command: Command) -> Changes | None:
        """Changes that depend on more than the code; None for "as the tables say"."""
        return None

    def factors(self, command: Command) -> Iterator[SetFactor | Refuse]:
        """What M220 and M221 set."""
        percent = command.get("S") if command.has("S") else self.bare_percent
        is_flow = command.code == "M221"
        limits = self.flow_percent if is_flow else self.speed_percent
        if percent is None or limits is None:
            return
        percent = float(int(percent)) if self.whole_percents else percent
        if is_flow and not 1.0 <= percent <= 1000.0:
            yield Refuse(f"M221 feeds filament at {percent:g} %, which no print does")
            return
        tool = command.get(self.flow_tool) if is_flow and self.flow_tool else None
        least, most = limits
        yield SetFactor(
            "flow" if is_flow else "speed",
            min(max(percent, least), most),
            None if tool is None else int(tool),
        )

    def refuses_text(self, text: str) -> Refuse | None:
        return None

    def dwell(self, ms: int) -> list[str]:
        return [f"G4 P{ms}"] if ms > 0 else []

    def wait(self) -> list[str]:
        return ["M400"]

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """S (seconds) wins over P (milliseconds)."""
        return 1000.0 * s if s is not None else (p or 0.0)

    def check_pin(self, pin: str | int | None, on: float | None) -> None:
        if pin is None:
            raise ValueError("trigger.pin: is missing; add the number or name of the output")
        if isinstance(pin, str) and not _is_pin_name(pin):
            raise ValueError(
                f"trigger.pin: {pin!r} is no name of a pin; use letters, digits and _ only"
            )
        if isinstance(pin, str) and HEATER_NAME.search(pin):
            raise ValueError(f"trigger.pin: {pin!r} is named like a heater; take another output")
        if not self.names_pins and not str(pin).lstrip("-").isdigit():
            raise ValueError(f"trigger.pin: {self.name} knows pins by number; give the number")
        if on == 0:
            raise ValueError("trigger.on: 0 never closes the contact; omit it for full scale")
        if self.names_pins and on is not None and on > self.full_on:
            raise ValueError(
                f"trigger.on: {on:g} is over full scale; {self.name} counts from 0 to 1"
            )

    def set_pin(self, pin: str | int, value: float | None, on: bool) -> list[str]:
        level = (self.full_on if value is None else value) if on else 0.0
        return [self.pin_line.format(pin=pin, level=level)]

    def message(self, text: str) -> list[str]:
        return [self.message_line.format(text=text)]

    def camera(self) -> list[str]:
        raise ValueError(
            f"trigger.by: {self.name} has no camera command; use pin, message or lines"
        )

    def g10_retracts(self, letters: str) -> bool:
        """Words or none: it is a retraction."""
        return True

    def retract(self) -> list[str]:
        return ["G10"]

    def unretract(self) -> list[str]:
        return ["G11"]

    def usual_corners(self, accel_mm_s2: float) -> CornerRule:
        if self.usual_junction_mm is not None:
            return Deviation(self.usual_junction_mm, facets=self.rounds_facets)
        return Jerk(self.default_jerk, reversal_adds=self.reversal_adds)

    def corner_rule(self, machine: Machine) -> CornerRule:
        """The rule the profile states, else the usual one of the family."""
        if machine.jerk_mm_s is not None:
            jerk = machine.jerk_mm_s
            return Jerk((jerk.x, jerk.y, jerk.z, jerk.e), reversal_adds=self.reversal_adds)
        if machine.corner_mm_s is not None:
            return SquareCorner(machine.corner_mm_s, machine.accel_mm_s2, self.cruise_ratio)
        if machine.junction_mm is not None:
            return Deviation(machine.junction_mm, facets=self.rounds_facets)
        return self.usual_corners(machine.accel_mm_s2)

    def stated_limits(self, code: str, words: Axes) -> Limits:
        """By ``axis_limits``, ``junction_letter`` and ``stated_accel``."""
        said: Limits = {**self.stated_accel(code, words)}
        axes = {axis: words[axis.upper()] for axis in "xyze" if words.get(axis.upper(), 0) > 0}
        if code in self.axis_limits and axes:
            key, per = self.axis_limits[code]
            said[key] = {axis: number * per for axis, number in axes.items()}
        letter = self.junction_letter if code == "M205" else None
        if letter is not None and words.get(letter, 0.0) > 0:
            said["junction_mm"] = words[letter]
        return said

    def stated_accel(self, code: str, words: Axes) -> Axes:
        """By ``accel_letters`` of M204; later ones hold."""
        stated = above_zero(words) if code == "M204" else {}
        letters = [letter for letter in self.accel_letters if letter in stated]
        return {key: stated[letter] for letter in letters for key in self.accel_letters[letter]}

    def layer_change(self, snippet: Snippet) -> list[str]:
        raise ValueError(
            f"{self.name} cannot save a place and go back to it, and a text at the layer change "
            "does not know where the nozzle is"
        )


def _is_pin_name(name: str) -> bool:
    return name.isascii() and name.replace("_", "").replace("-", "").isalnum()


def set_origin(command: Command) -> Changes | None:
    """G10 L2 and L20: zero of a workplace by its place, or by where the nozzle is."""
    if command.get("L") not in (2.0, 20.0):
        return None
    words = tuple((one, value or 0.0) for one, value in command.words if one in "XYZ")
    return (SetOrigin(int(command.get("P") or 0), words, here=command.get("L") == 20.0),)


def above_zero(words: Axes) -> Axes:
    """Zero means "not stated" in commands about limits."""
    return {name: number for name, number in words.items() if number > 0}


def all_three(accel: float | None) -> Axes:
    """One acceleration for printing, travel and filament."""
    return {} if accel is None else dict.fromkeys(ALL_ACCELERATIONS, accel)
