"""How the nozzle gets from the print to the park point."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Kind = Literal["straight", "raised", "detour"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """How the nozzle gets from the print to the park point.

    Attributes
    ----------
    points : (K, 3) float64, mm, from the start to the park point: up, then level
    kind : straight (the default hop), raised (over something taller), detour (round it)
    clearance_mm : least vertical distance from the nozzle to anything printed, on the level
    hop_z_mm : height of the level part
    """

    points: NDArray[np.float64]
    kind: Kind
    clearance_mm: float
    hop_z_mm: float

    @property
    def back(self) -> NDArray[np.float64]:
        """(K, 3) the same points from the park point to the start."""
        return self.points[::-1]

    @property
    def length_mm(self) -> float:
        """Whole path, up and along."""
        return float(np.linalg.norm(np.diff(self.points, axis=0), axis=1).sum())
