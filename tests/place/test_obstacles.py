"""What stands in the way beside the layers: purged plastic, the switch; and the machine's edges.

Heights and widths are worked by hand from volumes: 10 mm of 1.75 mm filament is 24.05 mm3.
"""

from __future__ import annotations

from itertools import pairwise
from math import pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook import apply, inspect
from capturehook.errors import PlanError, PoseError
from capturehook.model.moves import ARC_CCW, ARC_CW
from capturehook.model.profile import Profile
from capturehook.place.obstacles import purged_boxes
from capturehook.profile import build_profile
from capturehook.read.arcs import move_extents
from capturehook.read.job import Job, read_job
from tests.strategies import profile_table

FILAMENT_MM2 = pi * 1.75**2 / 4


def profile(**tables: object) -> Profile:
    return build_profile(profile_table("marlin", **tables), "heron.toml")


def job_of(*start: str, layers: int = 4) -> bytes:
    """A square at (100, 100) in layers of 0.2 mm, after some start lines; relative E."""
    lines = ["G90", "M83", "G92 E0", *start]
    for layer in range(layers):
        z = 0.2 * (layer + 1)
        lines += [f";LAYER:{layer}", f"G1 X100 Y100 Z{z:.2f} F9000"]
        corners = ((120, 100), (120, 120), (100, 120), (100, 100))
        lines += [f"G1 X{x} Y{y} E0.7 F1800" for x, y in corners]
        lines.append("G1 E-0.8 F2100")
        lines.append("G1 E0.8 F2100")
    return "\n".join([*lines, "M104 S0", "M84", ""]).encode()


def read(data: bytes, wish: Profile | None = None) -> Job:
    return read_job(data, "job.gcode", wish or profile())


def test_purge_in_place_is_a_ball_of_its_volume() -> None:
    (one,) = purged_boxes(read(job_of("G1 X50 Y150 Z0.3 F3000", "G1 E10 F300")))
    ball_mm = (6 * 10 * FILAMENT_MM2 / pi) ** (1 / 3)  # 3.58 mm
    assert ball_mm == pytest.approx(3.58, abs=0.01)
    assert one.box.x_mm == pytest.approx((50 - ball_mm / 2, 50 + ball_mm / 2))
    assert one.box.z_mm == pytest.approx((0, ball_mm))
    assert one.line_index == 4 and one.box.name == "line 5"


def test_column_is_as_wide_as_its_volume_over_its_height() -> None:
    (one,) = purged_boxes(read(job_of("G1 X50 Y150 Z0.3 F3000", "G1 Z25.3 E60 F300", "G1 Z30")))
    width = 2 * (60 * FILAMENT_MM2 / (25 * pi)) ** 0.5
    assert one.box.y_mm == pytest.approx((150 - width / 2, 150 + width / 2))
    assert one.box.z_mm == pytest.approx((0, 25.3))


def test_unretracting_and_a_small_prime_are_no_purge() -> None:
    start = ("G1 X50 Y150 Z0.3 F3000", "G1 E-6 F2100", "G1 E6 F2100", "G1 E0.5")
    assert purged_boxes(read(job_of(*start))) == []


def test_small_strokes_at_one_place_add_up() -> None:
    start = ("G1 X50 Y150 Z0.3 F3000", *["G1 E1 F300"] * 10)
    (one,) = purged_boxes(read(job_of(*start)))
    assert one.box.z_mm[1] == pytest.approx((6 * 10 * FILAMENT_MM2 / pi) ** (1 / 3))


COLUMN = ("G1 X60 Y160 Z0.3 F3000", "G1 Z25.3 E60 F300", "G1 Z30 F3000")
"""It stands on the straight line from the part at (100, 100) to the park point at (8, 215)."""


