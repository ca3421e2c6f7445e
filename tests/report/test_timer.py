"""Free-running interval timers against stops."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.model.profile import Camera
from capturehook.physics.interval import frame_chance
from capturehook.report.timer import caught, longest_runs, plan_timer, timer_findings

CAMERA = Camera(interval_s=5.0, exposure_ms=500.0, write_ms=500.0, drift_ppm=0.0)


def test_chance_of_evenly_spread_phases_is_the_share_of_the_interval() -> None:
    """(d - e)/I = (2 - 0.5)/5 = 0.3 (geometry of intervals)."""
    fire_s = np.cumsum(np.random.default_rng(4).uniform(20, 90, 50))
    hits = caught(fire_s, 2.0, 0.5, 5.0, phases=1000)
    assert hits.mean() == pytest.approx(0.3, abs=1e-3)
    assert plan_timer(CAMERA, fire_s, np.full(50, 2.0), 0.0, 3600.0).planned.chance == 0.3


def test_stops_a_whole_number_of_intervals_apart_hit_all_or_none() -> None:
    hits = caught(np.arange(20) * 30.0, 2.0, 0.5, 5.0)
    assert set(hits.sum(axis=1).tolist()) == {0, 20}


def test_drift_turns_all_or_none_into_runs() -> None:
    """1000 ppm over 30 s is 0.03 s of phase a stop: a miss of 3.5 s lasts 3.5/0.03 stops."""
    hits = caught(np.arange(400) * 30.0, 2.0, 0.5, 5.0, drift_ppm=1000)
    runs = longest_runs(~hits)
    assert runs.max() == pytest.approx(3.5 / 0.03, abs=2)


def test_longest_runs_count_neighbours_only() -> None:
    missed = np.array([[1, 1, 0, 1, 1, 1], [0, 0, 0, 0, 0, 0], [1, 0, 1, 0, 1, 0]], bool)
    assert longest_runs(missed).tolist() == [3, 0, 1]


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.1, 3.0),
    st.floats(0.5, 12.0),
    st.floats(0.0, 0.3),
    st.floats(0.0, 200.0),
    st.lists(st.floats(4.0, 100.0), min_size=1, max_size=30),
)
def test_the_time_said_to_be_sure_is_sure_and_half_of_it_is_not(
    exposure_s: float, interval_s: float, jitter_s: float, drift_ppm: float, gaps_s: list[float]
) -> None:
    fire_s = np.cumsum(gaps_s)
    sure_s = exposure_s + jitter_s + interval_s * (1 + drift_ppm * 1e-6)
    every = caught(fire_s, sure_s, exposure_s, interval_s, jitter_s, drift_ppm)
    assert every.all()
    half_s = exposure_s + interval_s / 2
    less = caught(fire_s, half_s, exposure_s, interval_s, jitter_s, drift_ppm, phases=4000)
    assert not less.all()
    chance = frame_chance(half_s, exposure_s, interval_s, jitter_s)
    assert less.mean() == pytest.approx(chance, abs=0.04)


def test_plan_timer_recommends_the_dwell_or_the_interval_that_is_sure() -> None:
    timer = plan_timer(CAMERA, np.arange(30) * 41.0, np.full(30, 2.0), 90.0, 1300.0)
    assert timer.sure_still_s == 5.5
    assert timer.sure_interval_s == 1.5
    assert timer.advice == (
        "stand still 5.50 s (3.50 s longer, 1.8 min in all), or set the timer to 1.50 s or less"
    )
    assert timer.planned.lost_frames == pytest.approx(21)
    assert timer.choices[-1].chance == 1
    assert timer.choices[-1].worst_run == 0
    assert timer.choices[-1].added_s == pytest.approx(90 + 30 * 3.5)
    assert timer.frames_taken == 261
    (finding,) = timer_findings(CAMERA, timer)
    assert finding.code == "timer-misses"
    assert "chance of 30%" in finding.text


def test_plan_timer_does_not_recommend_more_than_the_camera_can_write() -> None:
    slow = CAMERA.model_copy(update={"write_ms": 4800.0})
    timer = plan_timer(slow, np.arange(30) * 41.0, np.full(30, 2.0), 90.0, 1300.0)
    assert timer.sure_interval_s is None
    assert "faster timer is more than the camera can write" in timer.advice
    assert {one.code for one in timer_findings(slow, timer)} == {"timer-too-fast", "timer-misses"}


def test_a_timer_that_is_sure_has_no_finding() -> None:
    timer = plan_timer(CAMERA, np.arange(30) * 41.0, np.full(30, 5.6), 90.0, 1300.0)
    assert timer.planned.chance == 1
    assert not list(timer_findings(CAMERA, timer))
