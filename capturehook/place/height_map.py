"""What stands on the bed so far: printing moves -> a grid of tops, asked pose by pose.

Everything laid is taken for solid from the bed up to the nozzle that laid it, and a cell
touched by any part of a bead's footprint counts: the map may be too high, never too low.
See docs/explain/space.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from capturehook.read.arcs import parts_of

if TYPE_CHECKING:
    from capturehook.model.layers import LayerTable
    from capturehook.model.moves import MoveTable
    from capturehook.model.profile import Machine

Floats = NDArray[np.float64]
Reach = tuple[float, float, float, float]
"""How far a part of the head reaches left, right, front and back of the nozzle, in mm."""

MARGIN_MM = 20.0
"""Grid beyond the reachable range, for prints that hang over it."""
FALL_MM = 1.0
"""Printing Z may fall this far (a purge line, mixed layer heights) and no map is needed."""
SAG_MM = 0.05
"""Greatest distance between an arc and the chords that stand for it."""
CHUNK = 1 << 17
"""Sample points laid on the grid at a time: bounds the memory."""
FLAT_MM = 1e-6
"""A path that rises less than this in Y is taken for level."""


@dataclass(frozen=True, slots=True)
class Peak:
    """The highest cell under something; ``object_no`` is 0 where nothing was printed."""

    top_mm: float
    x_mm: float = 0.0
    y_mm: float = 0.0
    object_no: int = 0


@dataclass(frozen=True, slots=True)
class Standing:
    """One object as it stands on the bed: number, middle of its footprint, height."""

    object_no: int
    x_mm: float
    y_mm: float
    top_mm: float


class HeightMap:
    """Tops of what has been printed, one float64 for each cell; 0 is the bare bed.

    Parameters
    ----------
    x_mm, y_mm : (lowest, highest)
        Reachable range; the grid goes ``margin_mm`` beyond it on every side. What is
        printed still further out is put into the rim.
    """

    def __init__(
        self,
        x_mm: tuple[float, float],
        y_mm: tuple[float, float],
        *,
        cell_mm: float = 1.0,
        margin_mm: float = MARGIN_MM,
    ) -> None:
        self.cell_mm = cell_mm
        self.x0_mm, self.y0_mm = x_mm[0] - margin_mm, y_mm[0] - margin_mm
        columns = int(np.ceil((x_mm[1] + margin_mm - self.x0_mm) / cell_mm))
        rows = int(np.ceil((y_mm[1] + margin_mm - self.y0_mm) / cell_mm))
        self.tops_mm: Floats = np.zeros((rows, columns))
        self.owner: NDArray[np.int32] = np.zeros((rows, columns), dtype=np.int32)
        self._top_mm = 0.0

    @classmethod
    def for_machine(cls, machine: Machine, *, cell_mm: float = 1.0) -> HeightMap:
        """An empty map of one machine's bed."""
        return cls(machine.x_mm, machine.y_mm, cell_mm=cell_mm)

    @property
    def top_mm(self) -> float:
        """The highest point printed so far; 0 while nothing is."""
        return self._top_mm

    def add_moves(
        self,
        x0_mm: ArrayLike,
        y0_mm: ArrayLike,
        x1_mm: ArrayLike,
        y1_mm: ArrayLike,
        z_mm: ArrayLike,
        width_mm: ArrayLike,
        *,
        object_no: int = 1,
    ) -> None:
        """Lay straight beads on the map; scalars are broadcast.

        Parameters
        ----------
        x0_mm, y0_mm, x1_mm, y1_mm : (n,) start and end
        z_mm : (n,) top of the bead (the nozzle's own height, the higher end of a rise)
        width_mm : (n,) width of the bead
        object_no : int
            Whose it is, for messages; from 1.
        """
        raw = (x0_mm, y0_mm, x1_mm, y1_mm, z_mm, width_mm)
        x0, y0, x1, y1, z, width = np.broadcast_arrays(
            *(np.atleast_1d(np.asarray(one, dtype=np.float64)) for one in raw)
        )
        if not len(z):
            return
        self._top_mm = max(self._top_mm, float(z.max()))
        pieces = np.maximum(1, np.ceil(np.hypot(x1 - x0, y1 - y0) / (self.cell_mm / 2))).astype(int)
        for part in _chunks(pieces):
            self._lay(x0[part], y0[part], x1[part], y1[part], z[part], width[part], pieces[part],
                      object_no)  # fmt: skip

    def add_table(
        self,
        moves: MoveTable,
        first: int,
        stop: int,
        *,
        width_mm: ArrayLike,
        object_no: int = 1,
    ) -> None:
        """Lay the printing moves ``first`` to ``stop - 1`` of a table, arcs as chords.

        ``width_mm`` is a number or has shape (M,), one for each move of the whole table.
        """
        picked = first + np.flatnonzero(moves.prints[first:stop])
        width = np.broadcast_to(np.asarray(width_mm, dtype=np.float64), (len(moves),))[picked]
        x0, y0, x1, y1, of = chords(moves, picked)
        z = np.maximum(moves.z0_mm[picked], moves.z_mm[picked])
        self.add_moves(x0, y0, x1, y1, z[of], width[of] + 2 * SAG_MM, object_no=object_no)

    def highest_under(self, path_mm: ArrayLike, half_width_mm: float) -> float:
        """Highest top within ``half_width_mm`` of a path of (K, 2) points, in mm."""
        path = np.asarray(path_mm, dtype=np.float64).reshape(-1, 2).tolist()
        ends = pairwise(path) if len(path) > 1 else [(path[0], path[0])]
        reach = (half_width_mm,) * 4
        return max(self.highest_swept(a, b, reach).top_mm for a, b in ends)

    def highest_swept(self, a_mm: Sequence[float], b_mm: Sequence[float], reach: Reach) -> Peak:
        """Highest cell touched by a rectangle carried along the straight line from a to b.

        Exact for the cells of the grid: row by row the rectangle's part of the path is one
        span of columns. ``reach`` may be infinite to the left and right.
        """
        rows, low, high = self._spans(a_mm, b_mm, reach)
        inside = low <= high
        if not inside.any():
            return Peak(0.0)
        columns = slice(int(low[inside].min()), int(high[inside].max()) + 1)
        at = np.arange(columns.start, columns.stop)
        under = (at >= low[:, None]) & (at <= high[:, None])
        tops = np.where(under, self.tops_mm[rows, columns], 0.0)
        row, column = np.unravel_index(int(tops.argmax()), tops.shape)
        return self._peak(int(row) + rows.start, int(column) + columns.start, float(tops.max()))

    def standing(self, object_no: int) -> Standing:
        """Where one object stands, for a message; its low skirt and brim are left out."""
        own = self.owner == object_no
        if not own.any():
            return Standing(object_no, 0.0, 0.0, 0.0)
        top = float(self.tops_mm[own].max())
        rows, columns = np.nonzero(own & (self.tops_mm >= top / 2))
        x = self.x0_mm + self.cell_mm * (columns.min() + columns.max() + 1) / 2
        y = self.y0_mm + self.cell_mm * (rows.min() + rows.max() + 1) / 2
        return Standing(object_no, float(x), float(y), top)

    def _lay(
        self, x0: Floats, y0: Floats, x1: Floats, y1: Floats, z: Floats, width: Floats,
        pieces: NDArray[np.intp], object_no: int,
    ) -> None:  # fmt: skip
        """Cut each bead into even pieces and mark the cells of the box round each piece."""
        of = np.repeat(np.arange(len(z)), pieces)
        step = np.arange(len(of)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
        share = (step + 0.5) / pieces[of]  # middles of the pieces
        half_x = np.abs(x1 - x0) / pieces / 2 + width / 2
        half_y = np.abs(y1 - y0) / pieces / 2 + width / 2
        x = x0[of] + share * (x1 - x0)[of]
        y = y0[of] + share * (y1 - y0)[of]
        low_x, high_x = self._cell(x - half_x[of], 1), self._cell(x + half_x[of], 1)
        low_y, high_y = self._cell(y - half_y[of], 0), self._cell(y + half_y[of], 0)
        top = z[of]
        for down in range(int((high_y - low_y).max()) + 1):
            row = np.minimum(low_y + down, high_y)
            for along in range(int((high_x - low_x).max()) + 1):
                self._raise(row, np.minimum(low_x + along, high_x), top, object_no)

    def _raise(
        self, row: NDArray[np.intp], column: NDArray[np.intp], top: Floats, object_no: int
    ) -> None:
        cells = row * self.tops_mm.shape[1] + column
        tops, owner = self.tops_mm.reshape(-1), self.owner.reshape(-1)
        higher = top > tops[cells]
        cells, top = cells[higher], top[higher]
        np.maximum.at(tops, cells, top)
        owner[cells] = object_no

    def _cell(self, place_mm: Floats, axis: int) -> NDArray[np.intp]:
        origin, last = (self.y0_mm, self.x0_mm)[axis], self.tops_mm.shape[axis] - 1
        return np.clip(np.floor((place_mm - origin) / self.cell_mm), 0, last).astype(np.intp)

    def _spans(
        self, a_mm: Sequence[float], b_mm: Sequence[float], reach: Reach
    ) -> tuple[slice, NDArray[np.intp], NDArray[np.intp]]:
        """Rows the sweep touches, and in each the first and last column (empty: low > high)."""
        (ax, ay), (bx, by) = a_mm, b_mm
        left, right, front, back = reach
        count_y, count_x = self.tops_mm.shape
        y_rel = (min(ay, by) - front - self.y0_mm, max(ay, by) + back - self.y0_mm)
        first, last = (int(np.floor(y / self.cell_mm)) for y in y_rel)
        rows = slice(min(max(first, 0), count_y), max(min(last, count_y - 1) + 1, 0))
        row_low = self.y0_mm + self.cell_mm * np.arange(rows.start, rows.stop)
        t0, t1 = _share_within(ay, by, row_low - back, row_low + self.cell_mm + front)
        x0, x1 = ax + t0 * (bx - ax), ax + t1 * (bx - ax)
        low = (np.minimum(x0, x1) - left - self.x0_mm) / self.cell_mm
        high = (np.maximum(x0, x1) + right - self.x0_mm) / self.cell_mm
        low = np.clip(np.floor(low), 0, count_x)
        high = np.clip(np.floor(high), -1, count_x - 1)
        return rows, low.astype(np.intp), high.astype(np.intp)

    def _peak(self, row: int, column: int, top: float) -> Peak:
        x = self.x0_mm + self.cell_mm * (column + 0.5)
        y = self.y0_mm + self.cell_mm * (row + 0.5)
        return Peak(top, x, y, int(self.owner[row, column]) if top > 0 else 0)


def chords(
    moves: MoveTable, picked: NDArray[np.intp]
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.intp]]:
    """Straight pieces of some moves: x0, y0, x1, y1 and the place in ``picked`` of each.

    An arc is cut so that no chord leaves it by more than SAG_MM: the sagitta of a chord
    over the angle a is r (1 - cos(a/2)) (any geometry handbook).
    """
    turn = moves.turn_rad[picked]
    radius = np.hypot(
        moves.x0_mm[picked] - moves.cx_mm[picked], moves.y0_mm[picked] - moves.cy_mm[picked]
    )
    arc = (turn != 0) & (radius > 0)
    widest = 2 * np.arccos(1 - np.minimum(SAG_MM / np.where(arc, radius, 1.0), 1.0))
    count = np.where(arc, np.ceil(np.abs(turn) / widest), 1).astype(np.intp)
    of = np.repeat(np.arange(len(picked)), count)
    step = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    x0, y0 = _along(moves, picked[of], step / count[of], arc[of])
    x1, y1 = _along(moves, picked[of], (step + 1) / count[of], arc[of])
    return x0, y0, x1, y1, of


