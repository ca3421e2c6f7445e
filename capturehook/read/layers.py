"""Stage 3: moves and marks -> layers. A mark with no printing after it is no layer.

Where there are no marks, or marks that do not fit the moves, the heights at which plastic
is laid tell; a hop never makes a layer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import LayerError
from capturehook.model.columns import Steady, steady
from capturehook.model.layers import LayerTable
from capturehook.model.moves import MoveTable
from capturehook.read.arcs import parts_of
from capturehook.read.marks import Marks, find_marks
from capturehook.read.source import Source

MERGE_MM = 0.02
"""Two heights closer than this are one layer."""
MUCH = 0.25
"""Share of a layer's plastic that is more than a hop's crumb or a support's own height."""
Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def find_layers(source: Source, moves: MoveTable) -> tuple[LayerTable, list[Marks]]:
    """The layers of a job, and every kind of mark seen on the way.

    Raises
    ------
    LayerError
        Nothing is printed at all; names the file and its last line.
    """
    printing = _Printing.of(moves)
    if not len(printing.row):
        raise LayerError(
            source.where(source.line_count - 1),
            "the job ends here and no move has laid any plastic",
            "Check that this is a sliced job, "
            "and [machine] extruder_axis if it does not extrude on E",
        )
    marks = find_marks(source)
    found: LayerTable | None = None
    steps = _steps_in_height(printing.level_z_mm())
    for kind in marks:
        starts, mark = printing.behind(moves.line_index.searchsorted(kind.line_index))
        table = _table(moves, printing, starts, kind.name) if len(starts) else None
        if table is None or len(table) * 2 < steps:
            continue
        wrong = -1 if table.spiral else _contradicted(moves, printing, starts)
        if wrong < 0:
            return table, marks
        found = found or replace(table, contradicted_line=int(kind.line_index[mark[wrong]]))
    table = _table(moves, printing, _starts_by_height(printing), "geometry")
    if found is None:
        return table, marks
    if len(table) < len(found):  # low objects side by side: heights alone tell too little
        return found, marks
    return replace(table, contradicted_line=found.contradicted_line), marks


@dataclass(frozen=True, slots=True)
class _Printing:
    """The K moves that lay plastic: their rows, the heights at which they end, and which climb."""

    row: Ints
    z_mm: Steady
    climbs: NDArray[np.bool_]

    @classmethod
    def of(cls, moves: MoveTable) -> _Printing:
        climbs = np.zeros(len(moves), np.bool_)
        for part in parts_of(len(moves)):
            np.greater(moves.z_mm[part], moves.z0_mm[part] + 1e-9, out=climbs[part])
        row = np.flatnonzero(moves.prints)
        z_mm = moves.z_mm if isinstance(moves.z_mm, Steady) else steady(moves.z_mm)
        return cls(row, z_mm.of_rising(row), climbs[row])

    def level_z_mm(self) -> Array:
        """Heights of those that do not climb, without most repeats of the one before."""
        parts = parts_of(len(self.row))
        return np.concatenate([_runs(self.z_mm[part][~self.climbs[part]]) for part in parts])

    def climbing(self, starts: Ints) -> Ints:
        """How many moves of each group climb."""
        rows = np.flatnonzero(self.climbs)
        return np.diff(np.searchsorted(rows, np.append(starts, len(self.climbs))))

    def behind(self, rows: Ints) -> tuple[Ints, Ints]:
        """Where groups start that begin with some rising rows of all moves, counted among the
        printing ones, and which of these rows each is; those without any printing left out."""
        start = np.searchsorted(self.row, rows)
        group = np.flatnonzero(start < np.append(start[1:], len(self.row)))
        return start[group], group


def _contradicted(moves: MoveTable, printing: _Printing, starts: Ints) -> int:
    """The first group whose mark the moves deny, -1 where none is.

    A mark is denied where printing goes on at the height of the layer before it, and where
    much plastic is laid at two heights after it.
    """
    z = printing.z_mm
    ends = np.append(starts[1:], len(z))
    low, high = z.of_groups(np.minimum, starts), z.of_groups(np.maximum, starts)
    denied = np.zeros(len(starts), np.bool_)
    denied[1:] = np.maximum(np.abs(np.diff(low)), np.abs(np.diff(high))) <= MERGE_MM
    for at in np.flatnonzero(high - low > MERGE_MM).tolist():
        part = slice(starts[at], ends[at])
        fed = moves.e_step_mm[printing.row[part]]
        near_top = z[part] > high[at] - MERGE_MM
        share = float(fed[near_top].sum() / fed.sum())
        denied[at] |= MUCH < share < 1 - MUCH
    return int(np.argmax(denied)) if denied.any() else -1


def _runs(z: Array) -> Array:
    """The heights without repeats of the one before."""
    changes = np.empty(len(z), np.bool_)
    changes[:1] = True
    np.not_equal(z[1:], z[:-1], out=changes[1:])
    return z[changes]


def _steps_in_height(z: Array) -> int:
    """How many times printing goes on at a new greatest height (rounded to the merge)."""
    tops = np.round(np.maximum.accumulate(z) / 0.05)
    return min(int(np.count_nonzero(np.diff(tops))) + 1, 20)


