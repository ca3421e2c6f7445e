"""Moves as the clock sees them: how long, how fast at most, and in which direction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Paths:
    """K moves that have a length.

    Attributes
    ----------
    length_mm, top_mm_s, accel_mm_s2 : (K,) float64
    start, end : (4, K) float64, direction at both ends (the same array without arcs)
    """

    length_mm: Floats
    top_mm_s: Floats
    accel_mm_s2: Floats
    start: Floats
    end: Floats
