"""RepRapFirmware. docs/gcode_facts.md#reprapfirmware"""

from __future__ import annotations

from capturehook.catalog.firmware.common import CommonFirmware


class RepRapFirmware(CommonFirmware):
    """Only M82/M83 touch E; M42 is queued with the moves."""

    name = "reprapfirmware"
    several_commands = "in turn"
    full_on = 1.0

    def g10_retracts(self, letters: str) -> bool:
        """With words it sets tool offsets, temperatures or a workplace."""
        return not letters
