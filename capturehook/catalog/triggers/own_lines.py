"""`lines`: commands of the person's own, copied as they are; what can do harm is refused."""

from __future__ import annotations

import re

from capturehook.catalog.contracts import Fire, Firmware
from capturehook.errors import Finding
from capturehook.profile import Profile
from capturehook.tables import FaultsError

REFUSED = {
    "heaters": frozenset(
        "M104 M109 M140 M141 M143 M190 M191 M301 M303 M304 M305 M568 G10P SET_HEATER_TEMPERATURE "
        "TURN_OFF_HEATERS TEMPERATURE_WAIT PID_CALIBRATE".split()
    ),
    "homing": frozenset(
        "G28 G29 G30 G32 G33 G34 G92 G92.1 G92.2 G92.3 BED_MESH_CALIBRATE SET_KINEMATIC_POSITION "
        "QUAD_GANTRY_LEVEL Z_TILT_ADJUST".split()
    ),
    "limits": frozenset(
        "M120 M121 M201 M203 M204 M205 M208 M211 M500 M501 M502 M566 M569 M906 M907 SAVE_CONFIG "
        "SET_VELOCITY_LIMIT".split()
    ),
    "stops": frozenset(
        "M0 M1 M2 M18 M24 M25 M30 M84 M112 M226 M410 M524 M600 M601 M997 M999 FIRMWARE_RESTART "
        "RESTART EMERGENCY_STOP PAUSE CANCEL_PRINT".split()
    ),
}
"""What a block must never touch, by what it would do. docs/safety.md"""
MOTION = frozenset("G0 G1 G2 G3 G5 G60 G61 RESTORE_GCODE_STATE".split())
MODES = frozenset("G17 G18 G19 G20 G21 G90 G91 M82 M83 M106 M107 M220 M221".split())
TEXT = {"M117", "M118"}
_COMMANDS = re.compile(r"[GMT]\s*[0-9]+", re.I)


def harm_of(code: str) -> str | None:
    """Which group of refused commands a code belongs to."""
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

    def fire(self, firmware: Firmware, profile: Profile, z_mm: float) -> Fire:
        return Fire((*firmware.wait(), *profile.trigger.lines))


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
    harm = "heaters" if re.match(r"\s*G10\s*\S", line, re.I) else harm_of(code)
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
