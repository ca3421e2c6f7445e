"""Marked exposure times against the APEX series, Tv = n/3 (D. Kerr, "APEX"; worked to 5 digits)."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.model.profile import Camera
from capturehook.model.shutter import SHUTTERS, shutter_seconds, true_shutter_s

TRUE_MS = {
    "1/500": 1.9531, "1/125": 7.8125, "1/100": 9.8431, "1/60": 15.625, "1/50": 19.686,
    "1/40": 24.803, "1/30": 31.25, "1/25": 39.373, "1/20": 49.606, "1/15": 62.5, "1/13": 78.745,
    "1/10": 99.213, "0.3": 314.98, "0.8": 793.7, "1.3": 1259.9, "2.5": 2519.8, "10": 10079,
    "13": 12699, "15": 16000, "20": 20159, "25": 25398, "30": 32000,
}  # fmt: skip


@pytest.mark.parametrize(("marked", "true_ms"), TRUE_MS.items())
def test_mark_is_its_power_of_two(marked, true_ms):
    assert true_shutter_s(shutter_seconds(marked)) * 1000 == pytest.approx(true_ms, rel=5e-5)


def test_marks_are_third_stops_one_after_the_other():
    times = [true_shutter_s(shutter_seconds(one)) for one in SHUTTERS]
    assert [later / one for one, later in itertools.pairwise(times)] == pytest.approx(
        [2 ** (1 / 3)] * (len(times) - 1)
    )


@pytest.mark.property
@given(st.floats(1e-5, 4000))
def test_a_time_that_is_no_mark_stays(seconds):
    marks = [shutter_seconds(one) for one in SHUTTERS]
    near = any(abs(mark - seconds) <= 0.0201 * mark for mark in marks)
    assert near or true_shutter_s(seconds) == seconds


def test_the_profile_says_which_time_it_states():
    assert Camera(exposure_ms=16.7).open_ms == pytest.approx(15.625)
    assert Camera(exposure_ms=16.7, exposure_is="true").open_ms == 16.7
    assert Camera(exposure_ms=280.0).open_ms == 280.0  # a phone's own figure
