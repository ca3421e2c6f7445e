"""Beam and screw formulas against values worked by hand from the handbooks named."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.physics import beams

# (what, worked value): Roark, cantilever with end load and fixed-guided beam; Shigley, T/(K D);
# work = torque x angle; a ring's area; a stepper's sine with four full steps a cycle.
WORKED = [
    (beams.cantilever_n_mm(2000, 10, 1.6, 30), 0.7585),
    (beams.cantilever_n_mm(3000, 10, 1.6, 30), 1.138),
    (beams.cantilever_strain(1.6, 2.0, 30), 0.005333),
    (beams.guided_n_mm(2000, 8, 1.2, 25), 3.539),
    (beams.guided_strain(1.2, 1.0, 25), 0.00576),
    (1.5 * 1.47 / beams.cantilever_n_mm(2000, 10, 1.6, 30), 2.907),
    (2.205 + 2 * beams.cantilever_n_mm(2000, 10, 1.6, 30), 3.722),
    (beams.belt_thrust_n(0.40, 20, 2.0), 62.83),
    (0.6 * beams.belt_thrust_n(0.40, 20, 2.0), 37.7),
    (beams.pushed_back_mm(3.722, 62.83, 0.2), 0.007547),
    (beams.clamp_n(0.5, 4.0), 625.0),
    (0.2 * beams.clamp_n(0.5, 4.0), 125.0),
    (beams.washer_mpa(625.0, 9.0, 4.5), 13.1),
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


def test_a_force_over_the_thrust_is_no_place():
    with pytest.raises(ValueError, match="lose steps"):
        beams.pushed_back_mm(70, 62.8, 0.2)
