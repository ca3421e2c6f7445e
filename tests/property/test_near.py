"""Reading a large job only around its layer changes gives the bytes of a full reading.

The rule: `apply` of a job is one function of its bytes and the profile, whatever its size.
NEAR_BYTES set to 0 makes small jobs be read as large ones are; a huge one forbids it. Jobs with
long layers are made here, since a small job is mostly layer changes and is read whole anyway.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.api import pose_job
from capturehook.block.fence import strip_bytes
from capturehook.errors import CaptureHookError
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from capturehook.read import job as job_module
from capturehook.read.job import read_job
from tests import strategies
from tests.fuzz import mutations
from tests.fuzz.fuzz_checks import neutral_faults
from tests.read.slow import FIRMWARES
from tests.small_jobs import MARKS, Recipe, make_job
from tests.variants import VARIANTS, for_firmware, suits

WHOLE_BYTES = 1 << 60
read_near = job_module.read_near


@contextmanager
def near_from(size_bytes: int) -> Iterator[list[bool]]:
    """Jobs from this size on may be read in part; the list tells of each try if it was."""
    tries: list[bool] = []

    def told(*words: Any, **more: Any) -> Any:
        found = read_near(*words, **more)
        tries.append(found is not None)
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(job_module, "NEAR_BYTES", size_bytes)
        patch.setattr(job_module, "read_near", told)
        yield tries


def applied(data: bytes, profile: Profile, near_bytes: int) -> tuple[Any, bool]:
    """(bytes and poses, or the error's words), and whether the job was read in part."""
    with near_from(near_bytes) as tries:
        try:
            made = pose_job(read_job(data, "lighthouse.gcode", profile, near_stops=True))
        except CaptureHookError as fault:
            return (type(fault), str(fault)), any(tries)
    poses = [(one.line_no, one.layer, one.z_mm, one.block) for one in made.poses]
    return (b"".join(made.pieces), poses), any(tries)


def same(data: bytes, profile: Profile) -> bool:
    """Both readings agree; whether the job was read in part."""
    whole, never = applied(data, profile, WHOLE_BYTES)
    near, in_part = applied(data, profile, 0)
    assert not never
    assert near == whole
    return in_part


def as_good(data: bytes, profile: Profile) -> None:
    """As `same`; but damage inside a layer may be passed over, the blocks being neutral and out."""
    whole, _ = applied(data, profile, WHOLE_BYTES)
    near, in_part = applied(data, profile, 0)
    if near == whole:
        return
    assert in_part, "read whole twice, with two results"
    assert isinstance(near[0], bytes), near
    plain = strip_bytes(data, "lighthouse.gcode")
    assert strip_bytes(near[0], "lighthouse.gcode") == plain
    assert neutral_faults(plain, near[0], profile, len(near[1])) == []
    if isinstance(whole[0], bytes):
        assert [one[:2] for one in near[1]] == [one[:2] for one in whole[1]]


def lengthened(data: bytes, lines: int) -> bytes:
    """Each printed line of a job followed by many short ones that go back and forth."""
    out = []
    relative = b"M83" in data
    for line in data.splitlines(keepends=True):
        out.append(line)
        words = line.split()
        if line.startswith(b"G1 X") and b" Y" in line and b" E" in line and b"Z" not in line:
            x, y = words[1].decode(), words[2].decode()
            e = words[3].decode() if not relative else "E0.01"
            for k in range(lines):
                there = f"{x[0]}{float(x[1:]) + 0.4 * (k % 2):.3f}"
                out.append(f"G1 {there} {y} {e}\n".encode())
            out.append(f"G1 {x} {y} {e}\n".encode())
    return b"".join(out)


@pytest.mark.parametrize("form", [None, *VARIANTS])
@pytest.mark.parametrize("firmware", FIRMWARES)
def test_long_layers_read_in_part_give_the_same_bytes(firmware: str, form: str | None) -> None:
    if not suits(firmware, form):
        pytest.skip("this family has no such form")
    profile = build_profile(strategies.profile_table(firmware), "heron.toml")
    for marks in sorted(MARKS):
        recipe = Recipe(marks=marks, layers=6, retract="moves", hop_mm=0.4)
        same(for_firmware(lengthened(make_job(recipe).data, 60), firmware, form), profile)


@pytest.mark.parametrize(
    "line", ["G92 X0", "G92 Z5", "G91", "G91\nG1 X5\nG90", "G28 X", "T1", "G10"]
)
def test_long_layer_with_an_odd_line_inside_gives_the_same_bytes(line: str) -> None:
    profile = build_profile(strategies.profile_table("marlin"), "heron.toml")
    lines = lengthened(make_job(Recipe(layers=6, retract="moves")).data, 60).splitlines(True)
    for at in (len(lines) // 3, len(lines) // 2):
        same(b"".join([*lines[:at], line.encode() + b"\n", *lines[at:]]), profile)


def test_g91_in_the_end_code_does_not_forbid_it() -> None:
    profile = build_profile(strategies.profile_table("marlin"), "heron.toml")
    recipe = Recipe(marks="B", layers=6, retract="moves", hop_mm=0.4)
    data = lengthened(make_job(recipe).data, 60)
    assert same(data, profile)
    assert same(data + b"G91\nG1 Z5 F900\nG90\n", profile)


def test_some_jobs_are_read_in_part() -> None:
    """Else the properties below would hold of nothing."""
    profile = build_profile(strategies.profile_table("marlin"), "heron.toml")
    counts: Counter[bool] = Counter()
    for marks in sorted(MARKS):
        recipe = Recipe(marks=marks, layers=6, retract="moves", hop_mm=0.4)
        counts[same(lengthened(make_job(recipe).data, 60), profile)] += 1
    assert counts[True] >= len(MARKS) / 2, counts


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(st.data())
def test_random_jobs_read_in_part_give_the_same_bytes(data: st.DataObject) -> None:
    firmware = data.draw(strategies.firmwares)
    recipe = data.draw(strategies.recipes())
    if firmware == "rs274" and recipe.retract == "firmware":
        return
    profile = build_profile(data.draw(strategies.profile_tables(firmware)), "heron.toml")
    job = lengthened(make_job(recipe).data, data.draw(st.sampled_from([0, 30, 80])))
    same(for_firmware(job, firmware), profile)


@pytest.mark.parametrize("seed", range(5))
def test_broken_jobs_read_in_part_are_as_good(seed: int) -> None:
    rng = random.Random(f"near/{seed}")
    for _ in range(20):
        firmware = mutations.any_firmware(rng)
        profile = build_profile(strategies.profile_table(firmware), "heron.toml")
        data = lengthened(mutations.start_job(rng), rng.choice((30, 60)))
        as_good(mutations.broken(rng, for_firmware(data, firmware)), profile)
