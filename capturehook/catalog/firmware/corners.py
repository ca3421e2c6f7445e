"""The rules by which firmware takes corners; the formulas stand in `physics/trapezoid.py`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.model.paths import Paths
from capturehook.physics.trapezoid import (
    corner_deviation,
    facet_speed,
    jerk_speed,
    jerk_start_speed,
    junction_speed,
    mid_move_speed,
)

Floats = NDArray[np.float64]

FACET_MM, FACET_COS = 1.0, -0.7071067812
"""Marlin rounds facets shorter than this that turn by less than 45 degrees (from memory)."""

E_CORNER_MM_S = 1.0
"""Klipper: step of filament speed allowed at a corner (configuration reference, default)."""


@dataclass(frozen=True, slots=True)
class Deviation:
    """Junction deviation; with ``facets`` short facets are taken as the circle they stand for."""

    junction_mm: float
    facets: bool = False
    cruise_ratio: float = 0.0

    def rest_v2(self, paths: Paths) -> Floats:
        return np.zeros_like(paths.length_mm)

    def meet_v2(self, paths: Paths) -> Floats:
        cosine = _cos_interior(paths)
        accel = _pairwise_least(paths.accel_mm_s2)
        squared = junction_speed(accel, self.junction_mm, cosine) ** 2
        if not self.facets:
            return squared
        length = paths.length_mm[1:]
        is_facet = (length < FACET_MM) & (cosine < FACET_COS)
        rounded = facet_speed(length, accel, cosine) ** 2
        return np.where(is_facet, np.minimum(squared, rounded), squared)


@dataclass(frozen=True, slots=True)
class SquareCorner:
    """Square-corner velocity with the mid-move cap and the filament's own corner speed."""

    corner_mm_s: float
    accel_mm_s2: float
    cruise_ratio: float = 0.0

    def rest_v2(self, paths: Paths) -> Floats:
        return np.zeros_like(paths.length_mm)

    def meet_v2(self, paths: Paths) -> Floats:
        cosine = _cos_interior(paths)
        deviation = corner_deviation(self.corner_mm_s, self.accel_mm_s2)
        accel = paths.accel_mm_s2
        squared = junction_speed(_pairwise_least(accel), deviation, cosine) ** 2
        for side in (slice(None, -1), slice(1, None)):
            middle = mid_move_speed(paths.length_mm[side], accel[side], cosine)
            np.minimum(squared, middle**2, out=squared)
        change = np.abs(paths.start[3, 1:] - paths.end[3, :-1])
        with np.errstate(divide="ignore"):
            return np.asarray(np.minimum(squared, (E_CORNER_MM_S / change) ** 2))


@dataclass(frozen=True, slots=True)
class Jerk:
    """Classic jerk: each axis may step by so much; moves jump from rest and stop likewise."""

    jerk_mm_s: tuple[float, float, float, float]
    reversal_adds: bool = False
    cruise_ratio: float = 0.0

    def rest_v2(self, paths: Paths) -> Floats:
        least = np.minimum(
            jerk_start_speed(paths.start, self.jerk_mm_s),
            jerk_start_speed(paths.end, self.jerk_mm_s),
        )
        return np.minimum(least, paths.top_mm_s) ** 2

    def meet_v2(self, paths: Paths) -> Floats:
        """A corner slower than both could stop at and start from is taken at that speed."""
        corner = jerk_speed(
            paths.end[:, :-1], paths.start[:, 1:], self.jerk_mm_s, self.reversal_adds
        )
        return np.maximum(corner**2, _pairwise_least(self.rest_v2(paths)))


def _cos_interior(paths: Paths) -> Floats:
    """(K-1,) cosine of the angle inside each corner, from XYZ only."""
    before, after = paths.end[:3, :-1], paths.start[:3, 1:]
    cosine: Floats = before[0] * after[0]
    cosine += before[1] * after[1]
    cosine += before[2] * after[2]
    return np.negative(cosine, out=cosine)


def _pairwise_least(values: Floats) -> Floats:
    return np.minimum(values[:-1], values[1:])
