"""Smoothie. docs/gcode_facts.md#smoothie"""

from __future__ import annotations

from capturehook.catalog.firmware.common import CommonFirmware


class Smoothie(CommonFirmware):
    """G90/G91 switch E too; G4 adds S to P; G0 and G1 keep an F each; words go on alone."""

    name = "smoothie"
    g90_sets_e = True
    modal_motion = True
    several_commands = "in turn"
    bare_g92 = "clear"
    inch_scales_e = False
    rapid_has_own_feed = True

    def message(self, text: str) -> list[str]:
        """M118 is not known there, and capitals in an unknown line would act as commands."""
        return [f"M117 {text}"]

    def g10_retracts(self, letters: str) -> bool:
        """With L it sets a coordinate system."""
        return "L" not in letters

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """Seconds and milliseconds are added."""
        return (p or 0.0) + 1000.0 * (s or 0.0)
