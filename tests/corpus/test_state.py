"""Small jobs whose commands keep, give back, shift or lose the state: each ends as its file says.

`tests/corpus/state/CASE.gcode` with `CASE.json`: the family, the line at which it is refused
(or null), stretches of lines before which no block may stand, findings with their lines. What is
written must lay the same plastic as the job alone, by the slow reader of `tests/read/`, which
shares nothing with the project's.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from capturehook import apply
from capturehook.errors import CaptureHookError
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from tests.block_checks import take_apart
from tests.read.slow_state import laid_by
from tests.strategies import profile_table

CASES = sorted((Path(__file__).parent / "state").glob("*.gcode"))
NEAR = 1e-6


def expected(case: Path) -> dict[str, Any]:
    return json.loads(case.with_suffix(".json").read_text())


def profile_of(want: dict[str, Any]) -> Profile:
    table = profile_table(want["firmware"])
    table["machine"] |= {"x_mm": [0, 300], "y_mm": [0, 300]}
    table["capture"] = {"first_layer": want.get("first_layer", 2)}
    return build_profile(table, "heron.toml")


def assert_same_plastic(job: bytes, posed: bytes, firmware: str) -> None:
    for runs_bodies in (True, False):
        before = laid_by(job, firmware, runs_bodies=runs_bodies)
        after = laid_by(posed, firmware, runs_bodies=runs_bodies)
        assert len(before) == len(after) > 0
        for was, now in zip(before, after, strict=True):
            for a, b in zip((*was.start, *was.end), (*now.start, *now.end), strict=True):
                assert math.isclose(a, b, abs_tol=NEAR), (was, now)
            assert math.isclose(was.e_step_mm, now.e_step_mm, abs_tol=2e-5), (was, now)
            assert math.isclose(was.feed_mm_min, now.feed_mm_min, abs_tol=NEAR), (was, now)


def test_there_are_cases() -> None:
    assert len(CASES) >= 36


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.stem)
def test_case_ends_as_it_says(case: Path) -> None:
    want, job = expected(case), case.read_bytes()
    if want["refused_line"] is not None:
        with pytest.raises(CaptureHookError) as refused:
            apply(job, profile_of(want), path=case.name)
        assert str(want["refused_line"]) in str(refused.value).replace(case.name, "")
        return
    posed = apply(job, profile_of(want), path=case.name)
    lines = [pose.line_no for pose in posed.poses]
    assert lines, "no pose at all"
    for low, high in want["no_block"]:
        assert not [line for line in lines if low <= line <= high]
    for code, places in want["findings"].items():
        told = [one.where for one in posed.findings if one.code == code]
        assert told == [f"{case.name}:{line}" for line in places]
    assert_same_plastic(job, posed.data, want["firmware"])
    if "own_retraction_mm" in want:
        for block in take_apart(posed.data)[1]:
            assert b"G1 E-%.1f" % want["own_retraction_mm"] in b"".join(block.lines)


def test_the_checker_sees_a_feed_a_number_and_a_place_that_are_not_put_back() -> None:
    case = next(case for case in CASES if case.stem.endswith("save_restore_no_move"))
    job = case.read_bytes()
    assert_same_plastic(job, job, "klipper")
    for wrong in (b"G1 F600\n", b"G92 E5.5\n", b"G1 Z9\n"):
        with pytest.raises(AssertionError):
            assert_same_plastic(
                job, job.replace(b"G1 X60 Y90 E7", wrong + b"G1 X60 Y90 E7"), "klipper"
            )
