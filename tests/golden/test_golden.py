"""What `apply` writes, byte for byte, in a few whole cases.

A change here is a change of what printers are sent: run `python -m tests.golden.rewrite`,
read the diff, and say in the changelog why. The slow interpreter checks the same bytes.
"""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest

from capturehook.jobfile.fence import strip_bytes
from tests.block_checks import complaints, limits_of
from tests.golden.cases import CASES, film, profile_of, without_stamp
from tests.read.slow import run_lean


def test_golden_cases_are_there() -> None:
    assert len(CASES) >= 8
    for case in CASES:
        assert (case / "profile.toml").is_file() and (case / "out.gcode").is_file(), case.name
        assert (case / "in.gcode").stat().st_size < 8000


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_output_is_the_golden_one(case: Path) -> None:
    wanted = (case / "out.gcode").read_bytes()
    found = without_stamp(film(case).data)
    if found != wanted:
        old, new = (data.decode("latin-1").splitlines() for data in (wanted, found))
        diff = "\n".join(difflib.unified_diff(old, new, "golden", "now", lineterm="", n=1))
        pytest.fail(f"python -m tests.golden.rewrite, if this is meant:\n{diff[:3000]}")


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_golden_output_strips_to_its_job(case: Path) -> None:
    assert strip_bytes((case / "out.gcode").read_bytes()) == (case / "in.gcode").read_bytes()


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_golden_output_is_without_complaint(case: Path) -> None:
    """The slow interpreter, written from the firmware documents, on the file in the repository."""
    data, out = (case / "in.gcode").read_bytes(), (case / "out.gcode").read_bytes()
    limits = limits_of(profile_of(case))
    if b"; capturehook kept" in out:
        before, after = (run_lean(one, limits.firmware, limits.axis) for one in (data, out))
        assert after.fed_mm[0] == pytest.approx(before.fed_mm[0], abs=1e-4)
        assert after.physical[2] == pytest.approx(before.physical[2] + 0.8, abs=1e-6)  # stays up
        return
    poses = out.count(b"; capturehook pose ") // 2
    assert poses >= 2
    assert complaints(data, out, limits, poses=poses) == []
