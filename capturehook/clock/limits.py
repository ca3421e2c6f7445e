"""What a job says about its machine: limits, accelerations in force, the host's estimate.

Reads the job's bytes only. Two places speak of limits: the host's settings dump (comments
such as ``; machine_max_feedrate_x = 500,200``, the pair being the normal and the silent
mode) and commands for the firmware (M201 ... M205 and the like). Commands win, and mean what
the firmware takes them for (`stated_limits` of its file in the catalog).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import FIRMWARES
from capturehook.clock.paths import is_e_only
from capturehook.model.contracts import Axes, Limits
from capturehook.model.moves import MoveTable
from capturehook.read.stated import Stated, edges

if TYPE_CHECKING:
    from capturehook.model.profile import Machine, Retract

Mode = Literal["normal", "silent"]

_LINE_START = re.compile(rb"[\r\n][ \t]*(?:N\d+[ \t]*)?\Z")
_WORD = re.compile(rb"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))")
_NAMED = re.compile(rb"([A-Z_]+)\s*=\s*((?:\d+\.?\d*|\.\d+))", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Statement:
    """One command about limits: where it stands, what it is, its words."""

    offset: int
    code: str
    words: Axes


_OF_ELAPSED_MARKS: dict[str, object] = {
    "accel_mm_s2": 4000.0,
    "max_accel_mm_s2": {"x": 9000.0, "y": 9000.0, "z": 100.0, "e": 10000.0},
    "jerk_mm_s": {"x": 20.0, "y": 20.0, "z": 0.4, "e": 5.0},
    "max_mm_min": {"x": 30000.0, "y": 30000.0, "z": 2400.0, "e": 6000.0},
}
"""What hosts that write elapsed-time marks clock by when their job states no limits: classic
jerk and the defaults of their machine settings (from memory). docs/explain/time_model.md"""


def limits_from_job(job: bytes, firmware: str, mode: Mode = "normal") -> dict[str, object]:
    """What the job states, as keys of the profile's ``[machine]`` table.

    Parameters
    ----------
    job : bytes of the whole job
    firmware : family that will read the job; decides what its commands mean
    mode : which of a pair of values in a settings dump

    Returns
    -------
    dict of key to number, or for the keys of axes to a dict of axis to number; only what is
    stated and above zero (a zero means "not limited" in a dump). Commands count as they are
    in force when half the job's lines of motion are done, so that start code counts and end
    code does not.
    """
    said = _from_dump(job, firmware, mode)
    if not said and b"\n;TIME_ELAPSED:" in job:
        said = dict(_OF_ELAPSED_MARKS)
    family = FIRMWARES[firmware]
    for statement in _in_force_half_way(job, family.limit_commands):
        _take(said, family.stated_limits(statement.code, statement.words))
    return said


def with_job_limits(machine: Machine, job: bytes, mode: Mode = "normal") -> Machine:
    """The machine with whatever the job states instead of the profile's own values."""
    from capturehook.model.profile import AxisLimits

    said = limits_from_job(job, machine.firmware, mode)
    new: dict[str, object] = {}
    for key, value in said.items():
        if isinstance(value, dict):
            known = getattr(machine, key) or _jerk_to_fill(machine.firmware)
            value = AxisLimits(**{**dict(known), **value})
        new[key] = value
    rules = {"junction_mm", "corner_mm_s", "jerk_mm_s"}
    stated = rules & new.keys()
    if stated:
        new.update(dict.fromkeys(rules - stated))
    return machine.model_copy(update=new)


def retract_from_job(job: bytes, firmware: str, retract: Retract) -> Retract:
    """The stroke of G10/G11 by the job: its command, else its settings dump, else as given."""
    stated = Stated.of(job)
    length_mm = stated.retract_mm or retract.stroke_mm
    feed_mm_min = stated.retract_mm_min or retract.feed_mm_min
    code = FIRMWARES[firmware].retract_code
    for statement in _in_force_half_way(job, (code,) if code else ()):
        length_mm = statement.words.get("S", length_mm)
        feed_mm_min = statement.words.get("F", feed_mm_min)
    return retract.model_copy(update={"length_mm": length_mm, "feed_mm_min": feed_mm_min})


