"""Small move tables by hand, for tests of the clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from capturehook.model.moves import ARC_CCW, ARC_CW, LINE, MoveTable
from capturehook.model.profile import AxisLimits, Machine


@dataclass(frozen=True)
class Step:
    """One move by its differences; an arc by its centre (from its start) and its turn."""

    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    e: float = 0.0
    f: float = 6000.0
    kind: int = LINE
    centre: tuple[float, float] | None = None
    turn: float = 0.0


def arc(i: float, j: float, turn: float, z: float = 0.0, e: float = 0.0, f: float = 6000.0) -> Step:
    """A step along an arc, counter-clockwise for a positive turn."""
    x = i - np.cos(turn) * i + np.sin(turn) * j
    y = j - np.sin(turn) * i - np.cos(turn) * j
    kind = ARC_CCW if turn > 0 else ARC_CW
    return Step(float(x), float(y), z, e, f, kind, (i, j), turn)


def moves_of(
    steps: Sequence[Step], events: Sequence[tuple[int, int, float]] = (), start_mm: float = 50.0
) -> MoveTable:
    """Step k stands on line 2 k; an event (line, kind, seconds) goes between on odd lines."""
    count = len(steps)
    xyz = np.array([(s.x, s.y, s.z) for s in steps], dtype=np.float64).reshape(count, 3)
    ends = start_mm + np.cumsum(xyz, axis=0)
    starts = np.concatenate((np.full((1, 3), start_mm), ends[:-1]))[:count]
    from_start = [s.centre or (np.nan, np.nan) for s in steps]
    centres = starts[:, :2] + np.array(from_start, dtype=np.float64).reshape(count, 2)
    whens = np.array([event[0] for event in events], dtype=np.int32)
    return MoveTable(
        line_index=np.arange(0, 2 * count, 2, dtype=np.int32),
        kind=np.array([s.kind for s in steps], dtype=np.uint8),
        x0_mm=starts[:, 0],
        y0_mm=starts[:, 1],
        z0_mm=starts[:, 2],
        x_mm=ends[:, 0],
        y_mm=ends[:, 1],
        z_mm=ends[:, 2],
        e_step_mm=np.array([s.e for s in steps], dtype=np.float64),
        feed_mm_min=np.array([s.f for s in steps], dtype=np.float64),
        cx_mm=centres[:, 0],
        cy_mm=centres[:, 1],
        turn_rad=np.array([s.turn for s in steps], dtype=np.float64),
        event_line_index=whens,
        event_kind=np.array([event[1] for event in events], dtype=np.uint8),
        event_s=np.array([event[2] for event in events], dtype=np.float64),
    )


def machine_of(firmware: str = "rs274", **keys: object) -> Machine:
    """A machine whose axes set no limit of their own unless asked to."""
    free = AxisLimits(x=1e9, y=1e9, z=1e9, e=1e9)
    given: dict[str, object] = {
        "firmware": firmware,
        "x_mm": (0, 235),
        "y_mm": (0, 235),
        "z_mm": (0, 250),
        "accel_mm_s2": 1000.0,
        "max_mm_min": free,
        "max_accel_mm_s2": free,
        "startup_s": 0.0,
        **keys,
    }
    return Machine.model_validate(given)
