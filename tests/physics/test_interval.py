"""Interval timer against counting on a grid of phases; cards by arithmetic."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.physics import interval


# Geometry of intervals by hand: every 3 s, exposure 0.5 s, stops of 2, 5 and 3.5 s.
@pytest.mark.parametrize(("still_s", "chance"), [(2, 0.5), (5, 1), (3.5, 1), (0.3, 0)])
def test_timer_every_3_s(still_s, chance):
    assert interval.frame_chance(still_s, 0.5, 3) == pytest.approx(chance)


def _frames_on_a_grid(still_s, exposure_s, interval_s, phases=4001):
    """Whole exposures within [0, still_s] for evenly spread first starts in [0, I)."""
    first = (np.arange(phases) + 0.5) / phases * interval_s
    room = still_s - exposure_s - first
    return np.where(room >= 0, np.floor(room / interval_s) + 1, 0)


@pytest.mark.property
@settings(max_examples=60)
@given(st.floats(0, 20), st.floats(0.01, 2), st.floats(0.5, 10))
def test_chance_and_mean_against_a_grid_of_phases(still_s, exposure_s, interval_s):
    frames = _frames_on_a_grid(still_s, exposure_s, interval_s)
    assert interval.frame_chance(still_s, exposure_s, interval_s) == pytest.approx(
        float(np.mean(frames > 0)), abs=1e-3
    )


@pytest.mark.property
@given(st.floats(0.01, 2), st.floats(0.5, 10), st.integers(1, 4))
def test_sure_stop_holds_its_frames_at_any_phase_and_a_shorter_one_does_not(
    exposure_s, interval_s, frames
):
    sure_s = interval.sure_still_s(exposure_s, interval_s, frames)
    assert _frames_on_a_grid(sure_s, exposure_s, interval_s).min() >= frames
    shorter = sure_s - 0.01 * interval_s
    assert _frames_on_a_grid(shorter, exposure_s, interval_s).min() < frames
    assert interval.sure_interval_s(sure_s, exposure_s, frames) == pytest.approx(interval_s)


def test_jitter_takes_from_the_stop():
    assert interval.sure_still_s(0.5, 3, jitter_s=0.3) == pytest.approx(3.8)
    assert interval.sure_interval_s(0.4, 0.5) == 0


@pytest.mark.parametrize("still_s", [0.4, 2.0, 3.2, 3.4, 3.5, 3.6, 3.7, 3.8])
def test_chance_with_jitter_against_a_shaken_timer(still_s):
    """Brute force: 200,000 starts 3 s apart, each off by up to 0.15 s, against random stops."""
    dice = np.random.default_rng(6)
    starts = 3.0 * np.arange(200_000) + dice.uniform(-0.15, 0.15, 200_000)
    stops = dice.uniform(10, 599_900, 100_000)
    caught = starts[np.searchsorted(starts, stops)] + 0.5 <= stops + still_s
    chance = interval.frame_chance(still_s, 0.5, 3.0, jitter_s=0.3)
    assert chance == pytest.approx(float(caught.mean()), abs=0.005)


def test_chance_with_jitter_where_an_interval_just_fits_by_hand():
    """w = I: none fits for E[max(0, J T)] = J/6 of each interval, 0.3/6/3."""
    assert interval.frame_chance(3.5, 0.5, 3.0, jitter_s=0.3) == pytest.approx(1 - 0.3 / 18)


# Arithmetic: 64 GB of 25 MB files; usable share 0.93 is common practice, no source.
@pytest.mark.parametrize(("usable", "frames"), [(1.0, 2560), (0.93, 2380)])
def test_card_frames(usable, frames):
    assert interval.card_frames(64, 25, usable) == frames


def test_numbers_without_meaning_are_refused():
    with pytest.raises(ValueError, match="interval_s"):
        interval.frame_chance(2, 0.5, 0)
    with pytest.raises(ValueError, match="card_gb"):
        interval.card_frames(64, 0)