def accel_in_force(job: bytes, moves: MoveTable, machine: Machine) -> NDArray[np.float64]:
    """Acceleration asked of each move where the job changes it on its way, (M,) mm/s2.

    Starts from the machine's own; a command about acceleration holds from its line on.
    """
    accel = machine.accel_mm_s2
    now = {
        "accel_mm_s2": accel,
        "travel_accel_mm_s2": machine.travel_accel_mm_s2 or accel,
        "retract_accel_mm_s2": machine.retract_accel_mm_s2 or accel,
    }
    lines, values = [-1], [tuple(now.values())]
    family = FIRMWARES[machine.firmware]
    for line_index, statement in _with_lines(job, _statements(job, family.limit_commands)):
        change = family.stated_accel(statement.code, statement.words)
        if change:
            now.update(change)
            lines.append(line_index)
            values.append(tuple(now.values()))
    row = np.searchsorted(lines, moves.line_index, side="left") - 1
    column = np.where(is_e_only(moves), 2, np.where(moves.e_step_mm != 0, 0, 1))
    return np.asarray(np.array(values, dtype=np.float64)[row, column])


# --- the settings dump


def _from_dump(job: bytes, firmware: str, mode: Mode) -> dict[str, object]:
    """Limits, accelerations and corners; corners as far as the firmware knows them at all."""
    place = 0 if mode == "normal" else 1
    stated = Stated.of(job)
    said: dict[str, object] = {**stated.limits(place), **stated.accelerations(place)}
    known = FIRMWARES[firmware].corner_keys
    deviation = stated.number("machine_max_junction_deviation", place=place)
    numbers = {axis: stated.number(f"machine_max_jerk_{axis}", place=place) for axis in "xyze"}
    jerk = {axis: number for axis, number in numbers.items() if number is not None and number > 0}
    if "junction_mm" in known and deviation is not None and deviation > 0:
        said["junction_mm"] = deviation
    elif "jerk_mm_s" in known and jerk:
        said["jerk_mm_s"] = jerk
    return said


def _jerk_to_fill(firmware: str) -> dict[str, float]:
    """Jerk of the axes a job leaves out, where the profile has none: the firmware's usual one."""
    return dict(zip("xyze", FIRMWARES[firmware].default_jerk, strict=True))


# --- commands


def _statements(job: bytes, commands: Sequence[str]) -> Iterator[Statement]:
    """Those of the commands that stand at the start of a line, in file order."""
    codes = [code[1:] for code in commands if code[1:].isdigit()]
    found = []
    if codes:
        pattern = re.compile(rf"M({'|'.join(codes)})(?![0-9.])([^;\r\n]*)".encode())
        found += [
            Statement(match.start(), f"M{match[1].decode()}", _words(match[2]))
            for match in pattern.finditer(job)
            if _starts_line(job, match.start())
        ]
    for name in (name for name in commands if not name[1:].isdigit()):
        # A plain search first: the pattern, blind to case, is slow on a job that has none.
        if name.encode() in job or name.lower().encode() in job:
            pattern = re.compile(rf"{name}([^;#\r\n]*)".encode(), re.IGNORECASE)
            found += [
                Statement(match.start(), name, _named(match[1]))
                for match in pattern.finditer(job)
                if _starts_line(job, match.start())
            ]
    return iter(sorted(found, key=lambda statement: statement.offset))


def _starts_line(job: bytes, offset: int) -> bool:
    """Only blanks or a line number stand before it on its line."""
    before = job[max(offset - 24, 0) : offset]
    return _LINE_START.search(before if offset > 24 else b"\n" + before) is not None


