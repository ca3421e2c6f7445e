"""Whole jobs as moves: modes, shifts, units, arcs, tools and the state at a line.

Worked values stand beside their source; the slow interpreter (tests/interp/slow.py) is held
against the same reader in tests/property.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from capturehook.errors import GcodeError
from capturehook.model.moves import (
    ARC_CCW,
    ARC_CW,
    DWELL,
    FW_RETRACT,
    HEAT,
    HOME,
    LINE,
    PAUSE,
    RAPID,
    TOOL,
    WAIT,
)
from capturehook.read.arcs import swept_angle
from capturehook.read.moves import JobMoves
from tests.read.reading import PRINTERS, read_lines


def ends(job: JobMoves) -> list[tuple[float, float, float]]:
    table = job.table
    return [
        (float(x), float(y), float(z))
        for x, y, z in zip(table.x_mm, table.y_mm, table.z_mm, strict=True)
    ]


def arc_of(*lines: str, firmware: str = "marlin") -> tuple[tuple[float, float], float, float]:
    """Centre, swept degrees, and length in the plane of the last move."""
    table = read_lines(*lines, firmware=firmware).table
    cx, cy, turn = float(table.cx_mm[-1]), float(table.cy_mm[-1]), float(table.turn_rad[-1])
    radius = math.hypot(table.x0_mm[-1] - cx, table.y0_mm[-1] - cy)
    return (cx, cy), math.degrees(turn), radius * abs(turn)


# -- arcs --------------------------------------------------------------------------------------


# Plane geometry: a quarter and three quarters of a circle of radius 10. The forms: NIST
# RS274NGC 3.5.3.1 (radius format; negative for more than 180 degrees) and 3.5.3.2 (centre).
@pytest.mark.parametrize(
    ("words", "centre", "degrees", "length_mm"),
    [
        ("G3 X0 Y10 I-10 J0", (0, 0), 90, 15.70796),
        ("G3 X0 Y10 R10", (0, 0), 90, 15.70796),
        ("G3 X0 Y10 R-10", (10, 10), 270, 47.12389),
        ("G2 X0 Y10 R10", (10, 10), -90, 15.70796),
        ("G2 X0 Y10 R-10", (0, 0), -270, 47.12389),
        ("G2 X0 Y10 I-10", (0, 0), -270, 47.12389),
    ],
)
def test_arc_forms_agree_with_geometry(
    words: str, centre: tuple[float, float], degrees: float, length_mm: float
) -> None:
    found = arc_of("G1 X10 Y0 F600", words)
    assert found[0] == pytest.approx(centre, abs=1e-9)
    assert found[1] == pytest.approx(degrees)
    assert found[2] == pytest.approx(length_mm, abs=1e-5)


def test_radius_arc_of_half_a_circle_and_of_too_small_a_radius() -> None:
    # Marlin G2-G3: a radius under half the chord gives the half circle over the chord.
    for radius in ("R10", "R9.999"):
        centre, degrees, _ = arc_of("G1 X10 Y0 F600", f"G3 X-10 Y0 {radius}")
        assert centre == pytest.approx((0, 0), abs=1e-6)
        assert degrees == pytest.approx(180)


def test_helix_hop_without_an_end_point_is_one_full_circle() -> None:
    # Geometry: 2 pi 1.2 = 7.53982 round, and 0.4 up: 7.55043 mm of helix.
    job = read_lines("G1 X50 Y40 Z1 F600", "G17", "G3 Z1.4 I1.2 J0 P1")
    assert ends(job)[-1] == (50, 40, 1.4)
    (cx, cy), degrees, round_mm = arc_of("G1 X50 Y40 Z1 F600", "G17", "G3 Z1.4 I1.2 J0 P1")
    assert (cx, cy) == pytest.approx((51.2, 40))
    assert degrees == pytest.approx(360)
    assert math.hypot(round_mm, 0.4) == pytest.approx(7.55043, abs=1e-5)


@pytest.mark.parametrize("off_mm", [0.0, 5e-8, -5e-8])
def test_ends_that_differ_by_rounding_are_a_full_circle(off_mm: float) -> None:
    one = np.ones(1)
    for clockwise, wanted in ((False, 2 * math.pi), (True, -2 * math.pi)):
        turn = swept_angle(
            10 * one, 0 * one, 10 * one, off_mm * one, 0 * one, 0 * one, one == clockwise, one
        )
        assert turn == pytest.approx([wanted])


def test_arc_with_several_turns() -> None:
    # NIST RS274NGC knows one turn; LinuxCNC's P word counts turns (G2/G3).
    assert arc_of("G1 X10 Y0 F600", "G3 X10 Y0 I-10 P3")[1] == pytest.approx(3 * 360)
    assert arc_of("G1 X10 Y0 F600", "G2 X0 Y10 I-10 P2")[1] == pytest.approx(-270 - 360)


def test_absolute_arc_centres_count_from_the_jobs_own_zero() -> None:
    lines = ("G1 X110 Y100 F60", "G90.1", "G3 X100 Y110 I100 J100")
    assert arc_of(*lines, firmware="rs274")[0] == pytest.approx((100, 100))
    table = read_lines("G1 X10 Y0 F60", "G3 X0 Y10 I0 J0", absolute_arc_centres=True).table
    assert (table.cx_mm[-1], table.cy_mm[-1]) == pytest.approx((0, 0))


def test_arcs_in_relative_mode_and_in_inches() -> None:
    assert arc_of("G1 X10 Y0 F600", "G91", "G3 X-10 Y10 I-10")[0] == pytest.approx((0, 0))
    centre, degrees, length = arc_of("G20", "G1 X1 Y0 F60", "G3 X0 Y1 I-1")
    assert centre == pytest.approx((0, 0), abs=1e-9)
    assert (degrees, length) == (pytest.approx(90), pytest.approx(25.4 * math.pi / 2))


def test_arc_lays_plastic_even_where_it_ends_where_it_began() -> None:
    job = read_lines("M83", "G1 X10 Y0 Z1 F600", "G3 I-5 E2", "G1 E1", "G1 X20 E1", "G1 X30")
    assert job.table.prints.tolist() == [False, True, False, True, False]
    assert job.table.kind.tolist() == [1, ARC_CCW, 1, 1, 1]
    assert read_lines("G1 X1", "G2 I-5").table.kind.tolist() == [1, ARC_CW]


# -- places ------------------------------------------------------------------------------------


def test_relative_moves_add_up() -> None:
    job = read_lines("G1 X10 Y10 Z2 F600", "G91", "G1 X1 Y-2", "G1 Z.5", "G90", "G1 X1")
    assert ends(job) == [(10, 10, 2), (11, 8, 2), (11, 8, 2.5), (1, 8, 2.5)]
    assert (job.table.x0_mm[3], job.table.y0_mm[3]) == (11, 8)


def test_g92_moves_the_numbers_and_not_the_machine() -> None:
    # NIST RS274NGC 3.5.18: the current point gets the named numbers; other axes are as before.
    job = read_lines("G1 X10 Y20 Z3 F600", "G92 X0", "G1 X1", "G92 X5 Y5", "G1 X6 Y6")
    assert ends(job) == [(10, 20, 3), (11, 20, 3), (12, 21, 3)]
    state = job.state_at(5)
    assert state.shift_mm == (6, 15, 0)


def test_g92_of_e_is_no_filament() -> None:
    job = read_lines("M82", "G1 X1 E5 F900", "G92 E0", "G1 X2 E1", "G92 E100", "G1 X3 E100.5")
    assert job.table.e_step_mm.tolist() == pytest.approx([5, 1, 0.5])


def test_absolute_e_after_steps_of_it_by_family() -> None:
    # The number for E after relative strokes: Marlin and Klipper count them on, RepRapFirmware
    # leaves it (GCodes.cpp), Repetier makes it 0 (Printer.cpp).
    lines = ("M82", "G1 X1 E2 F900", "M83", "G1 X2 E5", "M82", "G1 X3 E4")
    last = {name: float(read_lines(*lines, firmware=name).table.e_step_mm[-1]) for name in PRINTERS}
    assert last == {
        "klipper": -3, "marlin": -3, "smoothie": -3, "reprapfirmware": 2, "repetier": 4,
    }  # fmt: skip


def test_a_place_no_printer_has_is_refused_where_steps_reach_it() -> None:
    with pytest.raises(GcodeError, match=r"lighthouse\.gcode:3:? X comes to 180000"):
        read_lines("G91", "G1 X90000 F600", "G1 X90000")


def test_g92_without_words_by_family() -> None:
    # klipper zeroes all axes; smoothie and rs274 drop the shifts; others do nothing.
    lines = ("G1 X10 Y20 Z1 F600", "G92 X0", "G92", "G1 X1")
    places = {name: ends(read_lines(*lines, firmware=name))[-1][0] for name in PRINTERS}
    assert places == {
        "klipper": 11, "marlin": 11, "reprapfirmware": 11, "repetier": 11, "smoothie": 1,
    }  # fmt: skip
    assert read_lines(*lines, firmware="klipper").state_at(3).shift_mm == (10, 20, 1)
    assert read_lines(*lines, firmware="smoothie").state_at(3).shift_mm == (0, 0, 0)


def test_several_commands_on_a_line_by_family() -> None:
    lines = ("G1 X10 F600", "G91 G1 X1", "G1 X1")
    assert ends(read_lines(*lines, firmware="smoothie"))[-1][0] == 12
    assert ends(read_lines(*lines, firmware="rs274"))[-1][0] == 12
    assert ends(read_lines(*lines, firmware="klipper"))[-1][0] == 11


@pytest.mark.parametrize("firmware", ["smoothie", "reprapfirmware"])
def test_every_motion_of_a_line_is_a_move(firmware: str) -> None:
    lines = ("G1 X1 F600", "G1 X2", "G1 X3 G0 X7 G1 X5", "G1 X6", "G1 Y1 G1 Y2", "G1 X8")
    job = read_lines(*lines, firmware=firmware)
    assert job.table.line_index.tolist() == [0, 1, 2, 2, 2, 3, 4, 4, 5]
    assert job.table.x_mm.tolist() == [1, 2, 3, 7, 5, 6, 6, 6, 8]
    assert job.table.y_mm.tolist() == [0, 0, 0, 0, 0, 0, 1, 2, 2]
    assert job.table.kind.tolist() == [LINE, LINE, LINE, RAPID, *[LINE] * 5]


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        (("G20",), "G20 (inches), at which the firmware family klipper stops"),
        (("G1 X5", "G2 X9 R5"), "an arc by radius, at which the firmware family klipper stops"),
        (("G91", "G2 X9 I5"), "an arc under G91, at which the firmware family klipper stops"),
    ],
)
def test_what_a_family_stops_at_is_refused(lines: tuple[str, ...], told: str) -> None:
    with pytest.raises(GcodeError) as caught:
        read_lines(*lines, firmware="klipper")
    assert caught.value.found == told
    assert caught.value.where.line_no == len(lines)


def test_homing_puts_axes_at_their_zero_and_drops_shifts() -> None:
    job = read_lines("G1 X10 Y10 F600", "G92 X0", "G28 X", "G1 X5", "G28", "G1 Y2")
    assert ends(job) == [(10, 10, 0), (5, 10, 0), (0, 2, 0)]


def test_inches_become_millimetres() -> None:
    job = read_lines("G20", "G1 X1 Y-2 Z.1 E.5 F60", "G21", "G1 X1 E13.7")
    assert ends(job) == [pytest.approx((25.4, -50.8, 2.54)), pytest.approx((1, -50.8, 2.54))]
    assert job.table.e_step_mm.tolist() == pytest.approx([12.7, 1.0])
    assert job.table.feed_mm_min.tolist() == [1524, 1524]


def test_places_are_unknown_until_an_absolute_word() -> None:
    job = read_lines("G1 X10 Y10 Z1 F600", "G27", "G1 X20", "G91", "G1 Y5", "G90", "G1 Y5 Z1")
    assert job.unknown_at(1) is None
    for line in (2, 3, 5, 6):
        assert job.unknown_at(line) == "nozzle position unknown after `G27` on line 2"
    more = read_lines("G27", "G1 X1 Y1 Z1", "G92 E0", "G1 E-1", "G1 X2 F600", "G1 X3 E1", "G1 X4")
    assert more.unknown_at(2) == "the number for E unknown after `G27` on line 1"
    assert more.unknown_at(4) == "the feed unknown after `G27` on line 1"
    assert more.unknown_at(5) == "how far filament is retracted unknown after `G27` on line 1"
    assert more.unknown_at(6) is None
    reset = read_lines("G27", "G92 E0", "G1 X1 Y1 Z1 F600", "G1 X3")
    assert reset.unknown_at(3) == "how far filament is retracted unknown after `G27` on line 1"


def test_place_is_unknown_before_the_first_word() -> None:
    assert math.isnan(read_lines("G90", "G1 X5 F600").state_at(1).x_mm)


# -- filament ----------------------------------------------------------------------------------


def test_axis_a_feeds_where_no_word_says_e() -> None:
    job = read_lines("G1 X5 A1 F600", "X6 A1.5", "G91", "X1 A1", firmware="rs274")
    assert job.e_letter == "A"
    assert job.table.e_step_mm.tolist() == pytest.approx([1, 0.5, 1])
    assert read_lines("G1 X5 A9 E1 F600").e_letter == "E"
    assert read_lines("G1 X5 A9 E1 F600", extruder_axis="A").table.e_step_mm.tolist() == [9]


def test_m83_on_rs274_is_for_e_words_and_not_for_axis_a() -> None:
    lines = ("G90", "M83", "G1 X5 {}1 F600", "G1 X6 {}1", "M82", "G1 X7 {}3")
    for letter, steps in (("E", [1, 1, 1]), ("A", [1, 0, 2])):
        job = read_lines(*(line.format(letter) for line in lines), firmware="rs274")
        assert job.table.e_step_mm.tolist() == pytest.approx(steps), letter


def test_volumetric_e_becomes_length() -> None:
    # 12.02641 mm3 of filament 1.75 mm thick is 5 mm of it: pi/4 d2 l.
    area = math.pi * 1.75**2 / 4
    job = read_lines("M82", "G1 X5 E12.02641 F600", filament_per_unit=1 / area)
    assert job.table.e_step_mm.tolist() == pytest.approx([5], abs=1e-5)
    assert job.state_at(2).e_mm == 12.02641


def test_m200_turns_e_into_volume_and_back() -> None:
    # 12.02641 mm3 of filament 1.75 mm thick is 5 mm of it: pi/4 d2 l.
    job = read_lines("M83", "M200 D1.75", "G1 X5 E12.02641 F600", "M200 D0", "G1 X6 E5")
    assert job.table.e_step_mm.tolist() == pytest.approx([5, 5], abs=1e-5)
    job = read_lines("M83", "M200 D1.75", "G1 X5 E12.02641 F600", firmware="klipper")
    assert job.table.e_step_mm.tolist() == pytest.approx([12.02641])


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (("M200 D1.75 S0", "M200 S1"), "diameter is not told"),
        (("M200 D1.75", "G20"), "together with G20"),
        (("G20", "M200 D0.07"), "together with G20"),
        (("M200 D2.85 T1",), "for tool 1 alone"),
        (("M221 S0",), "at 0 %"),
    ],
)
def test_filament_that_is_not_told_is_refused(lines: tuple[str, ...], found: str) -> None:
    with pytest.raises(GcodeError, match=found):
        read_lines(*lines, "G1 X5 E1 F600")


def test_names_of_states_in_quotes_are_refused() -> None:
    # Klipper's gcode.py splits words as a shell does, so that "a b" and "a c" are two names
    with pytest.raises(GcodeError, match="quotes in the words of SAVE_GCODE_STATE"):
        read_lines('SAVE_GCODE_STATE NAME="a b"', "G1 X5 E1 F600", firmware="klipper")


# Marlin M221.cpp and planner e_factor; Klipper gcode_move.py cmd_M221; Repetier Commands.cpp
# changeFlowrateMultiply; Smoothieware Extruder.cpp; RepRapFirmware GCodes.cpp applyM220M221.
@pytest.mark.parametrize(
    ("firmware", "command", "steps"),
    [
        ("marlin", "M221 S50.9", (1.0, -0.5)),
        ("marlin", "M221 T1 S50", (2.0, -1.0)),
        ("klipper", "M221 S50\nM221", (2.0, -1.0)),
        ("klipper", "M221 S50", (1.0, -0.5)),
        ("smoothie", "M221 S50", (1.0, -0.5)),
        ("repetier", "M221 S5", (0.5, -0.25)),
        ("reprapfirmware", "M221 S50", (1.0, -1.0)),
        ("reprapfirmware", "M221 D1 S50", (2.0, -1.0)),
        ("rs274", "M221 S50", (2.0, -1.0)),
    ],
)
def test_m221_scales_filament(firmware: str, command: str, steps: tuple[float, float]) -> None:
    job = read_lines("M82", "G1 X1 E1 F600", *command.split("\n"), "G1 X5 E3", "G1 E2",
                     firmware=firmware)  # fmt: skip
    assert job.table.e_step_mm[1:].tolist() == pytest.approx(steps)


@pytest.mark.parametrize("firmware", PRINTERS)
def test_deficit_counts_what_is_drawn_back_and_survives_a_reset(firmware: str) -> None:
    job = read_lines(
        "M82",
        "G1 X1 E5 F900",
        "G1 E4.2",
        "G92 E0",
        "G1 X9",
        "G1 E0.8",
        "G1 X5 E1",
        firmware=firmware,
    )
    assert job.deficit_mm.at(np.arange(5)).tolist() == pytest.approx([0, 0.8, 0.8, 0, 0])
    assert job.state_at(4).deficit_mm == pytest.approx(0.8)


def test_each_tool_has_its_own_deficit() -> None:
    job = read_lines("M83", "G1 X1 E5 F600", "G1 E-2", "T1", "G1 E1", "G1 E-.5", "T0", "G1 X2")
    assert job.deficit_mm.at(np.arange(5)).tolist() == pytest.approx([0, 2, 0, 0.5, 2])


def test_firmware_retraction_is_known_at_each_line() -> None:
    job = read_lines("M83", "G1 X1 E5 F600", "G10", "G1 X2", "G11", "G1 X3 E1", "G10 P0 S200")
    assert job.uses_fw_retract
    assert [job.fw_retracted_at(line) for line in range(7)] == [False] * 3 + [True] * 2 + [
        False
    ] * 2
    assert not read_lines("G10 P0 R140 S200", "G1 X1", firmware="reprapfirmware").uses_fw_retract


# -- feed --------------------------------------------------------------------------------------


def test_feed_stays_until_the_next_word_and_travels_count() -> None:
    job = read_lines("G1 X1", "G1 F1800", "G1 X2", "G0 X3 F9000", "G1 X4")
    assert job.table.feed_mm_min.tolist() == [0, 1800, 1800, 9000, 9000]
    assert job.state_at(4).feed_mm_min == 9000


def test_smoothie_keeps_a_feed_for_g0_apart() -> None:
    # Smoothieware Robot.cpp: seek rate (G0) and feed rate (G1) are two numbers.
    job = read_lines("G1 X1 F1800", "G0 X3 F9000", "G1 X4", "G0 X5", firmware="smoothie")
    assert job.table.feed_mm_min.tolist() == [1800, 9000, 1800, 9000]
    assert job.state_at(2).feed_mm_min == 1800


# -- lines -------------------------------------------------------------------------------------


def test_numbered_lines_with_their_sums_are_read() -> None:
    # The serial protocol's known lines: sums 57, 67, 22, 82 (XOR of the bytes before the star).
    job = read_lines(
        "N1 T1", "N2 G1 X5 E2 F60", "N3 T0*57", "N4 G92 E0*67", "N5 G28*22", "N6 G1 F1500.0*82"
    )
    assert job.state_at(6).modes.tool == 0
    assert job.state_at(4).e_mm == 0
    assert job.state_at(5).x_mm == 0
    assert job.state_at(6).feed_mm_min == 1500


@pytest.mark.parametrize(
    "line",
    [
        "M117 G1 X99 E5",
        "M118 A1 X99 E5",
        "EXCLUDE_OBJECT_DEFINE NAME=tower CENTER=50,50 X=9 E=4",
        "; G1 X99",
        "(G1 X99)",
        "G4 P5 X99",
    ],
)
def test_text_that_looks_like_motion_is_none(line: str) -> None:
    job = read_lines("G1 X10 F600", line, "G1 Y1")
    assert job.table.line_index.tolist() == [0, 2]
    assert ends(job)[-1] == (10, 1, 0)


def test_events_are_told_with_their_lines() -> None:
    job = read_lines("G28", "M109 S200", "G1 X1", "G4 P250", "M400", "T1", "G10", "M600", "M104 S0")
    assert job.table.event_kind.tolist() == [HOME, HEAT, DWELL, WAIT, TOOL, FW_RETRACT, PAUSE]
    assert job.table.event_line_index.tolist() == [0, 1, 3, 4, 5, 6, 7]
    assert job.table.event_s.tolist() == [0, 0, 0.25, 0, 0, 0, 0]


def test_state_is_that_just_before_the_line() -> None:
    job = read_lines("G1 X1 Y1 Z1 F600", "M83", "G1 X2 E1", "G91", "T1")
    assert [job.state_at(line).x_mm for line in (1, 2, 3)] == [1, 1, 2]
    assert [job.modes_at(line).m82 for line in (0, 1, 2)] == [None, None, False]
    assert [job.modes_at(line).absolute for line in (3, 4)] == [True, False]
    assert [job.modes_at(line).tool for line in (4, 5)] == [0, 1]
    assert [job.move_before(line) for line in range(4)] == [-1, 0, 0, 1]


@pytest.mark.parametrize("firmware", ["smoothie", "rs274"])
def test_words_alone_go_on_with_the_last_motion(firmware: str) -> None:
    job = read_lines("G0 X1 F600", "X2", "G3 X4 I1", "X6 I1", "G1 X7", "X8", firmware=firmware)
    assert job.table.kind.tolist() == [0, 0, ARC_CCW, ARC_CCW, 1, 1]
    assert ends(job)[-1] == (8, 0, 0)


def test_words_alone_are_refused_where_the_family_ignores_them() -> None:
    with pytest.raises(GcodeError) as caught:
        read_lines("G1 X1", "X2 Y3")
    assert str(caught.value.where) == "lighthouse.gcode:2"
    assert "marlin" in caught.value.found and "[machine] firmware" in caught.value.advice


def test_emergency_stop_on_a_condition_is_no_end_of_the_job() -> None:
    """RepRapFirmware runs a body only where its condition holds (its documentation of
    meta commands)."""
    lines = ["G1 X1 F60", "if heat.heaters[1].current > 300", "  M112", "G1 X5 F60"]
    assert len(read_lines(*lines, firmware="reprapfirmware").table) == 2
    with pytest.raises(GcodeError, match="M112 stops the printer"):
        read_lines(*lines, "M112", firmware="reprapfirmware")


def test_word_that_is_no_number_is_refused_at_its_column() -> None:
    with pytest.raises(GcodeError) as caught:
        read_lines("G28", "G1 X12.3.4")
    assert str(caught.value) == (
        "lighthouse.gcode:2:4: word 'X12.3.4' is not a number. "
        "Slice the model again, or fix that line."
    )


@pytest.mark.parametrize("code", ["G93", "G95"])
def test_feed_not_in_units_a_minute_is_refused(code: str) -> None:
    with pytest.raises(GcodeError, match=code):
        read_lines("G1 X1 F60", code, "G1 X5 F2")


def test_table_columns_are_of_one_length_and_finite() -> None:
    table = read_lines("G28", "G53", "G91", "G1 X1 F600", "G3 X1 I1", "G4 P9").table
    for name in ("x0_mm", "y0_mm", "z0_mm", "x_mm", "y_mm", "z_mm", "e_step_mm", "turn_rad"):
        column = getattr(table, name)
        assert column.shape == (len(table),)
        assert np.isfinite(column).all(), name
