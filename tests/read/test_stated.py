"""What jobs state of themselves, in the forms of several kinds of host.

The values of the real jobs were read by eye from the files; the forms without a real job here are
made after public job files.
"""

from __future__ import annotations

import gzip
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.errors import GcodeError
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from capturehook.read.stated import EDGE_BYTES, Stated
from capturehook.read.verdict import refuse_job, stated_findings
from tests.strategies import profile_table

DATA = Path(__file__).parents[1] / "data"
BODY = b"G90\nM82\nG1 Z0.2 F600\nG1 X9 Y9 E1 F900\nG1 X50 E2\nG1 Z0.4\nG1 X9 E3\nG1 Y50 E4\nM84\n"
DUMP = b"""; gcode_flavor = klipper
; bed_shape = -10x0,250x0,250x210,-10x210
; max_print_height = 210
; nozzle_diameter = 0.6,0.6
; filament_diameter = 1.75
; retract_length = 0.8
; filament_retract_length = 1.7
; retract_speed = 35
; use_volumetric_e = 0
; machine_max_feedrate_x = 200,100
; machine_max_acceleration_extruding = 1250,960
"""


def real(name: str) -> bytes:
    return gzip.decompress((DATA / f"{name}.gcode.gz").read_bytes())


def findings(data: bytes, firmware: str = "marlin", **tables: object) -> list[str]:
    profile = build_profile(profile_table(firmware, **tables), "heron.toml")
    return [str(one) for one in stated_findings(read_job(data, "job.gcode", profile))]


def test_dump_of_a_real_job_says_what_stands_in_it() -> None:
    stated = Stated.of(real("spiral_single_wall"))
    assert stated.flavour is not None and stated.flavour.text == "reprap"
    assert stated.bed_mm == ((0, 200), (0, 200))
    assert (stated.height_mm, stated.nozzle_mm, stated.filament_mm) == (200, 0.4, 1.75)
    assert (stated.retract_mm, stated.retract_mm_min) == (2, 2400)
    assert (stated.is_volumetric, stated.is_relative_e) == (False, False)


def test_header_of_a_real_job_says_its_flavour_alone() -> None:
    stated = Stated.of(real("layer_number_after_z"))
    assert stated.flavour is not None and (stated.flavour.text, stated.flavour.offset) == (
        "Marlin",
        0,
    )
    assert stated.bed_mm is None and stated.retract_mm is None


def test_values_of_a_dump() -> None:
    """A filament's own value comes before the printer's; of a pair the first is the normal one."""
    stated = Stated.of(DUMP)
    assert stated.bed_mm == ((-10, 250), (0, 210))
    assert (stated.retract_mm, stated.retract_mm_min, stated.nozzle_mm) == (1.7, 2100, 0.6)
    assert stated.limits() == {"max_mm_min": {"x": 12000}}
    assert stated.limits(1) == {"max_mm_min": {"x": 6000}}
    assert stated.accelerations() == {"accel_mm_s2": 1250}


