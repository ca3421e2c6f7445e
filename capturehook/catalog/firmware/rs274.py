"""RS-274/NGC controllers. docs/gcode_facts.md#rs274"""

from __future__ import annotations

from capturehook.catalog.firmware.common import HARMLESS, CommonFirmware
from capturehook.catalog.firmware.corners import Deviation
from capturehook.model.contracts import CornerRule, Effects, OwnCommand


class Rs274(CommonFirmware):
    """G4 P counts seconds and itself waits for motion; pins are M64/M65; no retract of its own."""

    name = "rs274"
    flavours = ("mach3", "machinekit")
    g90_sets_e = True  # A is an axis like the others
    has_e_modes = False  # an addition of a controller that has E words
    rapid_ignores_feed = True
    can_prime = False
    has_stored_points = True
    inch_scales_e = False  # A is a rotary axis: degrees in either unit
    has_firmware_retract = False
    modal_motion = True
    several_commands = "modes first"
    reads_volumetric = False
    full_on = 1.0
    own_commands = {
        "G4": OwnCommand(must=("P",)),
        "M64": OwnCommand(must=("P",), pin="P"),  # M62, M63 act at the next motion only
        "M65": OwnCommand(must=("P",), pin="P"),
        "(MSG,": OwnCommand(text=True, pattern=r"[^();*]*\)"),
    }
    strange_codes = {
        "M82": "E is read as a place after it",
        "M83": "E is read as a step after it",
        "G11": "G10 and G11 are not read as retraction",
    }

    def usual_corners(self, accel_mm_s2: float) -> CornerRule:
        """0.01 mm, as in grbl (from memory)."""
        return Deviation(0.01)

    effects = Effects(
        harmless=HARMLESS | frozenset("G10 G11 G40 G49 G61 G61.1 G64 G97 G98 G99".split()),
        ends_job=frozenset({"M2", "M30", "M60"}),
    )

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
