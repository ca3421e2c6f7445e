"""A second opinion on routes, written apart from capturehook.space: no grid, no closed form.

Every move is sampled finely and each sample of each part of the head is measured against
every raw extrusion (a capsule: all points within half a width of a segment) and every box.
Distances are the usual ones between a point, a segment and a rectangle.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from capturehook.model.profile import Machine

Floats = NDArray[np.float64]
STEP_MM = 0.25
GANTRY_MM = 100.0
NOZZLE_MM = 1.9
FAR = 1e4


@dataclass(frozen=True)
class Block:
    """A rectangle of the head round the nozzle, and its lower and upper side above the tip."""

    name: str
    west: float
    east: float
    south: float
    north: float
    bottom: float
    top: float


def blocks_of(machine: Machine, grow: float = 0.0) -> list[Block]:
    c = machine.carriage_mm
    high = max(c.height, c.clearance)
    n, g = NOZZLE_MM + grow, grow
    return [
        Block("nozzle", n, n, n, n, 0.0, c.clearance),
        Block("body", c.left + g, c.right + g, c.front + g, c.back + g, c.clearance, high),
        Block("gantry", FAR, FAR, c.front + g, c.back + g, c.height, high + GANTRY_MM),
    ]


def samples(a: Floats, b: Floats) -> Floats:
    """Points from a to b, both ends in, no further apart than STEP_MM."""
    count = int(np.ceil(np.linalg.norm(b - a) / STEP_MM)) + 1
    return a + np.linspace(0, 1, max(count, 2))[:, None] * (b - a)


def point_to_segments(px: Floats, py: Floats, s: Floats) -> Floats:
    """(P, n) distances of points to segments."""
    dx, dy = s[:, 2] - s[:, 0], s[:, 3] - s[:, 1]
    length2 = np.maximum(dx**2 + dy**2, 1e-18)
    rx, ry = px[:, None] - s[:, 0], py[:, None] - s[:, 1]
    t = np.clip((rx * dx + ry * dy) / length2, 0, 1)
    return np.hypot(rx - t * dx, ry - t * dy)


def rectangle_to_segments(p: Floats, block: Block, s: Floats) -> Floats:
    """(P, n) distances of the block, carried to each of the points p, to segments; 0 inside."""
    west, east = p[:, :1] - block.west, p[:, :1] + block.east
    south, north = p[:, 1:2] - block.south, p[:, 1:2] + block.north
    gaps = []
    for x, y in ((s[:, 0], s[:, 1]), (s[:, 2], s[:, 3])):  # ends of the segment to rectangle
        gap_x = np.maximum(np.maximum(west - x, x - east), 0)
        gap_y = np.maximum(np.maximum(south - y, y - north), 0)
        gaps.append(np.hypot(gap_x, gap_y))
    for x, y in ((west, south), (east, south), (east, north), (west, north)):
        gaps.append(point_to_segments(x[:, 0], y[:, 0], s))
    crossing = _crosses(west, east, south, north, s)
    return np.where(crossing, 0.0, np.minimum.reduce(gaps))


def _crosses(west: Floats, east: Floats, south: Floats, north: Floats, s: Floats) -> Floats:
    """(P, n) True where a segment has a point inside the rectangle: clipped side by side."""
    enter = np.zeros((len(west), len(s)))
    leave = np.ones_like(enter)
    for start, step, low, high in (
        (s[:, 0], s[:, 2] - s[:, 0], west, east),
        (s[:, 1], s[:, 3] - s[:, 1], south, north),
    ):
        flat = np.abs(step) < 1e-12
        safe = np.where(flat, 1.0, step)
        t0, t1 = (low - start) / safe, (high - start) / safe
        t0, t1 = np.minimum(t0, t1), np.maximum(t0, t1)
        inside = (start >= low) & (start <= high)
        t0 = np.where(flat, np.where(inside, -np.inf, np.inf), t0)
        t1 = np.where(flat, np.where(inside, np.inf, -np.inf), t1)
        enter, leave = np.maximum(enter, t0), np.minimum(leave, t1)
    return enter <= leave


def tallest_touched(p: Floats, block: Block, segments: Floats) -> float:
    """Highest extrusion under a block anywhere along the sampled points (0: none)."""
    tallest = 0.0
    for z in np.unique(segments[:, 4])[::-1]:
        s = segments[segments[:, 4] == z]
        for some in np.array_split(p, max(1, len(p) * len(s) // 200_000)):
            if (rectangle_to_segments(some[:, :2], block, s) <= s[:, 5] / 2).any():
                tallest = float(z)
                break
        if tallest:
            break
    return tallest


def touches(
    points: Floats, machine: Machine, segments: Floats, clear_mm: float, slack_mm: float = 1e-3
) -> list[str]:
    """What a route's moves touch: every level move against extrusions and boxes, every
    vertical move against boxes that the head was not in to begin with."""
    found = []
    for a, b in pairwise(points):
        level = a[2] == b[2]
        p = samples(a, b)
        for block in blocks_of(machine):
            if level:
                tall = tallest_touched(p, block, segments)
                if tall and a[2] + block.bottom < tall + clear_mm - slack_mm:
                    found.append(f"{block.name} touches a print {tall} high at Z{a[2]}")
            found += _box_touches(p, block, machine, level)
    return found


def _box_touches(
    p: Floats, block: Block, machine: Machine, level: bool, gap: float = 0.0
) -> list[str]:
    """Boxes that a block comes nearer to than `gap`, up or down. A vertical move out of a box
    that the block itself (without the gap) is in from the start touches nothing."""
    found = []
    for box in machine.keep_out:
        over = (p[:, 0] + block.east > box.x_mm[0]) & (p[:, 0] - block.west < box.x_mm[1])
        over &= (p[:, 1] + block.north > box.y_mm[0]) & (p[:, 1] - block.south < box.y_mm[1])
        bottom, top = p[:, 2] + block.bottom, p[:, 2] + block.top
        hit = over & (bottom - gap < box.z_mm[1]) & (top + gap > box.z_mm[0])
        began_inside = over[0] and bottom[0] < box.z_mm[1] and top[0] > box.z_mm[0]
        if hit.any() and (level or not began_inside):
            found.append(f"{block.name} enters {box.name}")
    return found


def straight_hop(
    start: Floats, goal: Floats, lowest: float, machine: Machine, segments: Floats,
    clear_mm: float, grow: float,
) -> float | None:  # fmt: skip
    """A hop at which the straight way is free with everything grown by `grow`, by trying."""
    a, b = np.array([*start[:2], 0.0]), np.array([*goal[:2], 0.0])
    p = samples(a, b)
    blocks = blocks_of(machine, grow)
    tall = [tallest_touched(p, block, segments) for block in blocks]
    for hop in np.arange(lowest, machine.z_mm[1] + 1e-9, 0.25):
        over = all(
            not top or hop + block.bottom >= top + clear_mm
            for block, top in zip(blocks, tall, strict=True)
        )
        if over and not _box_trouble(start, p, hop, blocks, machine, clear_mm):
            return float(hop)
    return None


def _box_trouble(
    start: Floats, p: Floats, hop: float, blocks: list[Block], machine: Machine, clear_mm: float
) -> bool:
    level = p + np.array([0, 0, hop])
    up = samples(np.asarray(start, dtype=float), np.array([start[0], start[1], hop]))
    for block in blocks:
        if _box_touches(level, block, machine, True, clear_mm):
            return True
        if _box_touches(up, block, machine, False, clear_mm):
            return True
    return False
