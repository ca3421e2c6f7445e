"""Spirals: one stop for each chosen turn, at one angle, filament shared exactly.

The promise held here: angle of every stop within 1 degree of the wish (seen from the middle
of the outline), total filament of the job unchanged to 1e-4 mm, `strip` byte for byte.
"""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pytest

from capturehook.api import apply
from capturehook.block.poses import PosedJob
from capturehook.jobfile.fence import strip_bytes
from capturehook.place.turns import (
    _arc_shares,
    _cut,
    _outermost,
    find_split,
    point_on,
    spiral_centre,
)
from capturehook.profile import build_profile
from tests.read.reading import read_lines
from tests.read.reading_layers import layers_of
from tests.read.slow import Interpreter, run_lean, split_lines
from tests.strategies import profile_table

CENTRE = (100.0, 90.0)
RADIUS = 20.0
TURNS = 9
RISE = 0.3
PATH = "lighthouse.gcode"


def spiral_job(form: str, *, relative_e: bool, sides: int = 24) -> bytes:
    """A round tower without layers: straight sides, arcs by centre, or arcs in relative XY."""
    lines = [
        "G21",
        "G90",
        "M83" if relative_e else "M82",
        "G92 E0",
        "G1 X120 Y90 Z.3 F9000",
        "G1 F1500",
    ]
    if form == "steps":
        lines += ["G91", "M83" if relative_e else "M82"]
    e, at = 0.0, (CENTRE[0] + RADIUS, CENTRE[1], 0.3)
    count = TURNS * (sides if form in ("sides", "steps") else 4)
    for k in range(1, count + 1):
        angle = 2 * math.pi * TURNS * k / count
        there = (
            round(CENTRE[0] + RADIUS * math.cos(angle), 4),
            round(CENTRE[1] + RADIUS * math.sin(angle), 4),
            round(0.3 + RISE * TURNS * k / count, 4),
        )
        step = 0.37 if form in ("sides", "steps") else 2.1
        e = round(e + step, 5)
        words = f"X{there[0]:g} Y{there[1]:g} Z{there[2]:g}"
        if form == "steps":
            words = " ".join(
                f"{a}{round(t - o, 4):g}" for a, t, o in zip("XYZ", there, at, strict=True)
            )
            at = tuple(round(o + round(t - o, 4), 4) for t, o in zip(there, at, strict=True))
        else:
            centre = f" I{CENTRE[0] - at[0]:.4f} J{CENTRE[1] - at[1]:.4f}" if form == "arcs" else ""
            words += centre
            at = there
        lines.append(f"G{3 if form == 'arcs' else 1} {words} E{step if relative_e else e:g}")
    return "\n".join([*lines, ""]).encode()


def filmed(data: bytes, firmware: str = "marlin", **capture: Any) -> PosedJob:
    table = profile_table(firmware, capture={"first_layer": 1, **capture})
    if "every_mm" in capture:
        del table["capture"]["every_layers"]
    return apply(data, build_profile(table, "heron.toml"), path=PATH, is_whole=True)


def angle_of(x_mm: float, y_mm: float) -> float:
    return math.degrees(math.atan2(y_mm - CENTRE[1], x_mm - CENTRE[0]))


FORMS = [(form, rel) for form in ("sides", "arcs", "steps") for rel in (True, False)]


@pytest.mark.parametrize(("form", "relative_e"), FORMS)
@pytest.mark.parametrize("wish_deg", [90, 0, -135, 33.3])
def test_every_turn_stops_at_one_angle(form: str, relative_e: bool, wish_deg: float) -> None:
    data = spiral_job(form, relative_e=relative_e)
    applied = filmed(data, spiral_angle_deg=wish_deg, finished=False)
    assert len(applied.poses) >= TURNS - 2
    for pose in applied.poses:
        off = (angle_of(pose.state.x_mm, pose.state.y_mm) - wish_deg + 180) % 360 - 180
        assert abs(off) < 1.0
        away = math.hypot(pose.state.x_mm - CENTRE[0], pose.state.y_mm - CENTRE[1])
        assert away == pytest.approx(RADIUS, abs=0.2)
    rises = np.diff([pose.state.z_mm for pose in applied.poses])
    assert rises == pytest.approx([RISE] * len(rises), abs=0.02)


@pytest.mark.parametrize(("form", "relative_e"), FORMS)
def test_filament_and_bytes_are_the_jobs_own(form: str, relative_e: bool) -> None:
    data = spiral_job(form, relative_e=relative_e)
    applied = filmed(data)
    assert strip_bytes(applied.data, PATH) == data
    assert apply(applied.data, applied.job.profile, path=PATH, is_whole=True).data == applied.data
    before, after = run_lean(data, "marlin"), run_lean(applied.data, "marlin")
    assert after.fed_mm[0] == pytest.approx(before.fed_mm[0], abs=1e-4)
    assert after.high_mm[0] == pytest.approx(before.high_mm[0], abs=1e-4)
    assert after.physical == pytest.approx((8, 215, before.physical[2] + 0.8), abs=1e-4)  # stays
    assert after.feed_mm_min == before.feed_mm_min


