"""Repetier. docs/reference/gcode_facts.md#repetier has what users meet; * looked up twice.

- E is relative while G91 or M83 holds; G4 S seconds wins over P milliseconds; M204 is the heater
  controller, M205 writes the stored settings out, M207 is jerk (Commands.cpp)
- ( ends the reading of a line (gcode.cpp)
"""

from __future__ import annotations

from capturehook.catalog.firmware.common import (
    AUTO_RETRACT,
    CARD,
    LIMITS,
    OWN_COMMANDS,
    CommonFirmware,
)
from capturehook.model.contracts import Axes, Limits, OwnCommand
from capturehook.model.effects import Changes, Command, Lose, ReturnToPlace, SavePlace


class Repetier(CommonFirmware):
    """E is relative while G91 or M83 is on; M204 here sets heater control, so it is never sent."""

    name = "repetier"
    flavours = ("repetier", "reprap")
    g91_forces_relative_e = True
    retract_code = None  # M207 is jerk here
    message_line = "M117 {text}"
    speed_percent, flow_percent = (25.0, 500.0), (25.0, 200.0)  # Commands.cpp
    whole_percents = True
    default_jerk = (20.0, 20.0, 0.3, 5.0)  # from memory
    corner_keys = frozenset({"jerk_mm_s"})
    own_commands = {**OWN_COMMANDS, "M340": OwnCommand(must=("P", "S"), pin="P")}
    limit_commands = ("M201", "M207")
    axis_limits = {"M201": ("max_accel_mm_s2", 1.0), "M207": ("jerk_mm_s", 1.0)}

    harmless = frozenset(
        (
            f"{LIMITS} M3 M4 M5 M20 M21 M22 M27 M29 M30 M31 M42 M80 M85 M92 M110 M111 M113 "
            "M116 M118 M120 M141 M155 M163 M164 M170 M191 M200 M202 M207 M208 M222 M223 M231 M232 "
            "M233 M281 M300 M301 M302 M303 M340 M342 M343 M350 M355 M360 M362 M363 M408 M450 M451 "
            "M452 M453 M460 M500 M501 M502 M513 M530 M531 M532 M533 M540 M601 M602 M603 M604 M907 "
            "M908"
        ).split()
    )
    pauses = frozenset({"M0", "M1", "M25", "M226", "M600"})
    stored_place = ("M401", "M402")
    e_after_relative = "zero"  # Printer.cpp: the destination of E is 0 after a relative stroke
    loses = {
        **dict.fromkeys("G29 G30 G31 G32 G33 G34 M212 M251 M390 M415 M606 M666".split(), "XYZ"),
        **dict.fromkeys("M320 M321 M322 M323 M374 M375 M376".split(), "Z"),
        "M280": "XY",  # ditto printing
    }
    refuses = {
        **CARD,
        "M206": "writes into the printer's settings",
    }

    def special(self, command: Command) -> Changes | None:
        code = command.code
        if code == "M401":
            return (SavePlace("M401"),)
        if code == "M402":
            axes = "".join(letter for letter in "XYZ" if command.has(letter)) or "XYZ"
            stored = ReturnToPlace("M401", axes + ("E" if command.has("E") else ""))
            return (stored,)
        if code == "M209":
            return (AUTO_RETRACT,) if command.get("S") != 0 else ()
        if code == "M99":
            return (Lose("XYZ", frame=True),)  # motors off
        return None

    def stated_limits(self, code: str, words: Axes) -> Limits:
        """M207 X is the jerk of both X and Y."""
        if code == "M207" and words.get("X", 0.0) > 0:
            words = {**words, "Y": words["X"]}
        return super().stated_limits(code, words)
