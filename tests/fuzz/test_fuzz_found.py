"""What the fuzz runs found, each as the smallest case that showed it.

Families: which words make G10 a retraction is from docs/reference/gcode_facts.md (marlin,
klipper and repetier: any; reprapfirmware: none; smoothie: no L).
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

import capturehook
from capturehook.catalog.containers.zip_file import gaps, numbered_images
from capturehook.errors import GcodeError, PoseError
from capturehook.frames.exif import parse_sub_seconds
from capturehook.frames.light import exposure_ev, flicker_ev
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from tests.fuzz.fuzz_checks import check_job
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table
from tests.variants import for_firmware

START, LAYER = b"G1 Z0.4 F720\n", 3


def job_with(line: str, *, firmware: str = "marlin", before: int = LAYER) -> bytes:
    """A small job for a family, with one line more just before a layer's own."""
    lines = for_firmware(make_job(Recipe(layers=4)).data, firmware).splitlines(keepends=True)
    at = [k for k, one in enumerate(lines) if b"Z0." in one][before]
    return b"".join([*lines[:at], line.encode() + b"\n", *lines[at:]])


def profile(firmware: str = "marlin", **more: object) -> Profile:
    return build_profile(profile_table(firmware, **more), "heron.toml")  # type: ignore[arg-type]


@pytest.mark.parametrize("line", ["G10 L2 P1 X5", "G10 S1", "G10 X1", "G11 S1", "G10 P1 R140"])
@pytest.mark.parametrize("by", ["moves", "firmware"])
@pytest.mark.parametrize(
    "firmware", ["marlin", "klipper", "repetier", "reprapfirmware", "smoothie"]
)
def test_g10_with_words_is_read_as_the_family_does(firmware: str, by: str, line: str) -> None:
    wishes = profile(firmware, retract={"by": by})
    assert check_job(Counter(), job_with(line, firmware=firmware), wishes) == []


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("G-0 X1", "G-0"),
        ("G+ X1", "G+"),
        ("G X1", "G"),
        ("g-53.8503 Z-0.3", "g-53.8503"),
        ("M-5", "M-5"),
        ("G1 E-0.8 F21G Z10", "G"),
        ("G0.000000001 X0", "G0.000000001"),
        ("N5 G1.5 X0", "G1.5"),
        ("M83.528", "M83.528"),
        ("G90.2", "G90.2"),
        ("T1.5", "T1.5"),
    ],
)
@pytest.mark.parametrize("firmware", ["marlin", "smoothie", "rs274"])
def test_command_without_a_plain_number_is_refused(firmware: str, line: str, found: str) -> None:
    small = firmware == "smoothie" and line[0].islower()  # a shell command of that board
    told = "is a command of the board's shell" if small else "is not a command"
    with pytest.raises(GcodeError, match=f"'{found.replace('+', '.')}' {told}"):
        capturehook.apply(job_with(line, firmware=firmware), profile(firmware))


def test_g1_0_is_g1_and_g91_1_a_command_of_its_own() -> None:
    assert capturehook.apply(job_with("G1.0 F3000\nG91.1\nG90.1\nG91.1"), profile()).poses


@pytest.mark.parametrize("firmware", ["marlin", "smoothie", "rs274"])
def test_command_after_digits_is_refused(firmware: str) -> None:
    with pytest.raises(GcodeError, match="is not a number"):
        capturehook.apply(job_with("5G1 X9", firmware=firmware), profile(firmware))


@pytest.mark.parametrize("firmware", ["marlin", "reprapfirmware", "smoothie", "rs274"])
def test_arc_outside_the_xy_plane_is_refused(firmware: str) -> None:
    with pytest.raises(GcodeError, match="outside the XY plane"):
        capturehook.apply(job_with("G19\nG3 Y99 J0 K1", firmware=firmware), profile(firmware))


@pytest.mark.parametrize("firmware", ["marlin", "reprapfirmware", "smoothie", "rs274"])
def test_arc_with_a_radius_too_short_is_refused(firmware: str) -> None:
    with pytest.raises(GcodeError, match="under half its chord"):
        capturehook.apply(job_with("G2 X9 Y9 R1", firmware=firmware), profile(firmware))