def test_paths_keep_clear_of_a_column() -> None:
    made = apply(job_of(*COLUMN), profile())
    for pose in made.poses:
        points = pose.route.points
        for a, b in pairwise(points[1:]):
            along = a[:2] + np.linspace(0, 1, 400)[:, None] * (b - a)[:2]
            distance = np.hypot(along[:, 0] - 60, along[:, 1] - 160).min()
            assert a[2] >= 25.3 + 0.8 - 1e-6 or distance > 2.0, "over it, or round it"


def test_park_point_on_a_column_that_cannot_be_passed_is_refused_with_its_line() -> None:
    start = ("G1 X8 Y215 Z0.3 F3000", "G1 Z249.9 E900 F300", "G1 Z250")
    with pytest.raises(PoseError, match="the plastic purged in place on line 5") as told:
        apply(job_of(*start), profile())
    assert "park point" in told.value.found


def test_purge_after_a_stop_is_not_in_its_way() -> None:
    data = job_of(layers=4).replace(
        b";LAYER:3\n", b";LAYER:3\n" + "\n".join(COLUMN).encode() + b"\n"
    )
    plain, with_column = apply(job_of(), profile()), apply(data, profile())
    assert [p.route.kind for p in with_column.poses[:1]] == [p.route.kind for p in plain.poses[:1]]
    assert with_column.poses[0].route.points == pytest.approx(plain.poses[0].route.points)


# --- the switch

SWITCH = {"by": "button", "axis": "x", "direction": "+", "x_mm": 230.0, "start_mm": 5.0}
"""Plunger met at 229.5, contact at 230, stop at 230.5."""


def with_switch() -> Profile:
    return profile(trigger=SWITCH, park={"x_mm": 200.0, "y_mm": 215.0})


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("G1 X229.6 Y5 Z0.3 F3000", "0.10 mm past X229.5, .* touches its plunger"),
        ("G1 X230.2 Y5 Z0.3 F3000", "0.70 mm past .* closes its contact, so the camera fires"),
        ("G1 X232.5 Y5 Z0.3 F3000", "3.00 mm past .* rams its stop at X230.5 by 2.00 mm"),
        ("G3 X220 Y60 I0 J10 F3000", "past X229.5"),  # ends at X220, its bulge reaches X230
    ],
)
def test_job_that_presses_the_switch_is_refused_with_line_and_amount(line: str, told: str) -> None:
    start = ["G1 X220 Y40 Z0.3 F3000", line]
    with pytest.raises(PlanError, match=told) as fault:
        apply(job_of(*start), with_switch())
    assert fault.value.where.line_no == 5


def test_place_that_the_job_never_told_presses_no_switch() -> None:
    """At the low end, the carriage being homed at the high one: all lines begin behind G28."""
    low = profile(
        trigger={"by": "button", "axis": "x", "direction": "-", "x_mm": 2.0, "start_mm": 1.0},
        park={"x_mm": 8.0, "y_mm": 215.0},
    )
    assert len(apply(job_of("G28", "G1 Z5 F600"), low).poses) > 0
    with pytest.raises(PlanError, match="goes to X0") as fault:
        apply(job_of("G28", "G1 Z5 F600", "G1 X0 Y40 F3000"), low)
    assert fault.value.where.line_no == 6


def test_end_code_counts_too_and_another_trigger_does_not_mind() -> None:
    data = job_of().replace(b"M104 S0\n", b"G1 X233 Y200\nM104 S0\n")
    with pytest.raises(PlanError, match="rams its stop"):
        apply(data, with_switch())
    assert len(apply(data, profile()).poses) == 4 - 1
    assert len(apply(job_of(), with_switch()).poses) == 4 - 1


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("M125 X232.5 Y10", "M125 X232.5 Y10 goes to X232.5, 3.00 mm past .* rams its stop"),
        ("M600 X232.5", "M600 X232.5 goes to X232.5, 3.00 mm past"),
        ("G92 X0\nM600 X229.6", "touches its plunger"),
        ("G20\nM600 X9.153543", "goes to X232.5, 3.00 mm past"),
        ("M600 X229.5", None),
        ("M125 Y232 Z5", None),
    ],
)
def test_park_place_at_the_switch_is_refused_where_the_words_say_it(
    lines: str, told: str | None
) -> None:
    """Marlin's M125.cpp and M600.cpp read X as a length in the job's unit (parser.linearval) that
    stands for NOZZLE_PARK_POINT.x, a place of the machine."""
    data = job_of().replace(b"M104 S0\n", f"{lines}\nM104 S0\n".encode())
    if told is None:
        assert len(apply(data, with_switch()).poses) == 3
    else:
        with pytest.raises(PlanError, match=told):
            apply(data, with_switch())


