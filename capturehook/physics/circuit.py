"""Contact, opto-isolator and light sensor: the small circuits that fire a camera.

In and out: ohm, volt, ampere as ``_a``, watt as ``_w``, farad as ``_f``. ValueError for
numbers without meaning.
"""

from __future__ import annotations

import math
from typing import Literal

from capturehook.physics import positive

E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = (
    *(10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30),
    *(33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91),
)
"""Preferred values of a decade. Source: IEC 60063."""

RATINGS_W = (0.125, 0.25, 0.5, 1.0, 2.0, 5.0)
"""Common ratings of leaded resistors (common practice, no source)."""


def led_resistor_ohm(supply_v: float, led_v: float, current_a: float) -> float:
    """Series resistor of an LED. Source: Ohm's law, (V - Vf)/I."""
    positive(supply_v=supply_v, led_v=led_v, current_a=current_a)
    if supply_v <= led_v:
        raise ValueError("supply_v must be more than led_v")
    return (supply_v - led_v) / current_a


def led_current_a(supply_v: float, led_v: float, resistor_ohm: float) -> float:
    """Current through an LED and its resistor; none below ``led_v``. Source: Ohm's law."""
    positive(resistor_ohm=resistor_ohm)
    return max(0.0, supply_v - led_v) / resistor_ohm


def resistor_power_w(resistor_ohm: float, current_a: float) -> float:
    """Heat in a resistor. Source: Joule's law, I^2 R."""
    positive(resistor_ohm=resistor_ohm)
    return current_a**2 * resistor_ohm


def rating_for_w(power_w: float, use: float = 0.5) -> float:
    """Smallest common rating that is used at not more than ``use`` of itself.

    Half load keeps a resistor touchable (common practice, no source). Infinite if none does.
    """
    return next((rating for rating in RATINGS_W if power_w <= rating * use), math.inf)


def preferred_ohm(
    wanted_ohm: float,
    series: tuple[int, ...] = E12,
    side: Literal["nearest", "up", "down"] = "nearest",
) -> float:
    """A value one can buy. "nearest" is nearest by ratio.

    Source: IEC 60063 gives the steps of one decade; decades repeat by 10.
    """
    positive(wanted_ohm=wanted_ohm)
    decade = math.floor(math.log10(wanted_ohm))
    ladder = [step * math.pow(10, decade + shift) for shift in (-2, -1, 0) for step in series]
    slack = 1e-9 * wanted_ohm
    if side == "up":
        found = min(value for value in ladder if value >= wanted_ohm - slack)
    elif side == "down":
        found = max(value for value in ladder if value <= wanted_ohm + slack)
    else:
        found = min(ladder, key=lambda value: abs(math.log(value / wanted_ohm)))
    return round(found, 12)


def preferred_between_ohm(low_ohm: float, high_ohm: float) -> float | None:
    """A value one can buy inside a range, E12 before E24, nearest the middle by ratio."""
    positive(low_ohm=low_ohm, high_ohm=high_ohm)
    middle = math.sqrt(low_ohm * high_ohm)
    for series in (E12, E24):
        for side in ("nearest", "up", "down"):
            value = preferred_ohm(middle, series, side)
            if low_ohm <= value <= high_ohm:
                return value
    return None


def sink_current_a(led_current_a: float, transfer_ratio: float) -> float:
    """Most current the output transistor can take in. Source: definition of CTR, Ic/If."""
    positive(transfer_ratio=transfer_ratio)
    return led_current_a * transfer_ratio


def parallel_ohm(first_ohm: float, second_ohm: float) -> float:
    """Two resistors side by side. Source: Kirchhoff, 1/(1/a + 1/b)."""
    positive(first_ohm=first_ohm, second_ohm=second_ohm)
    return 1 / (1 / first_ohm + 1 / second_ohm)


def divider_v(supply_v: float, upper_ohm: float, lower_ohm: float) -> float:
    """Voltage over the lower of two resistors in series. Source: Kirchhoff, V b/(a + b)."""
    positive(upper_ohm=upper_ohm, lower_ohm=lower_ohm)
    return supply_v * lower_ohm / (upper_ohm + lower_ohm)


def best_divider_ohm(light_ohm: float, dark_ohm: float) -> float:
    """Fixed resistor that gives a divider with a sensor its largest swing.

    Source: derivative of the swing set to zero, R = sqrt(R_light R_dark); calculus.
    """
    positive(light_ohm=light_ohm, dark_ohm=dark_ohm)
    return math.sqrt(light_ohm * dark_ohm)


def illuminance_at_lux(lux: float, at_mm: float, to_mm: float) -> float:
    """Illuminance from a small source, moved from one distance to another.

    Source: inverse square law, E2 = E1 (d1/d2)^2. An extended source obeys it only beyond
    about five times its size (the photometrists' five-times rule).
    """
    positive(at_mm=at_mm, to_mm=to_mm)
    return lux * (at_mm / to_mm) ** 2


