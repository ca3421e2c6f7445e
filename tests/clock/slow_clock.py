"""A second clock, one move at a time with plain numbers, written from the rules alone.

Nothing is taken from the package but the constants of the move table. It is slow on
purpose: each rule is spelled out as a planner would run it over its queue.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

from capturehook.model.moves import ARC_CCW, ARC_CW, RAPID, MoveTable
from capturehook.model.profile import Machine


class Block:
    """One move in the queue."""

    def __init__(self, moves: MoveTable, i: int, machine: Machine) -> None:
        dx = float(moves.x_mm[i] - moves.x0_mm[i])
        dy = float(moves.y_mm[i] - moves.y0_mm[i])
        dz = float(moves.z_mm[i] - moves.z0_mm[i])
        de = float(moves.e_step_mm[i])
        self.index = i
        self.arc = int(moves.kind[i]) in (ARC_CW, ARC_CCW)
        flat = math.sqrt(dx * dx + dy * dy)
        radius = math.inf
        if self.arc:
            rx = float(moves.x0_mm[i] - moves.cx_mm[i])
            ry = float(moves.y0_mm[i] - moves.cy_mm[i])
            turn = float(moves.turn_rad[i])
            radius = math.hypot(rx, ry)
            flat = radius * abs(turn)
        self.length = math.sqrt(flat * flat + dz * dz)
        self.filament_only = self.length <= 1e-9 and de != 0
        if self.filament_only:
            self.length = abs(de)
        if self.length <= 1e-9:
            return
        n = self.length
        if self.filament_only:
            self.first = self.last = (0.0, 0.0, 0.0, de / n)
        elif self.arc:
            sign = 1.0 if turn > 0 else -1.0
            a0 = math.atan2(ry, rx)
            a1 = a0 + turn
            self.first = (
                -math.sin(a0) * sign * flat / n,
                math.cos(a0) * sign * flat / n,
                dz / n,
                de / n,
            )
            self.last = (
                -math.sin(a1) * sign * flat / n,
                math.cos(a1) * sign * flat / n,
                dz / n,
                de / n,
            )
        else:
            self.first = self.last = (dx / n, dy / n, dz / n, de / n)
        share = [abs(part) for part in self.first]
        if not self.filament_only and (self.arc or machine.firmware == "klipper"):
            share[0] = share[1] = flat / n
        if self.filament_only:
            self.a = machine.retract_accel_mm_s2 or machine.accel_mm_s2
        elif de != 0:
            self.a = machine.accel_mm_s2
        else:
            self.a = machine.travel_accel_mm_s2 or machine.accel_mm_s2
        feed = float(moves.feed_mm_min[i])
        self.v = feed / 60 if feed > 0 else 25.0
        if machine.firmware == "rs274" and int(moves.kind[i]) == RAPID:
            self.v = math.inf
        for part, axis in zip(share, "xyze", strict=True):
            if part > 0:
                self.a = min(self.a, getattr(machine.max_accel_mm_s2, axis) / part)
                self.v = min(self.v, getattr(machine.max_mm_min, axis) / 60 / part)
        self.v = min(self.v, math.sqrt(self.a * radius))


def interior_angle(before: Block, after: Block) -> float:
    dot = -sum(p * q for p, q in zip(before.last[:3], after.first[:3], strict=True))
    return math.acos(max(-1.0, min(1.0, dot)))


def deviation_corner(before: Block, after: Block, delta: float, facets: bool) -> float:
    theta = interior_angle(before, after)
    accel = min(before.a, after.a)
    half = math.sin(theta / 2)
    squared = math.inf if half >= 1 else accel * delta * half / (1 - half)
    if facets and after.length < 1 and math.cos(theta) < -0.7071067812 and theta < math.pi:
        squared = min(squared, after.length * accel / (math.pi - theta))
    return math.sqrt(squared)


def square_corner(before: Block, after: Block, scv: float, profile_accel: float) -> float:
    delta = scv * scv * (math.sqrt(2) - 1) / profile_accel
    theta = interior_angle(before, after)
    speed = deviation_corner(before, after, delta, False)
    for block in (before, after):
        if math.cos(theta / 2) > 0:
            tangent = math.sin(theta / 2) / math.cos(theta / 2)
            speed = min(speed, math.sqrt(0.5 * block.a * block.length * tangent))
    change = abs(after.first[3] - before.last[3])
    return min(speed, 1.0 / change) if change > 0 else speed


def jerk_corner(before: Block, after: Block, jerk: tuple[float, ...], adds: bool) -> float:
    speed = math.inf
    for p, q, limit in zip(before.last, after.first, jerk, strict=True):
        step = abs(q - p)
        if p * q < 0 and not adds:
            step = max(abs(p), abs(q))
        if step > 0:
            speed = min(speed, limit / step)
    return max(speed, min(jump_speed(before, jerk), jump_speed(after, jerk)))


def jump_speed(block: Block, jerk: tuple[float, ...]) -> float:
    speed = block.v
    for ends in (block.first, block.last):
        for part, limit in zip(ends, jerk, strict=True):
            if part != 0:
                speed = min(speed, limit / abs(part))
    return speed


def slow_clock(moves: MoveTable, machine: Machine, rule: dict[str, Any]) -> list[float]:
    """Seconds of each move. ``rule``: {"delta", "facets"}, {"scv", "ratio"} or {"jerk", "adds"}."""
    seconds = [0.0] * len(moves)
    queue: list[Block] = []
    event_lines = [int(line) for line in moves.event_line_index]
    seen = 0
    for i in range(len(moves)):
        waits = 0
        while seen < len(event_lines) and event_lines[seen] <= int(moves.line_index[i]):
            seen += 1
            waits += 1
        block = Block(moves, i, machine)
        if waits:
            run_queue(queue, machine, rule, seconds)
            queue = []
        if block.length <= 1e-9:
            continue
        if queue and (block.filament_only or queue[-1].filament_only):
            run_queue(queue, machine, rule, seconds)
            queue = []
        queue.append(block)
    run_queue(queue, machine, rule, seconds)
    return seconds


def run_queue(
    queue: list[Block], machine: Machine, rule: dict[str, Any], seconds: list[float]
) -> None:
    if not queue:
        return
    corners = [0.0]
    for before, after in itertools.pairwise(queue):
        if "delta" in rule:
            speed = deviation_corner(before, after, rule["delta"], rule["facets"])
        elif "scv" in rule:
            speed = square_corner(before, after, rule["scv"], machine.accel_mm_s2)
        else:
            speed = jerk_corner(before, after, rule["jerk"], rule["adds"])
        corners.append(min(speed, before.v, after.v))
    corners.append(0.0)
    if "jerk" in rule:
        corners[0] = jump_speed(queue[0], rule["jerk"])
        corners[-1] = jump_speed(queue[-1], rule["jerk"])
    if rule.get("ratio"):
        held_back(queue, corners, rule["ratio"], seconds)
        return
    for k, block in enumerate(queue):
        corners[k + 1] = min(
            corners[k + 1], math.sqrt(corners[k] ** 2 + 2 * block.a * block.length)
        )
    for k in range(len(queue) - 1, -1, -1):
        block = queue[k]
        corners[k] = min(corners[k], math.sqrt(corners[k + 1] ** 2 + 2 * block.a * block.length))
    for k, block in enumerate(queue):
        seconds[block.index] = drive(block, corners[k], corners[k + 1], block.v)


def drive(block: Block, v0: float, v1: float, top: float) -> float:
    """Ramp, plateau, ramp."""
    a, d = block.a, block.length
    peak = min(top, math.sqrt((2 * a * d + v0 * v0 + v1 * v1) / 2))
    peak = max(peak, v0, v1)
    up = (peak * peak - v0 * v0) / (2 * a)
    down = (peak * peak - v1 * v1) / (2 * a)
    flat = max(0.0, d - up - down)
    return (peak - v0) / a + (peak - v1) / a + flat / peak


def held_back(queue: list[Block], corners: list[float], ratio: float, seconds: list[float]) -> None:
    """The minimum cruise ratio, walked from the last block to the first as the toolhead does."""
    limit, gentle_limit = [0.0], [0.0]
    for k in range(1, len(queue)):
        before = queue[k - 1]
        gain = 2 * before.a * before.length
        limit.append(min(corners[k] ** 2, limit[k - 1] + gain))
        gentle_limit.append(min(limit[k], gentle_limit[k - 1] + gain * (1 - ratio)))
    plans: list[tuple[float, float | None, float]] = [(0.0, None, 0.0)] * len(queue)
    next_start = next_gentle = tip = 0.0
    waiting = 0
    near = 1e-9
    for k in range(len(queue) - 1, -1, -1):
        block = queue[k]
        gain = 2 * block.a * block.length
        reach = next_start + gain
        start = min(limit[k], reach)
        gentle_reach = next_gentle + gain * (1 - ratio)
        gentle = min(gentle_limit[k], gentle_reach)
        cruise = None
        waiting += 1
        if gentle < gentle_reach * (1 - near):
            if gentle + gain * (1 - ratio) > next_gentle * (1 + near) or waiting > 1:
                tip = 0.5 * (gentle + gentle_reach)
            cruise = min(0.5 * (start + reach), block.v**2, tip)
            waiting = 0
        plans[k] = (start, cruise, next_start)
        next_start, next_gentle = start, gentle
    before_cruise = 0.0
    for block, (start, cruise, end) in zip(queue, plans, strict=True):
        if cruise is None:
            cruise = min(before_cruise, start)
        top = math.sqrt(cruise)
        seconds[block.index] = drive(
            block, min(math.sqrt(start), top), min(math.sqrt(end), top), top
        )
        before_cruise = cruise
