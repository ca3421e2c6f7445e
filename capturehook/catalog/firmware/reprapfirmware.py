"""RepRapFirmware. docs/reference/gcode_facts.md#reprapfirmware has what users meet; *: looked
up twice.

- only M82/M83 touch E's mode (GCodes2.cpp)
- G4 S seconds wins over P milliseconds; waits for this stream's moves (GCodes.cpp)
- bare G10 is a retraction; with P, R, S or axes it sets tools (GCodes2.cpp)
- several commands on one line run in turn (StringParser.cpp)
- M118 needs its text as a quoted S word, a quote inside written twice (GCodes2.cpp *, Duet page
  M118 *; not the doubled quote)
- 255 bytes of a command at most (Configuration.h)
"""

from __future__ import annotations

import re

from capturehook.catalog.firmware.common import BEEP, LIMITS, CommonFirmware, set_origin
from capturehook.model.contracts import OwnCommand, Snippet
from capturehook.model.effects import (
    EVERYTHING,
    Changes,
    Command,
    End,
    Lose,
    Note,
    Pop,
    Push,
    Refuse,
)
from capturehook.model.numbers import fixed

_VALUE = re.compile(r"[GT][^;]*\{|(?:if|elif|while)\s*[({]", re.I)
_STACKED = ("absolute", "m82", "inch", "plane", "volumetric_mm")
"""GCodeMachineState.cpp; the place, workplace, tool and number for E are not among them."""


class RepRapFirmware(CommonFirmware):
    """Only M82/M83 touch E; M42 is queued with the moves."""

    name = "reprapfirmware"
    flavours = ("reprapfirmware", "reprap")
    several_commands = "in turn"
    full_on = 1.0
    reversal_adds = True
    default_jerk = (15.0, 15.0, 0.2, 2.0)  # from memory
    corner_keys = frozenset({"jerk_mm_s"})
    limit_commands = ("M201", "M203", "M204", "M205", "M566")
    axis_limits = {
        "M201": ("max_accel_mm_s2", 1.0),
        "M203": ("max_mm_min", 1.0),
        "M205": ("jerk_mm_s", 1.0),
        "M566": ("jerk_mm_s", 1.0 / 60.0),  # mm/min
    }
    own_commands = {
        "G4": OwnCommand(may=("P", "S")),
        "M400": OwnCommand(),
        "M117": OwnCommand(text=True, pattern=r'"[^"{}]*"|[^;*"{}]+'),
        "M118": OwnCommand(text=True, pattern=r'(?:P[01]\s+)?S"[^"{}]*"'),  # P3 on: the network
        "M42": OwnCommand(must=("P", "S"), pin="P", most={"S": 1}),
        "M280": OwnCommand(must=("P", "S"), pin="P"),
        "M150": OwnCommand(may=("R", "U", "B", "W", "P", "Y", "S", "F", "E", "X")),
        "M300": BEEP,
    }
    harmless = frozenset(
        (
            f"{LIMITS} M3 M4 M5 M17 M20 M21 M22 M27 M29 M31 M36 M39 M42 M73 M75 M76 M77 M80 M85 "
            "M92 M108 M110 M111 M116 M118 M122 M135 M141 M143 M144 M150 M155 M191 M200 M202 M207 "
            "M208 M260 M261 M280 M290 M291 M292 M300 M301 M302 M303 M304 M305 M307 M308 M309 M350 "
            "M404 M407 M408 M409 M450 M451 M452 M453 M470 M471 M486 M500 M501 M502 M503 M505 M540 "
            "M550 M551 M552 M553 M554 M556 M557 M558 M559 M560 M562 M564 M566 M567 M568 M570 M571 "
            "M572 M573 M574 M575 M576 M577 M578 M580 M581 M582 M586 M587 M588 M589 M591 M592 M593 "
            "M594 M595 M900 M905 M906 M911 M912 M913 M914 M915 M916 M917 M929 M950 M952 M954 M955 "
            "M956 M957 M970 VAR GLOBAL SET ECHO SKIP"
        ).split()
    )
    pauses = frozenset("M25 M226 M600 M601".split())
    parks = dict.fromkeys(pauses, "")  # pause.g and filament-change.g move it
    e_after_relative = "kept"  # GCodes.cpp: relative strokes leave the absolute number alone
    indented_bodies = True
    loses = {
        **dict.fromkeys("G29 G30 G31 G32 G33 G38.2 G38.3 M206 M401 M402 M585".split(), "XYZ"),
        **dict.fromkeys("M374 M375 M376 M561".split(), "Z"),
        **dict.fromkeys("M98 M701 M702 M703".split(), "XYZER"),  # a macro gives back modes and F
        "M24": EVERYTHING,
    }
    refuses = {
        **dict.fromkeys(("M28", "M23", "M26", "M32", "M37"), "does not run the lines after it"),
        **dict.fromkeys(("M596", "M606"), "starts a second stream of motion"),
        **dict.fromkeys(
            "M555 M563 M569 M579 M584 M665 M666 M667 M669 M671".split(),
            "changes what letters and lines mean",
        ),
        **dict.fromkeys(("G68", "G93"), "changes what the numbers of later lines mean"),
        "WHILE": "repeats lines",
        "BREAK": "leaves a loop",
        "CONTINUE": "goes on with a loop",
        "ABORT": "ends the job where a condition holds",
    }
    snippet_cautions = ("Restore point 0 is overwritten.",)
    has_workplaces = True
    accel_letters = {"P": ("accel_mm_s2",), "T": ("travel_accel_mm_s2",)}
    factors_spare_filament = True  # GCodes.cpp: applyM220M221 wants an axis named
    flow_tool = "D"
    ends_job = frozenset({"M0", "M1", "M2"})
    keep_and_give_back = ("M120", "M121")

    def refuses_text(self, text: str) -> Refuse | None:
        """A value in braces is worked out by the firmware."""
        if _VALUE.match(text):
            return Refuse(
                f"the value in braces in `{text:.40}` is not told by the job",
                "Slice the model again without it",
            )
        return None

    def message(self, text: str) -> list[str]:
        """The text is a quoted S word; a quote inside is written twice."""
        quoted = text.replace('"', '""')
        return [f'M118 S"{quoted}"']

    def g10_retracts(self, letters: str) -> bool:
        """With words it sets tool offsets, temperatures or a workplace."""
        return not letters

    def special(self, command: Command) -> Changes | None:
        code = command.code
        if code == "M120":
            return (Push(_STACKED, clears_volumetric=True),)
        if code == "M121":
            return (Pop(Note("pop-without-push", "M121 without an M120 before it: no change")),)
        if code == "G10" and command.words:
            letters = "".join(letter for letter, _ in command.words if letter in "XYZ")
            return set_origin(command) or ((Lose(letters),) if letters else ())  # of a tool
        if code == "G60":
            return ()  # a restore point; G1 R, which goes there, is refused
        if code in ("M0", "M1", "M2"):
            return (End(),)
        if code == "M109" and command.has("T"):
            return (Lose("XYZER"),)
        if code in ("IF", "ELIF", "ELSE"):
            return (Lose(),)
        return None

    def layer_change(self, snippet: Snippet) -> list[str]:
        """M120 and M121 keep modes and feed, restore point 0 the place."""
        return [
            "M120",
            "G60 S0",
            *snippet.retract,
            snippet.hop,
            *snippet.park,
            f"G1 R0 X0 Y0 F{fixed(snippet.travel_mm_min)}",
            f"G1 R0 Z0 F{fixed(snippet.hop_mm_min)}",
            *snippet.unretract,
            "M121",
        ]
