"""Beam formulas against values worked by hand from the handbooks named."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.physics import beams

# (what, worked value): Roark, cantilever with end load and fixed-guided beam.
WORKED = [
    (beams.cantilever_n_mm(2000, 10, 1.6, 30), 0.7585),
    (beams.cantilever_n_mm(3000, 10, 1.6, 30), 1.138),
    (beams.guided_n_mm(2000, 8, 1.2, 25), 3.539),
    (beams.guided_strain(1.2, 1.0, 25), 0.00576),
    (1.5 * 1.47 / beams.cantilever_n_mm(2000, 10, 1.6, 30), 2.907),
    (2.205 + 2 * beams.cantilever_n_mm(2000, 10, 1.6, 30), 3.722),
]


@pytest.mark.parametrize(("found", "worked"), WORKED)
def test_value_is_the_one_worked_by_hand(found, worked):
    assert found == pytest.approx(worked, rel=6e-4)


@pytest.mark.property
@given(st.floats(500, 5000), st.floats(2, 30), st.floats(0.5, 4), st.floats(5, 80))
def test_leaf_agrees_with_the_integral_of_its_bending(e_mpa, wide, thick, long):
    """Castigliano: d = integral of M^2/(F E I) along the leaf, here summed numerically."""
    inertia = wide * thick**3 / 12
    steps = 2000
    lever = [(i + 0.5) * long / steps for i in range(steps)]
    bend_mm = sum(x * x for x in lever) * long / steps / (e_mpa * inertia)
    assert beams.cantilever_n_mm(e_mpa, wide, thick, long) == pytest.approx(1 / bend_mm, rel=1e-4)
