"""Flashes, a sensor and a camera: what fires, what the camera sees, which frames are kept.

The model of sensor and camera (rise, decay, busy time) is common practice, no source; the
expected seconds are worked out beside each case.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from resin_jobs import bar, command_text, settings_text, write_command_job, write_settings_job

from capturehook.model.plan import load_plan
from capturehook.model.profile import Camera, Profile
from capturehook.model.resin import ResinTable, Sensor
from capturehook.model.resin_job import LightTimeline
from capturehook.profile import load_profile
from capturehook.resin.job import job_of_table, read_job
from capturehook.resin.light_events import (
    CAMERA_BUSY,
    FIRES,
    NOT_REARMED,
    TOO_DIM,
    TOO_SHORT,
    judge_flashes,
    lit_between,
)
from capturehook.resin.shoot import plan_shoot
from capturehook.resin.timeline import timeline_of_table

CAMERA = Camera(lag_ms=100, exposure_ms=200, write_ms=700, min_hold_ms=100)
SENSOR = Sensor(min_pulse_ms=50, rearm_ms=300, min_power=0.2)


def layered(table: ResinTable, layers: int) -> ResinTable:
    return table.model_copy(update={"layers": layers})


def with_flashes(spans: list[tuple[float, float]], power: float = 1.0) -> LightTimeline:
    """A timeline of nothing but flashes."""
    on, off = (np.array([span[side] for span in spans], dtype=np.float64) for side in (0, 1))
    plain = timeline_of_table(ResinTable(), len(spans))
    return replace(plain, flash_on_s=on, flash_off_s=off, flash_power=np.full(len(on), power))


@pytest.mark.parametrize(
    ("spans", "power", "expected"),
    [
        ([(0, 2), (5, 7)], 1.0, [FIRES, FIRES]),
        ([(0, 2), (5, 7)], 0.1, [TOO_DIM, TOO_DIM]),
        ([(0, 0.04), (5, 7)], 1.0, [TOO_SHORT, FIRES]),
        # 0.2 s of darkness is less than the 0.3 s in which the contact opens
        ([(0, 2), (2.2, 4), (5, 7)], 1.0, [FIRES, NOT_REARMED, FIRES]),
        # an unseen flash between does not keep the contact closed
        ([(0, 2), (2.1, 2.12), (2.4, 4)], 1.0, [FIRES, TOO_SHORT, FIRES]),
        # fires at 0.05; lag 0.1 + exposure 0.2 + writing 0.7 = busy until 1.05
        ([(0, 0.4), (0.9, 1.3), (1.8, 2.2)], 1.0, [FIRES, CAMERA_BUSY, FIRES]),
        ([(0, 0.4), (1.0, 1.4)], 1.0, [FIRES, FIRES]),
    ],
)
def test_flashes_are_judged(
    spans: list[tuple[float, float]], power: float, expected: list[int]
) -> None:
    events = judge_flashes(with_flashes(spans, power), SENSOR, CAMERA)
    assert events.outcome.tolist() == expected


def test_flashes_that_run_together_fire_at_their_last_end_with_light_off() -> None:
    sensor = SENSOR.model_copy(update={"edge": "light-off", "delay_ms": 1000.0})
    events = judge_flashes(with_flashes([(0, 2), (2.2, 4), (9, 11)]), sensor, CAMERA)
    assert events.outcome.tolist() == [NOT_REARMED, FIRES, FIRES]
    # off + decay 0.3 + delay 1.0
    np.testing.assert_allclose(events.fire_s[1:], [5.3, 12.3])


def test_flash_too_short_for_the_camera_is_told() -> None:
    """Closed for 0.06 - 0.05 + 0.3 = 0.31 s: enough for 0.3 s of hold, not for 0.4 s."""
    for hold_ms, outcome in ((300, FIRES), (400, TOO_SHORT)):
        camera = CAMERA.model_copy(update={"min_hold_ms": float(hold_ms)})
        events = judge_flashes(with_flashes([(0, 0.06)]), SENSOR, camera)
        assert events.outcome.tolist() == [outcome]


def test_lit_between_sees_any_moment_of_light() -> None:
    timeline = with_flashes([(1, 2), (5, 6)])
    spans = np.array([(0, 0.9), (0, 1.1), (1.2, 1.3), (1.9, 3), (2, 5), (2, 5.1), (6, 9)])
    expected = [False, True, True, True, False, True, False]
    assert lit_between(timeline, spans[:, 0], spans[:, 1]).tolist() == expected


@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(
    gaps=st.lists(st.tuples(st.floats(0.01, 3), st.floats(0.01, 3)), min_size=1, max_size=25),
    edge=st.sampled_from(["light-on", "light-off"]),
)
def test_frames_are_never_nearer_than_the_camera_can_take_them(
    gaps: list[tuple[float, float]], edge: str
) -> None:
    """Rule: two frames stand at least lag + exposure + writing apart; the first flash that is
    long enough always fires at light-on; with no write time, decay or lag all long ones fire."""
    times = np.cumsum(np.array(gaps).ravel())
    timeline = with_flashes([(a, b) for a, b in times.reshape(-1, 2).tolist()])
    sensor = SENSOR.model_copy(update={"edge": edge})
    events = judge_flashes(timeline, sensor, CAMERA)
    assert (np.diff(events.fire_s[events.fires]) >= 1.0 - 1e-9).all()
    length = timeline.flash_off_s - timeline.flash_on_s
    if edge == "light-on" and (length >= 0.05).any():
        assert events.outcome[np.argmax(length >= 0.05)] == FIRES
    quick = CAMERA.model_copy(
        update={"lag_ms": 0.0, "write_ms": 0.0, "exposure_ms": 0.001, "min_hold_ms": 0.0}
    )
    eager = sensor.model_copy(update={"rearm_ms": 0.0})
    assert (judge_flashes(timeline, eager, quick).fires == (length >= 0.05)).all()


@pytest.fixture(scope="module")
def tern() -> Profile:
    return load_profile("tern")


def resin(profile: Profile) -> ResinTable:
    assert profile.resin is not None
    return profile.resin


def test_shoot_of_a_commands_job_counts_by_hand(tern: Profile, tmp_path: Path) -> None:
    """40 layers of 1 mm, lift 6: seen where z + 6 > 35, so from layer 30; 29 hidden, 11 left.

    The screen test fires too: 41 frames. Every 3rd of 11, the last among them, is
    ceil(11 / 3) = 4: layers 31, 34, 37, 40, which are frames 32, 35, 38, 41 on the card.
    Film: 4 / 30 s + 2 s of hold. Layer 31 fires 0.3 + 6 s after its light goes out, 0.3 s
    into its rest of 1.5 s.
    """
    text = command_text(40, bottom=2, layer_mm=1.0, lift_mm=6, lifted_ms=1500, screen_test=True)
    path = write_command_job(tmp_path / "a.zip", text, [bar(2)] * 40)
    shoot = plan_shoot(read_job(path, resin(tern)), tern, resin(tern), every=3)
    assert (shoot.frames_taken, shoot.false_starts, shoot.hidden_layers) == (41, 1, 29)
    assert (shoot.visible_from_layer, shoot.lifted_from_layer) == (30, 30)
    assert [pose.layer for pose in shoot.plan.poses] == [31, 34, 37, 40]
    assert shoot.card_frame.tolist() == [32, 35, 38, 41]
    assert shoot.film_s == pytest.approx(4 / 30 + 2)
    # start 60.5, first move 0.4, 30 layers x 10.5 + light 40 + 28 x 2, then 1 + 2 + 6.3
    assert shoot.plan.poses[0].t_s == pytest.approx(60.5 + 0.4 + 30 * 10.5 + 96 + 1 + 2 + 6.3)
    assert shoot.plan.poses[0].still_s == pytest.approx(1.5 - 0.3)
    assert shoot.findings == ()


def test_shoot_of_a_lift_first_job_counts_by_hand(tern: Profile, tmp_path: Path) -> None:
    """10 flashes, each at light-on; the plate is down at 4 n mm: over 35 mm from layer 9 on.

    The lamp is on in every frame: a finding. At the top of the lift (before the light, from
    the layer below) layer 9 - 1 would do as well: 4 x 8 + 5 > 35.
    """
    text = command_text(10, bottom=1, lift_first=True, layer_mm=4.0, lift_mm=9)
    path = write_command_job(tmp_path / "b.zip", text, [bar(2)] * 10)
    plain = ResinTable(sensor=Sensor())
    shoot = plan_shoot(read_job(path, plain), tern, plain)
    assert (shoot.frames_taken, shoot.hidden_layers, shoot.visible_from_layer) == (10, 8, 9)
    assert shoot.lifted_from_layer == 8
    assert [pose.layer for pose in shoot.plan.poses] == [9, 10]
    assert [pose.finished for pose in shoot.plan.poses] == [False, True]
    assert [finding.code for finding in shoot.findings] == ["resin-lamp-in-frame"]


def test_shoot_of_a_settings_job_counts_by_hand(tern: Profile, tmp_path: Path) -> None:
    """30 layers of 2 mm with Tern's lift of 6 mm: 2 n + 6 > 35 from layer 15 on: 16 frames.

    Every 5th: ceil(16 / 5) = 4, counted back from 30: layers 15, 20, 25, 30.
    """
    text = settings_text(layerHeight=2, printTime=0)
    path = write_settings_job(tmp_path / "c.zip", text, [bar(2)] * 30)
    shoot = plan_shoot(read_job(path, resin(tern)), tern, resin(tern), every=5)
    assert (shoot.frames_taken, shoot.hidden_layers) == (30, 14)
    assert [pose.layer for pose in shoot.plan.poses] == [15, 20, 25, 30]
    assert shoot.findings == ()


def test_shoot_while_the_plate_moves_is_a_finding(tern: Profile) -> None:
    sensor = resin(tern).sensor.model_copy(update={"delay_ms": 3000.0})
    table = resin(tern).model_copy(update={"sensor": sensor, "vat_rim_mm": 1.0})
    shoot = plan_shoot(job_of_table(layered(table, 40), "tern"), tern, table)
    assert [finding.code for finding in shoot.findings] == ["resin-plate-moves"]
    assert "moves in 40 of 40 frames: it must stand still for 0.37 s" in shoot.findings[0].text


def test_shoot_without_any_visible_frame_is_a_finding(tern: Profile) -> None:
    shoot = plan_shoot(job_of_table(layered(resin(tern), 20), "tern"), tern, resin(tern))
    assert [finding.code for finding in shoot.findings] == ["resin-nothing-shown"]
    assert (len(shoot.plan.poses), shoot.film_s) == (0, 0.0)


def test_shoot_with_a_slow_camera_says_why_layers_are_missed(tern: Profile) -> None:
    """A layer takes 11.9 s plus its light; a camera that writes for 30 s misses most."""
    slow = tern.model_copy(update={"camera": tern.camera.model_copy(update={"write_ms": 30e3})})
    table = resin(tern).model_copy(update={"vat_rim_mm": 1.0, "bottom_layers": 0})
    shoot = plan_shoot(job_of_table(layered(table, 20), "tern"), slow, table)
    assert shoot.findings[0].code == "resin-no-frame"
    assert "camera still busy with the frame before; a shorter write time" in shoot.findings[0].text


def test_plan_of_a_resin_job_is_saved_and_read_back(tern: Profile, tmp_path: Path) -> None:
    table = resin(tern)
    shoot = plan_shoot(job_of_table(layered(table, 700), "tern"), tern, table, every=10)
    shoot.plan.save(tmp_path / "plan.json")
    plan = load_plan(tmp_path / "plan.json")
    assert plan == shoot.plan
    assert (plan.kind, plan.moves, plan.height_mm) == ("resin", "plate", 35.0)
    assert [pose.pose for pose in plan.poses] == list(range(1, 13))
