"""Marlin. docs/gcode_facts.md#marlin"""

from __future__ import annotations

from capturehook.catalog.firmware.common import OWN_COMMANDS, CommonFirmware, above_zero
from capturehook.catalog.firmware.corners import Deviation
from capturehook.model.contracts import Axes, CornerRule, Limits, OwnCommand, Snippet
from capturehook.model.numbers import fixed


class Marlin(CommonFirmware):
    """G90/G91 switch E too; M42 acts at once, ahead of queued motion."""

    name = "marlin"
    flavours = ("marlin", "marlin2", "marlin(volumetric)", "griffin", "reprap")
    g90_sets_e = True
    rounds_facets = True
    corner_keys = frozenset({"junction_mm", "jerk_mm_s"})
    own_commands = {
        **OWN_COMMANDS,
        "M118": OwnCommand(text=True, pattern=r"(?!\s*[AP][0-9])[^;*]*"),  # A1 asks the host
        "M150": OwnCommand(may=("R", "U", "W", "B", "P", "I", "K", "S")),
        "M73": OwnCommand(may=("P", "R")),
        "M280": OwnCommand(must=("P", "S"), pin="P"),
        "M240": OwnCommand(),  # with words it moves the head
    }
    limit_commands = ("M201", "M203", "M204", "M205")
    axis_limits = {
        "M201": ("max_accel_mm_s2", 1.0),
        "M203": ("max_mm_min", 60.0),  # mm/s
        "M205": ("jerk_mm_s", 1.0),
    }
    snippet_cautions = (
        "The firmware must be built with saved positions (G60, G61): send G60 by hand and look "
        "for an unknown-command answer before you use this.",
        "The feed is not put back: the host must state F on its next move.",
        "The place saved in slot 0 is overwritten.",
    )

    def camera(self) -> list[str]:
        return ["M240"]

    def usual_corners(self, accel_mm_s2: float) -> CornerRule:
        """0.013 mm, as in its template of a configuration."""
        return Deviation(0.013, facets=True)

    def stated_limits(self, code: str, words: Axes) -> Limits:
        """M205 J is junction deviation."""
        said = super().stated_limits(code, words)
        if code == "M205" and words.get("J", 0.0) > 0:
            said["junction_mm"] = words["J"]
        return said

    def stated_accel(self, code: str, words: Axes) -> Axes:
        """M204 P, T and R for printing, travel and filament; S is P and T."""
        if code != "M204":
            return {}
        words = above_zero(words)
        said: Axes = {}
        if "S" in words:
            said = {"accel_mm_s2": words["S"], "travel_accel_mm_s2": words["S"]}
        for letter, key in (("P", "accel"), ("T", "travel_accel"), ("R", "retract_accel")):
            if letter in words:
                said[f"{key}_mm_s2"] = words[letter]
        return said

    def layer_change(self, snippet: Snippet) -> list[str]:
        """G60 saves the place; modes cannot be saved, so the host's must be known."""
        if snippet.extrusion is None:
            raise ValueError(f"{self.name} cannot save whether E counts absolutely")
        return [
            "G60 S0",
            *snippet.retract,
            snippet.hop,
            *snippet.park,
            f"G61 X0 Y0 S0 F{fixed(snippet.travel_mm_min)}",
            f"G61 Z0 S0 F{fixed(snippet.hop_mm_min)}",
            *snippet.unretract,
            "G90",
            "M82" if snippet.extrusion == "absolute" else "M83",
        ]
