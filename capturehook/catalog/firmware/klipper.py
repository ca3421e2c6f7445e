"""Klipper. docs/gcode_facts.md#klipper"""

from __future__ import annotations

from capturehook.catalog.firmware.common import (
    HARMLESS,
    TEXT,
    CommonFirmware,
    above_zero,
    all_three,
)
from capturehook.catalog.firmware.corners import SquareCorner
from capturehook.model.contracts import Axes, CornerRule, Effects, Limits, OwnCommand, Snippet
from capturehook.model.numbers import fixed


class Klipper(CommonFirmware):
    """E is absolute only with both G90 and M82; G4 knows P alone; pins have names."""

    name = "klipper"
    flavours = ("klipper",)
    g91_forces_relative_e = True
    reads_inches = False
    reads_radius_arcs = False
    reads_relative_arcs = False
    bare_g92 = "zero"
    reads_volumetric = False
    full_on = 1.0
    names_pins = True
    limits_hold_for_path = True  # configuration reference, max_velocity
    cruise_ratio = 0.5  # configuration reference, minimum_cruise_ratio
    own_commands = {
        "G4": OwnCommand(may=("P", "S")),
        "M400": OwnCommand(),
        "M117": TEXT,
        "M118": TEXT,
        "RESPOND": OwnCommand(may=("PREFIX", "MSG"), must=("MSG",)),
        "SET_LED": OwnCommand(
            must=("LED",),
            may=("RED", "GREEN", "BLUE", "WHITE", "INDEX", "TRANSMIT", "SYNC"),
        ),
        "SET_SERVO": OwnCommand(must=("SERVO",), may=("ANGLE", "WIDTH"), pin="SERVO"),
        "SET_PRINT_STATS_INFO": OwnCommand(may=("TOTAL_LAYER", "CURRENT_LAYER")),
        "SET_PIN": OwnCommand(must=("PIN", "VALUE"), pin="PIN", most={"VALUE": 1}),
    }
    limit_commands = ("M204", "SET_VELOCITY_LIMIT")
    effects = Effects(
        harmless=HARMLESS
        | frozenset(
            "M2 M30 M120 M121 M200 PAUSE RESPOND RESUME SET_DISPLAY_GROUP "
            "SET_FAN_SPEED SET_FILAMENT_SENSOR SET_GCODE_VARIABLE SET_HEATER_TEMPERATURE "
            "SET_INPUT_SHAPER SET_LED SET_PIN SET_PRESSURE_ADVANCE "
            "SET_TEMPERATURE_FAN_TARGET SET_VELOCITY_LIMIT TEMPERATURE_WAIT "
            "TURN_OFF_HEATERS".split()
        )
    )

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """S is ignored."""
        return p or 0.0

    def set_pin(self, pin: str | int, value: float | None, on: bool) -> list[str]:
        level = (self.full_on if value is None else value) if on else 0.0
        return [f"SET_PIN PIN={pin} VALUE={level:g}"]

    def usual_corners(self, accel_mm_s2: float) -> CornerRule:
        """5 mm/s (configuration reference, square_corner_velocity)."""
        return SquareCorner(5.0, accel_mm_s2, self.cruise_ratio)

    def stated_limits(self, code: str, words: Axes) -> Limits:
        said: Limits = {**self.stated_accel(code, words)}
        if code == "SET_VELOCITY_LIMIT":
            words = above_zero(words)
            if "VELOCITY" in words:
                top = words["VELOCITY"] * 60.0
                said["max_mm_min"] = {"x": top, "y": top}
            if "SQUARE_CORNER_VELOCITY" in words:
                said["corner_mm_s"] = words["SQUARE_CORNER_VELOCITY"]
        return said

    def stated_accel(self, code: str, words: Axes) -> Axes:
        """M204 S, or both P and T of which the smaller counts."""
        words = above_zero(words)
        if code == "SET_VELOCITY_LIMIT":
            return all_three(words.get("ACCEL"))
        if code != "M204":
            return {}
        both = min(words["P"], words["T"]) if {"P", "T"} <= words.keys() else None
        return all_three(words.get("S", both))

    def layer_change(self, snippet: Snippet) -> list[str]:
        """Two saved states, so that the path back is level first and straight down after it."""
        speed, hop = fixed(snippet.travel_mm_min / 60), fixed(snippet.hop_mm_min / 60)
        return [
            "SAVE_GCODE_STATE NAME=pose_here",
            *snippet.retract,
            snippet.hop,
            "SAVE_GCODE_STATE NAME=pose_above",
            *snippet.park,
            f"RESTORE_GCODE_STATE NAME=pose_above MOVE=1 MOVE_SPEED={speed}",
            f"RESTORE_GCODE_STATE NAME=pose_here MOVE=1 MOVE_SPEED={hop}",
            *snippet.unretract,
            "RESTORE_GCODE_STATE NAME=pose_here",
        ]
