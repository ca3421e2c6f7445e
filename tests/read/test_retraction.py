"""How far a job retracts: against what its host's own settings say, and against made jobs."""

from __future__ import annotations

import gzip
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.api import apply
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from capturehook.read.retraction import job_retract_mm, with_job_retraction
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

DATA = Path(__file__).parents[1] / "data"


def profile_with(**retract: Any) -> Profile:
    return build_profile(profile_table("marlin", retract=retract), "heron.toml")


def length_of(data: bytes) -> float:
    return job_retract_mm(read_job(data, "job.gcode", profile_with()))


@pytest.mark.parametrize("name", ["spiral_single_wall", "three_objects_one_at_a_time"])
def test_real_job_retracts_as_its_settings_say(name: str) -> None:
    """Measured from the moves; the settings are the host's own and are cut off here."""
    data = gzip.decompress((DATA / f"{name}.gcode.gz").read_bytes())
    stated = re.search(rb"\n; retract_length = ([0-9.]+)", data)
    assert stated is not None
    assert length_of(data[: data.index(b"_config = begin")]) == float(stated[1]) == 2


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(
    marks=st.sampled_from("ABCH"),
    retract_mm=st.sampled_from([0.4, 0.8, 1.234, 5.0, 6.5]),
    relative_e=st.booleans(),
    wipe=st.booleans(),
)
def test_job_made_with_a_length_is_measured_to_have_it(
    marks: str, retract_mm: float, relative_e: bool, wipe: bool
) -> None:
    recipe = Recipe(marks=marks, retract_mm=retract_mm, relative_e=relative_e, wipe=wipe)
    assert length_of(make_job(recipe).data) == retract_mm


def test_unloaded_filament_and_odd_lengths_do_not_count() -> None:
    data = make_job(Recipe(layers=6, retract_mm=5.0)).data
    at = data.index(b";LAYER_CHANGE", len(data) // 2)
    assert length_of(data[:at] + b"G1 E-60 F2400\nG1 E60\nG1 E-1\nG1 E1\n" + data[at:]) == 5.0


def test_job_that_never_retracts_falls_back_to_its_settings_then_to_ours() -> None:
    data = make_job(Recipe(retract="none")).data
    assert length_of(data) == 0.8
    assert length_of(data + b"; retract_length = 3.5\n") == 3.5
    assert length_of(data + b"; retract_length = 0\n") == 0
    assert length_of(data + b"; filament_retract_length = 90\n") == 0.8  # no retraction


def test_one_retraction_counts_where_no_settings_say_more() -> None:
    data = make_job(Recipe(retract="none")).data
    at = data.index(b";LAYER_CHANGE", len(data) // 2)
    data = data[:at] + b"G1 E-5 F2400\nG1 E5\n" + data[at:]
    assert length_of(data) == 5.0
    assert length_of(data + b"; retract_length = 3.5\n") == 3.5


def test_number_in_the_profile_stays() -> None:
    job = read_job(make_job(Recipe(retract_mm=5.0)).data, "job.gcode", profile_with(length_mm=1.5))
    assert with_job_retraction(job) is job


@pytest.mark.property
@settings(max_examples=40, deadline=None)
@given(
    marks=st.sampled_from("ABCH"),
    retract=st.sampled_from(["moves", "none"]),
    retract_mm=st.sampled_from([0.8, 2.5, 6.0]),
    wish=st.sampled_from(["job", "job", 0.5, 4.0]),
)
def test_block_never_unretracts_more_than_it_retracted(
    marks: str, retract: str, retract_mm: float, wish: str | float
) -> None:
    """Relative E: every block's own strokes add up to nothing, the backward one first."""
    data = make_job(Recipe(marks=marks, retract=retract, retract_mm=retract_mm, layers=5)).data
    profile = profile_with(length_mm=wish)
    text = apply(data, profile).data.decode()
    blocks = re.findall(r"; capturehook pose \d+ begin.*?; capturehook pose \d+ end", text, re.S)
    assert blocks
    for block in blocks:
        total = 0.0
        for step in re.findall(r"^G1 E(-?[0-9.]+)", block, re.M):
            total += float(step)
            assert total <= 1e-9
        assert total == pytest.approx(0, abs=1e-6)
    if wish == "job" and retract == "moves":  # the job itself has retracted all of it
        assert sum(block.count("\nG1 E-") for block in blocks) <= 1


def test_retraction_of_the_job_is_what_a_block_adds_where_the_job_does_not() -> None:
    """A job that retracts 5 mm at its travels, a stop where it has not: 5 mm, no longer 0.8."""
    data = make_job(Recipe(layers=4, retract_mm=5.0)).data
    settings_mm = apply(data + b"; end\n", profile_with()).job.profile.retract.length_mm
    assert settings_mm == 5.0
