"""Stage 2, whole job: Source -> moves, and the machine's state at any line.

The plain motion lines come as arrays from `gcode/tokens.py`, all other lines one by one from
`interp/others.py`; here the two are put in file order and folded into positions.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import GcodeError
from capturehook.model import moves
from capturehook.model.contracts import Firmware
from capturehook.model.effects import Command
from capturehook.model.moves import MoveTable
from capturehook.model.state import Modes, State
from capturehook.read.arcs import centre_from_radius, swept_angle
from capturehook.read.axis import SHIFT, AxisTrack, track_axis
from capturehook.read.known import (
    FeedChanges,
    Known,
    change_feeds,
    first_plastic_line,
    known_state,
    moves_before_end,
    reason,
    spans_of_words_alone,
)
from capturehook.read.others import MOTION, Others, doubled_word, read_others
from capturehook.read.source import Source
from capturehook.read.tokens import MODAL, MotionWords, read_motion_words

Array = NDArray[np.float64]
COLUMNS = "XYZEFIJRP"
FAR_MM = 1e5
"""No printer reaches 100 m; a job that does is damaged."""
SHORT_RADIUS = 1e-3
"""By so much of R^2 may rounding leave an arc's radius short of half its chord."""
E_MOST_MM = 1e8
"""As FAR_MM, for the job's number for filament."""


@dataclass(frozen=True)
class JobMoves:
    """The moves of a job with what is needed to state the machine's state at any line."""

    table: MoveTable
    tracks: dict[str, AxisTrack] = field(repr=False)
    others: Others = field(repr=False)
    e_letter: str
    deficit_mm: Array = field(repr=False)
    work_feed_mm_min: Array = field(repr=False)
    """(M,) F in force after each move for the next G1 (G0 has its own on some families)."""
    uses_fw_retract: bool = False
    known: Known = field(default_factory=Known, repr=False)
    feed_changes: FeedChanges = field(default_factory=FeedChanges, repr=False)
    firmware: Firmware | None = field(default=None, repr=False)
    words_alone: NDArray[np.int64] = field(
        default_factory=lambda: np.empty((0, 2), np.int64), repr=False
    )
    """(K, 2) from the line of a motion other than G1 to that of words which go on with it."""

    def modes_at(self, line_index: int) -> Modes:
        """Modes just before a line."""
        at = bisect_left(self.others.modes_line, line_index) - 1
        return self.others.modes[max(at, 0)]

    def move_before(self, line_index: int) -> int:
        """The last move before a line; -1 where there is none."""
        return int(np.searchsorted(self.table.line_index, line_index, side="left")) - 1

    def state_at(self, line_index: int) -> State:
        """The machine just before a line; NaN where a position cannot be known."""
        ops = {letter: track.at_line(line_index) for letter, track in self.tracks.items()}
        tracks, move = self.tracks, self.move_before(line_index)
        place = [float(tracks[a].logical[ops[a]] + tracks[a].shift[ops[a]]) for a in "XYZ"]
        shift = [float(tracks[a].shift[ops[a]]) for a in "XYZ"]
        is_set = [ops[a] > 0 for a in "XYZ"]
        x_mm, y_mm, z_mm = (p if s else float("nan") for p, s in zip(place, is_set, strict=True))
        return State(
            line_index=line_index,
            x_mm=x_mm,
            y_mm=y_mm,
            z_mm=z_mm,
            shift_mm=(shift[0], shift[1], shift[2]),
            e_mm=float(tracks["E"].logical[ops["E"]]),
            deficit_mm=float(self.deficit_mm[move]) if move >= 0 else 0.0,
            fw_retracted=self.fw_retracted_at(line_index),
            feed_mm_min=self._feed_at(line_index, move),
            modes=self.modes_at(line_index),
        )

    def _feed_at(self, line_index: int, move: int) -> float:
        feed, line = (0.0, -1)
        if move >= 0:
            feed, line = float(self.work_feed_mm_min[move]), int(self.table.line_index[move])
        return self.feed_changes.at(line_index, line, feed)

    def unknown_at(self, line_index: int) -> str | None:
        """What of the state is unknown just before a line, and since which command; None where
        a block can put all of it back."""
        assert self.firmware is not None
        e_counts = self.modes_at(line_index).e_absolute(self.firmware)
        unknown = self.known.unknown_at(line_index, e_counts=e_counts)
        return None if unknown is None else reason(unknown)

    def fw_retracted_at(self, line_index: int) -> bool:
        """Is the firmware's own retraction (G10) in force, for the tool in use, just before a
        line?"""
        if not self.uses_fw_retract:
            return False
        lines, drawn = self._fw_strokes.get(self.modes_at(line_index).tool, ([], []))
        at = bisect_left(lines, line_index) - 1
        return at >= 0 and drawn[at]

    @cached_property
    def _fw_strokes(self) -> dict[int, tuple[list[int], list[bool]]]:
        """For each tool the lines of its G10 and G11, and which of them are G10."""
        found: dict[int, tuple[list[int], list[bool]]] = {}
        others = self.others
        for line, kind in zip(others.event_line, others.event_kind, strict=True):
            if kind in (moves.FW_RETRACT, moves.FW_UNRETRACT):
                lines, drawn = found.setdefault(self.modes_at(line).tool, ([], []))
                lines.append(line)
                drawn.append(kind == moves.FW_RETRACT)
        return found