@pytest.mark.parametrize(
    ("text", "bed", "height", "nozzle", "retract", "speed"),
    [
        (
            b"; printable_area = 0x0,256x0,256x256,0x256\n; printable_height = 250\n"
            b"; nozzle_diameter = 0.4\n; filament_retraction_length = nil\n"
            b"; retraction_length = 0.8\n; retraction_speed = 30\n",
            ((0, 256), (0, 256)), 250, 0.4, 0.8, 1800,
        ),
        (
            b';SETTING_3 {"global_quality": "[values]\\\\nmachine_width = 220\\\\nmachine_dep\n'
            b';SETTING_3 th = 230\\\\nmachine_height = 240\\\\nmachine_center_is_zero = True\\\\n\n'
            b';SETTING_3 ", "extruder_quality": ["retraction_amount = 5\\\\nretraction_retract_\n'
            b';SETTING_3 speed = 45\\\\nmachine_nozzle_size = 0.8\\\\n"]}\n',
            ((-110, 110), (-115, 115)), 240, 0.8, 5, 2700,
        ),
        (
            b";   strokeXoverride,200\n;   strokeYoverride,180\n;   strokeZoverride,160\n"
            b";   originOffsetXoverride,10\n;   originOffsetYoverride,0\n"
            b";   nozzleDiameter,0.35|0.4\n;   extruderDiameter,0.35\n"
            b";   extruderRetractionDistance,1.5\n"
            b";   extruderRetractionSpeed,2400\n",
            ((-10, 190), (0, 180)), 160, 0.35, 1.5, 2400,
        ),
        (
            b"; bed_size_x_mm = 150\n; bed_size_y_mm = 140\n; bed_size_z_mm = 130\n"
            b"; nozzle_dia_1 = 0.5\n; destring_length = 2\n; destring_speed_mm_per_s = 20\n",
            ((0, 150), (0, 140)), 130, 0.5, 2, 1200,
        ),
    ],
)  # fmt: skip
def test_each_form_of_statement_is_read(
    text: bytes, bed: object, height: float, nozzle: float, retract: float, speed: float
) -> None:
    stated = Stated.of(BODY + text)
    assert stated.bed_mm == bed
    assert (stated.height_mm, stated.nozzle_mm) == (height, nozzle)
    assert (stated.retract_mm, stated.retract_mm_min) == (retract, speed)


@given(st.binary(max_size=400))
def test_any_bytes_are_read_without_a_fault(junk: bytes) -> None:
    stated = Stated.of(b"; bed_shape = " + junk + b"\n; retract_length = " + junk + b"\n" + junk)
    _ = (stated.bed_mm, stated.retract_mm, stated.limits(), stated.accelerations())


