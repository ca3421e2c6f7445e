"""Closed forms of motion against worked examples.

Where a check says "worked", the arithmetic stands beside it and uses nothing but uniform
acceleration (d = v t, v = a t, v^2 = 2 a d; any mechanics textbook).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.physics.trapezoid import (
    arc_speed,
    corner_deviation,
    facet_speed,
    jerk_speed,
    jerk_start_speed,
    junction_speed,
    mid_move_speed,
    trapezoid_seconds,
)


def cos_deg(degrees: float) -> float:
    return float(np.cos(np.radians(degrees)))


# --- ramps


def test_trapezoid_rest_to_rest_has_two_ramps_and_a_plateau() -> None:
    # worked: ramps 0.1 s and 5 mm each; plateau 90 mm at 100 mm/s = 0.9 s
    assert trapezoid_seconds(100, 100, 1000) == pytest.approx(1.1, abs=1e-12)


@pytest.mark.parametrize(
    ("length_mm", "top", "accel", "seconds"),
    [
        (200, 150, 3000, 1.383333),  # worked: 200 / 150 + 150 / 3000
        (np.hypot(150, 200), 200, 3000, 1.316667),  # worked: 250 / 200 + 200 / 3000
    ],
)
def test_long_move_costs_one_ramp_more_than_its_length(
    length_mm: float, top: float, accel: float, seconds: float
) -> None:
    assert trapezoid_seconds(length_mm, top, accel) == pytest.approx(seconds, abs=5e-7)


def test_trapezoid_from_speed_to_rest() -> None:
    # worked: (50-20)/500 = 0.06 s over 2.1 mm; 50/500 = 0.1 s over 2.5 mm; 5.4 mm at 50 = 0.108 s
    assert trapezoid_seconds(10, 50, 500, 20, 0) == pytest.approx(0.06 + 0.108 + 0.1, abs=1e-12)


def test_trapezoid_takes_whole_arrays() -> None:
    seconds = trapezoid_seconds(np.array([100.0, 5.0]), 100.0, 1000.0)
    assert seconds == pytest.approx([1.1, 0.141421], abs=5e-7)


def test_trapezoid_out_of_reach_is_refused() -> None:
    with pytest.raises(ValueError, match="out of reach"):
        trapezoid_seconds(1.0, 100, 1000, 90, 0)


def test_trapezoid_end_above_top_is_refused() -> None:
    with pytest.raises(ValueError, match="above the top"):
        trapezoid_seconds(100.0, 50, 1000, 60, 0)


@pytest.mark.property
@given(
    st.floats(0.01, 500),
    st.floats(1, 500),
    st.floats(10, 20000),
    st.floats(0, 1),
    st.floats(0, 1),
)
def test_trapezoid_agrees_with_its_own_integral(
    length: float, top: float, accel: float, share0: float, share1: float
) -> None:
    """Rule: the area under the speed curve is the length."""
    reachable = math.sqrt(accel * length)  # Torricelli over half the length
    start = share0 * min(top, reachable)
    end = share1 * min(top, reachable)
    seconds = float(trapezoid_seconds(length, top, accel, start, end))
    t = np.linspace(0, seconds, 4001)
    speed = np.minimum(np.minimum(start + accel * t, end + accel * (seconds - t)), top)
    area = float(np.sum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t)))
    assert area == pytest.approx(length, rel=2e-3)


# --- corners


@pytest.mark.parametrize(
    ("accel", "degrees", "speed"),
    [
        (1000, 90, 5.60221),
        (1000, 135, 12.56113),
        (1000, 60, 3.60555),
        (1000, 170, 58.33769),
        (3000, 90, 9.70332),
        (3000, 135, 21.75651),
    ],
)
def test_junction_deviation_by_interior_angle(accel: float, degrees: float, speed: float) -> None:
    # the grbl cornering note (2011): v^2 = a delta sin(th/2) / (1 - sin(th/2)), delta 0.013 mm
    assert junction_speed(accel, 0.013, cos_deg(degrees)) == pytest.approx(speed, abs=5e-6)


def test_junction_deviation_is_the_gap_of_the_rounding_circle() -> None:
    """Geometry: the circle that touches both legs passes the corner at distance delta.

    Circle of radius r in an angle th: distance of corner to centre r / sin(th/2), so the gap
    is r (1/sin(th/2) - 1); and v^2 = a r.
    """
    theta, delta, accel = np.radians(110.0), 0.02, 2500.0
    radius = delta / (1 / np.sin(theta / 2) - 1)
    expected = np.sqrt(accel * radius)
    assert junction_speed(accel, delta, np.cos(theta)) == pytest.approx(expected, rel=1e-12)


def test_junction_straight_on_is_free_and_reversal_stops() -> None:
    assert junction_speed(1000, 0.013, -1.0) == np.inf
    assert junction_speed(1000, 0.013, 1.0) == 0.0


def test_square_corner_form_holds_its_speed_at_a_right_angle() -> None:
    # Klipper kinematics: delta = scv^2 (sqrt 2 - 1) / a; at 90 degrees v = scv whatever a is
    delta = corner_deviation(5, 3000)
    assert delta == pytest.approx(0.00345178, abs=5e-9)
    assert junction_speed(3000, delta, cos_deg(90)) == pytest.approx(5.0, abs=1e-9)
    assert junction_speed(3000, delta, cos_deg(135)) == pytest.approx(11.21086, abs=5e-6)
    assert junction_speed(777, corner_deviation(5, 777), 0.0) == pytest.approx(5.0, abs=1e-9)


def test_mid_move_speed_at_a_right_angle() -> None:
    # worked: the circle of radius d/2 touches both legs at their middles: v^2 = a d / 2
    assert mid_move_speed(2.0, 1000, 0.0) == pytest.approx(np.sqrt(1000 * 1.0), rel=1e-12)


def test_facets_of_a_circle_are_taken_as_the_circle() -> None:
    # worked: 64 facets on r = 5: each turns by 2 pi / 64, chord ~ r * turn
    turn = 2 * np.pi / 64
    chord = 2 * 5.0 * np.sin(turn / 2)
    assert facet_speed(chord, 1000, -np.cos(turn)) == pytest.approx(arc_speed(1000, 5.0), rel=1e-3)
    assert arc_speed(1000, 5.0) == pytest.approx(70.7107, abs=5e-5)


def test_jerk_counts_each_axis_by_itself() -> None:
    # worked: right angle from +X to +Y: X steps by v, Y by v: v = 10
    assert jerk_speed([1, 0], [0, 1], [10, 10]) == pytest.approx(10.0)
    # worked: 3-4-5 triangle, +X to (0.8, 0.6): X steps by 0.2 v, Y by 0.6 v = 10
    assert jerk_speed([1, 0], [0.8, 0.6], [10, 10]) == pytest.approx(10 / 0.6)
    assert jerk_speed([1, 0], [1, 0], [10, 10]) == np.inf


def test_jerk_reversal_adds_both_speeds_or_takes_the_larger() -> None:
    assert jerk_speed([1, 0], [-1, 0], [10, 10], reversal_adds=True) == pytest.approx(5.0)
    assert jerk_speed([1, 0], [-1, 0], [10, 10]) == pytest.approx(10.0)


def test_jerk_start_speed_is_set_by_the_axis_that_jumps_most() -> None:
    # worked: Z may jump by 0.3, the path is half Z: 0.6 mm/s
    assert jerk_start_speed([0.8, 0.5], [10, 0.3]) == pytest.approx(0.6)
