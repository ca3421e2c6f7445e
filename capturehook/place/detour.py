"""A path round what cannot be passed over, at one nozzle height.

A grid of places where the whole head is free; a wave runs over it from the park point;
the path back down the wave is then pulled straight, each straight checked exactly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capturehook.model.profile import Machine
from capturehook.place.head import SAME_MM, Part, Point, Scene
from capturehook.place.height_map import HeightMap

Flags = NDArray[np.bool_]
Cell = tuple[int, int]

ALL_ROUND = tuple((r, c) for r in (-1, 0, 1) for c in (-1, 0, 1) if (r, c) != (0, 0))
STRAIGHT = tuple(step for step in ALL_ROUND if 0 in step)


def find_detour(
    scene: Scene, start_mm: Point, goal_mm: Point, z_mm: float
) -> list[tuple[float, float]] | None:
    """Points from start to goal, both included, or None where there is no path.

    Every straight between two points is free for the whole head at ``z_mm``.
    """
    if not (scene.is_free(start_mm, start_mm, z_mm) and scene.is_free(goal_mm, goal_mm, z_mm)):
        return None
    machine = scene.machine
    grid = scene.height_map or HeightMap.for_machine(machine)
    free = ~_shut_cells(scene, grid, z_mm) & _reachable(grid, machine)
    begin, end = _cell(grid, start_mm), _cell(grid, goal_mm)
    free[begin] = free[end] = True
    wave = _wave(free, end, begin)
    if wave[begin] < 0:
        return None
    cells = _down(wave, begin)
    middle = [_middle(grid, cell) for cell in cells[1:-1]]
    ends = (start_mm[0], start_mm[1]), (goal_mm[0], goal_mm[1])
    return _pull_straight(scene, [ends[0], *middle, ends[1]], z_mm)


def _shut_cells(scene: Scene, grid: HeightMap, z_mm: float) -> Flags:
    """Cells in some place of which the head would meet something."""
    shut = np.zeros(grid.tops_mm.shape, dtype=bool)
    for part in scene.parts:
        bottom = z_mm + part.low_mm - scene.clear_mm
        shut |= _grown(grid.tops_mm > max(bottom, 0.0), part, grid.cell_mm)
        for box in scene.machine.keep_out:
            top = z_mm + part.high_mm + scene.clear_mm
            if box.z_mm[1] > bottom and box.z_mm[0] < top:
                left, right, front, back = part.reach
                columns = _between(grid, 1, box.x_mm[0] - right, box.x_mm[1] + left)
                rows = _between(grid, 0, box.y_mm[0] - back, box.y_mm[1] + front)
                shut[rows, columns] = True
    return shut


def _grown(tall: Flags, part: Part, cell_mm: float) -> Flags:
    """Places of the nozzle from which a part reaches a tall cell (it reaches the other side)."""
    left, right, front, back = part.reach
    rows = _spread(tall, 0, _cells(back, cell_mm), _cells(front, cell_mm))
    if np.isinf(left):
        whole: Flags = np.broadcast_to(rows.any(axis=1, keepdims=True), tall.shape)
        return whole
    return _spread(rows, 1, _cells(right, cell_mm), _cells(left, cell_mm))


def _cells(reach_mm: float, cell_mm: float) -> int:
    return int(reach_mm // cell_mm) + 1 if np.isfinite(reach_mm) else 0


def _spread(flags: Flags, axis: int, before: int, after: int) -> Flags:
    """True where any flag is set within ``after`` cells before or ``before`` cells after."""
    count = flags.shape[axis]
    total = np.cumsum(flags, axis=axis, dtype=np.int32)
    total = np.concatenate([np.zeros_like(total.take([0], axis)), total], axis=axis)
    at = np.arange(count)
    upper = total.take(np.minimum(at + before + 1, count), axis)
    lower = total.take(np.maximum(at - after, 0), axis)
    return upper > lower


def _between(grid: HeightMap, axis: int, low_mm: float, high_mm: float) -> slice:
    """Cells that touch a range along an axis (0 rows, 1 columns), were it only at an edge."""
    origin = (grid.y0_mm, grid.x0_mm)[axis]
    count = grid.tops_mm.shape[axis]
    first = np.clip(np.floor((low_mm - SAME_MM - origin) / grid.cell_mm), 0, count)
    last = np.clip(np.floor((high_mm - origin) / grid.cell_mm), -1, count - 1)
    return slice(int(first), int(last) + 1)


def _reachable(grid: HeightMap, machine: Machine) -> Flags:
    """Cells whose middle the nozzle can reach."""
    rows, columns = grid.tops_mm.shape
    x = grid.x0_mm + grid.cell_mm * (np.arange(columns) + 0.5)
    y = grid.y0_mm + grid.cell_mm * (np.arange(rows) + 0.5)
    flags: Flags = machine.reaches(x, y[:, None])
    return flags


def _cell(grid: HeightMap, place_mm: Point) -> Cell:
    rows, columns = grid.tops_mm.shape
    row = int((place_mm[1] - grid.y0_mm) // grid.cell_mm)
    column = int((place_mm[0] - grid.x0_mm) // grid.cell_mm)
    return min(max(row, 0), rows - 1), min(max(column, 0), columns - 1)


def _middle(grid: HeightMap, cell: Cell) -> tuple[float, float]:
    return (
        grid.x0_mm + grid.cell_mm * (cell[1] + 0.5),
        grid.y0_mm + grid.cell_mm * (cell[0] + 0.5),
    )


def _wave(free: Flags, begin: Cell, goal: Cell) -> NDArray[np.int32]:
    """Steps from ``begin`` to every cell reached before ``goal`` (-1 elsewhere).

    Steps to 4 and to 8 neighbours take turns: the wave is an octagon, near enough a circle
    (octagonal distance; Rosenfeld and Pfaltz 1968, from memory). One loop turn for each
    step, since each wave front depends on the last.
    """
    steps = np.full(free.shape, -1, dtype=np.int32)
    steps[begin] = 0
    reached = steps == 0
    for step in range(1, free.size):
        wider = _spread_one(reached, corners=step % 2 == 0) & free
        if steps[goal] >= 0 or np.array_equal(wider, reached):
            break
        steps[wider & ~reached] = step
        reached |= wider
    return steps


def _spread_one(flags: Flags, *, corners: bool) -> Flags:
    """Flags and their 4 or 8 neighbours."""
    up_down: Flags = flags.copy()
    up_down[1:] |= flags[:-1]
    up_down[:-1] |= flags[1:]
    source = up_down if corners else flags
    out: Flags = up_down.copy()
    out[:, 1:] |= source[:, :-1]
    out[:, :-1] |= source[:, 1:]
    return out


def _down(steps: NDArray[np.int32], begin: Cell) -> list[Cell]:
    """From ``begin`` back to where the wave began, one cell for each step."""
    path = [begin]
    for step in range(int(steps[begin]), 0, -1):
        row, column = path[-1]
        near = STRAIGHT if step % 2 else ALL_ROUND
        options = [(row + r, column + c) for r, c in near]
        path.append(next(cell for cell in options if _value(steps, cell) == step - 1))
    return path


def _value(steps: NDArray[np.int32], cell: Cell) -> int:
    rows, columns = steps.shape
    inside = 0 <= cell[0] < rows and 0 <= cell[1] < columns
    return int(steps[cell]) if inside else -1


def _pull_straight(
    scene: Scene, path: list[tuple[float, float]], z_mm: float
) -> list[tuple[float, float]] | None:
    """The same path with as few corners as halving finds; None if a straight is not free."""
    kept, at, last = [path[0]], 0, len(path) - 1
    while at < last:
        near, far = at + 1, last
        if not scene.is_free(path[at], path[near], z_mm):
            return None
        while near < far:
            middle = (near + far + 1) // 2
            if scene.is_free(path[at], path[middle], z_mm):
                near = middle
            else:
                far = middle - 1
        kept.append(path[near])
        at = near
    return kept