@pytest.mark.parametrize("line", ["\u00ff1 Z0.4 F720", "?X5", "1 X5 F99", "12X5", "1 E-0.8"])
def test_words_after_odd_bytes_are_refused_where_words_alone_move(line: str) -> None:
    for firmware in ("smoothie", "rs274"):
        with pytest.raises(GcodeError, match="is not a"):
            capturehook.apply(job_with(line, firmware=firmware), profile(firmware))


def test_unknown_rs274_command_with_axes_loses_the_position() -> None:
    """Canned cycles (RS-274/NGC 3.5.16) move by rules the job does not state."""
    job = job_with("G298 X15", firmware="rs274")
    made = capturehook.apply(job, profile("rs274"), skip_unsafe=True)
    assert check_job(Counter(), job, profile("rs274")) == []
    assert made.poses


def test_message_shows_no_more_than_a_part_of_a_long_word() -> None:
    with pytest.raises(GcodeError) as caught:
        capturehook.apply(job_with("G1 X" + "\u00ff" * 9000), profile())
    assert len(str(caught.value)) < 300


def test_message_holds_nothing_a_console_acts_upon() -> None:
    fault = GcodeError("a\x1b[2J\udce9.gcode", "bad\x07\u202e", "Look")
    assert str(fault) == "a\\x1b[2J\\udce9.gcode: bad\\x07\\u202e. Look."


def test_layer_image_of_a_huge_number_takes_no_memory() -> None:
    names = ["1.png", "2.png", "999999999.png", "9" * 5000 + ".png"]
    images, _ = numbered_images(names)
    (found,) = gaps(images, "job.zip")
    assert found.text == "999999996 layer image(s) missing, the first is number 3"


def test_sub_seconds_of_thousands_of_digits_are_read() -> None:
    assert parse_sub_seconds("3" * 6000) == (pytest.approx(1 / 3, abs=1e-8), 1e-9)


def test_black_frames_have_a_finite_exposure() -> None:
    ev = exposure_ev(np.array([0.0, 0.2, 0.2, 0.2, np.nan]))
    assert ev[:4].tolist() == [-20, 0, 0, 0]
    assert np.isfinite(flicker_ev(ev)[:4]).all()
    black = exposure_ev(np.array([0.0, 0.0, 0.3]))
    assert black[2] == 20


@pytest.mark.parametrize("line", ["U3 Z0.3 I1.2 J0 F3000", "E7", "I5 X60"])
def test_words_alone_that_begin_with_no_axis_are_refused(line: str) -> None:
    """Smoothieware GcodeDispatch.cpp goes on at X, Y, Z and F, and ignores all others."""
    job = job_with(line, firmware="smoothie")
    with pytest.raises(GcodeError, match=f"begin with {line[0]}, which is no axis"):
        capturehook.apply(job, profile("smoothie"))


def test_a_lone_f_on_smoothie_is_that_of_the_motion_in_force() -> None:
    """GcodeDispatch.cpp sends it again behind the last of G0 to G3; G0 keeps an F of its own."""
    job = job_with("G0 X50 F5000\nF1234", firmware="smoothie")
    posed = capturehook.apply(job, profile("smoothie"))
    assert len(posed.poses) > 1
    assert not any("F1234" in text for one in posed.poses for text in one.block.texts)


def test_pose_where_no_speed_was_stated_yet_is_refused() -> None:
    """What a machine does without any F is its own affair: no block could give it back."""
    job = b"G90\nM83\nG28\nG1 Z0.2\nG1 X9 Y9 E1\nG1 X50 E2\nG1 Z0.4\nG1 X9 E2 F900\nG1 Y50 E1\nM84"
    with pytest.raises(PoseError, match="states a feed"):
        capturehook.apply(job, profile(capture={"first_layer": 1}))


def test_command_after_odd_bytes_is_refused() -> None:
    with pytest.raises(GcodeError, match="is not a"):
        capturehook.apply(job_with("\u00e9\u00e8 G1 X5"), profile())


