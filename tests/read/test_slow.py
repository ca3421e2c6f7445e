"""The slow interpreter against worked values and the families' own tables.

It is the second witness for the whole project, so it has its own outside checks.
"""

from __future__ import annotations

import math
from functools import reduce
from operator import xor

import pytest

from tests.read.slow import FIRMWARES, Interpreter, differences, run, run_lean, split_lines

PRINTERS = FIRMWARES[:-1]


def machine_after(firmware: str, *lines: str, axis: str = "E") -> Interpreter:
    machine = Interpreter(firmware, axis)
    for line in lines:
        machine.feed(line)
    return machine


# Printer documents: G90/G91 switch E on marlin and smoothie; klipper and repetier count E
# absolute only while G90 and M82 both hold; reprapfirmware knows M82/M83 alone.
@pytest.mark.parametrize(
    ("firmware", "absolute"),
    [
        ("marlin", True),
        ("smoothie", True),
        ("klipper", False),
        ("reprapfirmware", False),
        ("repetier", False),
    ],
)
def test_m83_g91_g90_leaves_e_mode_by_family(firmware: str, absolute: bool) -> None:
    machine = machine_after(firmware, "M83", "G91", "G90")
    assert machine.e_absolute is absolute


@pytest.mark.parametrize(
    ("firmware", "absolute"),
    [
        ("marlin", True),
        ("smoothie", True),
        ("reprapfirmware", True),
        ("klipper", False),
        ("repetier", False),
    ],
)
def test_g91_m82_leaves_e_mode_by_family(firmware: str, absolute: bool) -> None:
    machine = machine_after(firmware, "G1 E1", "G91", "M82", "G1 E1")
    assert machine.fed_mm[0] == (1 if absolute else 2)


# Documents of G4 by family: who wins, P (ms) or S (s); RS-274 counts P in seconds.
@pytest.mark.parametrize(
    ("firmware", "line", "seconds"),
    [
        ("marlin", "G4 P500 S2", 2.0),
        ("reprapfirmware", "G4 P500 S2", 2.0),
        ("repetier", "G4 P500 S2", 2.0),
        ("smoothie", "G4 P500 S2", 2.5),
        ("klipper", "G4 P500 S2", 0.5),
        ("rs274", "G4 P500", 500.0),
        ("rs274", "G4 P0.25", 0.25),
        ("marlin", "G4 S3", 3.0),
        ("klipper", "G4 S3", 0.0),
        ("smoothie", "G4 S3", 3.0),
    ],
)
def test_dwell_by_family(firmware: str, line: str, seconds: float) -> None:
    assert machine_after(firmware, line).dwells == [(1, seconds)]


def _effect_of(line: str, machine: Interpreter) -> bool:
    if "T0" in line:
        return machine.tool == 0
    if "E0" in line:
        return machine.e_mm == 0
    return machine.physical[0] == 0 if "G28" in line else machine.feed_mm_min == 1500


# The serial protocol's checksum: XOR of the bytes before the star.
@pytest.mark.parametrize(
    ("line", "checksum"),
    [("N3 T0", 57), ("N4 G92 E0", 67), ("N5 G28", 22), ("N6 G1 F1500.0", 82)],
)
def test_numbered_lines_are_read_and_sums_are_the_published_ones(line: str, checksum: int) -> None:
    assert reduce(xor, line.encode()) == checksum
    machine = machine_after("marlin", "T1", "G1 X5 E2", f"{line}*{checksum}")
    assert _effect_of(line, machine)


# Plane geometry: a quarter and a three-quarter circle of radius 10.
@pytest.mark.parametrize(
    ("words", "centre", "degrees", "length"),
    [
        ("I-10 J0", (0, 0), 90, 15.70796),
        ("R10", (0, 0), 90, 15.70796),
        ("R-10", (10, 10), 270, 47.12389),
    ],
)
def test_arc_forms_agree_with_geometry(
    words: str, centre: tuple[float, float], degrees: float, length: float
) -> None:
    arc = machine_after("rs274", "G1 X10 Y0 F600", f"G3 X0 Y10 {words}").moves[-1].arc
    assert arc is not None
    assert arc.centre == pytest.approx(centre, abs=1e-9)
    assert math.degrees(arc.turn_rad) == pytest.approx(degrees)
    assert arc.length_mm == pytest.approx(length, abs=1e-5)


