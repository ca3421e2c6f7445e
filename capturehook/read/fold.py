"""The moves of a job, some thousand lines at a time: words -> places, steps and feeds.

Columns are made once, as long as the job has moves, and filled stretch by stretch: what a
stretch needs on the way stays in the processor's cache.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.model.columns import Lines, SteadyBuilder
from capturehook.model.contracts import Firmware
from capturehook.model.moves import RAPID
from capturehook.read.axes import AxisFold, FilamentFold
from capturehook.read.known import NextRows, rows_after
from capturehook.read.others import Others
from capturehook.read.scan import PlainWords

Array = NDArray[np.float64]
Ints = NDArray[np.signedinteger]
FAR_MM = 1e5
"""No printer reaches 100 m; a job that does is damaged."""
E_MOST_MM = 1e8
"""As FAR_MM, for the job's number for filament."""
LEAST_MM = 1e-7
"""Less filament retracted is none."""


@dataclass(frozen=True, slots=True)
class CareRows:
    """Moves that are not on plain lines: their rows, rising, and a column for each letter (NaN
    where a move does not state it)."""

    row: Ints
    columns: dict[str, Array]


@dataclass(frozen=True, slots=True)
class Sparse:
    """A column of numbers of which few are not 0: their rows, rising, and the numbers."""

    row: Ints
    value: Array

    def at(self, rows: Ints) -> Array:
        """The numbers of some rows."""
        if not len(self.row):
            return np.zeros(len(rows))
        place = np.searchsorted(self.row, rows)
        is_kept = self.row.take(place, mode="clip") == rows
        return np.where(is_kept, self.value.take(place, mode="clip"), 0.0)


@dataclass(frozen=True, slots=True)
class _Kind:
    """Of modes, what changes the meaning of a word."""

    absolute: bool
    e_absolute: bool
    unit_mm: float
    e_unit: float
    filament: float
    alone: float
    tool: int


