"""Repetier. docs/gcode_facts.md#repetier"""

from __future__ import annotations

from capturehook.catalog.firmware.common import CommonFirmware


class Repetier(CommonFirmware):
    """E is relative while G91 or M83 is on; M204 here sets heater control, so it is never sent."""

    name = "repetier"
    g91_forces_relative_e = True

    def message(self, text: str) -> list[str]:
        return [f"M117 {text}"]
