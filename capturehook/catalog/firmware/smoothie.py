"""Smoothie. docs/reference/gcode_facts.md#smoothie has what users meet; * looked up twice.

- G90/G91 set E's mode too; G0 has an F of its own; E is not converted under G20; G92 without
  words, G92.1 and G92.2 clear the shifts and set E to 0; M204 X Y Z are accelerations of axes,
  M205 X junction deviation (Robot.cpp *)
- G4: P milliseconds plus S seconds; waits for moves when over 0; in its CNC mode P is seconds
  (Robot.cpp *)
- outputs are switched by two codes of the machine's own configuration; an M-number that equals
  the "on" code switches on, whatever its words (Switch.cpp *). So pin is refused: M42 P5 S0 would
  close the contact again. Use by = "lines" with your two codes.
- a line that starts with X, Y, Z or F goes on with the last G0 to G3; one that starts with E is
  ignored, and refused here (GcodeDispatch.cpp *)
- M117 takes the raw rest of the line; there is no M118; a line with an unknown code is still cut
  at each capital G, M and T, so text in it would act (GcodeDispatch.cpp *)
- a line over 128 bytes, comment counted, is dropped (Player.cpp)
"""

from __future__ import annotations

import re

from capturehook.catalog.firmware.common import (
    ALL_ACCELERATIONS,
    LIMITS,
    TEXT,
    CommonFirmware,
    set_origin,
)
from capturehook.model.contracts import OwnCommand
from capturehook.model.effects import EVERYTHING, Changes, Command, End, Lose, Pop, Push, Refuse

_STACKED = ("absolute", "m82", "inch", "coordinate_system")
"""Robot.cpp, push_state; both feeds are stacked too."""


class Smoothie(CommonFirmware):
    """G90/G91 switch E too; G4 adds S to P; G0 and G1 keep an F each; words go on alone."""

    name = "smoothie"
    flavours = ("smoothie", "reprap")
    g90_sets_e = True
    modal_motion = True
    lone_words = "XYZF"  # GcodeDispatch.cpp: others are ignored
    several_commands = "in turn"
    bare_g92 = "clear"
    inch_scales_e = False
    rapid_has_own_feed = True
    corner_keys = frozenset({"junction_mm"})
    limit_commands = ("M203", "M204", "M205")
    own_commands = {"G4": OwnCommand(may=("P", "S")), "M400": OwnCommand(), "M117": TEXT}
    reads_small_letters = False
    axis_limits = {"M203": ("max_mm_min", 60.0)}  # mm/s

    harmless = frozenset(
        (
            f"{LIMITS} M3 M4 M5 M7 M8 M9 M17 M20 M21 M27 M42 M43 M80 M81 M92 M110 M118 M141 M191 "
            "M200 M207 M208 M280 M300 M301 M303 M304 M305 M360 M404 M405 M406 M407 M500 M501 M502 "
            "M503 M504 M670 M900 M907 M909 M910 M911 M957"
        ).split()
    )
    pauses = frozenset({"M25", "M600", "M601"})
    loses = {
        **dict.fromkeys("G28 G29 G30 G31 G32 G33 G38.2 G38.3 M206 M306 M665 M666".split(), "XYZ"),
        **dict.fromkeys("M370 M371 M372 M373 M374 M375 M561 M565".split(), "XYZ"),
        "M24": EVERYTHING,
    }
    refuses = {
        "M23": "opens another file",
        "M26": "jumps within the file",
        "M28": "stores the lines after it instead of running them",
        "M32": "runs another file",
        "M1000": "is a shell command of the board",
    }
    has_workplaces = True
    accel_letters = {"S": ALL_ACCELERATIONS}
    junction_letter = "X"
    usual_junction_mm = 0.05  # from memory
    message_line = "M117 {text}"  # M118 is not known; capitals in an unknown line would act
    speed_percent = (10.0, 1000.0)  # Robot.cpp
    retraction_moves_numbers = True  # Extruder.cpp: delta_move
    flow_tool = ""  # Extruder.cpp: the selected one
    suspects = re.compile(rb"(?m)^[a-z$]")
    ends_job = frozenset({"M2"})
    keep_and_give_back = ("M120", "M121")

    def special(self, command: Command) -> Changes | None:
        code = command.code
        if code == "M120":
            return (Push(_STACKED),)
        if code == "M121":
            return (Pop(),)
        if code == "G10" and command.has("L"):
            return set_origin(command) or (Lose("XYZ", frame=True),)
        if code in ("M2", "M30"):
            return (End(goes_on=True),)
        if code in ("G92.3", "G92.4", "G43", "G43.1", "G43.2", "G49"):
            return (Lose("XYZ", frame=True),)
        return None

    def refuses_text(self, text: str) -> Refuse | None:
        if text[:1] == "$" or (text[:1].islower() and text[:1].isascii()):
            return Refuse(
                f"{text.split()[0]!r} is a command of the board's shell, as every line that begins "
                "with a small letter",
                "Write commands in capitals, or slice the model again without that line",
            )
        return None

    def check_pin(self, pin: str | int | None, on: float | None) -> None:
        raise ValueError(
            f"trigger.by: {self.name} switches an output by two codes of its own configuration, "
            'not by a pin; use by = "lines" with those codes'
        )

    def g10_retracts(self, letters: str) -> bool:
        """With L it sets a coordinate system."""
        return "L" not in letters

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """Seconds and milliseconds are added."""
        return (p or 0.0) + 1000.0 * (s or 0.0)