@pytest.mark.parametrize(("form", "relative_e"), FORMS)
def test_plastic_goes_where_it_went(form: str, relative_e: bool) -> None:
    """Printed path and filament on it, by height: cutting a move changes neither."""
    data = spiral_job(form, relative_e=relative_e)
    before = _laid(run_lean(data, "marlin"))
    after = _laid(run_lean(filmed(data, finished=False).data, "marlin"))
    assert after[:, 2].sum() == pytest.approx(before[:, 2].sum(), abs=1e-4)
    assert after[:, 1].sum() == pytest.approx(before[:, 1].sum(), abs=0.02)
    ends = np.cumsum(after[:, 2])
    wanted = np.interp(ends, np.cumsum(before[:, 2]), before[:, 0])
    assert after[:, 0] == pytest.approx(wanted, abs=2e-3)


def _laid(machine: Interpreter) -> np.ndarray:
    """(K, 3): height at the end, length, filament of each move that lays plastic."""
    rows = []
    for move in machine.moves:
        if move.e_step_mm > 0 and (move.start[:2] != move.end[:2]):
            length = move.arc.length_mm if move.arc else math.dist(move.start, move.end)
            rows.append((move.end[2], length, move.e_step_mm))
    return np.array(rows)


def test_own_line_serves_as_the_second_half_where_it_can() -> None:
    absolute = filmed(spiral_job("sides", relative_e=False), spiral_angle_deg=20).data
    assert absolute.count(b"; capturehook lines") >= 2 * (TURNS - 2)
    assert b"; capturehook kept" not in absolute
    relative = filmed(spiral_job("sides", relative_e=True), spiral_angle_deg=20).data
    kept = re.findall(rb"; capturehook kept (G1 .*)", relative)
    assert kept and all(line in spiral_job("sides", relative_e=True) for line in kept)


@pytest.mark.parametrize("end", [b"\r\n", b"\r"])
def test_kept_lines_come_back_in_any_line_end(end: bytes) -> None:
    data = spiral_job("arcs", relative_e=True).replace(b"\n", end)
    applied = filmed(data)
    assert applied.data != data
    assert strip_bytes(applied.data, PATH) == data
    data = data[: -len(end)]  # and a last line without one
    assert strip_bytes(filmed(data).data, PATH) == data


def test_stop_at_the_end_of_a_move_cuts_nothing() -> None:
    # Corners lie at 0 and 90 degrees: the outline needs no cut there.
    applied = filmed(spiral_job("sides", relative_e=True), spiral_angle_deg=90, finished=False)
    assert all(pose.halves is None for pose in applied.poses)
    assert b"; capturehook lines" not in applied.data


def test_every_third_turn() -> None:
    applied = filmed(spiral_job("sides", relative_e=True), every_mm=3 * RISE, finished=False)
    rises = np.diff([pose.state.z_mm for pose in applied.poses])
    assert len(rises) >= 1
    assert rises == pytest.approx([3 * RISE] * len(rises), abs=0.02)


@pytest.mark.parametrize("firmware", ["klipper", "reprapfirmware", "smoothie", "repetier"])
def test_families_cut_alike(firmware: str) -> None:
    data = spiral_job("sides", relative_e=True)
    applied = filmed(data, firmware, spiral_angle_deg=20)
    assert strip_bytes(applied.data, PATH) == data
    after, before = run_lean(applied.data, firmware), run_lean(data, firmware)
    assert after.fed_mm[0] == pytest.approx(before.fed_mm[0], abs=1e-4)
    assert after.faults == []


def test_split_on_an_arc_lies_on_the_arc() -> None:
    lines = spiral_job("arcs", relative_e=True).decode().splitlines()
    table, _, job = layers_of(*lines)
    centre = spiral_centre(job.table, table)
    assert centre == pytest.approx(CENTRE, abs=0.01)
    for wish in (1, 45, 89.9, 200, 359):
        split = find_split(job.table, table, 2, centre, wish)
        assert split is not None
        assert math.hypot(split.x_mm - 100, split.y_mm - 90) == pytest.approx(RADIUS, abs=2e-3)
        assert point_on(job.table, split.move, split.share) == pytest.approx(
            (split.x_mm, split.y_mm), abs=1e-3
        )
        whole = float(job.table.e_step_mm[split.move])
        assert split.e_step_mm == pytest.approx(whole * split.share)


