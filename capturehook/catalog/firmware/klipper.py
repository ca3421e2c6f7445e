"""Klipper. docs/reference/gcode_facts.md#klipper has what users meet; * looked up twice.

- E is a place only while G90 and M82 hold; G90 does not undo M83 (gcode_move.py *)
- G20, and F of 0 or less, are errors and stop the print (gcode_move.py *)
- G92 without words makes every axis read 0 (gcode_move.py *)
- G4 P in milliseconds, no S; M400 waits; M204 S, or P and T together; NAME KEY=VALUE in either
  case (klipper3d.org G-Codes *)
- moves of a cancelled object are dropped, but M400, G4 and pins still run (exclude_object.py)
- arcs need [gcode_arcs]; I J only, none under G91 (gcode_arcs.py)
- G01 and G1.0 are unknown (refused here); a last line without a line feed is not run (gcode.py,
  virtual_sdcard.py)
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from capturehook.catalog.firmware.common import (
    LIMITS,
    TEXT,
    CommonFirmware,
    above_zero,
    all_three,
)
from capturehook.catalog.firmware.corners import SquareCorner
from capturehook.model.contracts import Axes, CornerRule, Limits, OwnCommand, Snippet
from capturehook.model.effects import (
    EVERYTHING,
    Changes,
    Command,
    Lose,
    Refuse,
    RestoreState,
    SaveState,
    SetE,
    SetFactor,
    SetOffset,
)
from capturehook.model.numbers import fixed

_STATES = frozenset({"SAVE_GCODE_STATE", "RESTORE_GCODE_STATE", "SET_GCODE_OFFSET"})


class Klipper(CommonFirmware):
    """E is absolute only with both G90 and M82; G4 knows P alone; pins have names."""

    name = "klipper"
    # Klipper's own documentation (Slicers.md) advises the two others as well
    flavours = ("klipper", "marlin", "marlin2", "smoothie")
    g91_forces_relative_e = True
    reads_inches = False
    reads_radius_arcs = False
    reads_relative_arcs = False
    bare_g92 = "zero"
    reads_volumetric = False
    full_on = 1.0
    names_pins = True
    pin_line = "SET_PIN PIN={pin} VALUE={level:g}"
    suspects = re.compile(
        rb"(?m)^[ \t]*(?:[Nn][0-9]+[ \t]*)?[GMTgmt][ \t]*(?:0[0-9]|[0-9]+\.0*(?![0-9]))"
    )
    bare_percent = 100.0  # gcode_move.py
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
    harmless = frozenset(
        (
            f"{LIMITS} M17 M20 M21 M27 M73 M75 M76 M77 M110 M118 M141 M150 M191 M300 M355 M486 "
            "M572 M593 M900 "
            "SET_PRINT_STATS_INFO SET_PRESSURE_ADVANCE SET_VELOCITY_LIMIT SET_FAN_SPEED SET_PIN "
            "SET_LED SET_LED_TEMPLATE SET_DISPLAY_TEXT SET_DISPLAY_GROUP SET_SERVO "
            "SET_INPUT_SHAPER SET_HEATER_TEMPERATURE TURN_OFF_HEATERS TEMPERATURE_WAIT "
            "SET_TEMPERATURE_FAN_TARGET SET_IDLE_TIMEOUT UPDATE_DELAYED_GCODE SET_GCODE_VARIABLE "
            "SAVE_VARIABLE SET_FILAMENT_SENSOR QUERY_FILAMENT_SENSOR QUERY_ENDSTOPS QUERY_PROBE "
            "QUERY_ADC GET_POSITION GET_RETRACTION STATUS HELP RESPOND CLEAR_PAUSE "
            "SET_TMC_CURRENT SET_TMC_FIELD DUMP_TMC INIT_TMC SET_PROGRESS_FACTOR "
            "EXCLUDE_OBJECT EXCLUDE_OBJECT_DEFINE EXCLUDE_OBJECT_START EXCLUDE_OBJECT_END "
            "BED_MESH_OUTPUT BED_MESH_MAP SYNC_EXTRUDER_MOTION SET_EXTRUDER_ROTATION_DISTANCE"
        ).split()
    )
    pauses = frozenset({"M25", "M600", "M601", "PAUSE"})
    parks = dict.fromkeys(pauses, "")
    has_named_macros = True  # gcode_macro.py
    needs_line_end = True  # virtual_sdcard.py runs whole lines
    loses = {
        **dict.fromkeys(
            "BED_MESH_PROFILE BED_MESH_CLEAR BED_MESH_OFFSET SET_Z_THERMAL_ADJUST".split(), "Z"
        ),
        **dict.fromkeys(
            "SET_SKEW SKEW_PROFILE BED_MESH_CALIBRATE PROBE PROBE_ACCURACY PROBE_CALIBRATE "
            "Z_TILT_ADJUST QUAD_GANTRY_LEVEL DELTA_CALIBRATE BED_TILT_CALIBRATE "
            "SCREWS_TILT_CALCULATE SET_DUAL_CARRIAGE FORCE_MOVE SET_KINEMATIC_POSITION "
            "STEPPER_BUZZ Z_ENDSTOP_CALIBRATE".split(),
            "XYZ",
        ),
        "RESUME": EVERYTHING,
        "MANUAL_STEPPER": EVERYTHING,
        "SET_RETRACTION": "R",  # it forgets that it is retracted
    }
    refuses = {"SDCARD_PRINT_FILE": "prints another file"}
    limit_commands = ("M204", "SET_VELOCITY_LIMIT")

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """S is ignored."""
        return p or 0.0

    def refuses_text(self, text: str) -> Refuse | None:
        """Names of commands are compared letter by letter (`gcode.py`): the real host answers
        `Unknown command:"G01"` and goes on without that move."""
        odd = self._ODD.match(text)
        if odd is None:
            return None
        return Refuse(
            f"{odd[1]!r:.20} is no command that Klipper knows: it compares names letter by letter, "
            "and goes on without the line",
            "Write it without leading zeros and decimals, or slice the model again",
        )

    _ODD = re.compile(
        r"(?:[Nn][0-9]+\s*)?([GMTgmt]\s*(?:0[0-9]+(?:\.[0-9]*)?|[0-9]+\.0*(?![0-9])))"
    )

    def special(self, command: Command) -> Changes | None:
        """gcode_move.py: what is saved, and how it comes back."""
        code, options = command.code, command.options()
        if '"' in command.text and code in _STATES:
            return (Refuse(f"the quotes in the words of {code} are not followed"),)
        if code == "SAVE_GCODE_STATE":
            return (SaveState(options.get("NAME", "default")),)
        if code == "RESTORE_GCODE_STATE":
            moves = _number(options.get("MOVE", "0")) != 0
            return (RestoreState(options.get("NAME", "default"), moves),)
        if code == "SET_GCODE_OFFSET":
            return tuple(_offsets(options))
        if code == "ACTIVATE_EXTRUDER":
            # E and M221 stay where that extruder was active already
            return (SetE(0.0), SetFactor("flow"), Lose("XYZER"))
        if code == "SET_STEPPER_ENABLE":
            return (Lose("XYZ", frame=True),)
        if code[:1] == "T" and code[1:].isdigit():
            return (Lose(foreign=True),)  # no command, so an owner's macro or a message
        return None

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


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0


def _offsets(options: dict[str, str]) -> Iterator[SetOffset]:
    """AXIS wins over AXIS_ADJUST; MOVE=1 moves the nozzle along."""
    moves = _number(options.get("MOVE", "0")) != 0
    for axis in "XYZE":
        if axis in options:
            yield SetOffset(axis, _number(options[axis]), moves=moves and axis != "E")
        elif f"{axis}_ADJUST" in options:
            adjust = _number(options[f"{axis}_ADJUST"])
            yield SetOffset(axis, adjust, adds=True, moves=moves and axis != "E")
