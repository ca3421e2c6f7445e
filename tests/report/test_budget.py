"""Ceilings on added time, and remaining-time lines, through the whole pipeline."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from capturehook.api import apply, pose_job
from capturehook.block.poses import PosedJob
from capturehook.errors import PlanError
from capturehook.jobfile.fence import strip_bytes
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from capturehook.report.cost import added_seconds
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

DATA = make_job(Recipe(layers=21)).data


def applied_with(**capture: Any) -> PosedJob:
    profile = build_profile(
        profile_table("marlin", capture={"every_layers": None, **capture}), "heron.toml"
    )
    return apply(DATA, profile, path="lighthouse.gcode")


@pytest.mark.parametrize("limit_s", [4, 10, 33, 60])
def test_added_max_thins_until_it_fits_and_no_further(limit_s: float) -> None:
    every = applied_with()
    one_s = added_seconds(every.job, every.poses)[:-1].mean()
    thinned = applied_with(added_max_s=limit_s)
    added_s = added_seconds(thinned.job, thinned.poses).sum()
    assert added_s <= limit_s < added_s + 1.2 * one_s
    assert [pose.pose for pose in thinned.poses] == list(range(1, len(thinned.poses) + 1))
    assert thinned.poses[-1].finished
    layers = [pose.layer for pose in thinned.poses]
    steps = [b - a for a, b in pairwise(layers)]
    assert max(steps, default=0) - min(steps, default=0) <= 1
    (finding,) = [one for one in thinned.findings if one.code == "poses-thinned"]
    assert f"{len(every.poses)} poses would add" in finding.text
    assert f"enough for {len(thinned.poses)};" in finding.text


def test_added_max_that_is_kept_says_nothing() -> None:
    applied = applied_with(added_max_s=1000)
    assert len(applied.poses) == 20
    assert not applied.findings


def test_added_max_under_one_pose_is_refused_with_numbers() -> None:
    with pytest.raises(PlanError, match=r"20 poses would add .* the 0.5 s allowed .* for none"):
        applied_with(added_max_s=0.5)


def test_added_max_against_film_s_is_refused_with_the_film_that_fits() -> None:
    with pytest.raises(PlanError, match=r"enough for 11\. Take film_s = 0\.37 or less"):
        applied_with(added_max_s=33, film_s=0.5)
    assert len(applied_with(added_max_s=33, film_s=0.37).poses) == 11


def test_remaining_time_lines_count_the_poses() -> None:
    lines = DATA.split(b"\n")
    lines[4:4] = [b"M73 P0 R10"]
    lines[-10:-10] = [b"M73 P100 R0"]
    job = b"\n".join(lines)
    profile = build_profile(profile_table("marlin"), "heron.toml")
    record = read_job(job, "lighthouse.gcode", profile)
    applied = pose_job(record, remaining_time=True)
    added_min = added_seconds(record, applied.poses).sum() / 60
    assert b"\nM73 P0 R%d\n" % round(10 + added_min) in applied.data
    assert b"; capturehook kept M73 P0 R10\n" in applied.data
    assert b"\nM73 P0 R10\n" in pose_job(record).data
    assert strip_bytes(applied.data) == job
