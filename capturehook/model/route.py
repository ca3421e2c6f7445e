"""How the nozzle gets from the print to the park point."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import dist
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Kind = Literal["straight", "raised", "detour"]
Place = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """How the nozzle gets from the print to the park point: up, then level.

    Attributes
    ----------
    start_mm : where it begins, X Y Z
    corners_mm : X and Y of each corner of the level part after that, the park point last
    kind : straight (the default hop), raised (over something taller), detour (round it)
    clearance_mm : least vertical distance from the nozzle to anything printed, on the level
    hop_z_mm : height of the level part
    """

    start_mm: Place
    corners_mm: tuple[tuple[float, float], ...]
    kind: Kind
    clearance_mm: float
    hop_z_mm: float

    @property
    def level(self) -> list[Place]:
        """The level part, from right above (or at) the start to the park point."""
        x, y, _ = self.start_mm
        return [(x, y, self.hop_z_mm) for x, y in ((x, y), *self.corners_mm)]

    @property
    def points(self) -> NDArray[np.float64]:
        """(K, 3) float64, mm, from the start to the park point."""
        up = [self.start_mm] if self.hop_z_mm > self.start_mm[2] else []
        return np.array([*up, *self.level], dtype=np.float64)

    @property
    def length_mm(self) -> float:
        """Whole path, up and along."""
        return sum(dist(a, b) for a, b in pairwise((self.start_mm, *self.level)))
