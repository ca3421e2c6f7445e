"""Settling against textbook forms and against the equation of motion, integrated by scipy."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from capturehook.physics import settling

FREQUENCY = st.floats(3, 80)
DAMPING = st.floats(0.02, 0.4)


# ln(A0/eps)/(zeta w) by hand; third: a light tripod, fourth: f 25 Hz stopped at 3000 mm/s2.
@pytest.mark.parametrize(
    ("frequency_hz", "damping", "start_mm", "still_mm", "seconds"),
    [
        (30, 0.1, 0.5, 0.02, 0.170767),
        (15, 0.05, 1, 0.05, 0.635714),
        (8, 0.03, 0.1, 0.01, 1.527),
        (25, 0.1, 0.2432, 0.02, 0.159),
    ],
)
def test_settle_time(frequency_hz, damping, start_mm, still_mm, seconds):
    found = settling.settle_time_s(start_mm, still_mm, frequency_hz, damping)
    assert found == pytest.approx(seconds, abs=6e-7 if seconds in (0.170767, 0.635714) else 6e-4)


def test_two_percent_rule():  # textbook: ln 50 = 3.912 over zeta w
    assert settling.settle_time_s(1, 0.02, 1 / (2 * math.pi), 0.5) == pytest.approx(
        3.912 / 0.5, rel=1e-4
    )


def test_settle_time_of_something_still_is_zero():
    assert settling.settle_time_s(0.01, 0.02, 30, 0.1) == 0


@pytest.mark.parametrize(("damping", "decrement"), [(0.1, 0.631484), (0.05, 0.314553)])
def test_log_decrement(damping, decrement):  # 2 pi zeta/sqrt(1 - zeta^2), by hand
    assert settling.log_decrement(damping) == pytest.approx(decrement, abs=5e-7)


def test_damping_from_a_ratio_of_0_6_a_cycle():  # ln(1/0.6) = 0.510826, by hand
    assert settling.damping_from_peaks(1, 0.6) == pytest.approx(0.081033, abs=5e-7)


@pytest.mark.parametrize(("frequency_hz", "lag_mm"), [(30, 0.084434), (15, 0.337738)])
def test_start_amplitude_at_3000_mm_s2(frequency_hz, lag_mm):  # a/w^2, by hand
    assert settling.start_amplitude_mm(3000, frequency_hz) == pytest.approx(lag_mm, abs=1e-6)


def test_ringing_frequency_worked_example():
    """Klipper documentation, Resonance compensation: 100 mm/s, 6 waves in 12.14 mm, ~49.4 Hz."""
    assert settling.ringing_frequency_hz(100, 6, 12.14) == pytest.approx(49.42, abs=5e-3)


def test_zero_vibration_impulses():
    """f 40 Hz, zeta 0.1 by the form in the Klipper source (shaper_defs): K is 0.729248."""
    first, second, delay_s = settling.zero_vibration_impulses(40, 0.1)
    assert second / first == pytest.approx(0.729248, abs=5e-7)
    assert (first, second) == (pytest.approx(0.578286, abs=5e-7), pytest.approx(0.421714, abs=5e-7))
    assert delay_s == pytest.approx(0.0125630, abs=5e-8)


def _swing(frequency_hz, damping, x0, v0, times_s):
    """x'' + 2 zeta w x' + w^2 x = 0, by numbers."""
    w = 2 * math.pi * frequency_hz
    solved = solve_ivp(
        lambda _, y: [y[1], -2 * damping * w * y[1] - w * w * y[0]],
        (0, times_s[-1]),
        [x0, v0],
        t_eval=times_s,
        rtol=1e-9,
        atol=1e-12,
    )
    return solved.y


@pytest.mark.property
@settings(max_examples=15)
@given(FREQUENCY, DAMPING)
def test_envelope_and_decrement_against_the_equation_of_motion(frequency_hz, damping):
    period_s = 1 / (frequency_hz * math.sqrt(1 - damping**2))
    x, _ = _swing(frequency_hz, damping, 1.0, 0.0, np.linspace(0, 3 * period_s, 61))
    assert x[0] / x[20] == pytest.approx(math.exp(settling.log_decrement(damping)), rel=1e-5)
    assert settling.damping_from_peaks(x[0], x[40], 2) == pytest.approx(damping, rel=1e-4)
    envelope = settling.amplitude_mm(
        1 / math.sqrt(1 - damping**2), frequency_hz, damping, 3 * period_s
    )
    assert abs(x[60]) <= envelope * (1 + 1e-6)
    assert abs(x[60]) == pytest.approx(
        settling.amplitude_mm(1, frequency_hz, damping, 3 * period_s), rel=1e-4
    )


@pytest.mark.property
@settings(max_examples=15)
@given(FREQUENCY, DAMPING)
def test_two_impulses_leave_no_swing(frequency_hz, damping):
    """Singer and Seering's condition: the two responses cancel after the second impulse."""
    first, second, delay_s = settling.zero_vibration_impulses(frequency_hz, damping)
    x, v = _swing(frequency_hz, damping, 0.0, first, np.array([0.0, delay_s]))
    w = 2 * math.pi * frequency_hz
    assert abs(x[-1]) * w < 1e-5
    assert v[-1] + second == pytest.approx(0, abs=1e-5)


@pytest.mark.property
@given(st.floats(0.03, 5), st.floats(0.001, 0.02), FREQUENCY, DAMPING)
def test_amplitude_at_the_settle_time_is_still(start_mm, still_mm, frequency_hz, damping):
    after_s = settling.settle_time_s(start_mm, still_mm, frequency_hz, damping)
    assert settling.amplitude_mm(start_mm, frequency_hz, damping, after_s) == pytest.approx(
        still_mm
    )


@pytest.mark.property
@settings(max_examples=40)
@given(st.floats(1, 60), st.floats(0.001, 0.1))
def test_swing_is_the_worst_window_of_a_sine(frequency_hz, exposure_s):
    """Brute force: peak to peak of a sine in windows at 200 phases."""
    inside = np.linspace(0, exposure_s, 400)
    phases = np.linspace(0, 2 * math.pi, 201)[:, None]
    waves = 0.3 * np.sin(2 * math.pi * frequency_hz * inside + phases)
    worst = float(np.max(np.ptp(waves, axis=1)))
    assert settling.swing_mm(0.3, frequency_hz, exposure_s) == pytest.approx(worst, abs=2e-3)


@pytest.mark.parametrize(
    "call",
    [
        lambda: settling.log_decrement(1.0),
        lambda: settling.settle_time_s(0.5, 0, 30, 0.1),
        lambda: settling.damping_from_peaks(0.6, 1),
        lambda: settling.amplitude_mm(1, 0, 0.1, 1),
        lambda: settling.ringing_frequency_hz(100, 6, 0),
    ],
)
def test_numbers_without_meaning_are_refused(call):
    with pytest.raises(ValueError, match=r"must|peaks"):
        call()
