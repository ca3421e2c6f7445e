"""Circuits against hand arithmetic, IEC 60063, datasheet definitions and brute force."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.physics import circuit

OHM = st.floats(1, 1e7)
GAMMA = st.floats(0.4, 1.0)


# LED resistors, (V - Vf)/I by hand with Vf 1.2 V (an infrared LED; from memory).
@pytest.mark.parametrize(
    ("supply_v", "milliamp", "ohm", "one_buys"),
    [
        (3.3, 5, 420, (390, 430)),
        (5, 10, 380, (390,)),
        (12, 10, 1080, (1000, 1100)),
        (24, 10, 2280, (2200,)),
    ],
)
def test_led_resistor(supply_v, milliamp, ohm, one_buys):
    found = circuit.led_resistor_ohm(supply_v, 1.2, milliamp / 1000)
    assert found == pytest.approx(ohm)
    assert circuit.preferred_ohm(found) in one_buys


def test_led_resistor_at_24_v_heats():  # I^2 R by hand: 0.228 W, so a 0.5 W part
    assert circuit.resistor_power_w(2280, 0.010) == pytest.approx(0.228)
    assert circuit.rating_for_w(0.228) == 0.5
    assert circuit.rating_for_w(40) == math.inf


def test_led_current_is_resistor_turned_round():
    assert circuit.led_current_a(24, 1.2, 2280) == pytest.approx(0.010)
    assert circuit.led_current_a(1.0, 1.2, 100) == 0


def test_led_on_too_little_voltage_is_refused():
    with pytest.raises(ValueError, match="supply_v"):
        circuit.led_resistor_ohm(1.1, 1.2, 0.01)


# IEC 60063: E12 3.3-3.9 neighbours, E24 steps; decades repeat by 10.
@pytest.mark.parametrize(
    ("wanted", "series", "side", "value"),
    [
        (380, circuit.E12, "up", 390),
        (380, circuit.E12, "down", 330),
        (1080, circuit.E24, "nearest", 1100),
        (1000, circuit.E12, "up", 1000),
        (1000, circuit.E12, "down", 1000),
        (0.95, circuit.E12, "nearest", 1.0),
        (9.5e6, circuit.E12, "up", 1e7),
        (83.0, circuit.E12, "up", 100),
    ],
)
def test_preferred_value(wanted, series, side, value):
    assert circuit.preferred_ohm(wanted, series, side) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(("series", "count"), [(circuit.E12, 12), (circuit.E24, 24)])
def test_series_follow_the_geometric_rule_of_iec_60063(series, count):
    """Steps are 10^(i/n), rounded; the standard's own old exceptions lie within 6 %."""
    assert len(series) == count
    for index, value in enumerate(series):
        assert value / 10 == pytest.approx(10 ** (index / count), rel=0.06)


@pytest.mark.property
@given(st.floats(0.5, 1e7), st.sampled_from([(circuit.E12, 1.15), (circuit.E24, 1.08)]))
def test_preferred_value_is_near_and_on_its_side(wanted, series_gap):
    series, gap = series_gap
    down, near, up = (
        circuit.preferred_ohm(wanted, series, side) for side in ("down", "nearest", "up")
    )
    assert down <= wanted * (1 + 1e-8)
    assert up >= wanted * (1 - 1e-8)
    assert near in (down, up)
    assert max(near / wanted, wanted / near) < gap


@pytest.mark.property
@given(st.floats(1, 1e6), st.floats(1.0, 3))
def test_preferred_between_lies_between_or_there_is_none(low_ohm, ratio):
    """Brute force over all E24 values: None exactly when no value lies inside."""
    ladder = [step * 10.0**decade for decade in range(-2, 8) for step in circuit.E24]
    inside = [value for value in ladder if low_ohm <= value <= low_ohm * ratio]
    found = circuit.preferred_between_ohm(low_ohm, low_ohm * ratio)
    if found is None:
        assert not [
            value for value in inside if low_ohm * 1.00001 < value < low_ohm * ratio * 0.99999
        ]
    else:
        assert low_ohm <= found <= low_ohm * ratio


def sensor_ohm(lux: float, r10_ohm: float, gamma: float) -> float:
    """R = R10 (E/10 lx)^-gamma, the law that light-resistor datasheets are written in."""
    return r10_ohm * (lux / 10) ** -gamma


def test_divider_under_a_light_sensor():  # V R/(R + S) by hand, 5 V over 10 kohm
    assert circuit.divider_v(5, sensor_ohm(100, 15_000, 0.6), 10_000) == pytest.approx(
        3.63165, abs=5e-6
    )
    assert circuit.divider_v(5, sensor_ohm(1, 15_000, 0.6), 10_000) == pytest.approx(
        0.717195, abs=5e-7
    )
    lit, dark = (sensor_ohm(lux, 15_000, 0.6) for lux in (100, 1))
    assert circuit.best_divider_ohm(lit, dark) == pytest.approx(15_000)


@pytest.mark.property
@given(st.floats(10, 1e5), st.floats(1.1, 1000))
def test_best_divider_beats_a_sweep(light_ohm, ratio):
    """Brute force: no fixed resistor of a fine sweep gives a larger swing."""
    dark_ohm = light_ohm * ratio
    sweep = np.geomspace(light_ohm / 10, dark_ohm * 10, 2001)
    swings = sweep / (sweep + light_ohm) - sweep / (sweep + dark_ohm)
    best = circuit.best_divider_ohm(light_ohm, dark_ohm)
    swing = circuit.divider_v(1, light_ohm, best) - circuit.divider_v(1, dark_ohm, best)
    assert swing >= swings.max() - 1e-12
    assert swing == pytest.approx(swings.max(), abs=1e-4)


