"""Stage 2: Source -> moves, and the machine's state at any line.

Plain lines are read as arrays by `plain.py`; the others, few in most jobs, by `tokens.py` (see
`motions.py`) and, one by one, by `others.py`. `fold.py` puts them in file order and makes places
of them.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import GcodeError
from capturehook.model import moves
from capturehook.model.columns import Column, Counting, Lines, steady
from capturehook.model.contracts import Firmware
from capturehook.model.moves import MoveTable
from capturehook.model.state import Modes, State
from capturehook.read.arc_rows import Arcs
from capturehook.read.arcs import parts_of
from capturehook.read.axes import AxisFold
from capturehook.read.axis import SHIFT
from capturehook.read.fold import CareRows, Fold, Sparse
from capturehook.read.known import (
    FeedChanges,
    Known,
    NextRows,
    change_feeds,
    known_state,
    reason,
    refuse_moves_after_end,
    rows_after,
    spans_of_words_alone,
)
from capturehook.read.motions import Motions, resolve_modal
from capturehook.read.others import Others, read_others
from capturehook.read.scan import PLAIN
from capturehook.read.source import PartSource, Source, part_of
from capturehook.read.tokens import read_motion_words

Array = NDArray[np.float64]


@dataclass(frozen=True)
class JobMoves:
    """The moves of a job with what is needed to state the machine's state at any line."""

    table: MoveTable
    axes: dict[str, AxisFold] = field(repr=False)
    others: Others = field(repr=False)
    e_letter: str
    deficit_mm: Sparse = field(repr=False)
    """How far filament is retracted after each move."""
    work_feed_mm_min: Column = field(repr=False)
    """(M,) F in force after each move for the next G1 (G0 has its own on some families)."""
    uses_fw_retract: bool
    known: Known = field(repr=False)
    feed_changes: FeedChanges = field(repr=False)
    firmware: Firmware = field(repr=False)
    words_alone: NDArray[np.int64] = field(repr=False)
    """(K, 2) from the line of a motion other than G1 to that of words which go on with it."""

    def modes_at(self, line_index: int) -> Modes:
        """Modes just before a line."""
        at = bisect_left(self.others.modes_line, line_index) - 1
        return self.others.modes[max(at, 0)]

    def move_before(self, line_index: int) -> int:
        """The last move before a line; -1 where there is none."""
        return int(self.table.line_index.searchsorted(line_index)) - 1

    def state_at(self, line_index: int) -> State:
        """The machine just before a line; NaN where a position cannot be known."""
        return self.states_at([line_index])[0]

    def states_at(self, line_indices: Sequence[int]) -> list[State]:
        """As :meth:`state_at`, for many lines at once."""
        lines = np.array(line_indices, np.int64)
        row = self.table.line_index.searchsorted(lines) - 1
        places, shifts = zip(*(self.axes[name].before(lines, row) for name in "XYZE"), strict=True)
        shared: dict[tuple[float, ...], tuple[float, float, float]] = {}
        columns = (
            line_indices,
            *(place.tolist() for place in places),
            zip(*(shift.tolist() for shift in shifts[:3]), strict=True),
            self.deficit_mm.at(row).tolist(),
            self._feeds_at(lines, row).tolist(),
        )
        return [
            State(
                line_index=line,
                x_mm=x,
                y_mm=y,
                z_mm=z,
                shift_mm=shared.setdefault(shift, shift),
                e_mm=e,
                deficit_mm=deficit,
                fw_retracted=self.fw_retracted_at(line),
                feed_mm_min=feed,
                modes=self.modes_at(line),
            )
            for line, x, y, z, e, shift, deficit, feed in zip(*columns, strict=True)
        ]

    def _feeds_at(self, line_index: NDArray[np.int64], row: NDArray[np.int64]) -> Array:
        """F just before each of some lines, ``row`` being the last move before each (or -1)."""
        feed, move_line, moved = np.zeros(len(row)), np.full(len(row), -1), row >= 0
        feed[moved] = self.work_feed_mm_min[row[moved]]
        move_line[moved] = self.table.line_index[row[moved]]
        return self.feed_changes.at(line_index, move_line, feed)

    def unknown_at(self, line_index: int) -> str | None:
        """What of the state is unknown just before a line, and since which command; None where
        a block can put all of it back."""
        if not self.known.lost:
            return None
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
    said = source.take_words()
    is_motion = source.scan.kind >= PLAIN
    rest = part_of(source, np.flatnonzero(~is_motion))
    _refuse_suspects(rest, firmware)
    words = read_motion_words(rest)
    motions = Motions.of(rest, words, said, extruder_axis)
    e_letter = motions.e_letter
    other_lines = rest.lines[words.other_line_index].tolist()
    others = read_others(source, other_lines, firmware, e_letter, motions.first_plastic(said))
    if others.end_line is not None:
        is_motion[motions.line_index] = True
        refuse_moves_after_end(source, np.flatnonzero(is_motion), others)
        is_motion[others.end_line + 1 :] = False
        said = [one.before(others.end_line + 1) for one in said]
        motions = motions.until(others.end_line)
    if others.motion:
        motions = motions.with_odd(others)
    care_line = motions.line_index
    is_motion[care_line] = True
    line_index: Lines = Counting.of_flags(is_motion)
    kind = (source.scan.kind == PLAIN).view(np.uint8)[is_motion]
    again = care_line[1:][care_line[1:] == care_line[:-1]]  # several motions on one line
    if len(again):
        place = line_index.searchsorted(again)
        line_index, kind = (
            np.insert(line_index[:], place, again),
            np.insert(kind, place, kind[place]),
        )
    row = line_index.searchsorted(care_line) + np.arange(len(care_line))
    row -= np.searchsorted(care_line, care_line)
    kind[row] = motions.kind
    care = CareRows(row, motions.columns)
    del is_motion
    words_alone = spans_of_words_alone(line_index, kind)
    kind = resolve_modal(source, line_index, kind, firmware)
    arcs = Arcs.of(source, line_index, kind, care, others, absolute_arc_centres)
    arcs.refuse_unknown(firmware)
    said.reverse()  # taken from the end, so that what is done is let go
    fold = Fold(said, line_index, kind, care, others, firmware, e_letter, filament_per_unit)
    for name, axis in fold.axes.items():
        _refuse_far(source, name, axis)
    feed_changes = _change_feeds(fold, others, line_index, kind)
    table = _table(line_index, kind, fold, others, arcs)
    return JobMoves(
        table,
        fold.axes,
        others,
        e_letter,
        fold.deficit_mm,
        fold.work_feed_mm_min,
        moves.FW_RETRACT in others.event_kind,
        _known(fold, others, table),
        feed_changes,
        firmware,
        words_alone,
    )


