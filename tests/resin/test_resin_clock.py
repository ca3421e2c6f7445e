"""Two readings of a clock: the constant of each layer, exposures untouched.

Checked against a printer simulated here layer by layer in plain Python, apart from the code.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from resin_jobs import bar, command_text, write_command_job

from capturehook.errors import CaptureHookError
from capturehook.model.resin import ResinTable, Stage
from capturehook.model.resin_job import PHASES, ResinJob
from capturehook.resin.clock import Reading, calibrated
from capturehook.resin.job import job_of_table, read_job

TABLE = ResinTable(layers=60, bottom_layers=5, bottom_exposure_s=30, transition_layers=4)
CYCLE_S = 1.0 + 6.0 + 2.4
"""Rest before the light, 6 mm at 60 mm/min, 6 mm at 150 mm/min."""


def simulated_on_s(startup_s: float, extra_s: float) -> list[float]:
    """When a printer lights each layer: 30 s five times, a fade, 2.5 s."""
    on, now = [], startup_s
    for layer in range(60):
        light = 30.0 if layer < 5 else max(2.5, 30.0 - 27.5 * (layer - 4) / 5)
        on.append(now + 1.0)
        now += CYCLE_S + light + extra_s
    return on


def job() -> ResinJob:
    return job_of_table(TABLE, "tern")


def test_readings_of_a_slower_printer_give_its_constant_and_its_start() -> None:
    """0.62 s lost in each layer, 95 s of homing; read at layers 12 and 52."""
    on_s = simulated_on_s(95.0, 0.62)
    found, told = calibrated(job(), Reading(12, on_s[11]), Reading(52, on_s[51]))
    assert told.layer_s == pytest.approx(0.62)
    assert told.startup_s == pytest.approx(95.0)
    assert told.within_s == pytest.approx(2**0.5 / 40)
    np.testing.assert_allclose(found.timeline.light_on_s, on_s, atol=1e-6)
    light_s = found.timeline.flash_off_s - found.timeline.flash_on_s
    np.testing.assert_allclose(light_s, job().timeline.phase_s[:, 2])
    assert found.timeline.total_s == pytest.approx(95 + job().timeline.total_s + 60 * 0.62)
    at_top = found.timeline.plate_mm(found.timeline.flash_off_s + 6.0)
    np.testing.assert_allclose(at_top, found.timeline.z_mm + 6.0, atol=1e-6)


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(
    extra_s=st.floats(-6.0, 9.0),
    startup_s=st.floats(0, 600),
    first=st.integers(1, 59),
    second=st.integers(1, 60),
)
def test_readings_are_met_and_exposures_kept(
    extra_s: float, startup_s: float, first: int, second: int
) -> None:
    """Rule: both readings come out as read, no exposure changes, time never runs back."""
    if first == second:
        return
    on_s = simulated_on_s(startup_s, extra_s)
    before = job().timeline
    found, told = calibrated(
        job(), Reading(second, on_s[second - 1]), Reading(first, on_s[first - 1])
    )
    timeline = found.timeline
    if extra_s >= 0:
        np.testing.assert_allclose(timeline.light_on_s, on_s, atol=1e-6)
    for layer in (first, second):
        assert timeline.light_on_s[layer - 1] == pytest.approx(on_s[layer - 1], abs=2.1)
    assert told.layer_s == pytest.approx(extra_s, abs=1e-6)
    np.testing.assert_allclose(
        timeline.flash_off_s - timeline.flash_on_s, before.flash_off_s - before.flash_on_s
    )
    light = PHASES.index("light")
    np.testing.assert_allclose(timeline.phase_s[:, light], before.phase_s[:, light])
    assert (np.diff(timeline.knot_s) >= -1e-6).all()


@pytest.mark.parametrize(
    ("readings", "found"),
    [
        ((Reading(5, 100), Reading(5, 200)), "names layers 5 and 5 of 60"),
        ((Reading(1, 100), Reading(61, 2000)), "names layers 1 and 61 of 60"),
        ((Reading(20, 1000), Reading(40, 1045)), "of its 9.4 s of dark: the readings do not fit"),
        ((Reading(20, 30), Reading(40, 700)), "less than its layers take from the start"),
    ],
)
def test_readings_that_cannot_be_are_refused(readings: tuple[Reading, Reading], found: str) -> None:
    with pytest.raises(CaptureHookError) as caught:
        calibrated(job(), *readings)
    assert found in str(caught.value)


def test_time_of_the_day_is_told() -> None:
    on_s = simulated_on_s(14 * 3600.0, 0.0)
    found, _ = calibrated(job(), Reading(10, on_s[9]), Reading(50, on_s[49]))
    assert [finding.code for finding in found.findings] == ["resin-late-start"]


def test_readings_shift_a_job_of_lines_too(tmp_path: Path) -> None:
    path = write_command_job(tmp_path / "a.zip", command_text(30), [bar(2)] * 30)
    plain = read_job(path, ResinTable())
    on_s = plain.timeline.light_on_s
    found, told = calibrated(plain, Reading(5, on_s[4] + 40), Reading(25, on_s[24] + 50))
    assert told.layer_s == pytest.approx(0.5)
    np.testing.assert_allclose(np.diff(found.timeline.light_on_s), np.diff(on_s) + 0.5, atol=1e-9)


def test_faster_than_two_stages_state_is_taken_from_the_dark() -> None:
    stages = (Stage(mm=3, mm_min=30), Stage(mm=3, mm_min=60))
    slow = job_of_table(TABLE.model_copy(update={"lift": stages}), "tern")  # 9 s up, stated
    on_s = slow.timeline.light_on_s
    quick = [on_s[n] - 2.0 * n + 60 for n in (19, 49)]
    found, told = calibrated(slow, Reading(20, quick[0]), Reading(50, quick[1]))
    assert told.layer_s == pytest.approx(-2.0)
    assert replace(found).timeline.phase_s.min() >= 0
