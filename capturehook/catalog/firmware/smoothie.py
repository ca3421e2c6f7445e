"""Smoothie. docs/gcode_facts.md#smoothie"""

from __future__ import annotations

from capturehook.catalog.firmware.common import (
    HARMLESS,
    TEXT,
    CommonFirmware,
    above_zero,
    all_three,
)
from capturehook.catalog.firmware.corners import Deviation
from capturehook.model.contracts import Axes, CornerRule, Effects, Limits, OwnCommand


class Smoothie(CommonFirmware):
    """G90/G91 switch E too; G4 adds S to P; G0 and G1 keep an F each; words go on alone."""

    name = "smoothie"
    flavours = ("smoothie", "reprap")
    g90_sets_e = True
    modal_motion = True
    several_commands = "in turn"
    bare_g92 = "clear"
    inch_scales_e = False
    rapid_has_own_feed = True
    corner_keys = frozenset({"junction_mm"})
    limit_commands = ("M203", "M204", "M205")
    own_commands = {"G4": OwnCommand(may=("P", "S")), "M400": OwnCommand(), "M117": TEXT}
    reads_small_letters = False
    axis_limits = {"M203": ("max_mm_min", 60.0)}  # mm/s

    def check_pin(self, pin: str | int | None, on: float | None) -> None:
        raise ValueError(
            f"trigger.by: {self.name} switches an output by two codes of its own configuration, "
            'not by a pin; use by = "lines" with those codes'
        )

    def usual_corners(self, accel_mm_s2: float) -> CornerRule:
        """0.05 mm (from memory)."""
        return Deviation(0.05)

    def stated_limits(self, code: str, words: Axes) -> Limits:
        """M205 X is junction deviation."""
        said = super().stated_limits(code, words)
        if code == "M205" and words.get("X", 0.0) > 0:
            said["junction_mm"] = words["X"]
        return said

    def stated_accel(self, code: str, words: Axes) -> Axes:
        """M204 S for all."""
        return all_three(above_zero(words).get("S")) if code == "M204" else {}

    effects = Effects(
        harmless=HARMLESS,
        ends_job=frozenset({"M2"}),
        keep_and_give_back=("M120", "M121"),
        small_letters_act=True,
    )

    def message(self, text: str) -> list[str]:
        """M118 is not known there, and capitals in an unknown line would act as commands."""
        return [f"M117 {text}"]

    def g10_retracts(self, letters: str) -> bool:
        """With L it sets a coordinate system."""
        return "L" not in letters

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """Seconds and milliseconds are added."""
        return (p or 0.0) + 1000.0 * (s or 0.0)