def _words(text: bytes) -> Axes:
    return {letter.decode(): float(number) for letter, number in _WORD.findall(text)}


def _named(text: bytes) -> Axes:
    return {name.decode().upper(): float(number) for name, number in _NAMED.findall(text)}


def _in_force_half_way(job: bytes, commands: Sequence[str]) -> list[Statement]:
    """Statements that stand before half of the lines of motion."""
    half, done, place = job.count(b"\nG") / 2, 0, 0
    early = []
    for statement in _statements(job, commands):
        done += job.count(b"\nG", place, statement.offset)
        place = statement.offset
        if done > half:
            break
        early.append(statement)
    return early


def _with_lines(job: bytes, statements: Iterator[Statement]) -> Iterator[tuple[int, Statement]]:
    """Each statement with the index of its line."""
    line_index, place = 0, 0
    for statement in statements:
        line_index += job.count(b"\n", place, statement.offset)
        place = statement.offset
        yield line_index, statement


def _take(said: dict[str, object], stated: Limits) -> None:
    """Put what one statement means into ``said``; of two corner rules the last one counts."""
    for key, value in stated.items():
        known = said.get(key)
        merges = isinstance(value, dict) and isinstance(known, dict)
        said[key] = {**known, **value} if merges else value  # type: ignore[dict-item]
    if "junction_mm" in stated:
        said.pop("jerk_mm_s", None)
    elif "jerk_mm_s" in stated:
        said.pop("junction_mm", None)


# --- the host's own estimate

_ESTIMATE = re.compile(
    rb"^; *estimated printing time(?: \((\w+) mode\))? *[=:] *([^\r\n]+)", re.MULTILINE
)
_MODEL_TIME = re.compile(rb"^; *model printing time: *([^;\r\n]+)", re.MULTILINE)
_TOTAL_TIME = re.compile(rb"^;.*\btotal estimated time: *([^;\r\n]+)", re.MULTILINE)
_TIME = re.compile(rb"^;(?:PRINT\.)?TIME: *([0-9.]+) *\r?$", re.MULTILINE)
_ELAPSED = re.compile(rb"^;TIME_ELAPSED: *([0-9.]+) *\r?$", re.MULTILINE)
_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*([dhms])[a-z]*", re.IGNORECASE)
_SECONDS = {"d": 86400.0, "h": 3600.0, "m": 60.0, "s": 1.0}

PLACEHOLDER_S = 6666.0
"""Written instead of a time by hosts run without their window; says nothing."""


def estimate_from_job(job: bytes, mode: Mode = "normal") -> float | None:
    """The host's own estimate of the print, s; None where it left none.

    Of a pair "model printing time", "total estimated time" the first is taken, for the total
    also counts the machine's preparation. A placeholder time is passed over for the last
    elapsed time between the layers.
    """
    said = edges(job)
    by_mode = {name or b"normal": text for name, text in _ESTIMATE.findall(said)}
    if text := by_mode.get(mode.encode()):
        return parse_span(text.decode("latin-1"))
    for pattern in (_MODEL_TIME, _TOTAL_TIME):
        if found := pattern.search(said):
            return parse_span(found[1].decode("latin-1"))
    stated = _number(found[1]) if (found := _TIME.search(said)) else None
    if stated is not None and stated != PLACEHOLDER_S:
        return stated
    elapsed = [second for text in _ELAPSED.findall(said) if (second := _number(text)) is not None]
    return elapsed[-1] if elapsed else None


def _number(text: bytes) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def parse_span(text: str) -> float | None:
    """Seconds of a text such as "1d 2h 3m 4s", "21 minutes" or "95"; None where it is no time."""
    parts = _SPAN.findall(text)
    if parts:
        return sum(float(number) * _SECONDS[unit.lower()] for number, unit in parts)
    try:
        return float(text.strip())
    except ValueError:
        return None
