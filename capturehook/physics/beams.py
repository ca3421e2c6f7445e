"""Leaf springs, belt thrust and screws: how a bracket yields and how it holds.

In and out: mm, N, N/mm, MPa (N/mm2), N m where said. Imports nothing of ours. ValueError for
numbers without meaning.
"""

from __future__ import annotations

import math


def cantilever_n_mm(e_mpa: float, width_mm: float, thick_mm: float, long_mm: float) -> float:
    """Stiffness of a leaf held at one end, loaded at the other.

    Source: Roark's Formulas for Stress and Strain, cantilever with end load, 3 E I/L^3 with
    I = b h^3/12.
    """
    _positive(e_mpa=e_mpa, width_mm=width_mm, thick_mm=thick_mm, long_mm=long_mm)
    return e_mpa * width_mm * thick_mm**3 / (4 * long_mm**3)


def guided_n_mm(
    e_mpa: float, width_mm: float, thick_mm: float, long_mm: float, leaves: int = 2
) -> float:
    """Stiffness of parallel leaves whose far end stays square.

    Source: Roark, beam fixed at one end and guided at the other, 12 E I/L^3 each.
    """
    return leaves * 4 * cantilever_n_mm(e_mpa, width_mm, thick_mm, long_mm)


def guided_strain(thick_mm: float, bend_mm: float, long_mm: float) -> float:
    """Largest strain in parallel leaves. Source: M = 6 E I d/L^2, strain = M h/(2 E I)."""
    _positive(thick_mm=thick_mm, long_mm=long_mm)
    return 3 * thick_mm * bend_mm / long_mm**2


def cantilever_strain(thick_mm: float, bend_mm: float, long_mm: float) -> float:
    """Strain at the root of a leaf. Source: M = 3 E I d/L^2, strain = M h/(2 E I)."""
    return guided_strain(thick_mm, bend_mm, long_mm) / 2


def belt_thrust_n(torque_nm: float, teeth: int, pitch_mm: float) -> float:
    """Force of a belt axis. Source: work = torque x angle, F = 2 pi T/(z p)."""
    _positive(torque_nm=torque_nm, teeth=teeth, pitch_mm=pitch_mm)
    return 2 * math.pi * torque_nm / (teeth * pitch_mm * 1e-3)


def pushed_back_mm(force_n: float, thrust_n: float, full_step_mm: float) -> float:
    """How far a stepper gives way under a force before it would lose steps.

    Source: torque over angle of a stepper is a sine with four full steps a cycle.
    """
    if not 0 <= force_n < thrust_n:
        raise ValueError("force_n must be less than thrust_n: the axis would lose steps")
    return math.asin(force_n / thrust_n) * 4 * full_step_mm / (2 * math.pi)


def clamp_n(torque_nm: float, screw_mm: float, factor: float = 0.2) -> float:
    """Clamp of a tightened screw. Source: short torque formula T/(K D) (Shigley, Mechanical
    Engineering Design), K = 0.2 for dry steel."""
    _positive(torque_nm=torque_nm, screw_mm=screw_mm, factor=factor)
    return torque_nm / (factor * screw_mm * 1e-3)


def washer_mpa(force_n: float, outer_mm: float, inner_mm: float) -> float:
    """Pressure under a washer. Source: force over the area of the ring."""
    if not outer_mm > inner_mm >= 0:
        raise ValueError("outer_mm must be more than inner_mm")
    return force_n / (math.pi / 4 * (outer_mm**2 - inner_mm**2))


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0 and math.isfinite(value)):
            raise ValueError(f"{name} must be more than 0, not {value}")
