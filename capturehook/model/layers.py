"""The record that stage 3 hands on: L layers with their lines, moves and heights."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerTable:
    """L printed layers in file order; a layer that lays no plastic is not in it.

    Attributes
    ----------
    first_move, last_move : (L,) int64, first and last printing move (index into MoveTable)
    z_mm : (L,) float64, height of the nozzle while printing (top of the layer)
    height_mm : (L,) float64, thickness
    object_no : (L,) int32, 1 for the first object of a one-at-a-time job, and so on
    is_spiral : (L,) bool, Z rises all along this layer, which is then one turn
    spiral : bool, the job has such turns
    marks : name of the kind of mark found ("geometry" when no mark told)
    contradicted_line : line of the first mark that the moves deny, -1 where none is
    """

    first_move: NDArray[np.int64]
    last_move: NDArray[np.int64]
    z_mm: NDArray[np.float64]
    height_mm: NDArray[np.float64]
    object_no: NDArray[np.int32]
    is_spiral: NDArray[np.bool_]
    spiral: bool
    marks: str
    contradicted_line: int = -1

    def __len__(self) -> int:
        return len(self.z_mm)
