"""Predicted added seconds against the clock run over the whole output."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.api import apply
from capturehook.block.poses import PosedJob
from capturehook.catalog import FIRMWARES
from capturehook.clock.clocking import job_clocking, times_of
from capturehook.clock.seconds import make_timetable
from capturehook.profile import build_profile
from capturehook.read.moves import read_moves
from capturehook.read.source import open_source
from capturehook.report import cost
from capturehook.report.cost import added_seconds, pose_costs
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table, profile_tables, recipes
from tests.variants import for_firmware

DATA = Path(__file__).parent.parent / "data"
PARTS = ("retract_s", "hop_s", "travel_s", "settle_s", "hold_s", "back_s", "slowing_s")


def applied_to(recipe: Recipe, firmware: str = "marlin", **changes: Any) -> PosedJob:
    profile = build_profile(profile_table(firmware, **changes), "heron.toml")
    data = for_firmware(make_job(recipe).data, firmware)
    return apply(data, profile, path="lighthouse.gcode")


def clocked_difference(applied: PosedJob) -> float:
    """clock(output) - clock(input), both read and clocked from their first line to their last."""
    profile = applied.job.profile
    machine = profile.machine
    read = read_moves(
        open_source(applied.data, "out"),
        FIRMWARES[machine.firmware],
        extruder_axis=machine.extruder_axis,
        filament_per_unit=applied.job.filament_per_unit,
    )
    out = make_timetable(read.table, machine, profile.retract)
    return out.total_s - times_of(applied.job).total_s


@pytest.mark.parametrize("retract", ["moves", "firmware", "none"])
@pytest.mark.parametrize("firmware", ["marlin", "klipper", "smoothie"])
def test_added_seconds_equal_the_difference_of_both_clocks(firmware: str, retract: str) -> None:
    applied = applied_to(Recipe(layers=8, retract=retract, hop_mm=0.2), firmware)
    assert len(applied.poses) == 7
    assert added_seconds(applied.job, applied.poses).sum() == pytest.approx(
        clocked_difference(applied), abs=1e-6
    )


def test_added_seconds_of_a_long_job_come_from_windows_not_the_whole() -> None:
    applied = applied_to(Recipe(layers=150), capture={"every_layers": 40})
    assert len(applied.poses) == 5
    assert added_seconds(applied.job, applied.poses).sum() == pytest.approx(
        clocked_difference(applied), abs=1e-3
    )


@pytest.mark.parametrize("spiral", [False, True])
def test_poses_in_batches_cost_what_they_cost_together(
    spiral: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    applied = applied_to(Recipe(layers=150, spiral=spiral), capture={"every_layers": 20})
    together = pose_costs(applied.job, applied.poses)
    assert len(list(cost._batches(np.array([0, 9, 20]), np.array([9, 19, 30])))) == 1
    monkeypatch.setattr(cost, "BATCH_MOVES", 1)
    assert len(list(cost._batches(np.array([0, 9, 20]), np.array([9, 19, 30])))) == 2
    apart = pose_costs(applied.job, list(map(replace, applied.poses)))
    for name in (*PARTS, "added_s", "fire_s", "still_s", "fire_at_s"):
        assert getattr(apart, name) == pytest.approx(getattr(together, name), abs=1e-9)


def test_added_seconds_count_a_dwell_once_and_in_the_firmwares_unit() -> None:
    short = applied_to(Recipe(), "rs274", park={"settle_ms": 100})
    long = applied_to(Recipe(), "rs274", park={"settle_ms": 1100})
    more = added_seconds(long.job, long.poses) - added_seconds(short.job, short.poses)
    assert more == pytest.approx(np.ones(len(long.poses)), abs=1e-9)


def test_costs_of_a_pose_add_up_and_name_the_dwells() -> None:
    applied = applied_to(
        Recipe(layers=6), camera={"lag_ms": 120, "exposure_ms": 250, "margin_ms": 100}
    )
    costs = pose_costs(applied.job, applied.poses)
    total = sum(getattr(costs, part) for part in PARTS)
    assert total == pytest.approx(costs.added_s, abs=1e-9)
    assert costs.settle_s == pytest.approx(np.full(5, 0.18))
    assert costs.hold_s == pytest.approx(np.full(5, 0.47))
    assert costs.still_s == pytest.approx(np.full(5, 0.47), abs=1e-6)


def test_costs_without_settling_leave_the_hold_whole() -> None:
    applied = applied_to(Recipe(layers=4), park={"settle_ms": 0})
    costs = pose_costs(applied.job, applied.poses)
    assert costs.settle_s == pytest.approx(np.zeros(3))
    assert costs.hold_s == pytest.approx(np.full(3, 0.47))


def test_travel_of_a_pose_is_the_textbook_trapezoid() -> None:
    """A straight way from rest to rest: t = d/v + v/a for v^2/a <= d (textbook kinematics)."""
    applied = applied_to(
        Recipe(layers=4),
        machine={"accel_mm_s2": 1000, "max_accel_mm_s2": {"x": 1e5, "y": 1e5, "z": 1e5, "e": 1e5}},
        park={"travel_mm_min": 6000},
    )
    costs = pose_costs(applied.job, applied.poses)
    pose = applied.poses[0]
    way_mm = np.hypot(pose.state.x_mm - 8, pose.state.y_mm - 215)
    assert way_mm > 100**2 / 1000
    # junction deviation lets the way out begin a little above rest after the hop
    assert costs.travel_s[0] == pytest.approx(way_mm / 100 + 100 / 1000, abs=0.02)


def test_costs_without_poses_are_empty() -> None:
    applied = applied_to(Recipe())
    assert added_seconds(applied.job, []).shape == (0,)


def test_a_slower_way_to_the_park_costs_more() -> None:
    fast = applied_to(Recipe(), park={"travel_mm_min": 9000})
    slow = applied_to(Recipe(), park={"travel_mm_min": 3000})
    more = added_seconds(slow.job, slow.poses) - added_seconds(fast.job, fast.poses)
    # about 150 mm there and back at 50 instead of 150 mm/s; the end code has parked already
    assert (more[:-1] > 3.5).all()
    assert more[-1] > 0


@pytest.mark.property
@settings(max_examples=25, deadline=None)
@given(st.data())
def test_added_seconds_equal_the_difference_for_any_small_job(data: st.DataObject) -> None:
    firmware = data.draw(st.sampled_from(["marlin", "klipper", "reprapfirmware", "repetier"]))
    job = make_job(data.draw(recipes()))
    table = data.draw(profile_tables(firmware))
    table["capture"].update(first_layer=1, finished=True)
    profile = build_profile(table, "heron.toml")
    applied = apply(job.data, profile, path="lighthouse.gcode")
    costs = pose_costs(applied.job, applied.poses)
    assert costs.added_s.sum() == pytest.approx(clocked_difference(applied), abs=1e-4)
    for name in ("travel_s", "hold_s", "fire_s", "still_s"):
        assert (getattr(costs, name) > 0).all(), name
    assert (costs.back_s[:-1] > 0).all()  # the last head may stay at the park point


def test_added_seconds_of_a_spiral_count_the_split_moves() -> None:
    """A real job of one spiral wall, every tenth turn, stopped within moves."""
    data = gzip.decompress((DATA / "spiral_single_wall.gcode.gz").read_bytes())
    profile = build_profile(
        profile_table("marlin", capture={"every_layers": 10, "spiral_angle_deg": 81}), "heron.toml"
    )
    applied = apply(data, profile, path="spiral.gcode")
    assert any(pose.halves is not None for pose in applied.poses)
    costs = pose_costs(applied.job, applied.poses)
    assert costs.added_s.sum() == pytest.approx(clocked_difference(applied), abs=1e-6)
    assert costs.hold_s == pytest.approx(np.full(len(applied.poses), 0.47))


def test_added_seconds_by_the_jobs_own_limits_follow_its_accelerations() -> None:
    """M201, M204 in the job: clocked with accelerations in force, blocks among them."""
    lines = make_job(Recipe(layers=6)).data.split(b"\n")
    middle = lines.index(b";Z:0.8")
    lines[middle:middle] = [b"M204 P400 T300"]
    lines[3:3] = [b"M201 X900 Y900", b"M204 P800 T800"]
    profile = build_profile(profile_table("marlin"), "heron.toml")
    applied = apply(b"\n".join(lines), profile, path="lighthouse.gcode")
    job = applied.job
    by_job = job_clocking(profile, job.source.data)
    added = added_seconds(job, applied.poses, by_job)
    by_output = replace(by_job, job=applied.data)
    out = read_moves(open_source(applied.data, "out"), FIRMWARES["marlin"]).table
    difference = (
        by_output.times(out, by_output.accel(out)).total_s
        - by_job.times(job.moves, by_job.accel(job.moves)).total_s
    )
    assert added.sum() == pytest.approx(difference, abs=1e-6)
    assert added[3] > added[0] + 0.3  # after M204 T300 the way out and back is slower


def test_fire_at_is_the_clock_of_the_output_at_the_hold() -> None:
    applied = applied_to(Recipe(layers=5))
    costs = pose_costs(applied.job, applied.poses)
    out = read_moves(open_source(applied.data, "out"), FIRMWARES["marlin"]).table
    clock = make_timetable(out, applied.job.profile.machine, applied.job.profile.retract)
    holds = [n for n, line in enumerate(applied.data.split(b"\n")) if line == b"G4 P470"]
    lines = np.array([pose.line_no - 1 for pose in applied.poses])
    fires = times_of(applied.job).second_at(lines) + costs.fire_at_s
    assert fires == pytest.approx(clock.second_at(holds), abs=1e-6)


def test_same_poses_are_priced_once_and_others_anew() -> None:
    applied = applied_to(Recipe(layers=6))
    first = pose_costs(applied.job, applied.poses)
    assert pose_costs(applied.job, list(applied.poses)) is first
    fewer = pose_costs(applied.job, applied.poses[1:])
    assert len(fewer.added_s) == len(first.added_s) - 1
    assert pose_costs(applied.job, applied.poses).added_s == pytest.approx(first.added_s)
    slow = applied.job.profile.machine.model_copy(update={"accel_mm_s2": 100.0})
    slower = replace(applied.job, profile=applied.job.profile.model_copy(update={"machine": slow}))
    assert pose_costs(slower, applied.poses).added_s.sum() > first.added_s.sum()
