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
def test_envelope_against_the_equation_of_motion(frequency_hz, damping):
    period_s = 1 / (frequency_hz * math.sqrt(1 - damping**2))
    x, _ = _swing(frequency_hz, damping, 1.0, 0.0, np.linspace(0, 3 * period_s, 61))
    envelope = settling.amplitude_mm(
        1 / math.sqrt(1 - damping**2), frequency_hz, damping, 3 * period_s
    )
    assert abs(x[60]) <= envelope * (1 + 1e-6)
    assert abs(x[60]) == pytest.approx(
        settling.amplitude_mm(1, frequency_hz, damping, 3 * period_s), rel=1e-4
    )


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
        lambda: settling.settle_time_s(0.5, 0, 30, 0.1),
        lambda: settling.amplitude_mm(1, 0, 0.1, 1),
    ],
)
def test_numbers_without_meaning_are_refused(call):
    with pytest.raises(ValueError, match="must"):
        call()
