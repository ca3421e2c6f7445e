"""Seconds to clock 1,000,000 moves, for each corner rule: python tests/bench/bench_clock.py.

Two seeded jobs: an ordinary one (a retraction every few hundred moves) and a spiral without
a single stop, which leaves no place to cut the look-ahead.
"""

from __future__ import annotations

import resource
import time

import numpy as np

from capturehook.clock.seconds import clock_moves
from capturehook.model.moves import LINE, MoveTable
from capturehook.model.profile import AxisLimits, Machine

MOVES = 1_000_000
BAR_S = 4.0


def seeded_job(stops: bool) -> MoveTable:
    rng = np.random.default_rng(7)
    turn = np.where(rng.random(MOVES) < 0.1, np.pi / 2, 0.05)
    angle, length = np.cumsum(turn), rng.choice([0.1, 0.4, 2.0, 12.0], MOVES)
    e_mm = 0.04 * length
    x, y = length * np.cos(angle), length * np.sin(angle)
    if stops:
        still = rng.random(MOVES) < 0.005
        x[still], y[still], e_mm[still] = 0.0, 0.0, -0.8
    end_x, end_y = np.cumsum(x), np.cumsum(y)
    flat = np.zeros(MOVES)
    return MoveTable(
        line_index=np.arange(MOVES, dtype=np.int32),
        kind=np.full(MOVES, LINE, dtype=np.uint8),
        x0_mm=np.concatenate(([0.0], end_x[:-1])),
        y0_mm=np.concatenate(([0.0], end_y[:-1])),
        z0_mm=flat,
        x_mm=end_x,
        y_mm=end_y,
        z_mm=flat,
        e_step_mm=e_mm,
        feed_mm_min=rng.choice([1800.0, 3600.0, 9000.0], MOVES),
        cx_mm=np.full(MOVES, np.nan),
        cy_mm=np.full(MOVES, np.nan),
        turn_rad=flat,
        event_line_index=np.empty(0, dtype=np.int32),
        event_kind=np.empty(0, dtype=np.uint8),
        event_s=np.empty(0),
    )


def main() -> None:
    ranges = dict.fromkeys(("x_mm", "y_mm", "z_mm"), (0.0, 235.0))
    rules = {
        "junction deviation": Machine(firmware="marlin", junction_mm=0.013, **ranges),
        "square corner": Machine(firmware="klipper", **ranges),
        "classic jerk": Machine(
            firmware="marlin", jerk_mm_s=AxisLimits(x=10, y=10, z=0.3, e=5), **ranges
        ),
    }
    worst = 0.0
    for stops in (True, False):
        moves = seeded_job(stops)
        for name, machine in rules.items():
            start = time.perf_counter()
            total_s = clock_moves(moves, machine).sum()
            took = time.perf_counter() - start
            worst = max(worst, took)
            kind = "ordinary" if stops else "no stop"
            print(
                f"{kind:9} {name:19} {took:6.2f} s for {MOVES:,} moves ({total_s:,.0f} s of print)"
            )
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak_mb:,.0f} MB, tables included")
    print(f"worst {worst:.2f} s, bar {BAR_S:.0f} s: {'held' if worst < BAR_S else 'MISSED'}")


if __name__ == "__main__":
    main()