def _refuse_suspects(rest: PartSource, firmware: Firmware) -> None:
    """Lines that look like motion and are none for this family."""
    for match in firmware.suspects.finditer(rest.text) if firmware.suspects else ():
        index = rest.line_at(match.start())
        text = rest.line(index).decode("latin-1").partition(";")[0].strip()
        refused = firmware.refuses_text(text)
        if refused is not None:
            raise GcodeError(rest.where(index), refused.found, refused.advice)


def _change_feeds(
    fold: Fold, others: Others, line_index: Lines, kind: NDArray[np.uint8]
) -> FeedChanges:
    """What other lines do to F; where rapids have their own, both are kept and brought back."""
    if not others.feeds:
        return FeedChanges()
    feeds, has_f, work = others.feeds, fold.f_rows, fold.work_feed_mm_min[:]
    if fold.feed_mm_min is fold.work_feed_mm_min:
        changes = change_feeds(feeds, line_index, has_f, work)
        fold.feed_mm_min = fold.work_feed_mm_min = steady(work)
        return changes
    is_rapid, rapid = kind == moves.RAPID, fold.rapid_feed_mm_min[:]
    change_feeds(feeds, line_index, has_f[is_rapid[has_f]], rapid)
    changes = change_feeds(feeds, line_index, has_f[~is_rapid[has_f]], work)
    fold.feed_mm_min = steady(np.where(is_rapid, rapid, work))
    fold.work_feed_mm_min = steady(work)
    return changes


def _known(fold: Fold, others: Others, table: MoveTable) -> Known:
    if not others.lost:
        return Known()
    events = others.events["E"]
    pairs = zip(events.line_index, events.operation, strict=True)
    resets = [line for line, what in pairs if what == SHIFT]
    states = {name: stated.row for name, stated in fold.states.items()}
    printing = NextRows(rows_after(others.lost, table.line_index), len(table))
    for part in parts_of(len(table)):
        printing.note(part.start + np.flatnonzero(table.prints[part]))
    return known_state(others.lost, table.line_index, states | {"R": printing.row}, resets)


def _refuse_far(source: Source, name: str, axis: AxisFold) -> None:
    """A position that no printer has comes from a damaged line."""
    if axis.far is None:
        return
    line, place = axis.far
    raise GcodeError(
        source.where(line),
        f"{name} comes to {place:.6g} here, past all that a printer does",
        "This line, or one before it, is damaged: slice the model again",
    )


def _table(
    line_index: Lines,
    kind: NDArray[np.uint8],
    fold: Fold,
    others: Others,
    arcs: Arcs,
) -> MoveTable:
    x, y, z = (fold.axes[name] for name in "XYZ")
    x0, y0, x1, y1 = (np.asarray(one) for one in (x.starts(), y.starts(), x.ends(), y.ends()))
    shape = arcs.shape(line_index, x0, y0, x1, y1)
    return MoveTable(
        line_index=line_index,
        kind=kind,
        x0_mm=x0,
        y0_mm=y0,
        z0_mm=z.starts(),
        x_mm=x1,
        y_mm=y1,
        z_mm=z.ends(),
        e_step_mm=fold.filament.steps,
        feed_mm_min=fold.feed_mm_min,
        cx_mm=shape[0],
        cy_mm=shape[1],
        turn_rad=shape[2],
        event_line_index=np.array(others.event_line, np.int64),
        event_kind=np.array(others.event_kind, np.uint8),
        event_s=np.array(others.event_s, np.float64),
    )
