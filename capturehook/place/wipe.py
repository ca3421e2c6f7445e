"""Back along the last printed path before leaving, so that a thread of plastic stays on it."""

from __future__ import annotations

from math import hypot

from capturehook.model.moves import LINE, MoveTable
from capturehook.model.state import State

SAME_MM = 1e-6


def wipe_back(moves: MoveTable, state: State, length_mm: float) -> tuple[tuple[float, float], ...]:
    """Corners of the path back over the last printed lines, (x, y) in mm.

    Empty unless the nozzle still stands where printing ended, at its height: elsewhere there
    is nothing to wipe on. The path ends early at an arc or where printing began.
    """
    if length_mm <= 0:
        return ()
    at = int(moves.line_index.searchsorted(state.line_index)) - 1
    while at >= 0 and not moves.prints[at]:
        at -= 1
    if at < 0 or not _stands_at_end(moves, at, state):
        return ()
    left, corners = length_mm, []
    while left > SAME_MM and at >= 0 and moves.prints[at] and moves.kind[at] <= LINE:
        x, y = float(moves.x_mm[at]), float(moves.y_mm[at])
        to_x, to_y = float(moves.x0_mm[at]), float(moves.y0_mm[at])
        length = hypot(to_x - x, to_y - y)
        share = min(1.0, left / length)
        corners.append((round(x + share * (to_x - x), 3), round(y + share * (to_y - y), 3)))
        left -= length
        at -= 1
    return tuple(corners)


def _stands_at_end(moves: MoveTable, at: int, state: State) -> bool:
    place = (state.x_mm, state.y_mm, state.z_mm)
    end = (moves.x_mm[at], moves.y_mm[at], moves.z_mm[at])
    return all(abs(a - b) < SAME_MM for a, b in zip(place, end, strict=True))
