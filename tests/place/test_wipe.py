"""Back along the last printed lines before leaving, and the block and the proof with it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from capturehook.api import apply
from capturehook.block.poses import PosedJob
from capturehook.block.write import pose_block
from capturehook.errors import ProofError
from capturehook.jobfile.fence import strip_bytes
from capturehook.place.wipe import wipe_back
from capturehook.profile import build_profile
from tests.block.blocks import MODES, PARK, Posed, kit_for, prove_blocks, state_of
from tests.block.lead_in import lead_in
from tests.read.reading import read_lines
from tests.read.slow import Interpreter, differences
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

PRINTED = ["G90", "M83", "G1 X10 Y10 Z.2 F9000", "G1 X20 Y10 E1 F1800", "G1 X20 Y13 E.3"]


def way(length_mm: float, *more: str) -> tuple[tuple[float, float], ...]:
    lines = [*PRINTED, *more]
    job = read_lines(*lines)
    return wipe_back(job.table, job.state_at(len(lines)), length_mm)


@pytest.mark.parametrize(
    ("length_mm", "corners"),
    [
        (0.0, ()),
        (2.0, ((20.0, 11.0),)),
        (3.0, ((20.0, 10.0),)),
        (5.5, ((20.0, 10.0), (17.5, 10.0))),
        (50.0, ((20.0, 10.0), (10.0, 10.0))),  # no farther than printing goes
    ],
)
def test_way_goes_back_over_the_printed_lines(
    length_mm: float, corners: tuple[tuple[float, float], ...]
) -> None:
    assert way(length_mm) == corners


def test_retraction_on_the_spot_still_allows_it() -> None:
    assert way(2.0, "G1 E-.8 F2100") == ((20.0, 11.0),)


@pytest.mark.parametrize("left", ["G1 X21 F9000", "G1 Z.4 F600", "G1 X19 Y13 E-.5"])
def test_nozzle_that_has_left_wipes_nothing(left: str) -> None:
    assert way(2.0, left) == ()


def test_way_ends_at_an_arc() -> None:
    assert way(9.0, "G3 X20 Y15 J1 E.2") == ()
    assert way(9.0, "G3 X20 Y15 J1 E.2", "G1 X24 E.4") == ((20.0, 15.0),)


def test_slanting_way_has_the_length_asked() -> None:
    ((x, y),) = way(2.0, "G1 X23 Y17 E.5")
    assert math.hypot(x - 23, y - 17) == pytest.approx(2.0, abs=1e-3)
    assert (x - 23) / (y - 17) == pytest.approx(3 / 4, abs=2e-3)


WIPE = ((96.0, 104.6), (96.0, 103.0))


def wiped(mode: str = "absolute") -> tuple[Posed, object]:
    kit, state = kit_for("marlin"), state_of(MODES[mode])
    points = [(*WIPE[-1], 3.4), (*PARK, 3.4)]
    lines = pose_block(kit, state, points, wipe=WIPE).texts
    block = Posed(pose=1, state=state, lines=lines, level_z_mm=3.4, prime_mm=0.0, wipe=WIPE)
    return block, kit


def test_block_wipes_drawn_back_at_layer_height_and_comes_down_at_home() -> None:
    block, _ = wiped()
    assert block.lines == (
        "G1 E11.545 F2100",
        "G1 X96 Y104.6 F9000",
        "G1 X96 Y103",
        "G1 Z3.4 F720",
        "G1 X8 Y215 F9000",
        "M400",
        "G4 P180",
        "G4 P470",
        "G1 X96 Y103",
        "G1 X98.2 Y104.6",
        "G1 Z2.6 F720",
        "G1 E12.345 F2100",
        "G1 F1800",
    )


@pytest.mark.parametrize("mode", ["absolute", "relative", "inches"])
def test_block_with_a_wipe_is_neutral_and_passes_the_proof(mode: str) -> None:
    block, kit = wiped(mode)
    prove_blocks(kit, [block])  # type: ignore[arg-type]
    machine = Interpreter("marlin")
    for line in lead_in(kit.firmware, "E", block.state):  # type: ignore[attr-defined]
        machine.feed(line)
    before = machine.state()
    for line in block.lines:
        machine.feed(line)
    assert differences(before, machine.state()) == []


@pytest.mark.parametrize(
    "change",
    [
        {"wipe": ()},
        {"wipe": WIPE[:1]},
        {"wipe": ((96.0, 104.6), (96.0, 102.0))},
        {"state": state_of(MODES["absolute"], z_mm=2.5)},
    ],
)
def test_level_move_that_is_no_part_of_the_wipe_is_refused(change: dict[str, object]) -> None:
    block, kit = wiped()
    with pytest.raises(ProofError):
        prove_blocks(kit, [replace(block, **change)])  # type: ignore[arg-type]


def test_low_way_from_the_park_point_to_the_wipe_is_refused() -> None:
    block, kit = wiped()
    lines = list(block.lines)
    lines[8:8] = ["G1 Z2.6", "G1 X96 Y103", "G1 Z3.4"]
    with pytest.raises(ProofError, match="moves in XY below its hop"):
        prove_blocks(kit, [replace(block, lines=lines)])  # type: ignore[arg-type]


def filmed(wipe_mm: float) -> PosedJob:
    job = make_job(Recipe(marks="A", layers=4, retract="none", end_code=False))
    table = profile_table("marlin", retract={"wipe_mm": wipe_mm}, capture={"resume": "as-is"})
    return apply(job.data, build_profile(table, "heron.toml"), path="lighthouse.gcode")


def test_whole_job_with_a_wipe_strips_to_itself() -> None:
    applied = filmed(1.5)
    assert strip_bytes(applied.data) == applied.job.source.data
    finished = applied.poses[-1]
    assert finished.wipe, "the finished part is left from the end of its last line"
    assert filmed(0.0).poses[-1].wipe == ()
