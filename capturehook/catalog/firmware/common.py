"""What most firmware families share: milliseconds in G4 P, M400, M42, M118."""

from __future__ import annotations


class CommonFirmware:
    """Answers of the catalog's Firmware contract that most families agree on."""

    name = ""
    g90_sets_e = False
    g91_forces_relative_e = False
    inch_scales_e = True
    rapid_has_own_feed = False
    has_firmware_retract = True
    modal_motion = False
    """A line of words alone goes on with the last motion."""
    several_commands = "first"
    """How a line with more than one command is read; see `gcode.words.read_commands`."""
    reads_inches = True
    reads_radius_arcs = True
    reads_relative_arcs = True
    bare_g92 = "nothing"
    """What G92 without words does: nothing, zero (all axes read 0), or clear (no shifts)."""
    reads_volumetric = True
    """M200 D turns E into cubic millimetres."""
    full_on = 255.0

    def dwell(self, ms: int) -> list[str]:
        return [f"G4 P{ms}"] if ms > 0 else []

    def wait(self) -> list[str]:
        return ["M400"]

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """S (seconds) wins over P (milliseconds)."""
        return 1000.0 * s if s is not None else (p or 0.0)

    def set_pin(self, pin: str | int, value: float | None, on: bool) -> list[str]:
        level = (self.full_on if value is None else value) if on else 0.0
        return [f"M42 P{pin} S{level:g}"]

    def message(self, text: str) -> list[str]:
        return [f"M118 {text}"]

    def camera(self) -> list[str]:
        raise ValueError(
            f"trigger.by: {self.name} has no camera command; use pin, message or lines"
        )

    def g10_retracts(self, letters: str) -> bool:
        """Words or none: it is a retraction."""
        return True

    def retract(self) -> list[str]:
        return ["G10"]

    def unretract(self) -> list[str]:
        return ["G11"]
