"""What is printed, thinned out for pictures: lines seen from above, outline seen from the front."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.model.layers import LayerTable
from capturehook.model.moves import LINE, MoveTable
from capturehook.read.features import Features

Floats = NDArray[np.float64]
CHORD_RAD = 0.3
"""Arcs are drawn as chords of at most this turn."""


def printed_lines(
    moves: MoveTable, layers: LayerTable, which: NDArray[np.int64], most_points: int
) -> list[Floats]:
    """Printed lines of some layers from above, each (K, 2) mm, thinned to ``most_points``.

    Points are left out along the line at ever longer steps until the count fits.
    """
    rows = [
        first + np.flatnonzero(moves.prints[first : last + 1])
        for first, last in zip(
            layers.first_move[which].tolist(), (layers.last_move[which]).tolist(), strict=True
        )
    ]
    runs = _runs(moves, np.concatenate(rows)) if rows else []
    step_mm = 0.2
    while sum(map(len, runs)) > most_points:
        thinned = [_thinned(run, step_mm) for run in runs]
        if step_mm > 2:  # short lines count two points however long the step
            long = sorted(thinned, key=_extent, reverse=True)
            thinned = long[: max(1, len(long) * 2 // 3)]
        runs, step_mm = thinned, step_mm * 1.6
    return runs


def _runs(moves: MoveTable, rows: NDArray[np.int64]) -> list[Floats]:
    """Unbroken lines through printing moves, arcs as chords."""
    if not len(rows):
        return []
    x0, y0, x1, y1 = (getattr(moves, name)[rows] for name in ("x0_mm", "y0_mm", "x_mm", "y_mm"))
    breaks = np.ones(len(rows), bool)
    breaks[1:] = (np.abs(x0[1:] - x1[:-1]) > 1e-3) | (np.abs(y0[1:] - y1[:-1]) > 1e-3)
    parts = np.where(
        moves.kind[rows] > LINE, np.ceil(np.abs(moves.turn_rad[rows]) / CHORD_RAD), 1
    ).astype(int)
    parts = np.maximum(parts, 1)
    row = np.repeat(np.arange(len(rows)), parts)
    share = (np.arange(len(row)) - (np.cumsum(parts) - parts)[row] + 1) / parts[row]
    points = _on_moves(moves, rows[row], share)
    ends = np.cumsum(parts)
    starts = np.flatnonzero(breaks)
    stops = np.append(starts[1:], len(rows))
    return [
        np.vstack(([x0[start], y0[start]], points[ends[start] - parts[start] : ends[stop - 1]]))
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True)
    ]


def _on_moves(moves: MoveTable, row: NDArray[np.int64], share: Floats) -> Floats:
    """(K, 2) points at a share of moves."""
    x0, y0 = moves.x0_mm[row], moves.y0_mm[row]
    straight = np.column_stack(
        (x0 + share * (moves.x_mm[row] - x0), y0 + share * (moves.y_mm[row] - y0))
    )
    arcs = moves.kind[row] > LINE
    if arcs.any():
        cx, cy, at = moves.cx_mm[row[arcs]], moves.cy_mm[row[arcs]], row[arcs]
        angle = np.arctan2(y0[arcs] - cy, x0[arcs] - cx) + share[arcs] * moves.turn_rad[at]
        radius = np.hypot(x0[arcs] - cx, y0[arcs] - cy)
        straight[arcs] = np.column_stack((cx + radius * np.cos(angle), cy + radius * np.sin(angle)))
    return straight


def _thinned(run: Floats, step_mm: float) -> Floats:
    """First, last, and one point for each step along the line."""
    done = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(run, axis=0).T))))
    kept = np.ones(len(run), bool)
    kept[1:-1] = np.diff(np.floor(done / step_mm))[:-1] > 0
    return run[kept]


def _extent(run: Floats) -> float:
    return float(np.ptp(run, axis=0).max())


@dataclass(frozen=True, slots=True)
class Outline:
    """The part from the front: what each layer reaches in X, and between which heights.

    Attributes
    ----------
    low_mm, high_mm, bottom_mm, top_mm : (L,) mm
    object_no : (L,) as in the LayerTable
    """

    low_mm: Floats
    high_mm: Floats
    bottom_mm: Floats
    top_mm: Floats
    object_no: NDArray[np.int32]

    def areas(self, first: int, stop: int, most_steps: int = 60) -> list[Floats]:
        """Corners of what layers ``first`` to ``stop`` add, (K, 2) X and Z mm for each object.

        Very many layers are shown as ``most_steps`` taller ones.
        """
        found = []
        for number in np.unique(self.object_no[first:stop]):
            layers = first + np.flatnonzero(self.object_no[first:stop] == number)
            groups = np.array_split(layers, min(len(layers), most_steps))
            low = np.repeat([self.low_mm[group].min() for group in groups], 2)
            high = np.repeat([self.high_mm[group].max() for group in groups], 2)
            ends = [(self.bottom_mm[group[0]], self.top_mm[group[-1]]) for group in groups]
            z_mm = np.array(ends).ravel()
            left, right = np.column_stack((low, z_mm)), np.column_stack((high, z_mm))
            found.append(np.vstack((left, right[::-1])))
        return found


def front_outline(moves: MoveTable, layers: LayerTable, features: Features) -> Outline:
    """What each layer reaches in X, skirts left out (where feature comments name them)."""
    printed = np.flatnonzero(moves.prints)
    named = np.array([kind == "skirt" for kind in features.kind] + [False])
    which = np.searchsorted(features.line_index, moves.line_index[printed]) - 1
    layer = np.searchsorted(layers.first_move, printed, side="right") - 1
    part = ~named[which] & (layer >= 0)
    for index in np.setdiff1d(np.arange(len(layers)), layer[part]):  # a skirt alone
        part |= layer == index
    printed, layer = printed[part], layer[part]
    low = np.minimum(moves.x0_mm, moves.x_mm)[printed]
    high = np.maximum(moves.x0_mm, moves.x_mm)[printed]
    first = np.searchsorted(layer, np.arange(len(layers)))
    return Outline(
        low_mm=np.minimum.reduceat(low, first),
        high_mm=np.maximum.reduceat(high, first),
        bottom_mm=layers.z_mm - layers.height_mm,
        top_mm=layers.z_mm,
        object_no=layers.object_no,
    )