# --- extents with the bulge of arcs


Point = tuple[float, float]


def arc_extent(axis: str, start: Point, turn: float, centre: Point) -> tuple[float, float]:
    """By walking along the arc in small steps (nothing of ours)."""
    begin = np.arctan2(start[1] - centre[1], start[0] - centre[0])
    radius = np.hypot(start[0] - centre[0], start[1] - centre[1])
    angle = begin + turn * np.linspace(0, 1, 20001)
    wave = np.cos(angle) if axis == "x" else np.sin(angle)
    along = centre["xy".index(axis)] + radius * wave
    return float(along.min()), float(along.max())


@pytest.mark.property
@given(
    st.floats(-3.1, 3.1),
    st.floats(0.05, 6.2),
    st.booleans(),
    st.floats(1, 50),
    st.sampled_from("xy"),
)
def test_extent_of_an_arc_is_that_of_its_points(
    begin: float, sweep: float, clockwise: bool, radius: float, axis: str
) -> None:
    centre, turn = (100.0, 110.0), -sweep if clockwise else sweep
    start = (centre[0] + radius * np.cos(begin), centre[1] + radius * np.sin(begin))
    end = (centre[0] + radius * np.cos(begin + turn), centre[1] + radius * np.sin(begin + turn))
    code = "G2" if clockwise else "G3"
    text = (
        f"G90\nG1 X{start[0]:.6f} Y{start[1]:.6f} Z1 F900\n"
        f"{code} X{end[0]:.6f} Y{end[1]:.6f} I{centre[0] - start[0]:.6f} "
        f"J{centre[1] - start[1]:.6f} E1\n"
    )
    moves = read(text.encode()).moves
    assert moves.kind[-1] in (ARC_CW, ARC_CCW)
    low, high = move_extents(moves, axis)
    wanted = arc_extent(axis, start, turn, centre)
    assert (low[-1], high[-1]) == pytest.approx(wanted, abs=1e-3)


def test_extents_of_a_job_count_the_bulge() -> None:
    """A full circle that begins and ends at Y110: once told as "Y 110 to 110"."""
    text = "G90\nM83\nG1 X100 Y110 Z0.2 F900\nG2 X100 Y110 I10 J0 E3\nM104 S0\n"
    extents = inspect(text.encode(), profile()).extents
    assert extents["y_mm"] == [100.0, 120.0] and extents["x_mm"] == [100.0, 120.0]


def test_posed_job_that_lost_its_marks_is_told() -> None:
    """Programs that drop comments make poses look like the job's own lines."""
    whole = job_of(layers=9)
    posed = apply(whole, profile())
    bare = b"".join(
        line for line in posed.data.splitlines(keepends=True) if b"capturehook" not in line
    )
    (told,) = [one for one in inspect(bare, profile()).findings if one.code == "park-visited"]
    assert f"{len(posed.poses)} times already" in told.text
    for job in (whole, posed.data):
        assert not any(one.code == "park-visited" for one in apply(job, profile()).findings)


def test_park_point_over_the_part_is_told() -> None:
    over = profile(park={"x_mm": 110.0, "y_mm": 118.0})
    (told,) = [one for one in apply(job_of(), over).findings if one.code == "park-over-part"]
    assert "X110 Y118 lies over the part (X100 to X120, Y100 to Y120)" in told.text
    assert not any(one.code == "park-over-part" for one in apply(job_of(), profile()).findings)