def _starts_by_height(printing: _Printing) -> Ints:
    """Where layers start among the printing moves, from heights alone; a climb is one layer."""
    z, climbs = printing.z_mm[:], printing.climbs
    goes_on = (np.abs(np.diff(z)) <= 1e-6) | (climbs[1:] & climbs[:-1])
    starts = np.concatenate(([0], np.flatnonzero(~goes_on) + 1))
    group_of_run, group, top, first = np.empty(len(starts), np.int64), -1, -np.inf, np.inf
    for run, height in enumerate(np.maximum.reduceat(z, starts).tolist()):
        fell_to_bed = group >= 0 and height < top - 2 * MERGE_MM and height <= first + 0.05
        if height > top + MERGE_MM or (fell_to_bed and top - first > 0.5):
            group += 1
            if fell_to_bed or group == 0:
                first = height
            top = height
        group_of_run[run] = group
    firsts: Ints = starts[np.diff(group_of_run, prepend=-1) != 0]
    return firsts


def _table(moves: MoveTable, printing: _Printing, starts: Ints, name: str) -> LayerTable:
    """Groups of printing moves, by where each starts -> layers."""
    counts = np.diff(np.append(starts, len(printing.row)))
    share = printing.climbing(starts) / counts
    is_spiral = (share > 0.5) & (counts > 3)
    starts = _split_turns(moves, printing.row, starts, is_spiral)
    ends = np.append(starts[1:], len(printing.row)) - 1
    share = printing.climbing(starts) / (ends - starts + 1)
    is_spiral = (share > 0.5) & (ends - starts >= 3)
    if np.count_nonzero(is_spiral) < 3:
        is_spiral[:] = False
    z = _heights(moves, printing, starts, ends, is_spiral)
    keep = np.concatenate(([True], np.abs(np.diff(z)) > MERGE_MM)) | is_spiral
    first = printing.row[starts[keep]]
    last = printing.row[ends[np.append(np.flatnonzero(keep)[1:] - 1, len(z) - 1)]]
    z, is_spiral = z[keep], is_spiral[keep]
    object_no = _objects(z)
    return LayerTable(
        first_move=first,
        last_move=last,
        z_mm=z,
        height_mm=_thickness(z, object_no),
        object_no=object_no,
        is_spiral=is_spiral,
        spiral=bool(is_spiral.any()),
        marks=name,
    )


def _heights(
    moves: MoveTable,
    printing: _Printing,
    starts: Ints,
    ends: Ints,
    is_spiral: NDArray[np.bool_],
) -> Array:
    """(L,) the height at which most of a layer's plastic is laid; a turn's is its top."""
    z_all = printing.z_mm
    low, high = z_all.of_groups(np.minimum, starts), z_all.of_groups(np.maximum, starts)
    z: Array = high.copy()
    for layer in np.flatnonzero((high > low + 1e-9) & ~is_spiral):
        part = slice(starts[layer], ends[layer] + 1)
        heights, which = np.unique(z_all[part], return_inverse=True)
        fed = np.bincount(which, moves.e_step_mm[printing.row[part]])
        z[layer] = heights[np.argmax(fed)]
    return z


def _split_turns(
    moves: MoveTable,
    printing: Ints,
    starts: Ints,
    is_spiral: NDArray[np.bool_],
) -> Ints:
    """Cut spirals that carry no mark for each turn, once round the outline's middle."""
    ends = np.concatenate((starts[1:], [len(printing)]))
    cuts = [starts]
    for layer in np.flatnonzero(is_spiral):
        part = printing[starts[layer] : ends[layer]]
        x, y = moves.x_mm[part], moves.y_mm[part]
        middle_x, middle_y = (x.min() + x.max()) / 2, (y.min() + y.max()) / 2
        angle = np.unwrap(np.arctan2(y - middle_y, x - middle_x))
        turn = np.floor(np.abs(angle - angle[0]) / (2 * np.pi) + 1e-6)
        if turn[-1] >= 2:
            cuts.append(
                starts[layer] + np.flatnonzero(np.diff(np.maximum.accumulate(turn)) > 0) + 1
            )
    return starts if len(cuts) == 1 else np.unique(np.concatenate(cuts))


def _objects(z: Array) -> NDArray[np.int32]:
    """(L,) which object of a one-at-a-time job a layer belongs to: Z falls back to the bed."""
    number, first, top = 1, float(z[0]), float(z[0])
    found = np.empty(len(z), np.int32)
    for layer, height in enumerate(z.tolist()):
        if height < top - MERGE_MM and height <= first + 0.05 and top > first + MERGE_MM:
            number, first, top = number + 1, height, height
        top = max(top, height)
        found[layer] = number
    return found


def _thickness(z: Array, object_no: NDArray[np.int32]) -> Array:
    below = np.concatenate(([0.0], z[:-1]))
    below[np.concatenate(([True], np.diff(object_no) != 0))] = 0.0
    return np.where(z > below, z - below, 0.0)