def test_filament_of_negative_thickness_is_refused() -> None:
    with pytest.raises(GcodeError, match="a filament of -1 mm"):
        capturehook.apply(job_with("M200 D-1"), profile())


def test_g92_of_an_axis_that_does_not_extrude_moves_no_number() -> None:
    """`G92 E0` where filament is on A. RS-274/NGC knows no E."""
    wishes = profile("rs274", machine={"extruder_axis": "A"}, retract={"by": "moves"})
    assert check_job(Counter(), job_with("G92 E0", firmware="rs274"), wishes) == []


def test_firmware_retraction_is_kept_for_each_tool() -> None:
    assert check_job(Counter(), job_with("G10\nT1"), profile(retract={"by": "firmware"})) == []


def test_prime_under_g91_with_absolute_filament_gives_the_number_back() -> None:
    """`G91` then `M82`: places are steps, filament is not (docs/reference/gcode_facts.md)."""
    start = b"G28\nG90\nM82\nG92 E0\nG1 X0 Y0 Z0.2 F900\n"
    layer = b"G91\nM82\nG1 X%d Y9 E%d\nG1 Z0.2\n"
    job = start + b"".join(layer % (9, k) for k in (1, 2, 3)) + b"G90\n"
    wishes = profile("smoothie", retract={"length_mm": 0, "extra_prime_mm": 0.05})
    assert check_job(Counter(), job, wishes) == []
    assert capturehook.apply(job, wishes).data.count(b"G92 E") > 1


def test_line_run_into_the_one_before_it_is_refused() -> None:
    with pytest.raises(GcodeError, match="'G1' stands after a checksum"):
        capturehook.apply(job_with("N10 G10*41N11 G1 Z0.2 F720*29"), profile())


def test_m_command_with_axes_moves_an_rs274_machine() -> None:
    """RS-274/NGC 3.8: a block's axis words belong to its motion, else to the last one."""
    wishes = profile("rs274")
    assert check_job(Counter(), job_with("M108 Y98 A1.056", firmware="rs274"), wishes) == []


@pytest.mark.parametrize("line", ["G92", "G92.1", "G92 P1"])
@pytest.mark.parametrize("firmware", ["marlin", "klipper", "smoothie", "rs274"])
def test_bare_g92_leaves_filament_where_it_is(firmware: str, line: str) -> None:
    data = for_firmware(make_job(Recipe(layers=4)).data, firmware)
    lines = data.replace(b"M83", b"M82").splitlines(keepends=True)
    at = [k for k, one in enumerate(lines) if b"Z0." in one][-1]
    job = b"".join([*lines[:at], line.encode() + b"\n", *lines[at:]])
    assert check_job(Counter(), job, profile(firmware)) == []


@pytest.mark.parametrize("words", ["I0 J0", "J0", "I0"])
def test_arc_about_its_own_start_is_refused(words: str) -> None:
    with pytest.raises(GcodeError, match="has no centre"):
        capturehook.apply(job_with(f"G2 X50 Y50 {words}"), profile())


@pytest.mark.parametrize("line", ["G1 XG90200 F9000", "G10X9 YG1 A0 F2100", "M104 SM3"])
@pytest.mark.parametrize("firmware", ["smoothie", "reprapfirmware", "rs274"])
def test_command_hidden_in_a_word_is_refused_where_a_line_holds_several(
    firmware: str, line: str
) -> None:
    with pytest.raises(GcodeError, match="hides in another word"):
        capturehook.apply(job_with(line, firmware=firmware), profile(firmware))


def test_command_after_a_percent_sign_is_refused() -> None:
    with pytest.raises(GcodeError, match="is not a"):
        capturehook.apply(job_with("%G1 X93 Y83 F9000"), profile())


@pytest.mark.parametrize(
    "line", [" X93.2 Y83*2 F9000", "X1107 Y97 A0.6\x1711 Z0.4 F740", "M200 06.8 Y96.3 A6.1223"]
)
def test_words_behind_what_is_no_word_are_refused_where_words_alone_move(line: str) -> None:
    with pytest.raises(GcodeError, match="stands behind what is not a word"):
        capturehook.apply(job_with(line, firmware="rs274"), profile("rs274"))
