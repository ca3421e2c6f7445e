"""The text of a run.gcode job -> rows: one for each command or mark that matters here.

What comes in: the inner file's bytes; what goes out: a CommandTable, with modes carried
forward. Lines may end in CR, LF or both; a tail of `;` and anything behind it is comment.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import GcodeError, Where

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

(MOVE, DWELL, LIGHT, SHOW, MODE, SET_Z, LAYER_START, LAYER_END, SECTION, POSE_BEGIN, POSE_END) = (
    range(11)
)

_ROW = re.compile(
    rb"(?<![^\r\n])[ \t]*(?:"
    rb"(?:N\d+[ \t]*)?([GM])0*(\d+)(?![\d.])([^;\r\n]*)"
    rb"|;[ \t]*(LAYER_START|LAYER_END|START_GCODE_END|END_GCODE_BEGIN)\b"
    rb"|; capturehook pose \d+ (begin|end)([^\r\n]*)"
    rb")",
    re.IGNORECASE,
)
_NUMBER = rb"[-+]?(?:\d{1,9}(?:\.\d*)?|\.\d+)"  # more digits are no machine's number
_WORD = re.compile(rb"([A-Z])[ \t]*(" + _NUMBER + rb")")
_WORDS = re.compile(rb"[ \t]*(?:[A-Z][ \t]*" + _NUMBER + rb"[ \t]*)*(?:\*\d+[ \t]*)?")
_TAG = re.compile(
    rb"(?<![^\r\n])[ \t]*;[ \t]*(?:currPos|PositionZ)[ \t]*:[ \t]*(\d{1,9}(?:\.\d*)?)", re.I
)
_KIND = {
    (b"G", b"0"): MOVE,
    (b"G", b"1"): MOVE,
    (b"G", b"4"): DWELL,
    (b"G", b"28"): SET_Z,
    (b"G", b"92"): SET_Z,
    (b"G", b"90"): MODE,
    (b"G", b"91"): MODE,
    (b"M", b"106"): LIGHT,
    (b"M", b"107"): LIGHT,
    (b"M", b"6054"): SHOW,
}
_MARK = {
    b"LAYER_START": LAYER_START,
    b"LAYER_END": LAYER_END,
    b"START_GCODE_END": SECTION,
    b"END_GCODE_BEGIN": SECTION,
}
FULL_POWER = 255.0
MOST_ROWS = 1_000_000
"""20 000 layers of 50 commands; more is no job, and would fill the memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandTable:
    """R rows in file order.

    Attributes
    ----------
    kind : (R,) MOVE, DWELL, ...
    start, end : (R,) byte offsets of the row's text (its line end not included)
    z_mm : (R,) height of the plate after the row; NaN while nothing has told it
    step_mm : (R,) change of height by this row (moves only)
    seconds : (R,) what the row takes
    power : (R,) lamp after the row, 0 to 1
    feed_mm_min : (R,) F in force after the row; 0 while none was given
    relative : (R,) G91 in force after the row
    shows : text of each SHOW row, in order
    tag_mm : heights that comments state, in order
    pose_layer_no : layer number of each POSE_BEGIN row, in order
    """

    kind: Ints
    start: Ints
    end: Ints
    z_mm: Floats
    step_mm: Floats
    seconds: Floats
    power: Floats
    feed_mm_min: Floats
    relative: Bools
    shows: tuple[str, ...]
    tag_mm: Floats
    pose_layer_no: Ints

    def __len__(self) -> int:
        return len(self.kind)


def read_commands(text: bytes, where: str) -> CommandTable:
    """Rows of a run.gcode text.

    Raises
    ------
    GcodeError
        A number that is none, inches, a move whose speed nobody gave, or no end of commands.

    Sources: P of G4 in ms and F in mm/min, RepRap G-code conventions; M106 here is the lamp.
    """
    kinds: list[int] = []
    spans: list[tuple[int, int]] = []
    words: list[tuple[float, float, float, float]] = []
    shows: list[str] = []
    poses: list[int] = []
    # One turn for each command (not each byte): a job has about ten of them in a layer.
    for match in _ROW.finditer(text):
        letter, digits, args, mark, pose_word, pose_rest = match.groups()
        if letter:
            code = (letter.upper(), digits)
            if code == (b"G", b"20"):
                raise GcodeError(
                    Where(where, _line_no(text, match.start())),
                    "G20 sets inches",
                    "Export the job in millimetres",
                )
            kind = _KIND.get(code)
            if kind is None:
                continue
            words.append(_words(code, args, text, match.start(), where))
            if kind == SHOW:
                shows.append(args.strip().strip(b'"').decode("utf-8", "replace"))
        else:
            words.append((np.nan,) * 4)
            if mark:
                kind = _MARK[mark.upper()]
            else:
                kind = POSE_BEGIN if pose_word.lower() == b"begin" else POSE_END
                if kind == POSE_BEGIN:
                    poses.append(_pose_layer(pose_rest))
        if len(kinds) == MOST_ROWS:
            raise GcodeError(
                Where(where, _line_no(text, match.start())),
                f"is beyond the {MOST_ROWS} commands that are followed",
                "Do not use this file; get the job from where it was sliced",
            )
        kinds.append(kind)
        spans.append(match.span())
    return _carried(text, where, kinds, spans, words, shows, poses)


