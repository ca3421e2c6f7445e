"""What stops do for the layer with the least time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from capturehook.api import apply
from capturehook.clock.clocking import times_of
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from capturehook.report.shoot import layer_seconds, plan_shoot, quickest_layer
from tests.strategies import profile_table


@dataclass(frozen=True)
class At:
    layer: int
    finished: bool = False


def test_quickest_layer_is_one_that_is_built_upon_after_its_pose() -> None:
    seconds = np.array([np.nan, 9.0, 4.0, 2.0, 1.0])
    found = quickest_layer(
        seconds, [At(1), At(2), At(3), At(5, True)], np.array([3.0, 3.1, 3.2, 9])
    )
    assert found is not None
    assert (found.layer, found.layer_s, found.added_s) == (3, 4.0, 3.2)
    assert quickest_layer(seconds, [At(1), At(5, finished=True)], np.array([3.0, 3.0])) is None


def test_layer_times_are_those_of_the_moves_by_hand() -> None:
    """Squares of 4 x 20 mm at 10 mm/s, the third with a wait of 5 s: 8 s, 8 s, 13 s."""
    lines = ["M83", "G1 Z0.2 F600"]
    for number in range(4):
        lines += [f";LAYER:{number}", f"G1 Z{0.2 + 0.2 * number:.1f} F6000000", "G1 F600"]
        lines += ["G4 S5"] if number == 2 else []
        lines += [f"G1 {xy} E1" for xy in ("X40 Y20", "X40 Y40", "X20 Y40", "X20 Y20")]
    data = "\n".join(["G28", "G1 X20 Y20", *lines, ""]).encode()
    fast = dict.fromkeys("xyze", 1e8)
    machine = {"max_mm_min": fast, "max_accel_mm_s2": fast, "accel_mm_s2": 1e8}
    job = read_job(data, "job.gcode", build_profile(profile_table("marlin", machine=machine), "t"))
    seconds = layer_seconds(job.moves, job.layers, times_of(job))
    assert np.isnan(seconds[0])
    assert seconds[1:] == pytest.approx([8, 13, 8], abs=0.02)


def test_plan_tells_of_the_layer_and_what_its_stop_adds() -> None:
    from tests.small_jobs import Recipe, make_job

    data = make_job(Recipe(layers=6)).data
    applied = apply(data, build_profile(profile_table("marlin"), "heron.toml"), path="job.gcode")
    shoot = plan_shoot(applied)
    told = shoot.as_json()["cooling"]
    seconds = layer_seconds(applied.job.moves, applied.job.layers, shoot.times)
    with_pose = [pose.layer - 1 for pose in applied.poses if not pose.finished]
    assert told["layer_s"] == pytest.approx(np.nanmin(seconds[with_pose]))
    assert told["added_s"] in shoot.costs.added_s
