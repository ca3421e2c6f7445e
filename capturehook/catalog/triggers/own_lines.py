"""`lines`: commands of the person's own, copied as they are.

Each family lists what such a line may hold; everything else needs `allow`, and what heats, moves,
changes modes, reads files or runs programs is refused even then. docs/reference/triggers.md#lines
"""

from __future__ import annotations

import re

from capturehook.catalog.firmware import FIRMWARES
from capturehook.catalog.firmware.common import HEATER_NAME
from capturehook.errors import Finding
from capturehook.model.block import Role
from capturehook.model.contracts import Fire, Firmware, OwnCommand, command_lines, wait_lines
from capturehook.model.profile import Profile, Trigger
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
FILES = re.compile(
    r"M(?:2[0-9]|3[0-9]|98|471|808|81[0-9]|928|1000|1001)(?:\.\d+)?|SDCARD_.*|RUN_SHELL_COMMAND|"
    r"UPDATE_DELAYED_GCODE|PLAY|ECHO|WHILE|IF|SET|GLOBAL|VAR|ABORT",
    re.I,
)
"""Files, saved macros of files, programs and conditions."""
NEVER = frozenset({"heaters", "homing", "motion", "modes", "files and programs"})
"""Refused even with `allow`."""
DWELL_MOST_MS = 60_000
HOST_WORD = re.compile(r"action\s*:|^\s*//", re.I)
"""By such words in a text a host is told to pause, cancel, resume, switch off and more."""
_LETTER = r"[A-Z]\s*[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)|[A-Z](?=\s|$)"
_LETTERS = re.compile(rf"(?:\s*(?:{_LETTER}))*\s*", re.I)
_KEYS = re.compile(r"(?:\s+[A-Z_]+=(?:\"[^\";]*\"|[^\s\";]+))*\s*", re.I)


def harm_of(code: str) -> str | None:
    """Which group of refused commands a code belongs to; a part (M104.1) as its whole, which
    is what a family without parts carries out."""
    code = code.partition(".")[0]
    if FILES.fullmatch(code):
        return "files and programs"
    for group, codes in REFUSED.items():
        if code in codes:
            return group
    if code in MOTION or (code[:1] == "T" and code[1:].isdigit()):
        return "motion"
    return "modes" if code in MODES else None


class OwnLines:
    """Commands as they stand in the profile, after motion has stopped."""

    name = "lines"

    def check(self, profile: Profile) -> None:
        trigger = profile.trigger
        if not trigger.lines:
            raise ValueError("trigger.lines: is missing; add at least one command")
        firmware = FIRMWARES[profile.machine.firmware]
        lines = enumerate(trigger.lines, 1)
        faults = ((number, fault_of(line, firmware, trigger)) for number, line in lines)
        FaultsError.unless_none(
            f"trigger.lines: line {no} {fault}" for no, fault in faults if fault
        )

    def findings(self, profile: Profile) -> list[Finding]:
        return []

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        return Fire((*wait_lines(firmware), *command_lines(Role.FIRE, profile.trigger.lines)))


def fault_of(line: str, firmware: Firmware, trigger: Trigger) -> str | None:
    """What is wrong with one line, as "holds what; advice", or None.

    ``trigger`` states the output (`pin`), the text that is meant for the host (`text`), and what
    else is allowed (`allow`).
    """
    if not line.isascii() or not line.isprintable() or len(line) > 80:
        return "is not plain ASCII of at most 80 letters; shorten or reword it"
    if "capturehook" in line:
        return "holds the word capturehook, which marks our own fences; reword it"
    if not line.strip() or line.lstrip().startswith(";"):
        return None
    code, rest = _split(line)
    if not firmware.reads_small_letters and line.lstrip()[0].islower():
        return f"begins with a small letter, which {firmware.name} reads as another command"
    if code is None:
        return "has no command this tool can read; begin it with one"
    harm = "heaters" if code == "G10" and rest.split(";")[0].strip() else harm_of(code)
    if harm in NEVER:
        return (
            f"holds {code}, which touches {harm}; leave it out: no own line may, "
            "and the block moves and restores by itself"
        )
    if HEATER_NAME.search(rest) and code not in ("M117", "M118", "(MSG,"):
        return f"names a heater in {rest.strip()!r}; take another output"
    if HOST_WORD.search(rest) and rest.strip() != (trigger.text or "").strip():
        return (
            f"holds {rest.strip()!r}, which hosts obey (pause, cancel, switch off); reword it, or "
            "state the very words as text"
        )
    return _grammar_fault(code, rest, firmware, trigger)