def read_moves(
    source: Source,
    firmware: Firmware,
    *,
    extruder_axis: str = "auto",
    absolute_arc_centres: bool = False,
    filament_per_unit: float = 1.0,
) -> JobMoves:
    """Every move of a job.

    ``filament_per_unit`` turns E units into mm of filament (volumetric jobs: 1 / area).

    Raises
    ------
    GcodeError
        A motion line cannot be read, or moves in a way this firmware would not.
    """
    words = read_motion_words(source)
    letters = np.bincount(words.word_letter, minlength=128)
    e_letter = _extruder_letter(letters, extruder_axis)
    line_index, kind = words.line_index, words.kind
    columns = _columns(
        words.word_row, words.word_letter, words.word_value, len(line_index), e_letter
    )
    _refuse_doubled(source, words, columns, letters, e_letter)
    first_plastic = first_plastic_line(line_index, columns)
    others = read_others(source, words.other_line_index.tolist(), firmware, e_letter, first_plastic)
    count = moves_before_end(source, line_index, others)
    if count < len(line_index):
        line_index, kind = line_index[:count], kind[:count]
        columns = {name: column[:count] for name, column in columns.items()}
    if others.motion:
        line_index, kind, columns = _merge_odd(line_index, kind, columns, others, e_letter)
    words_alone = spans_of_words_alone(line_index, kind)
    kind = _resolve_modal(source, line_index, kind, firmware)
    _refuse_arcs(source, line_index, kind, columns, others, firmware, absolute_arc_centres)
    job = _fold(
        source,
        line_index,
        kind,
        columns,
        others,
        firmware,
        e_letter,
        absolute_arc_centres,
        filament_per_unit,
    )
    return replace(job, words_alone=words_alone)


def _extruder_letter(letters: NDArray[np.int64], wish: str) -> str:
    if wish != "auto":
        return wish
    return "A" if letters[ord("A")] and not letters[ord("E")] else "E"


def _columns(
    row: NDArray[np.int32], letter: NDArray[np.uint8], value: Array, rows: int, e_letter: str
) -> dict[str, Array]:
    """Words -> one (M,) column a letter, NaN where a move does not name it."""
    columns = {}
    for name in COLUMNS:
        column = np.full(rows, np.nan)
        is_it = letter == ord(e_letter if name == "E" else name)
        if is_it.any():
            column[row[is_it]] = value[is_it]
        columns[name] = column
    return columns


def _refuse_doubled(
    source: Source,
    words: MotionWords,
    columns: dict[str, Array],
    letters: NDArray[np.int64],
    e_letter: str,
) -> None:
    """One letter twice on a line: families differ in which they take, so neither is safe."""
    for name, column in columns.items():
        letter = ord(e_letter if name == "E" else name)
        if np.count_nonzero(np.isnan(column)) + letters[letter] == len(column):
            continue
        rows = words.word_row[words.word_letter == letter]
        row = rows[1:][rows[1:] == rows[:-1]][0]
        raise doubled_word(source, int(words.line_index[row]), chr(letter))


