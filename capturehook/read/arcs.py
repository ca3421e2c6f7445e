"""G2/G3: centre, swept angle and length, from I J or R.

G2 is clockwise, G3 counter-clockwise, seen from the plus end of the third axis; I J lead from the
start to the centre, after G90.1 they are a place; R below 0 goes over 180 degrees; end equal to
start, or no end, is a full circle; without I, J and R it is refused (NIST RS274NGC 3.5.3;
LinuxCNC). Z and E advance evenly along it (marlinfw.org G2-G3).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from capturehook.model.moves import MoveTable

Array = NDArray[np.float64]


def centre_from_radius(
    x0: Array, y0: Array, x1: Array, y1: Array, r: Array, is_cw: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Centre of arcs given by radius; a negative radius takes the arc over 180 degrees.

    All (A,), mm. A radius under half the chord gives the half circle over the chord.
    Source: RS-274/NGC radius format arcs; plane geometry.
    """
    chord_x, chord_y = x1 - x0, y1 - y0
    chord = np.hypot(chord_x, chord_y)
    rise = np.sqrt(np.maximum(r * r - (chord / 2) ** 2, 0.0))
    side = np.where(is_cw, -1.0, 1.0) * np.where(r < 0, -1.0, 1.0)
    safe = np.where(chord > 0, chord, 1.0)
    cx = (x0 + x1) / 2 - side * rise * chord_y / safe
    cy = (y0 + y1) / 2 + side * rise * chord_x / safe
    return cx, cy


def swept_angle(
    x0: Array,
    y0: Array,
    x1: Array,
    y1: Array,
    cx: Array,
    cy: Array,
    is_cw: NDArray[np.bool_],
    turns: Array,
) -> Array:
    """(A,) swept angle in radians, positive counter-clockwise; equal ends are a full circle.

    ``turns`` is the P word (1 where there is none). Source: RS-274/NGC centre format arcs.
    """
    angle = np.arctan2(y1 - cy, x1 - cx) - np.arctan2(y0 - cy, x0 - cx)
    angle = np.where(is_cw, -angle, angle)
    angle = np.where(angle <= 1e-9, angle + 2 * np.pi, angle)
    closed = np.hypot(x1 - x0, y1 - y0) < 1e-7
    angle = np.where(closed, 2 * np.pi, angle)
    angle = angle + 2 * np.pi * np.maximum(np.rint(turns) - 1, 0)
    return np.asarray(np.where(is_cw, -angle, angle), np.float64)


PART = 1 << 16


def parts_of(count: int) -> Iterator[slice]:
    """Moves some thousand at a time: what is worked out of them stays small."""
    for first in range(0, count, PART):
        yield slice(first, min(first + PART, count))


def move_extents(moves: MoveTable, axis: str, part: slice = slice(None)) -> tuple[Array, Array]:
    """Lowest and highest X or Y that each of some moves reaches, arcs with their bulge, mm; of Z
    where each ends, twice.

    An arc reaches the circle's own extreme where it sweeps over that direction (plane
    geometry).
    """
    if axis == "z":
        return moves.z_mm[part], moves.z_mm[part]
    start, end = getattr(moves, f"{axis}0_mm")[part], getattr(moves, f"{axis}_mm")[part]
    low, high = np.minimum(start, end), np.maximum(start, end)
    arcs = np.flatnonzero(moves.turn_rad[part] != 0)
    if not len(arcs):
        return low, high
    cx, cy, turn = (column[part][arcs] for column in (moves.cx_mm, moves.cy_mm, moves.turn_rad))
    from_x, from_y = moves.x0_mm[part][arcs] - cx, moves.y0_mm[part][arcs] - cy
    radius, begin = np.hypot(from_x, from_y), np.arctan2(from_y, from_x)
    centre = cx if axis == "x" else cy
    for towards, reach, sign in (
        (0.0 if axis == "x" else np.pi / 2, high, 1.0),
        (np.pi if axis == "x" else -np.pi / 2, low, -1.0),
    ):
        swept = np.where(turn > 0, towards - begin, begin - towards) % (2 * np.pi)
        over = swept <= np.abs(turn)
        reach[arcs[over]] = (centre + sign * radius)[over]
    return low, high