def test_clockwise_radius_arc_lies_on_the_other_side() -> None:
    arc = machine_after("marlin", "G1 X10 Y0 F600", "G2 X0 Y10 R10").moves[-1].arc
    assert arc is not None
    assert arc.centre == pytest.approx((10, 10))
    assert math.degrees(arc.turn_rad) == pytest.approx(-90)


def test_helix_hop_is_one_full_circle() -> None:
    machine = machine_after("marlin", "G1 X50 Y40 Z1 F600", "G17", "G3 Z1.4 I1.2 J0 P1")
    arc = machine.moves[-1].arc
    assert arc is not None
    assert abs(arc.turn_rad) == pytest.approx(2 * math.pi)
    assert arc.length_mm == pytest.approx(7.55043, abs=1e-5)
    assert machine.logical == pytest.approx((50, 40, 1.4))


def test_zx_plane_arc_turns_from_z_to_x() -> None:
    # NIST RS274NGC 3.5.3: G3 in the XZ plane is counter-clockwise seen from +Y: from Z to X.
    arc = machine_after("rs274", "G18", "G1 X0 Z10 F60", "G3 X10 Z0 I0 K-10").moves[-1].arc
    assert arc is not None
    assert math.degrees(arc.turn_rad) == pytest.approx(90)


def test_absolute_arc_centres_follow_the_offset() -> None:
    machine = machine_after("rs274", "G1 X110 Y100 F60", "G92 X10 Y0", "G90.1", "G3 X0 Y10 I0 J0")
    assert machine.moves[-1].arc is not None
    assert machine.moves[-1].arc.centre == pytest.approx((100, 100))
    assert machine.physical == pytest.approx([100, 110, 0])


@pytest.mark.parametrize("firmware", PRINTERS)
def test_e_counter_reset_keeps_the_filament_deficit(firmware: str) -> None:
    machine = machine_after(firmware, "G1 X1 E5 F900", "G1 E4.2", "G92 E0", "G1 X9")
    assert machine.deficit_mm == pytest.approx(0.8)
    assert machine.e_mm == 0
    machine.feed("G1 E0.8")
    assert machine.deficit_mm == pytest.approx(0)


@pytest.mark.parametrize("firmware", PRINTERS)
def test_firmware_retraction_counts_once(firmware: str) -> None:
    machine = machine_after(firmware, "G10", "G10", "G11")
    assert machine.deficit_mm == 0
    assert machine_after(firmware, "G10").state().fw_retracted


def test_reprapfirmware_tool_offsets_are_no_retraction() -> None:
    assert not machine_after("reprapfirmware", "G10 P0 R140 S200").state().fw_retracted
    assert not machine_after("smoothie", "G10 L20 P1 X0").state().fw_retracted


@pytest.mark.parametrize(
    ("firmware", "x_mm", "e_mm"),
    [
        ("marlin", 25.4, 2.54),
        ("reprapfirmware", 25.4, 2.54),
        ("repetier", 25.4, 2.54),
        ("smoothie", 25.4, 0.1),
        ("klipper", 1.0, 0.1),
    ],
)
def test_inches_reach_e_by_family(firmware: str, x_mm: float, e_mm: float) -> None:
    machine = machine_after(firmware, "G20", "G1 X1 E0.1 F10")
    assert machine.physical[0] == pytest.approx(x_mm)
    assert machine.e_mm == pytest.approx(e_mm)


def test_rotary_extruder_is_not_scaled_and_follows_g91() -> None:
    machine = machine_after("rs274", "G20", "G1 X1 A2 F10", "G91", "X1 A2", axis="A")
    assert machine.physical[0] == pytest.approx(50.8)
    assert machine.e_mm == 4


