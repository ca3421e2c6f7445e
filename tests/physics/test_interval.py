"""Interval timer against counting on a grid of phases; cards by arithmetic."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from capturehook.physics import interval


# Geometry of intervals by hand: every 3 s, exposure 0.5 s, stops of 2, 5 and 3.5 s.
@pytest.mark.parametrize(
    ("still_s", "chance", "mean"), [(2, 0.5, 0.5), (5, 1, 1.5), (3.5, 1, 1.0), (0.3, 0, 0)]
)
def test_timer_every_3_s(still_s, chance, mean):
    assert interval.frame_chance(still_s, 0.5, 3) == pytest.approx(chance)
    assert interval.mean_frames(still_s, 0.5, 3) == pytest.approx(mean)


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
    assert interval.mean_frames(still_s, exposure_s, interval_s) == pytest.approx(
        float(np.mean(frames)), abs=1e-3
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


@pytest.mark.property
@settings(max_examples=60)
@given(st.floats(0.3, 0.99), st.floats(1, 6), st.floats(0.01, 0.25), st.integers(3, 30))
def test_longest_miss_run_against_walking_the_phase(chance, interval_s, share, laps):
    """Brute force: step the phase through many laps and count misses in a row."""
    steps = (1 - chance) / share
    assume(abs(steps - round(steps)) > 1e-6)  # at a tie rounding decides, not geometry
    period_s = laps * interval_s + share * interval_s
    phase = np.mod(np.arange(20_000) * period_s, interval_s)
    missed = phase >= chance * interval_s
    edges = np.flatnonzero(np.diff(np.concatenate(([0], missed.view(np.int8), [0]))))
    longest = int(np.max(edges[1::2] - edges[::2], initial=0))
    found = interval.longest_miss_run(chance, interval_s, period_s)
    assert longest <= found <= longest + 1


def test_longest_miss_run_ends():
    assert interval.longest_miss_run(1.0, 3, 40) == 0
    assert interval.longest_miss_run(0.5, 3, 30) == math.inf  # the phase never moves
    assert interval.longest_miss_run(0.1, 3, 31) == math.inf  # a step jumps over all good phases
    assert interval.longest_miss_run(0.5, 3, 30.01) == 150  # 1.5 s of bad phase by 0.01 s, by hand


# Arithmetic: 64 GB of 25 MB files; usable share 0.93 is common practice, no source.
@pytest.mark.parametrize(("usable", "frames"), [(1.0, 2560), (0.93, 2380)])
def test_card_frames(usable, frames):
    assert interval.card_frames(64, 25, usable) == frames


def test_numbers_without_meaning_are_refused():
    with pytest.raises(ValueError, match="interval_s"):
        interval.frame_chance(2, 0.5, 0)
    with pytest.raises(ValueError, match="chance"):
        interval.longest_miss_run(1.5, 3, 30)
    with pytest.raises(ValueError, match="card_gb"):
        interval.card_frames(64, 0)
