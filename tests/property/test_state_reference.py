"""The promises of pose blocks, held against the slow interpreter on made jobs.

Each test names its promise. The jobs come from `small_jobs` in every form of `variants`, the
machines are all six families; the checks import nothing of the project but its front door.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from capturehook.api import apply
from capturehook.errors import CaptureHookError, GcodeError, PlanError
from capturehook.jobfile.fence import strip_bytes
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from tests import strategies as our
from tests.block_checks import complaints, limits_of, take_apart
from tests.read.slow import FIRMWARES, Move, run_lean
from tests.small_jobs import Recipe, SmallJob, make_job, plain_jobs
from tests.variants import VARIANTS, for_firmware, suits

pytestmark = pytest.mark.property
MODEST = settings(max_examples=25, deadline=None)
PATH = "lighthouse.gcode"


@lru_cache(maxsize=64)
def plain_profile(firmware: str) -> Profile:
    return build_profile(our.profile_table(firmware), "heron.toml")


def axis_of(firmware: str) -> str:
    return "A" if firmware == "rs274" else "E"


@lru_cache(maxsize=1)
def all_jobs() -> dict[str, SmallJob]:
    return plain_jobs()


def _made_for(firmware: str) -> list[str]:
    """Names of plain jobs this family can print."""
    return [
        name for name in plain_jobs() if not (firmware == "rs274" and "firmware_retract" in name)
    ]


CASES = [
    (firmware, variant)
    for firmware in FIRMWARES
    for variant in (None, *VARIANTS)
    if suits(firmware, variant)
]


# Promise: the fast reader and a slow one see the same moves in every form of the job.
@pytest.mark.parametrize(("firmware", "variant"), CASES)
def test_moves_agree_with_the_slow_interpreter(firmware: str, variant: str | None) -> None:
    for name in ("A_absolute", "A_full", "B_absolute", "D_tools", "A_firmware_retract", "A_spiral"):
        if firmware == "rs274" and name == "A_firmware_retract":
            continue
        data = for_firmware(all_jobs()[name].data, firmware, variant)
        table = read_job(data, PATH, plain_profile(firmware)).moves
        slow = run_lean(data, firmware, axis_of(firmware))
        assert move_faults(table, slow.moves) == [], name


def move_faults(table: Any, slow: list[Move]) -> list[str]:
    """Where a MoveTable and the slow moves part, first place only."""
    turns = np.asarray(table.turn_rad)
    still = (
        (table.x_mm == table.x0_mm)
        & (table.y_mm == table.y0_mm)
        & (table.z_mm == table.z0_mm)
        & (table.e_step_mm == 0)
        & (turns == 0)
    )
    rows = np.flatnonzero(~still)
    moving = [m for m in slow if abs(m.e_step_mm) > 1e-9 or m.arc or math.dist(m.start, m.end)]
    for row, move in zip(rows, moving, strict=False):
        there = (table.x_mm[row], table.y_mm[row], table.z_mm[row])
        if table.line_index[row] + 1 != move.line_no:
            return [f"line {table.line_index[row] + 1} against {move}"]
        if max(abs(a - b) for a, b in zip(there, move.end, strict=True)) > 1e-6:
            return [f"end {there} against {move}"]
        if abs(table.e_step_mm[row] - move.e_step_mm) > 1e-6:
            return [f"e_step {table.e_step_mm[row]} against {move}"]
        if abs(table.feed_mm_min[row] - move.feed_mm_min) > 1e-3:
            return [f"feed {table.feed_mm_min[row]} against {move}"]
        if move.arc and move.arc.plane == 17 and not _same_arc(table, row, move):
            return [f"arc {table.cx_mm[row]} {table.cy_mm[row]} {turns[row]} against {move}"]
    if len(rows) != len(moving):
        return [f"{len(rows)} moves against {len(moving)}"]
    return []


def _same_arc(table: Any, row: int, move: Move) -> bool:
    assert move.arc is not None
    x, y = move.arc.centre
    return (
        abs(table.cx_mm[row] - x) < 1e-6
        and abs(table.cy_mm[row] - y) < 1e-6
        and abs(table.turn_rad[row] - move.arc.turn_rad) < 1e-6
    )


# Promise: any soup of lines is read as the slow interpreter reads it, or refused in words.
@MODEST
@given(data=our.soups, firmware=st.sampled_from(FIRMWARES[:-1]))
def test_soup_is_read_alike_or_refused(data: bytes, firmware: str) -> None:
    slow = run_lean(data, firmware)
    try:
        table = read_job(data, PATH, plain_profile(firmware)).moves
    except CaptureHookError as fault:
        event(type(fault).__name__)
        assert str(fault).startswith(PATH)
        return
    assert move_faults(table, slow.moves) == []


# Promise: what a family reads in its own way is read so, or refused; never read another way.
# RS-274 (NIST, 3.5 and 3.8), smoothie (GcodeDispatch) and reprapfirmware take several commands
# on a line; klipper refuses R arcs, arcs in G91 and G20; NIST 3.5.3.1 refuses too small an R.
@pytest.mark.parametrize(
    ("firmware", "lines"),
    [
        ("rs274", "G17 G21 G90 G94|G1 X5 A1 F600|G91 X3 A1"),
        ("rs274", "G17 G21 G91 G94|G1 X5 A1 F600|X3 A1"),
        ("rs274", "G21 G90 G1 X5 A1 F600|G1 X9 A2"),
        ("rs274", "G1 X5 A1 F600|X6 A1 G91"),
        ("rs274", "G1 X5 A1 F600|G20 G1 X1 A2|G21 X1 A3"),
        ("rs274", "G1 X5 A1 F600|G2 X10 Y0 R1 A2|G1 X9 A3"),
        ("smoothie", "G90 G1 X5 E1 F600|M83 G1 X6 E1|G1 X7 E1"),
        ("reprapfirmware", "G90 G1 X5 E1 F600|M83 G1 X6 E1|G1 X7 E1"),
        ("smoothie", "G1 X5 E2 F600|G92 X0|G1 X1|G92|G1 X5 E2"),
        ("smoothie", "G1 X5 E2 F600|G0 X9 F9000|G1 X12 E4"),
        ("klipper", "G1 X5 E2 F600|G91|G2 X10 I5 E1"),
        ("klipper", "G1 X5 E2 F600|G2 X10 Y0 R8 E3"),
        ("klipper", "G20|G1 X5 E2 F600"),
        ("klipper", "G1 X5 E2 F600|G92|G1 X5 E2"),
        ("marlin", "G1 X5 E1 F600|G2 X9 Y9 E2|G1 X3 E3"),
        ("marlin", "M200 D1.75|G1 X5 E12 F600|M200 D0|G1 X9 E14"),
        ("marlin", "G1 X5 E2 F600|G1 X9 E3 F0|G1 X12 E4"),
    ],
)
def test_family_ways_are_read_so_or_refused(firmware: str, lines: str) -> None:
    data = lines.replace("|", "\n").encode() + b"\n"
    slow = run_lean(data, firmware, axis_of(firmware))
    try:
        table = read_job(data, PATH, plain_profile(firmware)).moves
    except GcodeError as fault:
        assert fault.exit_code == 2
        return
    assert move_faults(table, slow.moves) == []


# Promise: layers are those that were made, whatever the marks.
@pytest.mark.parametrize("name", [n for n in plain_jobs() if "spiral" not in n])
def test_layers_are_the_true_ones(name: str) -> None:
    job = all_jobs()[name]
    layers = read_job(job.data, PATH, plain_profile("marlin")).layers
    found = [
        (round(float(z), 4), int(n)) for z, n in zip(layers.z_mm, layers.object_no, strict=True)
    ]
    assert found == [(layer.z_mm, layer.object_no) for layer in job.layers]
    assert not layers.spiral


def test_spiral_is_seen() -> None:
    assert read_job(all_jobs()["A_spiral"].data, PATH, plain_profile("marlin")).layers.spiral


# Promises 1 to 5 and 8 of a pose block, on every family in every form of the job.
@pytest.mark.parametrize(("firmware", "variant"), CASES)
def test_blocks_keep_their_promises(firmware: str, variant: str | None) -> None:
    profile = plain_profile(firmware)
    for name in ("A_absolute", "B_relative", "D_relative", "A_labels", "D_tools"):
        if name == "D_tools" and variant == "relative_xyz":
            continue  # a tool change may move the head, and no place is stated after it
        data = for_firmware(all_jobs()[name].data, firmware, variant)
        applied = apply(data, profile, path=PATH)
        wrong = complaints(data, applied.data, limits_of(profile), poses=len(applied.poses))
        assert wrong == [], name
        if variant == "relative_xyz" and name in ("D_relative", "D_tools"):
            # steps alone never say where homing or a tool change left the nozzle
            assert applied.poses or "pose-left-out" in {one.code for one in applied.findings}
        else:
            assert len(applied.poses) >= 2, name


@pytest.mark.parametrize("firmware", FIRMWARES)
def test_blocks_keep_their_promises_on_every_kind_of_mark(firmware: str) -> None:
    profile = plain_profile(firmware)
    for name in _made_for(firmware):
        if "sequential" in name:
            continue
        data = for_firmware(all_jobs()[name].data, firmware)
        applied = apply(data, profile, path=PATH)
        wrong = complaints(data, applied.data, limits_of(profile), poses=len(applied.poses))
        assert wrong == [], name


# Promise: the finished part gets its frame, labels or not, before the end code.
@pytest.mark.parametrize("name", ["A_relative", "A_labels", "A_full", "D_tools"])
def test_finished_part_gets_its_frame(name: str) -> None:
    applied = apply(all_jobs()[name].data, plain_profile("marlin"), path=PATH)
    assert [pose.finished for pose in applied.poses] == [False, False, True]
    last_fence = applied.data.rindex(b"; capturehook pose")
    assert last_fence < applied.data.index(b"M104 S0")


@pytest.mark.parametrize("name", ["A_sequential", "B_sequential"])
def test_one_at_a_time_jobs_are_safe_or_refused(name: str) -> None:
    profile = plain_profile("marlin")
    job = all_jobs()[name]
    try:
        applied = apply(job.data, profile, path=PATH)
    except PlanError as fault:
        assert "object" in str(fault)
        return
    assert complaints(job.data, applied.data, limits_of(profile)) == []


# Promise 2: strip after apply gives the job back; twice is once.
@MODEST
@given(made=our.jobs_for_machines(), data=st.data())
def test_apply_strip_and_apply_again(
    made: tuple[str, str | None, bytes, SmallJob], data: st.DataObject
) -> None:
    firmware, variant, job, _ = made
    table = data.draw(our.profile_tables(firmware))
    profile = build_profile(table, "heron.toml")
    try:
        applied = apply(job, profile, path=PATH)
    except PlanError as fault:
        event(f"refused: {fault.found[:40]}")
        return
    event(f"{firmware} {variant}")
    assert strip_bytes(applied.data, PATH) == job
    assert b"".join(take_apart(applied.data)[0]) == job
    assert apply(applied.data, profile, path=PATH).data == applied.data
    wrong = complaints(job, applied.data, limits_of(profile), poses=len(applied.poses))
    assert wrong == []


@MODEST
@given(made=our.jobs_for_machines())
def test_strip_of_a_plain_job_is_the_job(made: tuple[str, str | None, bytes, SmallJob]) -> None:
    assert strip_bytes(made[2], PATH) == made[2]


# Promise 2, the other way: a new run with another profile starts from the job itself.
@pytest.mark.parametrize("firmware", FIRMWARES)
def test_another_profile_replaces_the_blocks(firmware: str) -> None:
    job = for_firmware(all_jobs()["A_absolute"].data, firmware)
    first = apply(job, plain_profile(firmware), path=PATH)
    other = build_profile(our.profile_table(firmware, park={"x_mm": 200}), "heron.toml")
    assert apply(first.data, other, path=PATH).data == apply(job, other, path=PATH).data


# Promise 5: a hop that the machine has no room for is refused, never shortened.
def test_no_room_to_hop_is_refused() -> None:
    job = make_job(Recipe(layers=4, heights_mm=(0.2,)))
    table = our.profile_table("marlin", machine={"z_mm": [0, 1.0]}, park={"clear_mm": 0.8})
    with pytest.raises(PlanError) as caught:
        apply(job.data, build_profile(table, "heron.toml"), path=PATH)
    assert "z" in str(caught.value).lower()


# Promise 7, the part bytes can show: the input is never changed in place.
@MODEST
@given(made=our.jobs_for_machines())
def test_input_bytes_are_not_touched(made: tuple[str, str | None, bytes, SmallJob]) -> None:
    job = bytearray(made[2])
    kept = bytes(job)
    try:
        apply(kept, plain_profile(made[0]), path=PATH)
    except PlanError:
        event("refused")
    assert bytes(job) == kept == made[2]


# Only our own errors leave the reader, whatever the bytes.
@settings(max_examples=60, deadline=None)
@given(raw=st.binary(max_size=300), cut=st.integers(0, 4000), at=st.integers(0, 4000))
def test_only_our_errors_leave(raw: bytes, cut: int, at: int) -> None:
    job = all_jobs()["A_full"].data
    broken = job[: at % len(job)] + raw + job[(at + cut) % len(job) :]
    try:
        applied = apply(broken, plain_profile("marlin"), path=PATH)
    except CaptureHookError as fault:
        assert fault.exit_code in (1, 2)
        return
    assert strip_bytes(applied.data, PATH) == strip_bytes(broken, PATH)