def test_g92_leaves_unnamed_axes_alone() -> None:
    # NIST RS274NGC 3.5.18.
    machine = machine_after("rs274", "G1 X10 Y20 Z3 F60", "G92 X0", "G1 X1")
    assert machine.physical == pytest.approx([11, 20, 3])
    assert machine.logical == pytest.approx((1, 20, 3))


def test_bare_g92_by_family() -> None:
    lines = ("G1 X10 Y20 E3 F60", "G92 X1", "G92")
    assert machine_after("klipper", *lines).logical == (0, 0, 0)
    assert machine_after("smoothie", *lines).logical == (10, 20, 0)
    assert machine_after("marlin", *lines).logical == (1, 20, 0)


def test_order_of_execution_of_a_block_is_fixed() -> None:
    # NIST RS274NGC 3.8: F before motion, distance mode before motion, wherever they stand.
    machine = machine_after("rs274", "G1 X5 F60", "X5 G91 G1 F120")
    assert machine.physical[0] == 10
    assert machine.moves[-1].feed_mm_min == 120


@pytest.mark.parametrize(
    "line",
    [
        "M117 G1 X99 E5",
        "EXCLUDE_OBJECT_DEFINE NAME=tower CENTER=50,50 X=9 E=4",
        "; G1 X99",
        "M118 A1 X99 E5",
        "",
    ],
)
def test_text_that_looks_like_motion_is_none(line: str) -> None:
    machine = machine_after("klipper", "G1 X10 F600")
    before = machine.state()
    machine.feed(line)
    assert differences(before, machine.state()) == []
    assert len(machine.moves) == 1


@pytest.mark.parametrize(
    "line",
    ["G1X10Y-.5E+5.F9", "g1 x10 y-.5 e5 f9", "G01 X010 Y-00.50 E5. F9", "G1 X10(a;b)Y-.5E5F9"],
)
def test_word_forms_are_one_move(line: str) -> None:
    machine = machine_after("marlin", line)
    assert machine.logical == pytest.approx((10, -0.5, 0))
    assert machine.e_mm == 5
    assert machine.feed_mm_min == 9


def test_exponent_is_a_second_word() -> None:
    machine = machine_after("marlin", "M83", "G1 X1e-05")
    assert machine.logical[0] == 1
    assert machine.e_mm == -5


def test_smoothie_keeps_two_feeds_and_modal_motion() -> None:
    machine = machine_after("smoothie", "G1 X1 F1200", "G0 X2 F9000", "X3", "G1 X4")
    assert [m.feed_mm_min for m in machine.moves] == [1200, 9000, 9000, 1200]


def test_volumetric_e_becomes_length() -> None:
    # 12.02641 mm3 of 1.75 mm filament is 5 mm: pi/4 d^2 l.
    machine = machine_after("marlin", "M200 D1.75", "G1 X5 E12.02641 F600")
    assert machine.fed_mm[0] == pytest.approx(5, abs=1e-5)


def test_each_tool_has_its_own_deficit() -> None:
    machine = machine_after("marlin", "M83", "G1 X1 E5 F600", "G1 E-2", "T1", "G1 E1")
    assert machine.deficit_mm == 0
    machine.feed("T0")
    assert machine.deficit_mm == pytest.approx(2)


def test_line_ends_and_marks_of_encoding() -> None:
    data = b"\xef\xbb\xbfG1 X1 F60\r\n; \xe9\nG1 X2\rG1 X3"
    assert b"".join(split_lines(data)) == data
    assert [s.logical[0] for s in run(data, "marlin")] == [1, 1, 2, 3]
    assert len(run_lean(data, "marlin").moves) == 3


def test_differences_name_what_changed() -> None:
    a, b = machine_after("marlin", "G1 X1 F60"), machine_after("marlin", "G1 X1.1 F60", "G91")
    named = [text.split(":")[0] for text in differences(a.state(), b.state())]
    assert named == ["logical", "physical", "absolute", "e_flag", "e_absolute"]
