"""RepRapFirmware. docs/gcode_facts.md#reprapfirmware"""

from __future__ import annotations

from capturehook.catalog.firmware.common import CommonFirmware


class RepRapFirmware(CommonFirmware):
    """Only M82/M83 touch E; M42 is queued with the moves."""

    name = "reprapfirmware"
    several_commands = "in turn"
    full_on = 1.0

    def message(self, text: str) -> list[str]:
        """The text is a quoted S word; a quote inside is written twice."""
        quoted = text.replace('"', '""')
        return [f'M118 S"{quoted}"']

    def g10_retracts(self, letters: str) -> bool:
        """With words it sets tool offsets, temperatures or a workplace."""
        return not letters