def disc_distance_mm(distance_mm: float, across_mm: float) -> float:
    """Distance that makes an even, matt disc of light obey the inverse square law.

    Source: on the axis of a Lambertian disc E ~ sin^2 of its half angle, a^2/(a^2 + d^2) with
    the radius a (radiometry textbook); so d is replaced by sqrt(d^2 + a^2).
    """
    return math.hypot(distance_mm, across_mm / 2)


def gamma_from_distances(
    near_mm: float,
    near_ohm: float,
    far_mm: float,
    far_ohm: float,
    covered_ohm: float = math.inf,
) -> float:
    """Sensor's gamma from its readings at two distances from one small lamp.

    ``covered_ohm`` is the reading of the stray light, lamp off.

    Source: sensor law and inverse square law together; in the dark R2/R1 = (d2/d1)^(2 gamma).
    With stray light it has no closed form: :func:`moved_ohm` rises with gamma (it is a power
    mean of the two readings with exponent -1/gamma), so it is halved in.
    """
    positive(near_mm=near_mm, near_ohm=near_ohm, far_mm=far_mm, far_ohm=far_ohm)
    if not (near_mm < far_mm and near_ohm < far_ohm < covered_ohm):
        raise ValueError("the nearer reading must be the lower, and both below the covered one")
    if math.isinf(covered_ohm):
        return math.log(far_ohm / near_ohm) / (2 * math.log(far_mm / near_mm))
    low, high = 0.05, 5.0
    for _ in range(60):
        gamma = (low + high) / 2
        if moved_ohm(near_ohm, near_mm, far_mm, gamma, covered_ohm) < far_ohm:
            low = gamma
        else:
            high = gamma
    return gamma


def relative_light(resistance_ohm: float, gamma: float) -> float:
    """Light on the sensor in a unit of its own (1 where it has one ohm).

    Source: the sensor law turned round, E ~ R^(-1/gamma). Needs no luxmeter, so it holds at
    405 nm as well, where lux mean nothing.
    """
    positive(resistance_ohm=resistance_ohm, gamma=gamma)
    return math.pow(resistance_ohm, -1 / gamma)


def moved_ohm(
    lit_ohm: float, at_mm: float, to_mm: float, gamma: float, covered_ohm: float = math.inf
) -> float:
    """Lit resistance after moving the sensor; stray light (the covered reading) stays.

    Source: light adds; the lamp's share follows the inverse square; then the sensor law.
    """
    stray = _stray(covered_ohm, gamma)
    lamp = relative_light(lit_ohm, gamma) - stray
    return math.pow(stray + illuminance_at_lux(lamp, at_mm, to_mm), -gamma)


def distance_for_ohm_mm(
    wanted_ohm: float, lit_ohm: float, at_mm: float, gamma: float, covered_ohm: float = math.inf
) -> float:
    """Distance at which the lit sensor has ``wanted_ohm``: :func:`moved_ohm` solved."""
    if not (lit_ohm < covered_ohm and wanted_ohm < covered_ohm):
        raise ValueError("lit_ohm and wanted_ohm must be less than covered_ohm")
    stray = _stray(covered_ohm, gamma)
    lamp = relative_light(lit_ohm, gamma) - stray
    return at_mm * math.sqrt(lamp / (relative_light(wanted_ohm, gamma) - stray))


def crossing_s(
    from_ohm: float, to_ohm: float, level_ohm: float, gamma: float, tau_s: float
) -> float:
    """Time from a step of light until the sensor passes a level: 0 if it is past, else maybe inf.

    Source: first-order lag of the light seen, 1 - e^(-t/tau) (the 63 % and 37 % points by
    which datasheets state rise and decay), then the sensor law. Real sensors are slower than
    this towards darkness: seconds.
    """
    positive(tau_s=tau_s)
    start, end = relative_light(from_ohm, gamma), relative_light(to_ohm, gamma)
    level = relative_light(level_ohm, gamma)
    if start == end:
        raise ValueError("from_ohm and to_ohm must differ")
    left = (level - end) / (start - end)
    return -tau_s * math.log(min(1.0, left)) if left > 0 else math.inf


def time_constant_s(resistor_ohm: float, capacitor_f: float) -> float:
    """Of a resistor and a capacitor that smooth a bouncing contact. Source: tau = R C."""
    positive(resistor_ohm=resistor_ohm, capacitor_f=capacitor_f)
    return resistor_ohm * capacitor_f


def _stray(covered_ohm: float, gamma: float) -> float:
    return 0.0 if math.isinf(covered_ohm) else relative_light(covered_ohm, gamma)