class Fold:
    """All moves of a job as columns of M rows.

    Attributes
    ----------
    axes : places of X, Y, Z and E
    filament : that of E
    feed_mm_min, work_feed_mm_min, deficit_mm : (M,) as in JobMoves
    rapid_feed_mm_min : (M,) where rapids have their own and other lines change it
    states : for X, Y, Z, E and F the moves that state it after what made it unknown
    """

    def __init__(
        self,
        plain: list[PlainWords],
        line_index: Lines,
        kind: NDArray[np.uint8],
        care: CareRows,
        others: Others,
        firmware: Firmware,
        e_letter: str,
        filament_per_unit: float,
    ) -> None:
        rows = len(line_index)
        self._lines, self._kind, self._care, self._others = line_index, kind, care, others
        self._letters = dict(zip("XYZEF", f"XYZ{e_letter}F", strict=True))
        self.axes = {
            name: AxisFold(others.events[name], line_index, FAR_MM, is_steady=name == "Z")
            for name in "XYZ"
        }
        self.filament = FilamentFold(
            others.events["E"], line_index, E_MOST_MM, firmware.e_after_relative
        )
        self._retracted: list[tuple[Ints, Array]] = []
        self._own_feeds = firmware.rapid_has_own_feed and bool((kind == RAPID).any())
        self._work, self._rapid, self._feed = (SteadyBuilder() for _ in range(3))
        after = rows_after(others.lost, line_index)
        self.states = {name: NextRows(after, rows) for name in "XYZEF"}
        self._f_rows: list[Ints] = []
        self._fed: dict[int, tuple[float, float]] = {}
        kinds: dict[_Kind, int] = {}
        self._kind_of = [
            kinds.setdefault(
                _Kind(
                    modes.absolute,
                    modes.e_absolute(firmware),
                    modes.unit_mm,
                    modes.e_unit(firmware),
                    modes.filament_per_unit(filament_per_unit),
                    modes.flow_alone(firmware),
                    modes.tool,
                ),
                len(kinds),
            )
            for modes in others.modes
        ]
        self._kinds = list(kinds)
        while plain:
            for piece in plain.pop().pieces():
                first, stop = line_index.searchsorted((piece.first, piece.stop)).tolist()
                if first < stop:
                    self._take(piece, first, stop)
        self.axes["E"] = self.filament
        for axis in self.axes.values():
            axis.take(rows, rows, *_nothing())
            axis.finish()
        self.work_feed_mm_min = self._work.column(rows)
        self.rapid_feed_mm_min = self._rapid.column(rows)
        self.feed_mm_min = self._feed.column(rows) if self._own_feeds else self.work_feed_mm_min

    def _take(self, piece: PlainWords, first: int, stop: int) -> None:
        lines = self._lines[first:stop]
        care = slice(*np.searchsorted(self._care.row, (first, stop)).tolist())
        row_of = None
        if care.start != care.stop or stop - first != piece.stop - piece.first:
            row_of = np.zeros(piece.stop - piece.first, np.int64)
            row_of[lines - piece.first] = np.arange(stop - first)
        words = {name: self._words(piece, name, row_of, first, care) for name in "XYZEF"}
        modes_line = self._others.modes_line
        begin = max(bisect_right(modes_line, int(lines[0])) - 1, 0)
        end = max(bisect_right(modes_line, int(lines[-1])) - 1, 0)
        in_force = set(self._kind_of[begin : end + 1])
        if len(in_force) == 1:
            self._take_alike(first, stop, words, self._kinds[in_force.pop()])
        else:
            which = np.maximum(np.searchsorted(modes_line, lines, side="right") - 1, 0)
            low = int(which[0])
            kinds = np.array(self._kind_of[low : int(which[-1]) + 1])[which - low]
            self._take_mixed(first, stop, words, kinds)

    def _words(
        self, piece: PlainWords, name: str, row_of: Ints | None, first: int, care: slice
    ) -> tuple[Ints, Array]:
        """Rows (counted from ``first``) that state a letter, rising, and the values."""
        row, value = piece.of(self._letters[name])
        at: Ints = row if row_of is None else row_of[row]
        if care.start == care.stop:
            return at, value
        column = self._care.columns[name][care]
        states = ~np.isnan(column)
        at = np.concatenate((at, self._care.row[care][states] - first))
        value = np.concatenate((value, column[states]))
        order = np.argsort(at, kind="stable")
        return at[order], value[order]

    def _take_alike(
        self, first: int, stop: int, words: dict[str, tuple[Ints, Array]], kind: _Kind
    ) -> None:
        for name in "XYZ":
            row, value = words[name]
            value = value * kind.unit_mm if kind.unit_mm != 1 else value
            axis = self.axes[name]
            self._note_stated(name, first, row, kind.absolute)
            if kind.absolute and axis.is_plain(stop):
                axis.set_to(first, stop, row, value)
            else:
                axis.take(first, stop, row, value, np.full(len(row), kind.absolute))
        row, value = words["E"]
        value = value * kind.e_unit if kind.e_unit != 1 else value
        self._note_stated("E", first, row, kind.e_absolute)
        fed = self.filament.feed(first, stop, row, value, np.full(len(row), kind.e_absolute))
        if kind.filament != 1 or kind.alone != 1:
            step = kind.filament * fed.steps_of(0, len(fed))
            step[_names_no_axis(words)] *= kind.alone
            fed = fed.with_steps(step)
        self.filament.steps.add(fed)
        self._keep_deficit(first, self._draw_back(kind.tool, fed.steps_of(0, len(fed))))
        row, value = words["F"]
        self._take_feeds(first, stop, row, value * kind.unit_mm if kind.unit_mm != 1 else value)

    def _take_mixed(
        self, first: int, stop: int, words: dict[str, tuple[Ints, Array]], kinds: Ints
    ) -> None:
        """As above where the modes change within the stretch; ``kinds`` tells of each row."""

        def each(what: str) -> Array:
            return np.array([getattr(kind, what) for kind in self._kinds], np.float64)[kinds]

        absolute, unit = each("absolute") > 0, each("unit_mm")
        for name in "XYZ":
            row, value = words[name]
            self._note_stated(name, first, row, absolute[row])
            self.axes[name].take(first, stop, row, value * unit[row], absolute[row])
        row, value = words["E"]
        self._note_stated("E", first, row, each("e_absolute")[row] > 0)
        is_absolute = each("e_absolute")[row] > 0
        fed = self.filament.feed(first, stop, row, value * each("e_unit")[row], is_absolute)
        step, deficit = each("filament") * fed.steps_of(0, len(fed)), np.zeros(stop - first)
        alone = _names_no_axis(words)
        step[alone] *= each("alone")[alone]
        self.filament.steps.add(fed.with_steps(step))
        tool = each("tool")
        for number in sorted({int(one) for one in tool[np.diff(tool, prepend=-1) != 0]}):
            mine = tool == number
            deficit[mine] = self._draw_back(number, step[mine])
        self._keep_deficit(first, deficit)
        row, value = words["F"]
        self._take_feeds(first, stop, row, value * unit[row])

    def _draw_back(self, tool: int, step: Array) -> Array:
        """How far filament of a tool is retracted after each of its moves."""
        fed, most = self._fed.get(tool, (0.0, 0.0))
        so_far = np.cumsum(np.concatenate(([fed], step)))[1:]
        highest = np.maximum.accumulate(so_far)
        np.maximum(highest, most, out=highest)
        if len(step):
            self._fed[tool] = float(so_far[-1]), float(highest[-1])
        deficit: Array = np.subtract(highest, so_far, out=highest)
        deficit[deficit < LEAST_MM] = 0.0
        return deficit

    def _keep_deficit(self, first: int, deficit: Array) -> None:
        row = np.flatnonzero(deficit != 0)
        if len(row):
            self._retracted.append((first + row, deficit[row]))

    @property
    def f_rows(self) -> Ints:
        """Moves with an F; only where other lines change it."""
        return np.concatenate([np.empty(0, np.int64), *self._f_rows])

    @property
    def deficit_mm(self) -> Sparse:
        """How far filament is retracted after each move."""
        kept = [(np.empty(0, np.int64), np.empty(0)), *self._retracted]
        row, value = zip(*kept, strict=True)
        return Sparse(np.concatenate(row), np.concatenate(value))

    def _take_feeds(self, first: int, stop: int, row: Ints, value: Array) -> None:
        """A feed of nothing leaves the one in force."""
        if len(value) and value.min() <= 0:
            row, value = row[value > 0], value[value > 0]
        self._note_stated("F", first, row, True)
        if self._others.feeds:
            self._f_rows.append(first + row)
        if not self._own_feeds:
            self._work.put(first + row, value)
            return
        is_rapid = self._kind[first:stop] == RAPID
        of_rapid = is_rapid[row]
        feeds = []
        for feed, of_it in ((self._rapid, of_rapid), (self._work, ~of_rapid)):
            feeds.append(_carried_on(row[of_it], value[of_it], feed.last, stop - first))
            feed.put(first + row[of_it], value[of_it])
        self._feed.put(np.arange(first, stop), np.where(is_rapid, *feeds))

    def _note_stated(
        self, name: str, first: int, row: Ints, is_absolute: bool | NDArray[np.bool_]
    ) -> None:
        if self._others.lost:
            stated = row[is_absolute] if isinstance(is_absolute, np.ndarray) else row
            self.states[name].note(first + stated if is_absolute is not False else row[:0])


def _carried_on(row: Ints, value: Array, before: float, count: int) -> Array:
    """Each value until the next."""
    told = np.concatenate(([before], value))
    return np.repeat(told, np.diff(row, prepend=0, append=count))


def _names_no_axis(words: dict[str, tuple[Ints, Array]]) -> Ints:
    """Rows that state filament and no place."""
    alone = words["E"][0]
    for name in "XYZ":
        alone = np.setdiff1d(alone, words[name][0])
    return alone


def _nothing() -> tuple[Ints, Array, NDArray[np.bool_]]:
    return np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.bool_)
