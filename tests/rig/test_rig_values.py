"""Worked values of the rig that no other test holds; the source is beside each."""

import math

import pytest

from capturehook.catalog.triggers.button_press import closed_ms
from capturehook.model.shutter import shutter_seconds, true_shutter_s
from capturehook.physics import circuit, coils, interval, optics, settling
from capturehook.rig.bracket_switch import SWITCHES, SwitchBracket
from tests.catalog.test_button_press import heron

WORKED = [
    # a lever's over-travel of 1.2 mm, 1.0 mm past the contact: 70 to 100 % is what makers ask
    (1.0 / SWITCHES["19.8-lever"].overtravel_mm, 0.8333),
    # kinematics of the approach: 300 mm/min, 0.5 mm of pretravel, 0.05 mm of spread
    (300 / 60, 5.0),
    (closed_ms(heron(press_share=0.5, hold_ms=0)), 85.0),
    # a release line as measured (doc-diy.net): 3.3 V, 68 uA; a dark opto leaks 0.1 uA
    (3.3 / 68e-6 / 1000, 48.53),
    (0.1e-6 * 3.3 / 68e-6 * 1000, 4.853),
    # PC817 unmarked, CTR 0.5, half of it for age (common practice)
    (circuit.sink_current_a(10.36, 0.25), 2.59),
    # a headset's line with 240 ohm pressed, by the specification's 2.2 V and 2.2 kohm
    (circuit.divider_v(2.2, 2200, 240), 0.2164),
    # CdS law R = R10 (E/10)^-g: 10 kohm at 10 lx are 398.1 ohm at 1000 lx
    (circuit.relative_light(398.1, 0.7) / circuit.relative_light(10_000, 0.7), 100.0),
    # half the thrust of a belt axis, 2 pi T/(z p): 0.4 N m, 20 teeth, 2 mm; told as 31 N
    (round(math.pi * 0.4 / 0.04, 0), SwitchBracket().thrust_n),
    (0.5 * 1.63 * 0.0125**2 * 1000, 0.1273),  # L I^2/2, mJ
    (5 + 0.2 + 50, 55.2),  # relay operate and bounce (G5V-1), camera
    # 127 ticks at 976.56 Hz (Marlin's temperature interrupt on AVR): chopped 7.7 times a second
    (127 / 976.5625 * 1000, 130.0),
    # first-order fall to a twentieth with 30 ms to 37 %
    (circuit.crossing_s(1, 1e9, 20.0, 1.0, 0.03) * 1000, 89.87),
    # APEX: Tv = -log2 t
    (-math.log2(true_shutter_s(shutter_seconds("1/60"))), 6.0),
    # a rectangle's Fourier transform, full ripple
    (optics.flicker_ev(1 / 60, 60), 0.0),
    (optics.flicker_ev(1 / 64, 60), 0.1877),
    (optics.flicker_ev(true_shutter_s(1 / 30), 60), 0.1734),
    (optics.flicker_ev(true_shutter_s(1 / 50), 50), 0.04591),
    (optics.flicker_ev(true_shutter_s(1 / 60), 50), 0.5844),
    (true_shutter_s(30.0) - 30, 2.0),
    (interval.card_frames(15, 25, usable=1.0), 600),
    # kinematics: 4.5 mm at 50 mm/s; 0.2 mm at 50; a streak at 1/250 as marked
    (50 * true_shutter_s(1 / 250), 0.1953),
    # binomial, no failure (Clopper and Pearson)
    (interval.worst_miss_rate(20), 0.1391),
    (interval.worst_miss_rate(59), 0.04951),
    (interval.worst_miss_rate(299), 0.009969),
    (settling.settle_time_s(0.30, 0.02, 20, 0.05), 0.431),
    (coils.reservoir_f(0.556, 12, 8) * 1000, 13.9),
]


@pytest.mark.parametrize(("found", "worked"), WORKED)
def test_value_is_the_worked_one(found, worked):
    assert found == pytest.approx(worked, rel=1.5e-3, abs=1e-9)
