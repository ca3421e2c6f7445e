"""Shifts between pictures; held against scikit-image's registration."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation

from capturehook.frames.shift import shift_of
from tests.frames.shoot import background


def test_shift_of_noise_rolled_by_whole_pixels_is_that_roll():
    # Kuglin and Hines 1975: a cyclic shift gives one peak at its place.
    noise = np.random.default_rng(1).normal(size=(64, 64))
    shift = shift_of(noise, np.roll(noise, (5, -7), (0, 1)))
    assert (shift.dy_px, shift.dx_px) == pytest.approx((5, -7), abs=0.05)
    assert shift.peak > 0.6


@pytest.mark.parametrize(("dx", "dy"), [(3.4, 0.0), (-2.7, 0.3), (0.0, 0.0), (5.5, -7.25)])
def test_shift_agrees_with_scikit_image_and_with_the_truth(dx, dy):
    reference, moved = background(), background(dx, dy)
    ours = shift_of(reference, moved)
    theirs = phase_cross_correlation(moved, reference, upsample_factor=50)[0]
    assert (ours.dx_px, ours.dy_px) == pytest.approx((dx, dy), abs=0.1)
    assert (ours.dy_px, ours.dx_px) == pytest.approx(tuple(theirs), abs=0.35)


def test_shift_ignores_exposure_and_survives_noise():
    rng = np.random.default_rng(5)
    moved = 0.4 * background(2.25, -1.5) + 0.1 + rng.normal(0, 0.02, (120, 160))
    shift = shift_of(background(), moved)
    assert (shift.dx_px, shift.dy_px) == pytest.approx((2.25, -1.5), abs=0.1)


def test_shift_of_unrelated_pictures_has_a_low_peak():
    rng = np.random.default_rng(2)
    first, second = rng.normal(size=(2, 64, 64))
    assert shift_of(first, second).peak < 0.3 < shift_of(first, first).peak


@pytest.mark.property
@settings(max_examples=15, deadline=None)
@given(st.floats(-8, 8), st.floats(-8, 8))
def test_shift_there_and_back_cancel(dx, dy):
    there = shift_of(background(), background(dx, dy))
    back = shift_of(background(dx, dy), background())
    assert (there.dx_px, there.dy_px) == pytest.approx((dx, dy), abs=0.15)
    assert (there.dx_px + back.dx_px, there.dy_px + back.dy_px) == pytest.approx((0, 0), abs=0.02)
