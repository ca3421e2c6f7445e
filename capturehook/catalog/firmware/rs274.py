"""RS-274/NGC controllers. docs/gcode_facts.md#rs274"""

from __future__ import annotations

from capturehook.catalog.firmware.common import CommonFirmware


class Rs274(CommonFirmware):
    """G4 P counts seconds and itself waits for motion; pins are M64/M65; no retract of its own."""

    name = "rs274"
    g90_sets_e = True  # A is an axis like the others
    inch_scales_e = False  # A is a rotary axis: degrees in either unit
    has_firmware_retract = False
    modal_motion = True
    several_commands = "rs274"
    reads_volumetric = False
    full_on = 1.0

    def g10_retracts(self, letters: str) -> bool:
        """It sets tables of offsets."""
        return False

    def dwell(self, ms: int) -> list[str]:
        return [f"G4 P{ms / 1000:.3f}"] if ms > 0 else []

    def wait(self) -> list[str]:
        return []

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """P is in seconds; S is no dwell."""
        return 1000.0 * (p or 0.0)

    def set_pin(self, pin: str | int, value: float | None, on: bool) -> list[str]:
        return [f"M{64 if on else 65} P{pin}"]

    def message(self, text: str) -> list[str]:
        return [f"; {text}"]
