"""`lines`: commands of the person's own, copied as they are; what can do harm is refused."""

from __future__ import annotations

import re

from capturehook.errors import Finding
from capturehook.model.block import Role
from capturehook.model.contracts import Fire, Firmware, command_lines, wait_lines
from capturehook.model.profile import Profile
from capturehook.model.tables import FaultsError

REFUSED = {
    "heaters": frozenset(
        "M86 M87 M104 M109 M140 M141 M143 M190 M191 M301 M303 M304 M305 M306 M307 M562 M568 M570 "
        "G10P SET_HEATER_TEMPERATURE TURN_OFF_HEATERS TEMPERATURE_WAIT PID_CALIBRATE "
        "MPC_CALIBRATE SET_TEMPERATURE_FAN_TARGET".split()
    ),
    "homing": frozenset(
        "G28 G29 G30 G31 G32 G33 G34 G35 G38 G92 M206 M401 M402 M420 M421 M428 M557 M558 "
        "M561 M665 M666 M851 BED_MESH_CALIBRATE BED_MESH_CLEAR BED_MESH_PROFILE PROBE "
        "PROBE_ACCURACY SET_KINEMATIC_POSITION QUAD_GANTRY_LEVEL Z_TILT_ADJUST DELTA_CALIBRATE "
        "SCREWS_TILT_CALCULATE".split()
    ),
    "limits": frozenset(
        "M92 M120 M121 M201 M203 M204 M205 M207 M208 M209 M211 M302 M500 M501 M502 M566 M569 M572 "
        "M593 M900 M906 M907 M913 M914 SAVE_CONFIG SET_VELOCITY_LIMIT SET_PRESSURE_ADVANCE "
        "SET_TMC_CURRENT SET_TMC_FIELD SET_STEPPER_ENABLE SET_INPUT_SHAPER".split()
    ),
    "stops": frozenset(
        "M0 M1 M2 M18 M24 M25 M30 M80 M81 M84 M85 M112 M226 M410 M524 M600 M601 M602 M997 M999 "
        "FIRMWARE_RESTART RESTART EMERGENCY_STOP PAUSE RESUME CANCEL_PRINT CLEAR_PAUSE "
        "SDCARD_RESET_FILE SET_IDLE_TIMEOUT".split()
    ),
}
"""What a block must never touch, by what it would do. docs/safety.md"""
MOTION = frozenset(
    "G0 G1 G2 G3 G5 G6 G10 G11 G12 G26 G27 G42 G60 G61 G76 G425 M48 M125 M290 M701 M702 "
    "RESTORE_GCODE_STATE FORCE_MOVE STEPPER_BUZZ MANUAL_STEPPER SET_GCODE_OFFSET "
    "ACTIVATE_EXTRUDER".split()
)
MODES = frozenset(
    "G17 G18 G19 G20 G21 G53 G54 G55 G56 G57 G58 G59 G68 G69 G90 G91 G93 G94 G95 M82 M83 M106 "
    "M107 M200 M220 M221".split()
)
HOST_STOPS = re.compile(r"action:\s*(pause|cancel|disconnect|kill|poweroff)", re.I)
"""Words in a message by which a host stops a print."""
TEXT = {"M117", "M118"}
_COMMANDS = re.compile(r"[GMT]\s*[0-9]+", re.I)


def harm_of(code: str) -> str | None:
    """Which group of refused commands a code belongs to; a part (M104.1) as its whole, which
    is what a family without parts carries out."""
    code = code.partition(".")[0]
    for group, codes in REFUSED.items():
        if code in codes:
            return group
    if code in MOTION or (code[:1] == "T" and code[1:].isdigit()):
        return "motion"
    return "modes" if code in MODES else None


def _code_of(line: str) -> str | None:
    """'g01 x5' -> 'G1'; 'SET_PIN PIN=a' -> 'SET_PIN'; None for words without a command."""
    match = re.match(r"\s*([GMT])\s*([0-9]+)(?:\.([0-9]+))?(?![0-9_A-Z]*_)", line, re.I)
    if match:
        part = f".{int(match[3])}" if match[3] and int(match[3]) else ""
        return f"{match[1].upper()}{int(match[2])}{part}"
    name = re.match(r"\s*([A-Z_]{2,}[A-Z0-9_]*)(?=\s|$)", line, re.I)
    return name[1].upper() if name else None


class OwnLines:
    """Commands as they stand in the profile, after motion has stopped."""

    name = "lines"

    def check(self, profile: Profile) -> None:
        trigger = profile.trigger
        if not trigger.lines:
            raise ValueError("trigger.lines: is missing; add at least one command")
        lines = enumerate(trigger.lines, 1)
        faults = (_fault(number, line, trigger.allow) for number, line in lines)
        FaultsError.unless_none(fault for fault in faults if fault)

    def findings(self, profile: Profile) -> list[Finding]:
        return []

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        return Fire((*wait_lines(firmware), *command_lines(Role.FIRE, profile.trigger.lines)))


def _fault(number: int, line: str, allow: tuple[str, ...]) -> str | None:
    """What is wrong with one line, or None."""
    key = f"trigger.lines: line {number}"
    if not line.isascii() or not line.isprintable() or len(line) > 80:
        return f"{key} is not plain ASCII of at most 80 letters; shorten or reword it"
    if "capturehook" in line:
        return f"{key} holds the word capturehook, which marks our own fences; reword it"
    if not line.strip() or line.lstrip().startswith(";"):
        return None
    code = _code_of(line)
    if code is None:
        return f"{key} has no command this tool can read; begin it with one"
    if code[1:2].isdigit() and code not in TEXT and len(_COMMANDS.findall(line.split(";")[0])) > 1:
        return f"{key} holds more than one command; put each on a line of its own"
    harm = "heaters" if re.match(r"\s*G10\s*[^\s;]", line, re.I) else harm_of(code)
    harm = "stops" if code in TEXT and HOST_STOPS.search(line) else harm
    if harm in ("motion", "modes"):
        return (
            f"{key} holds {code}, which would leave the machine changed ({harm}); "
            "leave it out: the block moves and restores by itself"
        )
    if harm and code not in {one.upper() for one in allow}:
        return (
            f"{key} holds {code}, which touches {harm}; leave it out, "
            f'or state allow = ["{code}"] and bear the risk'
        )
    return None
