"""Part of the clock: how fast each firmware takes the corner between two moves.

Every rule answers two questions on K paths: from and to which speed a move may start and
stop (squared), and how fast two neighbours may meet (squared, without their own top speeds).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from capturehook.physics.trapezoid import (
    corner_deviation,
    facet_speed,
    jerk_speed,
    jerk_start_speed,
    junction_speed,
    mid_move_speed,
)

if TYPE_CHECKING:
    from capturehook.clock.paths import Paths
    from capturehook.model.profile import Machine

Floats = NDArray[np.float64]

FACET_MM, FACET_COS = 1.0, -0.7071067812
"""Marlin rounds facets shorter than this that turn by less than 45 degrees (from memory)."""

E_CORNER_MM_S = 1.0
"""Klipper: step of filament speed allowed at a corner (configuration reference, default)."""

CRUISE_RATIO = 0.5
"""Klipper: minimum cruise ratio (configuration reference, default)."""

USUAL_JERK: dict[str, tuple[float, float, float, float]] = {
    "marlin": (10.0, 10.0, 0.3, 5.0),
    "reprapfirmware": (15.0, 15.0, 0.2, 2.0),
    "repetier": (20.0, 20.0, 0.3, 5.0),
}
"""Jerk of X, Y, Z, E by firmware family, mm/s (Marlin: its template; the others from memory)."""


class CornerRule(Protocol):
    """How one family of firmware takes corners."""

    @property
    def cruise_ratio(self) -> float:
        """Share of a burst of speed that must be cruised; 0 for none."""
        ...

    def rest_v2(self, paths: Paths) -> Floats:
        """(K,) mm2/s2, speed a move may jump from rest to."""
        ...

    def meet_v2(self, paths: Paths) -> Floats:
        """(K-1,) mm2/s2, corner between each move and the next."""
        ...


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
    cruise_ratio: float = CRUISE_RATIO

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


def corner_rule(machine: Machine) -> CornerRule:
    """The rule the profile states, else the usual one of its firmware family.

    Defaults: 0.013 mm in Marlin's template and 5 mm/s for Klipper (their configuration
    references); 0.05 mm for Smoothie, 0.01 mm for the NGC dialect as in grbl (from memory).
    """
    firmware = machine.firmware
    adds = firmware == "reprapfirmware"
    if machine.jerk_mm_s is not None:
        jerk = machine.jerk_mm_s
        return Jerk((jerk.x, jerk.y, jerk.z, jerk.e), reversal_adds=adds)
    if machine.corner_mm_s is not None:
        ratio = CRUISE_RATIO if firmware == "klipper" else 0.0
        return SquareCorner(machine.corner_mm_s, machine.accel_mm_s2, ratio)
    if machine.junction_mm is not None:
        return Deviation(machine.junction_mm, facets=firmware == "marlin")
    return _usual_rule(machine)


def _usual_rule(machine: Machine) -> CornerRule:
    usual: dict[str, CornerRule] = {
        "marlin": Deviation(0.013, facets=True),
        "klipper": SquareCorner(5.0, machine.accel_mm_s2),
        "reprapfirmware": Jerk(USUAL_JERK["reprapfirmware"], reversal_adds=True),
        "smoothie": Deviation(0.05),
        "repetier": Jerk(USUAL_JERK["repetier"]),
        "rs274": Deviation(0.01),
    }
    return usual[machine.firmware]


def _cos_interior(paths: Paths) -> Floats:
    """(K-1,) cosine of the angle inside each corner, from XYZ only."""
    before, after = paths.end[:3, :-1], paths.start[:3, 1:]
    return np.asarray(-np.einsum("ij,ij->j", before, after))


def _pairwise_least(values: Floats) -> Floats:
    return np.minimum(values[:-1], values[1:])
