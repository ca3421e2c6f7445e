"""Leaf springs: how a bracket yields.

In and out: mm, N, N/mm, MPa (N/mm2), N m where said. ValueError for
numbers without meaning.
"""

from __future__ import annotations

from capturehook.physics import positive


def cantilever_n_mm(e_mpa: float, width_mm: float, thick_mm: float, long_mm: float) -> float:
    """Stiffness of a leaf held at one end, loaded at the other.

    Source: Roark's Formulas for Stress and Strain, cantilever with end load, 3 E I/L^3 with
    I = b h^3/12.
    """
    positive(e_mpa=e_mpa, width_mm=width_mm, thick_mm=thick_mm, long_mm=long_mm)
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
    positive(thick_mm=thick_mm, long_mm=long_mm)
    return 3 * thick_mm * bend_mm / long_mm**2