def _along(
    moves: MoveTable, at: NDArray[np.intp], share: Floats, arc: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Points at a share of each move's path."""
    x0, y0 = moves.x0_mm[at], moves.y0_mm[at]
    straight_x = x0 + share * (moves.x_mm[at] - x0)
    straight_y = y0 + share * (moves.y_mm[at] - y0)
    cx, cy = moves.cx_mm[at], moves.cy_mm[at]
    angle = share * moves.turn_rad[at]
    cos, sin = np.cos(angle), np.sin(angle)
    round_x = cx + (x0 - cx) * cos - (y0 - cy) * sin
    round_y = cy + (x0 - cx) * sin + (y0 - cy) * cos
    return np.where(arc, round_x, straight_x), np.where(arc, round_y, straight_y)


def bead_width_mm(
    e_step_mm: ArrayLike, length_mm: ArrayLike, height_mm: ArrayLike, filament_mm: float
) -> Floats:
    """Width of a bead from what was fed into it, between 0.2 and 5 mm.

    The common cross-section: a rectangle with half-round sides, so the area is
    h (w - h) + pi h^2 / 4 (common practice among slicing hosts, from memory). A bead of
    no length or no height gets the widest.
    """
    length, height = np.asarray(length_mm, dtype=float), np.asarray(height_mm, dtype=float)
    known = (length > 0) & (height > 0)
    volume = np.asarray(e_step_mm, dtype=float) * np.pi * filament_mm**2 / 4
    area = volume / np.where(known, length, 1.0)
    tall = np.where(known, height, 1.0)
    width = area / tall + tall * (1 - np.pi / 4)
    return np.where(known, np.clip(width, 0.2, 5.0), 5.0)


def printed_tops(moves: MoveTable, layers: LayerTable) -> Floats:
    """(L,) highest Z printed up to the end of each layer, purge lines and all, in mm."""
    starts, tops = np.append(0, layers.last_move[:-1] + 1), np.full(len(layers), -np.inf)
    for part in parts_of(int(layers.last_move[-1]) + 1):
        z = np.maximum(moves.z0_mm[part], moves.z_mm[part])
        z *= moves.prints[part]
        begin, end = np.searchsorted(starts, (part.start + 1, part.stop)).tolist()
        inside = np.append(0, starts[begin:end] - part.start)
        reached = tops[begin - 1 : end]
        np.maximum(reached, np.maximum.reduceat(z, inside), out=reached)
    return np.asarray(np.maximum.accumulate(tops))


def needs_map(layers: LayerTable, tops_mm: Floats) -> bool:
    """True when something taller than the present layer may stand beside it.

    Otherwise a hop over ``tops_mm``, `printed_tops`, passes over everything, and no map is needed.
    """
    return bool(np.any(tops_mm - layers.z_mm > FALL_MM))


def _chunks(pieces: NDArray[np.intp]) -> list[slice]:
    """Cut the beads so that no slice has much more than CHUNK sample points."""
    ends = np.cumsum(pieces)
    cuts = np.searchsorted(ends, np.arange(CHUNK, int(ends[-1]), CHUNK)).tolist()
    edges = sorted({0, *(cut + 1 for cut in cuts), len(pieces)})
    return [slice(a, b) for a, b in pairwise(edges)]


def _share_within(a: float, b: float, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """First and last share (0 to 1) of the path from a to b that lies between low and high.

    Asked only where some part of the path does.
    """
    if abs(b - a) < FLAT_MM:
        return np.zeros_like(low), np.ones_like(low)
    t0, t1 = (low - a) / (b - a), (high - a) / (b - a)
    return np.clip(np.minimum(t0, t1), 0, 1), np.clip(np.maximum(t0, t1), 0, 1)