def _grammar_fault(code: str, rest: str, firmware: Firmware, trigger: Trigger) -> str | None:
    """The family's own list, then what the person allows."""
    if code in {one.upper() for one in trigger.allow}:
        more = re.search(r"[GMT]\s*[0-9]+", rest.split(";")[0], re.I)
        if more and code[1:2].isdigit():
            return f"holds more than one command ({more[0]}); put each on a line of its own"
        return None
    known = firmware.own_commands.get(code)
    if known is None:
        return f"holds {code}, not on {firmware.name}'s list of harmless commands; {_ask(code)}"
    if known.text:
        if re.fullmatch(known.pattern, rest.strip()) is None:
            return f"holds the text {rest.strip()!r}, which {firmware.name} may obey; reword it"
        return None
    words = _words(rest.split(";")[0], named=not code[1:2].isdigit())
    if words is None:
        return f"holds {rest.strip()!r}, which is more than one command or no words; keep to one"
    return _word_fault(code, words, known, trigger) or _dwell_fault(code, words, firmware)


def _word_fault(
    code: str, words: dict[str, str], known: OwnCommand, trigger: Trigger
) -> str | None:
    lacks = [word for word in known.must if not words.get(word)]
    if lacks:
        return f"holds {code} without {lacks[0]}; add it"
    strange = [word for word in words if word not in (*known.must, *known.may)]
    if strange:
        return f"holds {code} with {strange[0]}, which can do more than fire; {_ask(code)}"
    if known.pin and words[known.pin].upper() != str(trigger.pin).upper():
        stated = "none is stated" if trigger.pin is None else f"pin is {trigger.pin}"
        return (
            f"switches output {words[known.pin]}, but {stated}; state the output that fires the "
            f"camera as pin = {_quoted(words[known.pin])}"
        )
    for word, most in known.most.items():
        if _number(words.get(word, "0")) > most:
            return f"holds {word}{words[word]}, over {most:g}; lower it"
    return None


def _ask(code: str) -> str:
    return f'leave it out, or state allow = ["{code}"] and answer for it: it must not move'


def _dwell_fault(code: str, words: dict[str, str], firmware: Firmware) -> str | None:
    if code != "G4":
        return None
    p, s = (_number(words[one]) if words.get(one) else None for one in "PS")
    waits_ms = firmware.dwell_ms(p, s)
    if 0 <= waits_ms <= DWELL_MOST_MS:
        return None
    return f"waits {waits_ms / 1000:g} s; wait at most {DWELL_MOST_MS // 1000} s"


def _split(line: str) -> tuple[str | None, str]:
    """'g01 x5' -> ('G1', ' x5'); 'SET_PIN PIN=a' -> ('SET_PIN', ' PIN=a')."""
    match = re.match(r"\s*([GMT])\s*([0-9]+)(?:\.([0-9]+))?(?![0-9_A-Z]*_)", line, re.I)
    if match:
        part = f".{int(match[3])}" if match[3] and int(match[3]) else ""
        return f"{match[1].upper()}{int(match[2])}{part}", line[match.end() :]
    if (message := re.match(r"\s*(\(MSG,)", line, re.I)) is not None:
        return message[1].upper(), line[message.end() :]
    name = re.match(r"\s*([A-Z_]{2,}[A-Z0-9_]*)(?=\s|$)", line, re.I)
    return (name[1].upper(), line[name.end() :]) if name else (None, line)


def _words(rest: str, *, named: bool) -> dict[str, str] | None:
    """Letters or keys with their values; None where the rest is anything else or says one twice."""
    if (_KEYS if named else _LETTERS).fullmatch(rest) is None:
        return None
    if named:
        pairs = re.findall(r"([A-Z_]+)=(\"[^\"]*\"|\S+)", rest, re.I)
    else:
        pairs = [(one[0], one[1:].strip()) for one in re.findall(_LETTER, rest, re.I)]
    found = {name.upper(): value for name, value in pairs}
    return found if len(found) == len(pairs) else None


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("inf")


def _quoted(pin: str) -> str:
    return pin if pin.isdigit() else f'"{pin}"'