def test_line_of_a_setting_is_right_in_both_parts_of_a_large_job() -> None:
    big = b";FLAVOR:Klipper\n" + b"G1 X1\n" * (EDGE_BYTES // 2) + DUMP
    stated = Stated.of(big)
    assert stated.flavour is not None and stated.bed is not None
    assert big[stated.bed.offset :].startswith(b"; bed_shape")
    assert stated.settings["FLAVOR"].offset == 0


def test_contradictions_are_told_with_both_values_and_the_line() -> None:
    wishes = {"machine": {"x_mm": [0, 400], "z_mm": [0, 0.9]}, "park": {"x_mm": 390, "y_mm": 9}}
    said = findings(BODY + DUMP, retract={"length_mm": 0.8}, **wishes)
    codes = [one.rpartition("[other-")[2] for one in said]
    assert codes == ["firmware]", "bed]", "height]", "retraction]"]
    lines = (BODY + DUMP).decode().splitlines()
    keys = ("gcode_flavor", "bed_shape", "max_print", "filament_retract")
    for one, key in zip(said, keys, strict=True):
        line_no = int(one.split(":")[1])
        assert key in lines[line_no - 1]
    assert "sliced for 'klipper', but [machine] firmware is marlin" in said[0]
    assert "-10 to 250 mm in X, but [machine] x_mm is 0 to 400 mm and a pose goes to 390" in said[1]
    assert "210 mm, but [machine] z_mm ends at 0.9, and the head goes up to" in said[2]
    assert "a retraction of 1.7 mm, but [retract] length_mm is 0.8" in said[3]


def test_a_difference_that_no_block_of_the_job_meets_is_not_told() -> None:
    """Another bed and height, but all is printed and parked within both."""
    assert not [one for one in findings(BODY + DUMP) if "[other-bed]" in one or "height]" in one]


def test_profile_that_agrees_or_means_it_so_is_told_nothing() -> None:
    machine = {
        "x_mm": [-12, 255],
        "y_mm": [0, 220],
        "z_mm": [0, 210],
        "max_mm_min": {"x": 12000, "y": 12000, "z": 900, "e": 3600},
    }
    retract = {"length_mm": 1.7}
    assert findings(BODY + DUMP, "klipper", machine=machine, retract=retract) == []
    machine["sliced_for"] = "klipper"
    assert findings(BODY + DUMP, "marlin", machine=machine, retract=retract) == []


@pytest.mark.parametrize(
    ("data", "machine", "line_no", "found"),
    [
        (BODY + b"; use_volumetric_e = 1\n", {}, 10, "the job counts E in mm3, the profile in mm"),
        (b";FLAVOR:Marlin(Volumetric)\n" + BODY, {}, 1, "the job counts E in mm3"),
        (
            BODY + b"; use_volumetric_e = 0\n",
            {"volumetric": True},
            10,
            "E in mm, the profile",
        ),
        (
            BODY.replace(b"M82\n", b"").replace(b"G1 Y50 E4\n", b"G1 Y50 E0.9\nG1 Y9 E1\n" * 40),
            {},
            3,
            "the job says neither M82 nor M83",
        ),
        (
            BODY.replace(b"M82\n", b"") + b"; use_relative_e_distances = 1\n",
            {},
            9,
            "never says M83",
        ),
    ],
)
def test_where_a_block_would_be_wrong_the_job_is_refused(
    data: bytes, machine: dict[str, object], line_no: int, found: str
) -> None:
    profile = build_profile(profile_table("marlin", machine=machine), "heron.toml")
    with pytest.raises(GcodeError, match=found) as caught:
        refuse_job(read_job(data, "job.gcode", profile))
    assert caught.value.where.line_no == line_no


@pytest.mark.parametrize(
    "data",
    [
        BODY + b"; use_volumetric_e = 0\n; use_relative_e_distances = 1\n",  # M82 in the job wins
        BODY.replace(b"M82", b"M83") + b"; use_relative_e_distances = 1\n",
        b"M200 D1.75\n" + BODY + b"; use_volumetric_e = 1\n",
    ],
)
def test_what_the_job_commands_itself_comes_before_its_settings(data: bytes) -> None:
    refuse_job(read_job(data, "job.gcode", build_profile(profile_table("marlin"), "heron.toml")))


def corners(count: int, radius_x_mm: float, radius_y_mm: float) -> bytes:
    """A bed by its corners, as hosts write it: points of an ellipse about 0, 0."""
    turns = (2 * math.pi * k / count for k in range(count))
    points = (f"{radius_x_mm * math.cos(a):.4f}x{radius_y_mm * math.sin(a):.4f}" for a in turns)
    return b"; bed_shape = " + ",".join(points).encode() + b"\n"


def test_form_of_a_bed_is_told_by_its_corners() -> None:
    assert Stated.of(corners(72, 90, 90)).bed_form == "round"
    assert Stated.of(corners(72, 90, 90)).bed_mm == ((-90, 90), (-90, 90))
    assert Stated.of(corners(36, 120, 90)).bed_form == "round"
    assert Stated.of(corners(4, 90, 90)).bed_form == "other"
    assert Stated.of(b"; bed_shape = 0x0,90x0,90x50,40x50,40x90,0x90\n").bed_form == "other"
    assert Stated.of(DUMP).bed_form == "box"
    assert Stated.of(b"; machine_shape = elliptic\n; machine_width = 180\n; machine_depth = 180\n"
                     ).bed_form == "round"  # fmt: skip
    assert Stated.of(b"").bed_form == ""


def test_pose_past_the_edge_of_a_round_bed_is_told_unless_the_profile_knows() -> None:
    job, machine = BODY + corners(72, 100, 100), {"x_mm": [-100, 100], "y_mm": [-100, 100]}
    corner, inside = {"x_mm": -75, "y_mm": 75}, {"x_mm": -65, "y_mm": 65}
    assert "set [machine] round = true" in "".join(findings(job, machine=machine, park=corner))
    assert not [one for one in findings(job, machine=machine, park=inside) if "round" in one]
    machine |= {"round": True}
    assert not [one for one in findings(job, machine=machine, park=inside) if "round" in one]