def _merge_odd(
    line_index: NDArray[np.int32],
    kind: NDArray[np.uint8],
    columns: dict[str, Array],
    others: Others,
    e_letter: str,
) -> tuple[NDArray[np.int32], NDArray[np.uint8], dict[str, Array]]:
    """Put the motion lines of the careful reader among those of the fast one."""
    at = np.searchsorted(line_index, others.motion_line)
    line_index = np.insert(line_index, at, others.motion_line)
    kind = np.insert(kind, at, [MOTION.get(one.code, MODAL) for one in others.motion])
    for name in COLUMNS:
        wanted = e_letter if name == "E" else name
        columns[name] = np.insert(columns[name], at, [_value(one, wanted) for one in others.motion])
    return line_index, kind, columns


def _value(command: Command, letter: str) -> float:
    value = command.get(letter)
    return float("nan") if value is None else value


def _resolve_modal(
    source: Source, line_index: NDArray[np.int32], kind: NDArray[np.uint8], firmware: Firmware
) -> NDArray[np.uint8]:
    """Words without a command take the motion before them, where the firmware does so."""
    is_modal = kind == MODAL
    if not is_modal.any():
        return kind
    if not firmware.modal_motion:
        first = int(line_index[np.argmax(is_modal)])
        raise GcodeError(
            source.where(first),
            f"words without a command, which the firmware family {firmware.name} does not move on",
            "Set [machine] firmware to the family this job was made for",
        )
    index = np.maximum.accumulate(np.where(is_modal, 0, np.arange(len(kind))))
    resolved = kind[index]
    resolved[resolved == MODAL] = moves.LINE
    return resolved


def _refuse_arcs(
    source: Source,
    line_index: NDArray[np.int32],
    kind: NDArray[np.uint8],
    columns: dict[str, Array],
    others: Others,
    firmware: Firmware,
    absolute_arc_centres: bool,
) -> None:
    """Arcs that the firmware would stop at, or that have no shape at all."""
    arcs = np.flatnonzero(kind > moves.LINE)
    if not len(arcs):
        return
    again = "Export the job again, or turn arcs off in the slicing host"

    def refuse(wrong: NDArray[np.bool_], found: str) -> None:
        if wrong.any():
            raise GcodeError(source.where(int(line_index[arcs[np.argmax(wrong)]])), found, again)

    which = np.maximum(np.searchsorted(others.modes_line, line_index[arcs], side="right") - 1, 0)
    outside = np.array([m.plane != 17 for m in others.modes])[which]
    refuse(outside, "an arc outside the XY plane (G18 or G19), which this tool cannot follow")
    by_radius = ~np.isnan(columns["R"][arcs])
    none = 0.0  # a centre at no distance is none
    if absolute_arc_centres or any(m.absolute_centres for m in others.modes):
        none = -1.0
    i, j = np.abs(columns["I"][arcs]), np.abs(columns["J"][arcs])
    refuse(~by_radius & ~(i > none) & ~(j > none), "the arc has no centre (I and J, or R)")
    stops = f", at which the firmware family {firmware.name} stops"
    if not firmware.reads_radius_arcs:
        refuse(by_radius, f"an arc by radius{stops}")
    if not firmware.reads_relative_arcs:
        relative = ~np.array([m.absolute for m in others.modes])[which]
        refuse(relative, f"an arc under G91{stops}")


