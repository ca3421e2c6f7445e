"""Coils, servos, timers and headset resistors against worked values; the source is beside each."""

import math

import pytest

from capturehook.physics import circuit, coils

WORKED = [
    # Android 3.5 mm headset accessory specification, its formula; 139 ohm is its own example
    (coils.headset_resistor_ohm(135, 5000), 138.7),
    (coils.headset_resistor_ohm(240, 5000), 252.1),
    (coils.headset_resistor_ohm(470, 5000), 518.8),
    # the same bias, a transistor that keeps 0.1 V: neither volume up (240) nor play (0)
    (coils.seen_through_drop_ohm(240, 0.1), 356.2),
    (coils.seen_through_drop_ohm(0, 0.1), 104.8),
    (coils.seen_through_drop_ohm(240, 0.0), 240.0),
    # Omron G5V-1, 12 V coil: 1.63 H, 960 ohm, must release at 10 %
    (coils.coil_fall_s(1.63, 960, 0.0125, 0.00125, 0.7), 3.226e-3),
    (coils.coil_fall_s(1.63, 960, 0.0125, 0.00125, 12.7), 0.9762e-3),
    (1.63 / 960, 1.698e-3),
    (coils.hot_share(65), 1.255),
    (coils.hot_force_share(65), 0.6345),
    (coils.reservoir_f(0.556, 12, 8), 13.9e-3),
    (coils.servo_pulse_ms(30), 1.8333),
    (coils.servo_move_s(30, 0.12), 0.080),
    (coils.horn_force_n(1.8, 15), 11.77),
    # TLC555 datasheet, t = 1.1 R C
    (coils.one_shot_s(270e3, 10e-6), 2.97),
    (coils.one_shot_s(680e3, 10e-6), 7.48),
    (coils.one_shot_s(100e3, 2.2e-6), 0.242),
    (coils.largest_timing_ohm(5, 0.5e-6), 333.3e3),
    (coils.hysteresis_v(5, 10e3, 470e3), 0.1042),
    # opto and relay resistors (Ohm, Joule)
    (circuit.led_resistor_ohm(24, 1.2, 0.01), 2280),
    (circuit.resistor_power_w(2200, 22.8 / 2200), 0.2363),
    (circuit.led_resistor_ohm(24, 12, 0.0125), 960),
]


@pytest.mark.parametrize(("found", "worked"), WORKED)
def test_value_is_the_worked_one(found, worked):
    assert found == pytest.approx(worked, rel=1e-3)


def test_a_one_shot_runs_for_ln_3_time_constants():
    """Charging to 2/3 of the supply: e^(-t/RC) = 1/3."""
    assert pytest.approx(math.log(3), rel=2e-3) == coils.LEVEL


def test_coil_fall_agrees_with_small_steps():
    """L di/dt = -R i - V, by Euler in steps of 0.1 us."""
    current, seconds = 0.0125, 0.0
    while current > 0.00125:
        current -= (960 * current + 0.7) / 1.63 * 1e-7
        seconds += 1e-7
    assert coils.coil_fall_s(1.63, 960, 0.0125, 0.00125, 0.7) == pytest.approx(seconds, rel=1e-3)
