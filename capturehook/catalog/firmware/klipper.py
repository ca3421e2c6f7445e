"""Klipper. docs/gcode_facts.md#klipper"""

from __future__ import annotations

from capturehook.catalog.firmware.common import CommonFirmware


class Klipper(CommonFirmware):
    """E is absolute only with both G90 and M82; G4 knows P alone; pins have names."""

    name = "klipper"
    g91_forces_relative_e = True
    reads_inches = False
    reads_radius_arcs = False
    reads_relative_arcs = False
    bare_g92 = "zero"
    reads_volumetric = False
    full_on = 1.0

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """S is ignored."""
        return p or 0.0

    def set_pin(self, pin: str | int, value: float | None, on: bool) -> list[str]:
        level = (self.full_on if value is None else value) if on else 0.0
        return [f"SET_PIN PIN={pin} VALUE={level:g}"]