def _words(
    code: tuple[bytes, bytes], args: bytes, text: bytes, at: int, where: str
) -> tuple[float, float, float, float]:
    """(Z, F, time in s or lamp power, mode) of one command, NaN where it has none."""
    if code[1] == b"6054":
        return (np.nan,) * 4
    upper = args.upper()
    if code != (b"G", b"28") and not _WORDS.fullmatch(upper):  # G28 names axes without numbers
        raise GcodeError(
            Where(where, _line_no(text, at)),
            f"'{args.strip().decode('ascii', 'replace')}' holds a word that is not a number",
            "Export the job again",
        )
    word = {key: float(value) for key, value in _WORD.findall(upper)}
    z, feed = word.get(b"Z", np.nan), word.get(b"F", np.nan)
    if code == (b"G", b"28"):
        homes_z = b"Z" in upper or not args.strip()
        return (0.0 if homes_z else np.nan), np.nan, np.nan, np.nan
    if code in ((b"G", b"90"), (b"G", b"91")):
        return np.nan, np.nan, np.nan, float(code[1] == b"91")
    if code == (b"G", b"4"):
        seconds = word[b"S"] if b"S" in word else word.get(b"P", 0.0) / 1000.0
        return np.nan, np.nan, max(seconds, 0.0), np.nan
    if code == (b"M", b"107"):
        return np.nan, np.nan, 0.0, np.nan
    if code == (b"M", b"106"):
        level = word.get(b"S", FULL_POWER) / FULL_POWER
        return np.nan, np.nan, min(max(level, 0.0), 1.0), np.nan
    return z, feed, np.nan, np.nan


def _line_no(text: bytes, at: int) -> int:
    before = text[:at]
    return before.count(b"\n") + 1 if b"\n" in text else before.count(b"\r") + 1


def _pose_layer(rest: bytes) -> int:
    found = re.match(rb" layer (\d+)", rest)
    return int(found.group(1)) if found else 0


def _carried(
    text: bytes,
    where: str,
    kinds: list[int],
    spans: list[tuple[int, int]],
    words: list[tuple[float, float, float, float]],
    shows: list[str],
    poses: list[int],
) -> CommandTable:
    """Modes, feed, lamp and height carried forward over the rows."""
    kind = np.array(kinds, dtype=np.int64)
    z_word, feed_word, value, mode = np.array(words, dtype=np.float64).reshape(-1, 4).T
    span = np.array(spans, dtype=np.int64).reshape(-1, 2)
    relative = _last_given(mode, 0.0) > 0
    feed = _last_given(np.where(kind == MOVE, feed_word, np.nan), 0.0)
    power = _last_given(np.where(kind == LIGHT, value, np.nan), 0.0)
    z_mm, step_mm = _heights(kind, z_word, relative)
    moving = step_mm != 0
    lost = np.flatnonzero(moving & (feed <= 0))
    if len(lost):
        raise GcodeError(
            Where(where, _line_no(text, int(span[lost[0], 0]))),
            "moves the plate but no F word has given a speed yet",
            "Export the job again",
        )
    seconds = np.where(moving, np.abs(step_mm) / np.where(moving, feed, 1.0) * 60.0, 0.0)
    return CommandTable(
        kind=kind,
        start=span[:, 0],
        end=span[:, 1],
        z_mm=z_mm,
        step_mm=step_mm,
        seconds=np.where(kind == DWELL, np.nan_to_num(value), seconds),
        power=power,
        feed_mm_min=feed,
        relative=relative,
        shows=tuple(shows),
        tag_mm=np.array([float(tag) for tag in _TAG.findall(text)]),
        pose_layer_no=np.array(poses, dtype=np.int64),
    )


def _heights(kind: Ints, z_word: Floats, relative: Bools) -> tuple[Floats, Floats]:
    """Height after each row and the step it made: sums of G91 steps since the last known Z."""
    given = np.isfinite(z_word)
    climbs = np.cumsum(np.where(given & (kind == MOVE) & relative, z_word, 0.0))
    fixed = given & (((kind == MOVE) & ~relative) | (kind == SET_Z))
    rows = np.arange(len(kind))
    last = np.maximum.accumulate(np.where(fixed, rows, -1)) if len(rows) else rows
    base = np.where(last >= 0, (z_word - climbs)[last], np.nan)
    z_mm = base + climbs
    before = np.concatenate([[np.nan], z_mm[:-1]]) if len(rows) else z_mm
    step = np.where(relative, z_word, z_mm - before)
    return z_mm, np.where((kind == MOVE) & given & np.isfinite(step), step, 0.0)


def _last_given(values: Floats, first: float) -> Floats:
    """Each value, or the last one given before it."""
    rows = np.arange(len(values))
    last = np.maximum.accumulate(np.where(np.isfinite(values), rows, -1)) if len(rows) else rows
    carried: Floats = np.where(last >= 0, values[last], first) if len(rows) else values
    return carried
