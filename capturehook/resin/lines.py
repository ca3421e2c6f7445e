"""The kind of job that carries its own lines: a zip with run.gcode and numbered PNG images.

The text goes through the one reader; this module only says what its lines mean on a resin
printer: the lamp's (M106 with S above 0 is light, of S/255 power), the plate's (Z) and the
rests (G4), and where layers and pose blocks begin and end.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import FIRMWARES
from capturehook.errors import GcodeError
from capturehook.model.moves import DWELL as DWELL_EVENT
from capturehook.model.resin_job import Floats, Ints
from capturehook.read.moves import JobMoves, read_moves
from capturehook.read.source import Source, open_source
from capturehook.read.words import read_command

Bools = NDArray[np.bool_]
FIRMWARE = next(iter(FIRMWARES.values()))
"""Boards of such printers read G4, G90 and F as the first family of the register does."""
MOVE, DWELL, LIGHT, SHOW, LAYER_START, LAYER_END, SECTION, POSE_BEGIN, POSE_END = range(9)
_SIDE = re.compile(
    rb"(?<![^\r\n])[ \t]*(?:"
    rb"(?:N\d+[ \t]*)?M0*(106|107|6054)(?![\d.])([^;\r\n]*)"
    rb"|;[ \t]*(LAYER_START|LAYER_END|START_GCODE_END|END_GCODE_BEGIN)\b"
    rb"|; capturehook pose \d+ (begin|end)(?: layer (\d+))?"
    rb")",
    re.IGNORECASE,
)
_LAMP_WORDS = re.compile(
    rb"(?:[ \t]*[A-Z][ \t]*[-+]?(?:\d{1,9}(?:\.\d*)?|\.\d+))*[ \t]*(?:\*\d+[ \t]*)?", re.IGNORECASE
)
_TAG = re.compile(
    rb"(?<![^\r\n])[ \t]*;[ \t]*(?:currPos|PositionZ)[ \t]*:[ \t]*(\d{1,9}(?:\.\d*)?)", re.I
)
_MARK = {
    b"LAYER_START": LAYER_START,
    b"LAYER_END": LAYER_END,
    b"START_GCODE_END": SECTION,
    b"END_GCODE_BEGIN": SECTION,
}
FULL_POWER = 255.0
LONGEST_WAIT_S = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """R rows in file order: one for each line that moves, rests, lights, shows or marks.

    Attributes
    ----------
    source, moves : the text and its moves, as every job's
    kind : (R,) MOVE, DWELL, ...
    line_index : (R,)
    z_mm : (R,) height of the plate after the row; NaN while nothing has told it
    step_mm : (R,) change of height by this row (moves only)
    seconds : (R,) what the row takes
    power : (R,) lamp after the row, 0 to 1
    feed_mm_min : (R,) F in force after the row; 0 while none was given
    shows : what each SHOW row shows, in order
    tag_mm : heights that comments state, in order
    pose_layer_no : layer number of each POSE_BEGIN row, in order
    """

    source: Source
    moves: JobMoves
    kind: Ints
    line_index: Ints
    z_mm: Floats
    step_mm: Floats
    seconds: Floats
    power: Floats
    feed_mm_min: Floats
    shows: tuple[str, ...]
    tag_mm: Floats
    pose_layer_no: Ints

    def __len__(self) -> int:
        return len(self.kind)

    @property
    def turns_on(self) -> Bools:
        """(R,) True where the lamp goes from dark to light."""
        return np.asarray((self.power > 0) & (np.concatenate([[0.0], self.power[:-1]]) == 0))

    @property
    def turns_off(self) -> Bools:
        return np.asarray((self.power == 0) & (np.concatenate([[0.0], self.power[:-1]]) > 0))

    @property
    def in_pose(self) -> Bools:
        """(R,) True from the begin to the end of a pose block."""
        return np.asarray(np.cumsum(self.kind == POSE_BEGIN) > np.cumsum(self.kind == POSE_END))


def read_rows(text: bytes, where: str) -> Rows:
    """Rows of a run.gcode text.

    Raises
    ------
    GcodeError
        A word that is no number, inches, or a move without a stated speed.
    """
    source = open_source(text, where)
    moves = read_moves(source, FIRMWARE)
    modes = zip(moves.others.modes_line, moves.others.modes, strict=True)
    inch = next((line for line, one in modes if one.inch), None)
    if inch is not None:
        raise GcodeError(
            source.where(max(inch, 0)), "G20 sets inches", "Slice the model again in millimetres"
        )
    kinds, lines, values, shows, poses = _side_rows(source)
    table = moves.table
    is_rest = table.event_kind == DWELL_EVENT
    columns = [
        (np.full(len(table), MOVE), table.line_index),
        (np.full(int(is_rest.sum()), DWELL), table.event_line_index[is_rest]),
        (kinds, lines),
    ]
    kind, line_index = (np.concatenate(parts) for parts in zip(*columns, strict=True))
    blank = np.full(len(kind), np.nan)
    step_mm, feed, power = np.zeros(len(kind)), blank.copy(), blank.copy()
    seconds = np.zeros(len(kind))
    step_mm[: len(table)] = np.nan_to_num(table.z_mm - table.z0_mm)
    feed[: len(table)] = table.feed_mm_min
    rests = slice(len(table), len(table) + int(is_rest.sum()))
    seconds[rests] = np.maximum(table.event_s[is_rest], 0.0)
    power[rests.stop :] = values
    order = np.argsort(line_index, kind="stable")
    kind, line_index, step_mm = kind[order], line_index[order], step_mm[order]
    feed = _last_given(feed[order], 0.0)
    endless = np.flatnonzero(~(seconds[order] < LONGEST_WAIT_S))
    if len(endless):
        raise GcodeError(
            source.where(int(line_index[endless[0]])),
            f"waits for {seconds[order][endless[0]]:.3g} s",
            "Correct that line, or slice the model again",
        )
    lost = np.flatnonzero((step_mm != 0) & (feed <= 0))
    if len(lost):
        raise GcodeError(
            source.where(int(line_index[lost[0]])),
            "moves the plate but no F word has given a speed yet",
            "Slice the model again",
        )
    moving_s = np.where(step_mm != 0, np.abs(step_mm) / np.where(feed > 0, feed, 1.0) * 60.0, 0.0)
    return Rows(
        source=source,
        moves=moves,
        kind=kind,
        line_index=line_index,
        z_mm=_heights_after(moves, line_index),
        step_mm=step_mm,
        seconds=seconds[order] + moving_s,
        power=_last_given(power[order], 0.0),
        feed_mm_min=feed,
        shows=shows,
        tag_mm=np.array([float(tag) for tag in _TAG.findall(source.side.text)]),
        pose_layer_no=poses,
    )


def _heights_after(moves: JobMoves, line_index: Ints) -> Floats:
    """(R,) height of the plate after some lines; NaN until homing, G92 or a Z in G90 tells it."""
    axis = moves.axes["Z"]
    return np.where(line_index >= axis.set_from_line(), axis.places_after(line_index), np.nan)


def _side_rows(source: Source) -> tuple[Ints, Ints, Floats, tuple[str, ...], Ints]:
    """(kind, line, lamp power or NaN, shows, pose layers) of lines that are no motion."""
    side = source.side
    kinds, begins, values, shows, poses = [], [], [], [], []
    for match in _SIDE.finditer(side.text):
        number, words, mark, pose, layer = match.groups()
        value = np.nan
        if number == b"6054":
            kind = SHOW
            shows.append(words.strip().strip(b'"').decode("utf-8", "replace"))
        elif number:
            kind, value = LIGHT, _lamp_power(source, side.line_index, side.starts, match)
        elif mark:
            kind = _MARK[mark.upper()]
        else:
            kind = POSE_BEGIN if pose.lower() == b"begin" else POSE_END
            if kind == POSE_BEGIN:
                poses.append(int(layer or 0))
        kinds.append(kind)
        begins.append(match.end())
        values.append(value)
    rows = np.searchsorted(side.starts, np.array(begins, np.int64), side="right") - 1
    lines = side.line_index[rows] if len(side.line_index) else np.zeros(0, np.int64)
    return (
        np.array(kinds, np.int64),
        np.asarray(lines[: len(kinds)], np.int64),
        np.array(values, np.float64),
        tuple(shows),
        np.array(poses, np.int64),
    )


def _lamp_power(source: Source, lines: Ints, starts: Ints, match: re.Match[bytes]) -> float:
    """0 to 1 after M106 or M107."""
    line = int(lines[int(np.searchsorted(starts, match.end(), side="right")) - 1])
    if not _LAMP_WORDS.fullmatch(match[2]):
        words = match[2].strip().decode("ascii", "replace")
        raise GcodeError(
            source.where(line),
            f"'{words}' holds a word that is not a number",
            "Correct that line, or slice the model again",
        )
    command = read_command(source.line(line))
    if command is None or command.code == "M107":
        return 0.0
    level = command.get("S")
    return min(max((FULL_POWER if level is None else level) / FULL_POWER, 0.0), 1.0)


def _last_given(values: Floats, first: float) -> Floats:
    """Each value, or the last one given before it."""
    rows = np.arange(len(values))
    last = np.maximum.accumulate(np.where(np.isfinite(values), rows, -1)) if len(rows) else rows
    return np.asarray(np.where(last >= 0, values[last], first) if len(rows) else values)
