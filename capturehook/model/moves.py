"""Stage 2: lines -> moves. What comes in: a Source; what goes out: a MoveTable.

Positions are millimetres in the machine's frame (G92 shifts and inches already resolved).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from capturehook.model.columns import Column, Lines
from capturehook.model.fed import Fed

RAPID, LINE, ARC_CW, ARC_CCW = 0, 1, 2, 3

# Events: lines that are no moves but take time, or change what the nozzle holds.
DWELL, WAIT, HEAT, HOME, PROBE, PAUSE, TOOL, FW_RETRACT, FW_UNRETRACT = range(9)


@dataclass(frozen=True, kw_only=True)
class MoveTable:
    """M moves in file order, and V events.

    Attributes
    ----------
    line_index : (M,) int64, line of the job from 0, never falling
    kind : (M,) uint8, RAPID, LINE, ARC_CW or ARC_CCW
    x0_mm, y0_mm, z0_mm, x_mm, y_mm, z_mm : (M,) float64, start and end
    e_step_mm : (M,) float64, filament fed by this move (mm; negative retracts)
    feed_mm_min : (M,) float64, F in force (0 where the job never set one)
    cx_mm, cy_mm : (M,) float64, arc centre (NaN for straight moves)
    turn_rad : (M,) float64, swept angle, positive counter-clockwise (0 for straight moves)
    Lines, heights, filament and feeds may be kept as columns of other kinds (`columns.py`,
    `fed.py`), which are used as arrays are.

    event_line_index : (V,) int64
    event_kind : (V,) uint8, DWELL, WAIT, ...
    event_s : (V,) float64, seconds of a DWELL, else 0
    """

    line_index: Lines
    kind: NDArray[np.uint8]
    x0_mm: NDArray[np.float64]
    y0_mm: NDArray[np.float64]
    z0_mm: Column
    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]
    z_mm: Column
    e_step_mm: NDArray[np.float64] | Fed
    feed_mm_min: Column
    cx_mm: NDArray[np.float64]
    cy_mm: NDArray[np.float64]
    turn_rad: NDArray[np.float64]
    event_line_index: NDArray[np.int64]
    event_kind: NDArray[np.uint8]
    event_s: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.kind)

    @cached_property
    def prints(self) -> NDArray[np.bool_]:
        """(M,) True where plastic is laid: filament goes forward while XY moves."""
        laid: NDArray[np.bool_] = self.x_mm != self.x0_mm
        laid |= self.y_mm != self.y0_mm
        laid |= self.turn_rad != 0
        for first in range(0, len(laid), 1 << 16):
            part = slice(first, first + (1 << 16))
            laid[part] &= self.e_step_mm[part] > 0
        return laid
