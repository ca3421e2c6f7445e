"""Marlin. docs/reference/gcode_facts.md#marlin has what users meet; * looked up twice.

- G90/G91 set all axes and forget an earlier M82/M83; a later one holds: M83 G91 G90 leaves E
  absolute, G91 M82 too (gcode.h *)
- G4: S seconds wins over P milliseconds; waits for moves first (G4.cpp *)
- M42 P<pin> S<0..255> acts when read, ahead of queued moves; needs DIRECT_PIN_CONTROL; a fan's
  pin sets the fan (M42.cpp *)
- G10/G11 need FWRETRACT; a second G10 is ignored; M208 S is an extra length (marlinfw.org)
- G20 needs INCH_MODE_SUPPORT; E is in inches too (gcode.h *, parser.h)
- M200 D turns E into cubic millimetres, S0 back (gcode.h *); the feed of E alone still counts mm
  (planner.cpp)
- R wins over I J; under half the chord it is the half circle; P counts turns with ARC_P_CIRCLES
  (marlinfw.org G2-G3)
- words without a command are no move (parser.cpp); at most 95 bytes of a command are kept
  (queue.cpp)
"""

from __future__ import annotations

from collections.abc import Iterator

from capturehook.catalog.firmware.common import (
    AUTO_RETRACT,
    CARD,
    LIMITS,
    OWN_COMMANDS,
    CommonFirmware,
)
from capturehook.model.contracts import OwnCommand, Snippet
from capturehook.model.effects import EVERYTHING, Changes, Command, Refuse, SetFactor
from capturehook.model.numbers import fixed


class Marlin(CommonFirmware):
    """G90/G91 switch E too; M42 acts at once, ahead of queued motion."""

    name = "marlin"
    flavours = ("marlin", "marlin2", "marlin(volumetric)", "griffin", "reprap")
    g90_sets_e = True
    rounds_facets = True
    corner_keys = frozenset({"junction_mm", "jerk_mm_s"})
    own_commands = {
        **OWN_COMMANDS,
        "M118": OwnCommand(text=True, pattern=r"(?!\s*[AP][0-9])[^;*]*"),  # A1 asks the host
        "M150": OwnCommand(may=("R", "U", "W", "B", "P", "I", "K", "S")),
        "M73": OwnCommand(may=("P", "R")),
        "M280": OwnCommand(must=("P", "S"), pin="P"),
        "M240": OwnCommand(),  # with words it moves the head
    }
    limit_commands = ("M201", "M203", "M204", "M205")
    axis_limits = {
        "M201": ("max_accel_mm_s2", 1.0),
        "M203": ("max_mm_min", 60.0),  # mm/s
        "M205": ("jerk_mm_s", 1.0),
    }
    harmless = frozenset(
        (
            f"{LIMITS} G60 G80 M3 M4 M5 M7 M8 M9 M10 M11 M16 M17 M20 M21 M22 M27 M29 M30 M31 M33 "
            "M34 M42 M43 M73 M74 M75 M76 M77 M78 M80 M85 M92 M100 M102 M108 M110 M111 M113 M118 "
            "M120 M121 M122 M123 M126 M127 M128 M129 M141 M143 M145 M149 M150 M154 M155 M163 M164 "
            "M165 M166 M191 M192 M193 M200 M202 M207 M208 M211 M217 M250 M255 M256 M260 M261 M280 "
            "M281 M282 M290 M300 M301 M302 M303 M304 M305 M306 M309 M350 M351 M355 M380 M381 M403 "
            "M404 M405 M406 M407 M412 M413 M414 M425 M430 M486 M493 M500 M501 M502 M503 M504 M505 "
            "M510 M511 M512 M540 M552 M553 M554 M555 M569 M570 M572 M575 M592 M593 M603 M672 M710 "
            "M820 M862 M863 M864 M865 M871 M876 M900 M906 M907 M908 M909 M910 M911 M912 M913 M914 "
            "M915 M919 M928 M951 M993 M994 M995 M7219"
        ).split()
    )
    pauses = frozenset("M0 M1 M25 M125 M226 M600 M601".split())
    stops = frozenset({"M112", "M410", "M524"})
    parks = {  # M125.cpp, M600.cpp: X and Y stand for those of NOZZLE_PARK_POINT
        **dict.fromkeys("G12 G27 M25 M601".split(), ""),
        **dict.fromkeys("M125 M600".split(), "XY"),
    }
    loses = {
        **dict.fromkeys("G26 G27 G12 G61 G5 M701 M702 M605".split(), EVERYTHING),
        **dict.fromkeys("G29 G30 G31 G32 G33 G34 G35 G38.2 G38.3 G42 G76 G425 M48".split(), "XYZ"),
        **dict.fromkeys("M206 M218 M401 M402 M428 M665 M666 M852".split(), "XYZ"),
        **dict.fromkeys("M420 M421 M422 M423 M851".split(), "Z"),
    }
    refuses = {
        "G6": "steps the motors directly, so where they stand cannot be followed",
        **CARD,
        "M808": "repeats lines of the card's file",
    }
    has_workplaces = True
    accel_letters = {  # M204 S is P and T: printing and travel; R is for filament
        "S": ("accel_mm_s2", "travel_accel_mm_s2"),
        "P": ("accel_mm_s2",),
        "T": ("travel_accel_mm_s2",),
        "R": ("retract_accel_mm_s2",),
    }
    junction_letter = "J"
    usual_junction_mm = 0.013  # its template of a configuration
    whole_percents = True  # M220.cpp, M221.cpp: value_int
    flow_tool = "T"
    snippet_cautions = (
        "The firmware must be built with saved positions (G60, G61): send G60 by hand and look "
        "for an unknown-command answer before you use this.",
        "The feed is not put back: the host must state F on its next move.",
        "The place saved in slot 0 is overwritten.",
    )

    def special(self, command: Command) -> Changes | None:
        code = command.code
        if code == "M209" and command.get("S") != 0:
            return (AUTO_RETRACT,)
        if code in ("M209", "M240") and command.letters in ("", "S"):
            return ()
        if code[1:].isdigit() and 810 <= int(code[1:]) <= 819 and command.text:
            return ()  # it stores the text; without one it runs what was stored
        return None

    def factors(self, command: Command) -> Iterator[SetFactor | Refuse]:
        """M220 B stores the speed factor, R brings it back (`M220.cpp`)."""
        if command.code == "M220" and (command.has("B") or command.has("R")):
            yield SetFactor("speed", keeps=command.has("B"), recalls=command.has("R"))
        yield from super().factors(command)

    def camera(self) -> list[str]:
        return ["M240"]

    def layer_change(self, snippet: Snippet) -> list[str]:
        """G60 saves the place; modes cannot be saved, so the host's must be known."""
        if snippet.extrusion is None:
            raise ValueError(f"{self.name} cannot save whether E counts absolutely")
        return [
            "G60 S0",
            *snippet.retract,
            snippet.hop,
            *snippet.park,
            f"G61 X0 Y0 S0 F{fixed(snippet.travel_mm_min)}",
            f"G61 Z0 S0 F{fixed(snippet.hop_mm_min)}",
            *snippet.unretract,
            "G90",
            "M82" if snippet.extrusion == "absolute" else "M83",
        ]
