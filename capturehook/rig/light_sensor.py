"""A light sensor as it was read, and what follows from its readings.

In: resistances read with a meter, covered and lit, and the range in which the camera
releases. The light is counted in the sensor's own units, so no luxmeter is needed (at 405 nm
one would be no help).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from capturehook.errors import CaptureHookError
from capturehook.physics import circuit
from capturehook.rig.advice import check_number

GAMMA, GAMMA_SPREAD = 0.7, 0.1
"""Middle of light-resistor datasheets (0.5 to 0.8), and their tolerance."""
RISE_S, FALL_S = 0.03, 0.03
"""Datasheets: 20 to 30 ms to 63 %, 30 ms to 37 %."""
OHMS = (0.1, 1e10)
"""What a meter can read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightSensor:
    """A sensor as read, the camera's thresholds, and the light that switches it.

    ``lit`` holds (distance_mm, ohm): first the place in use, then, if there is one, a second
    place from which gamma follows. The camera fires surely at ``fires_ohm`` and below, and
    surely stays quiet at ``quiet_ohm`` and above. ``panel_mm`` is the size of the light source.
    """

    covered_ohm: float
    lit: tuple[tuple[float, float], ...]
    fires_ohm: float
    quiet_ohm: float
    gamma: float | None = None
    panel_mm: float | None = None
    rise_s: float = RISE_S
    fall_s: float = FALL_S
    light_on_s: float | None = None
    light_off_s: float | None = None
    hold_s: float = 0.1
    margin: float = 1.5

    def __post_init__(self) -> None:
        for name in ("covered_ohm", "fires_ohm", "quiet_ohm"):
            check_number(name, getattr(self, name), *OHMS)
        for name in ("light_on_s", "light_off_s", "rise_s", "fall_s"):
            if getattr(self, name) is not None:
                check_number(name, getattr(self, name), 1e-6, 1e6)
        check_number("hold_s", self.hold_s, 0, 1e6)
        if self.panel_mm is not None:
            check_number("panel_mm", self.panel_mm, 0.1, 1e5)
        if self.gamma is not None:
            check_number("gamma", self.gamma, 0.1, 3)
        check_number("margin", self.margin, 1, 100)
        for distance_mm, ohm in self.lit:
            check_number("lit mm", distance_mm, 0.1, 1e5)
            check_number("lit ohm", ohm, *OHMS)
        self._check_order()

    def _check_order(self) -> None:
        if not 1 <= len(self.lit) <= 2:
            raise CaptureHookError(
                "lit",
                f"{len(self.lit)} readings were given",
                "Give one (distance in mm, ohm), or a second one at another distance for gamma",
            )
        if not all(ohm < self.covered_ohm for _, ohm in self.lit):
            raise CaptureHookError(
                "lit",
                f"{max(ohm for _, ohm in self.lit):g} ohm is not below the covered reading of "
                f"{self.covered_ohm:g} ohm",
                "Check which reading is which: a light resistor falls when it is lit",
            )
        if self.fires_ohm > self.quiet_ohm:
            raise CaptureHookError(
                "fires_ohm",
                f"{self.fires_ohm:g} ohm is above quiet_ohm ({self.quiet_ohm:g})",
                "fires_ohm is the largest that always releases, quiet_ohm the smallest that never "
                "does",
            )

    @property
    def lit_mm(self) -> float:
        return self.lit[0][0]

    @property
    def lit_ohm(self) -> float:
        return self.lit[0][1]

    @property
    def across_mm(self) -> float:
        return self.panel_mm or 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A fixed resistor that moves both readings, and what they become."""

    how: Literal["series", "parallel"]
    ohm: float
    lit_ohm: float
    covered_ohm: float

    def __str__(self) -> str:
        return (
            f"{self.ohm:g} ohm in {self.how} with the sensor: {self.lit_ohm:.0f} ohm lit, "
            f"{self.covered_ohm:.0f} ohm covered"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparator:
    """Where no resistor helps: a divider and a comparator between sensor and isolator."""

    fixed_ohm: float
    lit_share: float
    covered_share: float
    """Of the supply, over the fixed resistor, sensor on top."""


def find_gamma(sensor: LightSensor) -> tuple[float, bool]:
    """(gamma, whether it was measured): given, from two readings, or the default one."""
    if sensor.gamma is not None:
        return sensor.gamma, True
    if len(sensor.lit) == 1:
        return GAMMA, False
    (near_mm, near_ohm), (far_mm, far_ohm) = sorted(sensor.lit)
    try:
        return circuit.gamma_from_distances(
            circuit.disc_distance_mm(near_mm, sensor.across_mm),
            near_ohm,
            circuit.disc_distance_mm(far_mm, sensor.across_mm),
            far_ohm,
            sensor.covered_ohm,
        ), True
    except ValueError as fault:
        raise CaptureHookError(
            "lit",
            f"{near_ohm:g} ohm at {near_mm:g} mm and {far_ohm:g} ohm at {far_mm:g} mm do not fit "
            "one lamp",
            "Read both again: farther from the light the resistance must be higher",
        ) from fault


def find_reach_mm(sensor: LightSensor, gamma: float, measured: bool) -> float | None:
    """Farthest distance that fires with the margin wanted; cautious where gamma is a guess.

    Moving closer helps less with a small gamma, moving away costs more with a large one.
    """
    target_ohm = sensor.fires_ohm / sensor.margin
    if target_ohm >= sensor.covered_ohm:
        return None
    if not measured:
        gamma += -GAMMA_SPREAD if target_ohm < sensor.lit_ohm else GAMMA_SPREAD
    bent_mm = circuit.distance_for_ohm_mm(
        target_ohm,
        sensor.lit_ohm,
        circuit.disc_distance_mm(sensor.lit_mm, sensor.across_mm),
        gamma,
        sensor.covered_ohm,
    )
    square = bent_mm**2 - (sensor.across_mm / 2) ** 2
    return math.sqrt(square) if square > 0 else None


def find_shift(sensor: LightSensor) -> Shift | None:
    """A resistor one can buy that gives both margins; None if none is needed or none can.

    Side by side: 1/R <= 1/(quiet m) - 1/covered and >= m/fires - 1/lit. In a row: R >= quiet m -
    covered and <= fires/m - lit (Kirchhoff).
    """
    low_ohm = sensor.quiet_ohm * sensor.margin
    high_ohm = sensor.fires_ohm / sensor.margin
    if sensor.lit_ohm <= high_ohm and sensor.covered_ohm >= low_ohm:
        return None
    if sensor.lit_ohm > high_ohm and sensor.covered_ohm > low_ohm:
        least = 1 / (1 / low_ohm - 1 / sensor.covered_ohm)
        most = 1 / (1 / high_ohm - 1 / sensor.lit_ohm)
        return _shift(sensor, "parallel", least, most)
    if sensor.covered_ohm < low_ohm and sensor.lit_ohm < high_ohm:
        return _shift(sensor, "series", low_ohm - sensor.covered_ohm, high_ohm - sensor.lit_ohm)
    return None


def _shift(
    sensor: LightSensor, how: Literal["series", "parallel"], least_ohm: float, most_ohm: float
) -> Shift | None:
    if least_ohm > most_ohm:
        return None
    ohm = circuit.preferred_between_ohm(least_ohm, most_ohm)
    if ohm is None:
        return None
    if how == "series":
        lit_ohm, covered_ohm = sensor.lit_ohm + ohm, sensor.covered_ohm + ohm
    else:
        lit_ohm = circuit.parallel_ohm(sensor.lit_ohm, ohm)
        covered_ohm = circuit.parallel_ohm(sensor.covered_ohm, ohm)
    return Shift(how=how, ohm=ohm, lit_ohm=lit_ohm, covered_ohm=covered_ohm)


def find_comparator(sensor: LightSensor) -> Comparator:
    fixed_ohm = circuit.preferred_ohm(
        circuit.best_divider_ohm(sensor.lit_ohm, sensor.covered_ohm), circuit.E12
    )
    return Comparator(
        fixed_ohm=fixed_ohm,
        lit_share=circuit.divider_v(1, sensor.lit_ohm, fixed_ohm),
        covered_share=circuit.divider_v(1, sensor.covered_ohm, fixed_ohm),
    )