def test_inverse_square():  # 100 lx at 0.1 m, three times as far: a ninth
    assert circuit.illuminance_at_lux(100, 100, 300) == pytest.approx(11.111, abs=5e-4)


@pytest.mark.property
@given(GAMMA, st.floats(20, 100), st.floats(1.2, 5), st.floats(50, 5000), st.floats(0.01, 2))
def test_gamma_from_two_distances_undoes_the_sensor_law(gamma, near_mm, ratio, r10, stray_lux):
    """A lamp of 400 lx at 50 mm, seen through law and inverse square, gives gamma back."""
    dark, dim = [], []
    for distance_mm in (near_mm, near_mm * ratio):
        lux = circuit.illuminance_at_lux(400, 50, distance_mm)
        dark += [distance_mm, sensor_ohm(lux, r10, gamma)]
        dim += [distance_mm, sensor_ohm(lux + stray_lux, r10, gamma)]
    assert circuit.gamma_from_distances(*dark) == pytest.approx(gamma)
    covered_ohm = sensor_ohm(stray_lux, r10, gamma)
    assert circuit.gamma_from_distances(*dim, covered_ohm) == pytest.approx(gamma, rel=1e-6)


@pytest.mark.property
@given(st.floats(5, 400), st.floats(20, 300))
def test_disc_against_adding_up_its_rings(distance_mm, across_mm):
    """Brute force: each ring of a Lambertian disc sends cos^4/d^2 of its area (textbook)."""
    radius_mm = np.linspace(0, across_mm / 2, 4001)
    slant2 = distance_mm**2 + radius_mm**2
    rings = 2 * np.pi * radius_mm * distance_mm**2 / slant2**2
    summed = float(np.sum((rings[1:] + rings[:-1]) / 2) * (radius_mm[1] - radius_mm[0]))
    law = np.pi * (across_mm / 2) ** 2 / circuit.disc_distance_mm(distance_mm, across_mm) ** 2
    assert summed == pytest.approx(law, rel=1e-3)


def test_disc_is_within_one_percent_of_a_point_from_five_sizes_on():
    """The photometrists' five-times rule: the error is then 1 %."""
    assert (circuit.disc_distance_mm(500, 100) / 500) ** 2 == pytest.approx(1.01, abs=1e-3)


@pytest.mark.property
@given(GAMMA, st.floats(50, 5000), st.floats(3, 1000), st.floats(0.2, 5))
def test_moving_the_sensor_and_back(gamma, lit_ohm, contrast, move):
    covered_ohm = lit_ohm * contrast
    moved = circuit.moved_ohm(lit_ohm, 60, 60 * move, gamma, covered_ohm)
    assert moved <= covered_ohm * (1 + 1e-9)
    assert (moved > lit_ohm) == (move > 1) or moved == pytest.approx(lit_ohm)
    if moved < covered_ohm * 0.99:
        back = circuit.distance_for_ohm_mm(moved, lit_ohm, 60, gamma, covered_ohm)
        assert back == pytest.approx(60 * move, rel=1e-6)


def test_moving_in_a_dark_room_is_a_plain_power_law():  # R2/R1 = (d2/d1)^(2 gamma), by hand
    assert circuit.moved_ohm(500, 50, 100, 0.7) == pytest.approx(500 * 2**1.4)


def test_crossing_time_of_a_small_step_is_the_first_order_form():
    """gamma 1 makes light and conductance one: 63.2 % of the step takes one tau (textbook)."""
    level = 1 / (1 / 1000 + (1 - math.exp(-1)) * (1 / 100 - 1 / 1000))
    assert circuit.crossing_s(1000, 100, level, 1.0, 0.03) == pytest.approx(0.03)


@pytest.mark.property
@given(GAMMA, st.floats(100, 1000), st.floats(5, 100), st.floats(0.05, 0.95))
def test_crossing_time_against_stepping(gamma, lit_ohm, contrast, share):
    """Euler steps of the first-order lag, then the sensor law."""
    covered_ohm = lit_ohm * contrast
    level_ohm = covered_ohm * (lit_ohm / covered_ohm) ** share
    light, end = covered_ohm ** (-1 / gamma), lit_ohm ** (-1 / gamma)
    time_s, tau_s, step_s = 0.0, 0.03, 0.00003
    while light ** (-gamma) > level_ohm:
        light += (end - light) * step_s / tau_s
        time_s += step_s
    found = circuit.crossing_s(covered_ohm, lit_ohm, level_ohm, gamma, tau_s)
    assert found == pytest.approx(time_s, abs=1e-4 + 0.002 * time_s)


def test_crossing_time_ends():
    assert circuit.crossing_s(10_000, 500, 12_000, 0.7, 0.03) == 0  # is past it already
    assert circuit.crossing_s(10_000, 500, 400, 0.7, 0.03) == math.inf  # never gets there


def test_smaller_laws():
    assert circuit.parallel_ohm(1000, 1000) == 500
    assert circuit.time_constant_s(10_000, 1e-6) == pytest.approx(0.010)  # 10 kohm, 1 uF by hand
    assert circuit.sink_current_a(0.005, 0.5) == pytest.approx(0.0025)  # CTR 50 % by definition


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: circuit.preferred_ohm(0), "wanted_ohm"),
        (lambda: circuit.gamma_from_distances(50, 100, 50, 200), "nearer"),
        (lambda: circuit.distance_for_ohm_mm(20_000, 500, 50, 0.7, 10_000), "covered_ohm"),
        (lambda: circuit.crossing_s(100, 100, 100, 0.7, 0.03), "differ"),
    ],
)
def test_numbers_without_meaning_are_refused(call, word):
    with pytest.raises(ValueError, match=word):
        call()
