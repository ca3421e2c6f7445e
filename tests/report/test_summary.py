"""The dry run's record."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import pytest

from capturehook.api import apply
from capturehook.model.profile import Capture
from capturehook.profile import build_profile
from capturehook.report.summary import dry_run_record, film_seconds
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

DATA = make_job(Recipe(layers=6, hop_mm=0.2)).data


def record_of(**changes: Any) -> dict[str, Any]:
    profile = build_profile(profile_table("marlin", **changes), "heron.toml")
    return dry_run_record(apply(DATA, profile, path="lighthouse.gcode"))


def test_dry_run_record_has_exactly_the_keys_promised() -> None:
    record = record_of()
    assert list(record) == ["schema", "job", "poses", "added_s", "total_s", "film_s", "findings"]
    assert list(record["job"]) == ["path", "lines", "marks", "layers", "print_s"]
    assert list(record["poses"][0]) == [
        "pose", "layer", "z_mm", "line", "x_mm", "y_mm", "e_retracted_mm", "added_s",
    ]  # fmt: skip
    json.dumps(record, allow_nan=False)


def test_dry_run_record_sums_agree() -> None:
    record = record_of()
    assert record["added_s"] == pytest.approx(sum(p["added_s"] for p in record["poses"]), abs=1e-6)
    assert record["total_s"] == pytest.approx(
        record["job"]["print_s"] + record["added_s"], abs=1e-6
    )


def test_dry_run_record_names_lines_and_layers_of_the_job() -> None:
    record = record_of()
    lines = DATA.split(b"\n")
    assert record["job"]["lines"] == len(lines) - 1
    assert record["job"]["layers"] == 6
    assert [pose["layer"] for pose in record["poses"]] == [2, 3, 4, 5, 6]
    assert [pose["z_mm"] for pose in record["poses"]] == [0.4, 0.6, 0.8, 1.0, 1.2]
    for pose in record["poses"][:-1]:
        # this job draws back before it rises, and goes on at the place of the next layer
        assert pose["e_retracted_mm"] == 0.8
        assert lines[pose["line"] - 2].startswith(b"G1 X")
        assert f"X{pose['x_mm']:g} Y{pose['y_mm']:g}".encode() in lines[pose["line"] - 2]


def test_film_seconds_are_exact_for_broadcast_rates() -> None:
    """30000/1001 frames a second: 300 frames last exactly 10.01 s (the rate's definition)."""
    capture = Capture(fps="30000/1001", hold_last_s=0)
    assert film_seconds(capture, 300) == Fraction(1001, 100)
    assert film_seconds(Capture(fps="30", hold_last_s=2), 90) == 5
    assert film_seconds(Capture(), 0) == 0