def test_outermost_crossing_is_taken() -> None:
    """An outline folded inwards is crossed three times by the ray; the stop is outside."""
    corners = [
        (20, -20),
        (20, 20),
        (10, 20),
        (10, 5),
        (5, 5),
        (5, 10),
        (-5, 10),
        (-5, 20),
        (-20, 20),
        (-20, -20),
    ]
    lines = ["G90", "M83", "G1 X120 Y70 Z.2 F9000"]
    count = 0
    for _ in range(8):
        for x, y in corners[1:] + corners[:1]:
            count += 1
            lines.append(
                f"G1 X{100 + x} Y{90 + y} Z{0.2 + 0.3 * count / len(corners):.4f} E.5 F1500"
            )
    table, _, job = layers_of(*lines)
    assert table.spiral
    split = find_split(job.table, table, 2, (100.0, 90.0), 45)
    assert split is not None
    assert (split.x_mm, split.y_mm) == pytest.approx((120, 110), abs=0.01)


def test_no_turn_after_the_last_layer() -> None:
    lines = spiral_job("sides", relative_e=True).decode().splitlines()
    table, _, job = layers_of(*lines)
    assert find_split(job.table, table, len(table) - 1, CENTRE, 90) is None


def test_slow_interpreter_agrees_outside_the_fences() -> None:
    """At every line of the job the machine is as it was without the poses."""
    data = spiral_job("sides", relative_e=False)
    applied = filmed(data, spiral_angle_deg=20)
    plain, posed = Interpreter("marlin"), Interpreter("marlin")
    own = iter(split_lines(data))
    inside = False
    for line in split_lines(applied.data):
        posed.feed(line)
        if b"; capturehook" in line:
            inside = b" begin" in line
            continue
        if not inside:
            plain.feed(next(own))
            assert posed.physical == pytest.approx(plain.physical, abs=1e-6)
            assert posed.e_mm == pytest.approx(plain.e_mm, abs=1e-6)
            assert posed.feed_mm_min == plain.feed_mm_min


@pytest.mark.parametrize(("form", "relative_e"), FORMS)
def test_shifted_jobs_are_cut_in_their_own_numbers(form: str, relative_e: bool) -> None:
    """G92 before the spiral: places on the bed are 5 and -3 mm from the job's numbers."""
    data = spiral_job(form, relative_e=relative_e)
    shifted = data.replace(b"G1 F1500\n", b"G1 X125 Y87\nG92 X120 Y90\nG1 F1500\n", 1)
    applied = filmed(shifted, spiral_angle_deg=20, finished=False)
    assert len(applied.poses) >= TURNS - 2
    for pose in applied.poses:
        assert angle_of(pose.state.x_mm - 5, pose.state.y_mm + 3) == pytest.approx(20, abs=1)
    before, after = run_lean(shifted, "marlin"), run_lean(applied.data, "marlin")
    assert after.physical == pytest.approx(before.physical, abs=1e-4)
    ends = {(round(m.end[0], 3), round(m.end[1], 3)) for m in before.moves}
    cut = {(round(p.state.x_mm, 3), round(p.state.y_mm, 3)) for p in applied.poses}
    park = {(8.0, 215.0)}
    for move in after.moves:
        assert (round(move.end[0], 3), round(move.end[1], 3)) in ends | cut | park


@pytest.mark.parametrize(
    ("off_mm", "crossings"), [(-7.0, 0), (-3.0, 2), (0.0, 2), (3.0, 2), (7.0, 0)]
)
def test_a_circle_beside_the_ray_does_not_meet_it(off_mm: float, crossings: int) -> None:
    """A circle of 5 mm whose centre lies so far to the left of a ray along X (by drawing)."""
    text = f"G90|M83|G28|G1 X105 Y{100 + off_mm} Z.2 F900|G3 X105 Y{100 + off_mm} I-5 J0 E9"
    moves = read_lines(*text.split("|")).table
    shares = _arc_shares(moves, len(moves) - 1, (80.0, 100.0), 0.0)
    assert len(shares) == crossings
    for share in shares:
        assert point_on(moves, len(moves) - 1, share)[1] == pytest.approx(100, abs=1e-9)


def test_of_several_crossings_the_outermost_counts() -> None:
    """A wall that crosses the ray along -X three times: 5, 9 and 7 mm from the centre."""
    lines = ["G90", "M83", "G28", "G1 X95 Y101 Z.2 F900"]
    lines += ["G1 X95 Y99 E1", "G1 X91 Y99 E1", "G1 X91 Y101 E1", "G1 X93 Y101 E1", "G1 X93 Y99 E1"]
    moves = read_lines(*lines).table
    found = [split for row in range(len(moves)) if moves.prints[row]
             for split in _cut(moves, row, (100.0, 100.0), 180.0)]  # fmt: skip
    assert sorted(split.x_mm for split in found) == [91, 93, 95]
    assert _outermost(found, (100.0, 100.0)).x_mm == 91
