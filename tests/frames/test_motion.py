"""Motions between pictures; held against the truth and scikit-image's registration."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation

from capturehook.frames.motion import LOST, Tracker, matrix_of, warp_back
from tests.frames.shoot import background


def codes(*place, light=1.0, noise=0.8, seed=0):
    grey = light * (40 + 170 * background(*place))
    rng = np.random.default_rng(seed)
    return np.clip(grey + rng.normal(0, noise, grey.shape), 0, 255).astype(np.uint8)


TRACKER = Tracker(codes())


@pytest.mark.parametrize(("dx", "dy"), [(3.4, 0.0), (-2.7, 0.3), (0.0, 0.0), (5.5, -7.25)])
def test_shift_agrees_with_scikit_image_and_with_the_truth(dx, dy):
    moved = codes(dx, dy, seed=4)
    motion = TRACKER.follow(moved)
    assert (motion.dx_px, motion.dy_px) == pytest.approx((dx, dy), abs=0.05)
    theirs = phase_cross_correlation(moved, codes(), upsample_factor=50)[0]
    assert (motion.dy_px, motion.dx_px) == pytest.approx(tuple(theirs), abs=0.35)


@pytest.mark.parametrize("turn_deg", [-1.5, 0.2, 1.0])
def test_turn_is_measured_about_the_pivot(turn_deg):
    motion = TRACKER.follow(codes(0, 0, turn_deg, seed=2))
    assert motion.turn_deg == pytest.approx(turn_deg, abs=0.02)
    # Turned about the middle of the picture, its middle stays.
    assert matrix_of(motion, TRACKER.pivot) @ (80, 60, 1) == pytest.approx((80, 60), abs=0.05)


def test_light_does_not_matter_and_noise_hardly():
    motion = TRACKER.follow(codes(2.25, -1.5, light=0.4, noise=1.5, seed=9))
    assert (motion.dx_px, motion.dy_px) == pytest.approx((2.25, -1.5), abs=0.1)


def test_unrelated_or_empty_pictures_are_lost():
    rng = np.random.default_rng(2)
    assert not TRACKER.follow(rng.integers(0, 255, (120, 160)).astype(np.uint8)).known
    assert not TRACKER.follow(np.full((120, 160), 90, np.uint8)).known
    assert Tracker(np.full((120, 160), 90, np.uint8)).follow(codes()) == LOST


@pytest.mark.property
@settings(max_examples=15, deadline=None)
@given(st.floats(-8, 8), st.floats(-8, 8), st.floats(-1, 1))
def test_picture_laid_back_lies_on_the_reference(dx, dy, turn_deg):
    moved = codes(dx, dy, turn_deg, noise=0)
    laid = warp_back(moved, matrix_of(TRACKER.follow(moved), TRACKER.pivot)).astype(float)
    unlike = np.abs(laid - codes(noise=0))[20:-20, 20:-20]
    assert np.median(unlike) < 3
