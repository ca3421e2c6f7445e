"""Repetier. docs/gcode_facts.md#repetier"""

from __future__ import annotations

from capturehook.catalog.firmware.common import (
    HARMLESS,
    NO_LIMIT_SWITCHES,
    OWN_COMMANDS,
    CommonFirmware,
)
from capturehook.model.contracts import Axes, Effects, Limits, OwnCommand


class Repetier(CommonFirmware):
    """E is relative while G91 or M83 is on; M204 here sets heater control, so it is never sent."""

    name = "repetier"
    flavours = ("repetier", "reprap")
    g91_forces_relative_e = True
    retract_code = None  # M207 is jerk here
    usual_jerk = (20.0, 20.0, 0.3, 5.0)  # from memory
    corner_keys = frozenset({"jerk_mm_s"})
    own_commands = {**OWN_COMMANDS, "M340": OwnCommand(must=("P", "S"), pin="P")}
    limit_commands = ("M201", "M207")
    axis_limits = {"M201": ("max_accel_mm_s2", 1.0), "M207": ("jerk_mm_s", 1.0)}
    effects = Effects(harmless=HARMLESS | NO_LIMIT_SWITCHES, relative_stroke="zero")

    def message(self, text: str) -> list[str]:
        return [f"M117 {text}"]

    def stated_limits(self, code: str, words: Axes) -> Limits:
        """M207 X is the jerk of both X and Y."""
        if code == "M207" and words.get("X", 0.0) > 0:
            words = {**words, "Y": words["X"]}
        return super().stated_limits(code, words)
