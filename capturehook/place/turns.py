"""Stops in a spiral: one for each chosen turn, always at the same angle of the outline.

A spiral never travels, so the stop lies within a printing move. The move is split there:
what lies before the stop is printed, the pose is made, and the rest goes on from the very
point, the filament shared by length. Marks, if any, then form one line up the part.
"""

from __future__ import annotations

from math import atan2, cos, hypot, pi, radians, sin

import numpy as np
from numpy.typing import NDArray

from capturehook.model.layers import LayerTable
from capturehook.model.moves import LINE, MoveTable
from capturehook.model.stop import Split

Array = NDArray[np.float64]


def spiral_centre(moves: MoveTable, layers: LayerTable) -> tuple[float, float]:
    """The middle of the box round all spiral turns, mm."""
    turns = np.flatnonzero(layers.is_spiral)
    part = slice(int(layers.first_move[turns[0]]), int(layers.last_move[turns[-1]]) + 1)
    x, y = moves.x_mm[part], moves.y_mm[part]
    return float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2


def find_split(
    moves: MoveTable,
    layers: LayerTable,
    layer_index: int,
    centre: tuple[float, float],
    angle_deg: float,
) -> Split | None:
    """Where the turn after a layer first crosses the angle; None where no turn follows.

    ``angle_deg`` is counted counter-clockwise from +X, seen from above. Where the outline is
    crossed several times, the outermost crossing is taken.
    """
    following = layer_index + 1
    if following >= len(layers) or not layers.is_spiral[following]:
        return None
    first, last = int(layers.first_move[following]), int(layers.last_move[following])
    rows = first + np.flatnonzero(moves.prints[first : last + 1])
    found = [
        split
        for row in _crossing_rows(moves, rows, centre, angle_deg)
        for split in _cut(moves, row, centre, angle_deg)
    ]
    if not found:
        return None
    return _outermost(found, centre)


def _outermost(found: list[Split], centre: tuple[float, float]) -> Split:
    return max(found, key=lambda s: round(hypot(s.x_mm - centre[0], s.y_mm - centre[1]), 6))


def _crossing_rows(
    moves: MoveTable, rows: NDArray[np.int64], centre: tuple[float, float], angle_deg: float
) -> list[int]:
    """Moves that may cross the ray: straight ones whose ends lie on both sides, and all arcs."""
    ux, uy = cos(radians(angle_deg)), sin(radians(angle_deg))
    side0 = _side(moves.x0_mm[rows], moves.y0_mm[rows], centre, ux, uy)
    side1 = _side(moves.x_mm[rows], moves.y_mm[rows], centre, ux, uy)
    crosses = (side0 <= 0) & (side1 > 0) | (side0 >= 0) & (side1 < 0)
    picked: list[int] = rows[crosses | (moves.kind[rows] > LINE)].tolist()
    return picked


def _side(x: Array, y: Array, centre: tuple[float, float], ux: float, uy: float) -> Array:
    """Positive to the left of the ray, negative to the right."""
    return ux * (y - centre[1]) - uy * (x - centre[0])


def _cut(moves: MoveTable, row: int, centre: tuple[float, float], angle_deg: float) -> list[Split]:
    if moves.kind[row] <= LINE:
        shares = _straight_shares(moves, row, centre, angle_deg)
    else:
        shares = _arc_shares(moves, row, centre, angle_deg)
    found = []
    for share in shares:
        x, y = point_on(moves, row, share)
        along = cos(radians(angle_deg)) * (x - centre[0]) + sin(radians(angle_deg)) * (
            y - centre[1]
        )
        if along > 0:
            found.append(_split(moves, row, share, x, y))
    return found


def _split(moves: MoveTable, row: int, share: float, x: float, y: float) -> Split:
    z0, z1 = float(moves.z0_mm[row]), float(moves.z_mm[row])
    return Split(
        move=row,
        share=share,
        x_mm=round(x, 3),
        y_mm=round(y, 3),
        z_mm=round(z0 + share * (z1 - z0), 4),
        e_step_mm=share * float(moves.e_step_mm[row]),
    )


def _straight_shares(
    moves: MoveTable, row: int, centre: tuple[float, float], angle_deg: float
) -> list[float]:
    ux, uy = cos(radians(angle_deg)), sin(radians(angle_deg))
    side0 = ux * (moves.y0_mm[row] - centre[1]) - uy * (moves.x0_mm[row] - centre[0])
    side1 = ux * (moves.y_mm[row] - centre[1]) - uy * (moves.x_mm[row] - centre[0])
    share = float(side0 / (side0 - side1)) if side0 != side1 else 0.0
    return [share] if 0 <= share <= 1 else []  # 1 where a crossing just before an end is rounded


def _arc_shares(
    moves: MoveTable, row: int, centre: tuple[float, float], angle_deg: float
) -> list[float]:
    """Where a circle meets the ray, as shares of the swept angle."""
    cx, cy, turn = float(moves.cx_mm[row]), float(moves.cy_mm[row]), float(moves.turn_rad[row])
    x0, y0 = float(moves.x0_mm[row]), float(moves.y0_mm[row])
    radius = hypot(x0 - cx, y0 - cy)
    ux, uy = cos(radians(angle_deg)), sin(radians(angle_deg))
    across = ux * (cy - centre[1]) - uy * (cx - centre[0])
    if abs(across) > radius:
        return []
    along = ux * (cx - centre[0]) + uy * (cy - centre[1])
    shares = []
    for root in (1, -1):
        reach = along + root * (radius**2 - across**2) ** 0.5
        px, py = centre[0] + reach * ux, centre[1] + reach * uy
        swept = (atan2(py - cy, px - cx) - atan2(y0 - cy, x0 - cx)) * (1 if turn > 0 else -1)
        share = (swept % (2 * pi)) / abs(turn)
        if 0 <= share < 1:
            shares.append(share)
    return shares


def point_on(moves: MoveTable, row: int, share: float) -> tuple[float, float]:
    """The point of a move after a share of its length, mm."""
    x0, y0 = float(moves.x0_mm[row]), float(moves.y0_mm[row])
    if moves.kind[row] <= LINE:
        return (
            x0 + share * float(moves.x_mm[row] - x0),
            y0 + share * float(moves.y_mm[row] - y0),
        )
    cx, cy = float(moves.cx_mm[row]), float(moves.cy_mm[row])
    angle = atan2(y0 - cy, x0 - cx) + share * float(moves.turn_rad[row])
    radius = hypot(x0 - cx, y0 - cy)
    return cx + radius * cos(angle), cy + radius * sin(angle)