def _fold(
    source: Source,
    line_index: NDArray[np.int32],
    kind: NDArray[np.uint8],
    columns: dict[str, Array],
    others: Others,
    firmware: Firmware,
    e_letter: str,
    absolute_arc_centres: bool,
    filament_per_unit: float,
) -> JobMoves:
    which = np.searchsorted(others.modes_line, line_index, side="right") - 1
    which = np.maximum(which, 0)
    modes = others.modes
    absolute = np.array([m.absolute for m in modes])[which]
    e_absolute = np.array([m.e_absolute(firmware) for m in modes])[which]
    if any(m.inch for m in modes):
        unit = np.array([m.unit_mm for m in modes])[which]
        for name in "XYZFIJR" + ("E" if firmware.inch_scales_e else ""):
            columns[name] *= unit
    tracks = {}
    for name in "XYZE":
        has = ~np.isnan(columns[name])
        mode = e_absolute if name == "E" else absolute
        word = columns[name]
        if name == "E" and firmware.e_after_relative != "added":
            word = np.where(mode, word, 0.0)
            mode = mode | (firmware.e_after_relative == "zero")
        tracks[name] = track_axis(line_index, has, word, mode, others.events[name])
        _refuse_far(source, name, tracks[name])
    ends = {}
    for name in "XYZ":
        track = tracks[name]
        physical = np.nan_to_num(track.physical)
        ends[name] = (physical[track.before], physical[track.after])
    e_track = tracks["E"]
    e_step = e_track.logical[e_track.after] - e_track.logical[e_track.before]
    relative = ~e_absolute & (e_track.after != e_track.before)
    e_step = np.where(relative, columns["E"], e_step)
    per_unit = np.array([m.filament_per_unit(filament_per_unit) for m in modes])
    e_step = np.nan_to_num(e_step) * (per_unit[which] if len(set(per_unit)) > 1 else per_unit[0])
    columns["F"][columns["F"] <= 0] = np.nan  # no speed at all: the one in force stays
    feed, work_feed = _feeds(kind, columns["F"], firmware)
    changes = FeedChanges()
    if others.feeds:
        changes = _change_feeds(others, line_index, kind, columns["F"], feed, work_feed, firmware)
    _refuse_short_radius(source, line_index, columns["R"], ends)
    table = _table(
        line_index, kind, columns, ends, e_step, feed, others, which, absolute_arc_centres
    )
    tools = np.array([m.tool for m in modes])[which]
    uses_fw = moves.FW_RETRACT in others.event_kind
    states = {name: ~np.isnan(columns[name]) & absolute for name in "XYZ"}
    states["E"] = ~np.isnan(columns["E"]) & e_absolute
    states["F"], states["R"] = ~np.isnan(columns["F"]), table.prints
    events = others.events["E"]
    resets = [
        line
        for line, what in zip(events.line_index, events.operation, strict=True)
        if what == SHIFT
    ]
    return JobMoves(
        table,
        tracks,
        others,
        e_letter,
        _deficit(e_step, tools),
        work_feed,
        uses_fw,
        known_state(others.lost, line_index, states, resets),
        changes,
        firmware,
    )


def _change_feeds(
    others: Others,
    line_index: NDArray[np.int32],
    kind: NDArray[np.uint8],
    f: Array,
    feed: Array,
    work_feed: Array,
    firmware: Firmware,
) -> FeedChanges:
    """What other lines do to F; where rapids have their own, both are kept and brought back."""
    has_f = ~np.isnan(f)
    if feed is work_feed:
        return change_feeds(others.feeds, line_index, has_f, feed)
    is_rapid = kind == moves.RAPID
    rapid = _filled(np.where(is_rapid, f, np.nan))
    change_feeds(others.feeds, line_index, has_f & is_rapid, rapid)
    changes = change_feeds(others.feeds, line_index, has_f & ~is_rapid, work_feed)
    feed[:] = np.where(is_rapid, rapid, work_feed)
    return changes


def _refuse_far(source: Source, name: str, track: AxisTrack) -> None:
    """A position that no printer has comes from a damaged line."""
    place, most = track.logical, E_MOST_MM if name == "E" else FAR_MM
    if max(np.fmax.reduce(place), -np.fmin.reduce(place)) <= most:
        return
    first = int(np.argmax(np.abs(place) > most))
    raise GcodeError(
        source.where(int(track.op_line[first])),
        f"{name} comes to {place[first]:.6g} here, past all that a printer does",
        "This line, or one before it, is damaged: export the job again",
    )


def read_deficit(e_step_mm: Array, table: MoveTable, others: Others) -> Array:
    """(M,) how far filament is drawn back after each move; see `_deficit`."""
    which = np.maximum(np.searchsorted(others.modes_line, table.line_index, side="left") - 1, 0)
    return _deficit(e_step_mm, np.array([m.tool for m in others.modes])[which])


def _deficit(e_step_mm: Array, tool: NDArray[np.int64]) -> Array:
    """(M,) how far filament is drawn back after each move, for the tool in use."""
    deficit = np.empty(len(e_step_mm))
    for number in {int(tool[at]) for at in np.flatnonzero(np.diff(tool, prepend=tool[:1] + 1))}:
        mine = tool == number
        fed = np.cumsum(e_step_mm[mine])
        deficit[mine] = np.maximum(np.maximum.accumulate(fed), 0.0) - fed
    return np.where(deficit < 1e-7, 0.0, deficit)


