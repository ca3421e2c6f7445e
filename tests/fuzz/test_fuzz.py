"""A short slice of the fuzz runs (run_fuzz.py) in every test run, and bytes of any kind."""

from __future__ import annotations

import random
import warnings
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from capturehook.profile import build_profile
from tests.fuzz import mutations, state_programs
from tests.fuzz.fuzz_checks import check_job, check_profile
from tests.fuzz.fuzz_files import run_files_case
from tests.fuzz.run_fuzz import run_case
from tests.read.slow import FIRMWARES
from tests.strategies import profile_table

SEED = "slice"


@pytest.mark.parametrize("part", range(10))
def test_random_jobs_profiles_and_plans_meet_only_our_own_errors(part: int, tmp_path: Path) -> None:
    counts: Counter[str] = Counter()
    for case in range(part * 40, part * 40 + 40):
        wrong, _ = run_case(SEED, case, counts, tmp_path)
        assert wrong == [], f"case {case} of seed {SEED}"
    assert counts["apply: accepted"] > 0, counts


@pytest.mark.parametrize("kind", ["zip", "resin", "frames"])
def test_broken_containers_and_pictures_meet_only_our_own_errors(kind: str, tmp_path: Path) -> None:
    counts: Counter[str] = Counter()
    for case in range(10 if kind == "frames" else 40):
        rng = random.Random(f"{SEED}/{kind}/{case}")
        wrong, _ = run_files_case(kind, rng, counts, tmp_path)
        assert wrong == [], f"case {case}"
    assert sum(counts.values()) > 10


PIECES = st.one_of(
    st.binary(max_size=30),
    st.sampled_from([line.encode() + b"\n" for line in mutations.LINES]),
    st.sampled_from([b"G1 X", b"E1", b";", b"\r", b"\n", b"(", b"LAYER:", b"; capturehook "]),
)


@pytest.mark.property
@settings(max_examples=150, deadline=None)
@given(st.lists(PIECES, max_size=25).map(b"".join), st.sampled_from(FIRMWARES))
@example(b"\xef\xbb\xbf", "marlin")
@example(b"G1 X1 E1 F9\n" * 3 + b"\xff\xfe", "smoothie")
def test_any_bytes_meet_only_our_own_errors(data: bytes, firmware: str) -> None:
    profile = build_profile(profile_table(firmware, capture={"first_layer": 1}), "heron.toml")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for job in (data, b"G28\nG90\nM83\nG1 Z0.2 F900\nG1 X5 E1\n" + data + b"\nG1 X9 E1\n"):
            assert check_job(Counter(), job, profile) == []


@pytest.mark.property
@settings(max_examples=100, deadline=None)
@given(
    st.text(max_size=60)
    | st.builds(
        lambda key, value: f"schema = 1\n[machine]\n{key} = {value}",
        st.sampled_from(["x_mm", "firmware", "keep_out", "é", "a.b"]),
        st.text(max_size=20) | st.sampled_from(mutations.VALUES),
    )
)
def test_any_text_as_a_profile_meets_only_our_own_errors(text: str) -> None:
    assert check_profile(Counter(), text) == []


@pytest.mark.parametrize("firmware", FIRMWARES)
def test_programs_of_state_commands_lay_the_same_plastic_or_are_refused(firmware: str) -> None:
    profile = state_programs.profile_of(firmware)
    verdicts = [
        state_programs.verdict_on(state_programs.make_program(firmware, seed), firmware, profile)
        for seed in range(1, 13)
    ]
    assert not [one for one in verdicts if one.startswith("WRONG")]
    assert any(one.startswith("agreed") for one in verdicts)