def _refuse_short_radius(
    source: Source, line_index: NDArray[np.int32], r: Array, ends: dict[str, tuple[Array, Array]]
) -> None:
    """A radius that does not reach from end to end: an error by RS-274/NGC 3.5.3.1; some
    families make it a half circle, others do not move."""
    chord = np.hypot(ends["X"][1] - ends["X"][0], ends["Y"][1] - ends["Y"][0])
    short = np.flatnonzero((chord / 2) ** 2 > (1 + SHORT_RADIUS) * r**2)
    if len(short):
        raise GcodeError(
            source.where(int(line_index[short[0]])),
            f"the arc's radius {abs(r[short[0]]):g} mm is under half its chord, "
            f"{chord[short[0]] / 2:g} mm",
            "Export the job again, or turn arcs off in the slicing host",
        )


def _table(
    line_index: NDArray[np.int32],
    kind: NDArray[np.uint8],
    columns: dict[str, Array],
    ends: dict[str, tuple[Array, Array]],
    e_step: Array,
    feed: Array,
    others: Others,
    which: NDArray[np.int64],
    absolute_arc_centres: bool,
) -> MoveTable:
    (x0, x1), (y0, y1), (z0, z1) = ends["X"], ends["Y"], ends["Z"]
    nothing = np.full(len(kind), np.nan)
    turn = np.zeros(len(kind))
    cx, cy = nothing, nothing.copy() if (kind > 1).any() else nothing
    arcs = np.flatnonzero(kind > moves.LINE)
    if len(arcs):
        centres_absolute = (
            absolute_arc_centres | np.array([m.absolute_centres for m in others.modes])[which[arcs]]
        )
        cx = nothing.copy()
        cx[arcs], cy[arcs], turn[arcs] = _arc_shape(
            kind[arcs], columns, arcs, x0[arcs], y0[arcs], x1[arcs], y1[arcs], centres_absolute
        )
    return MoveTable(
        line_index=line_index.astype(np.int64),
        kind=kind,
        x0_mm=x0,
        y0_mm=y0,
        z0_mm=z0,
        x_mm=x1,
        y_mm=y1,
        z_mm=z1,
        e_step_mm=e_step,
        feed_mm_min=feed,
        cx_mm=cx,
        cy_mm=cy,
        turn_rad=turn,
        event_line_index=np.array(others.event_line, np.int64),
        event_kind=np.array(others.event_kind, np.uint8),
        event_s=np.array(others.event_s, np.float64),
    )


def _arc_shape(
    kind: NDArray[np.uint8],
    columns: dict[str, Array],
    arcs: NDArray[np.int64],
    x0: Array,
    y0: Array,
    x1: Array,
    y1: Array,
    centres_absolute: NDArray[np.bool_],
) -> tuple[Array, Array, Array]:
    """Centre x, centre y, swept angle of each arc. An R word wins over I and J."""
    is_cw = kind == moves.ARC_CW
    i, j, r, p = (columns[name][arcs] for name in "IJRP")
    by_radius = ~np.isnan(r)
    cx = np.where(centres_absolute, np.where(np.isnan(i), x0, i), x0 + np.nan_to_num(i))
    cy = np.where(centres_absolute, np.where(np.isnan(j), y0, j), y0 + np.nan_to_num(j))
    rx, ry = centre_from_radius(x0, y0, x1, y1, np.nan_to_num(r), is_cw)
    cx, cy = np.where(by_radius, rx, cx), np.where(by_radius, ry, cy)
    turns = np.where(np.isnan(p), 1.0, p)
    return cx, cy, swept_angle(x0, y0, x1, y1, cx, cy, is_cw, turns)


def _feeds(kind: NDArray[np.uint8], f: Array, firmware: Firmware) -> tuple[Array, Array]:
    """(M,) F of each move, and the F that the next G1 would have."""
    is_rapid = kind == moves.RAPID
    if not (firmware.rapid_has_own_feed and is_rapid.any()):
        feed = _filled(f)
        return feed, feed
    work = _filled(np.where(is_rapid, np.nan, f))
    return np.where(is_rapid, _filled(np.where(is_rapid, f, np.nan)), work), work


def _filled(column: Array) -> Array:
    """(M,) each value carried on until the next; 0 before the first."""
    has = ~np.isnan(column)
    index = np.maximum.accumulate(np.where(has, np.arange(len(column)), -1))
    return np.where(index >= 0, column[np.maximum(index, 0)], 0.0)
