"""Advice on optics: that following it cures what was found, and that its numbers are right."""

import dataclasses
import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from capturehook.errors import CaptureHookError
from capturehook.model.shutter import SHUTTERS, shutter_seconds, true_shutter_s
from capturehook.physics import optics
from capturehook.profile import build_profile
from capturehook.rig.advice import as_plain
from capturehook.rig.camera_setup import (
    SENSOR_FORMATS_MM,
    CameraSetup,
    SubjectBox,
    setup_from_profile,
)
from capturehook.rig.exposure_advice import Shake
from capturehook.rig.optics_advice import STOPS, advise_optics, distance_for_sharpness_mm

LIGHTHOUSE = SubjectBox(width_mm=60, depth_mm=60, height_mm=120)
FULL = {"sensor_mm": (36.0, 24.0), "focal_mm": 50.0}


def _codes(advice):
    return {finding.code for finding in advice.findings}


def _advise(subject=LIGHTHOUSE, **setup):
    return advise_optics(CameraSetup(**setup), subject)


def test_flat_subject_stands_at_the_handbooks_distance():
    """s = f (1 + 300/36) = 466.667 mm for a 300 mm field on a 36 mm sensor (thin lens)."""
    flat = SubjectBox(width_mm=300, depth_mm=0, height_mm=10)
    view = _advise(flat, **FULL, fill=1.0).view
    assert view.front_mm == pytest.approx(466.667, abs=5e-4)
    assert view.focus_mm == pytest.approx(view.front_mm)
    assert view.fill[0] == pytest.approx(1)


def test_field_scale_and_focus_mark_at_600_mm():
    """By hand: 23.5 mm, 6000 px, 35 mm at 600: 379.357 mm, 15.81623 px/mm."""
    view = _advise(SubjectBox(width_mm=60, depth_mm=0, height_mm=60), distance_mm=600.0).view
    assert view.field_front_mm[0] == pytest.approx(379.357, abs=5e-4)
    assert view.front_px_mm == pytest.approx(15.81623, abs=5e-6)
    assert view.focus_mark_mm == pytest.approx(600 + 35 * 600 / 565)


def test_depth_of_field_agrees_with_the_textbook_case():
    """50 mm, f/8, circle 0.03, s 600: 569.9088 to 633.4459 mm."""
    flat = SubjectBox(width_mm=60, depth_mm=0, height_mm=60)
    sharp = _advise(flat, **FULL, circle_mm=0.03, distance_mm=600.0).sharpness
    assert (sharp.near_mm, sharp.far_mm) == (
        pytest.approx(569.9088, abs=1e-4),
        pytest.approx(633.4459, abs=1e-4),
    )


def test_tilted_camera_sees_height_as_depth():
    """Geometry: from straight above, height and depth change places."""
    seen = LIGHTHOUSE.seen_from_above(90)
    assert (seen.depth_mm, seen.height_mm) == (pytest.approx(120), pytest.approx(60))
    seen = LIGHTHOUSE.seen_from_above(30)
    assert seen.depth_mm == pytest.approx(60 * math.sqrt(3) / 2 + 60)
    assert seen.height_mm == pytest.approx(60 * math.sqrt(3) + 30)


def test_upright_camera_comes_closer_to_a_tall_part():
    level, upright = _advise(), _advise(upright=True)
    assert upright.view.front_mm == pytest.approx(level.view.turned_front_mm)
    assert upright.view.front_px_mm > level.view.front_px_mm


def test_depth_short_is_cured_by_the_f_number_it_names():
    found = _advise(f_number=4.0)
    assert "depth-short" in _codes(found)
    cured = _advise(f_number=found.sharpness.suggested_f_number)
    assert not _codes(cured)


def test_cut_off_is_cured_by_the_distance_it_names():
    found = _advise(distance_mm=150.0, f_number=13.0)
    assert "cut-off" in _codes(found)
    text = next(one.text for one in found.findings if one.code == "cut-off")
    assert "from 150 to 369 mm (by 219 mm)" in text
    assert "cut-off" not in _codes(_advise(distance_mm=369.0))


def test_depth_or_diffraction_is_cured_by_moving_back():
    close = {"upright": True, "f_number": 16.0}
    assert "depth-or-diffraction" in _codes(_advise(**close))
    seen = LIGHTHOUSE.seen_from_above(0)
    back_mm = distance_for_sharpness_mm(CameraSetup(**close), seen) + 1
    moved = _advise(**close, distance_mm=back_mm)
    assert "depth-or-diffraction" not in _codes(moved)
    assert moved.sharpness.depth_f_number <= moved.sharpness.diffraction_f_number


def test_depth_or_diffraction_is_cured_by_the_circle_it_names():
    found = _advise(upright=True, f_number=18.0)
    text = next(one.text for one in found.findings if one.code == "depth-or-diffraction")
    circle_mm = float(text.split("circle of ")[1].split(" mm")[0])
    again = _advise(upright=True, f_number=18.0, circle_mm=circle_mm)
    assert not _codes(again)
    ratio = again.sharpness.depth_f_number / again.sharpness.diffraction_f_number
    assert ratio == pytest.approx(1, abs=0.01)


def test_diffraction_is_cured_by_opening_up():
    found = _advise(f_number=32.0)
    assert "diffraction" in _codes(found)
    assert "diffraction" not in _codes(_advise(f_number=found.sharpness.suggested_f_number))


@pytest.mark.property
@given(
    st.sampled_from(SENSOR_FORMATS_MM),
    st.floats(1, 3),
    st.floats(10, 200),
    st.floats(0, 150),
    st.floats(10, 200),
    st.booleans(),
    st.floats(0, 60),
)
def test_suggested_f_number_always_cures(sensor, lens, wide, deep, high, upright, tilt):
    """Whatever the camera: with the suggestion only "no stop does both" may be left."""
    setup = CameraSetup(
        sensor_mm=sensor,
        focal_mm=sensor[0] * lens,
        fill=0.5,
        upright=upright,
        tilt_deg=tilt,
        distance_mm=2000.0,
    )
    subject = SubjectBox(width_mm=wide, depth_mm=deep, height_mm=high)
    first = advise_optics(setup, subject)
    again = dataclasses.replace(setup, f_number=first.sharpness.suggested_f_number)
    second = advise_optics(again, subject)
    assert _codes(second) <= {"cut-off", "depth-or-diffraction"}
    assert ("depth-or-diffraction" in _codes(second)) == (not first.sharpness.possible)
    if first.sharpness.possible:
        assert second.sharpness.covers


@pytest.mark.property
@given(st.floats(20, 200), st.floats(0, 200), st.floats(20, 200), st.floats(0.2, 1))
def test_fill_is_met_and_never_passed(wide, deep, high, fill):
    """The front of the box takes just the share asked for on the tighter side."""
    subject = SubjectBox(width_mm=wide, depth_mm=deep, height_mm=high)
    setup = CameraSetup(fill=fill)
    assume(min(wide / 23.5, high / 15.6) / fill > 1.5)
    assert max(advise_optics(setup, subject).view.fill) == pytest.approx(fill)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_offered_shutters_are_whole_lamp_pulses_or_long(mains_hz):
    """n/100 s at 50 Hz, n/120 s at 60 Hz; by 1 s a rest of a pulse no longer matters."""
    for ev100 in (12, 9, 6):
        for one in _advise(f_number=11.0, mains_hz=mains_hz, ev100=ev100).exposure.choices:
            whole = abs(one.lamp_waves - round(one.lamp_waves)) < 1e-6
            assert whole or optics.flicker_ev(one.exposure_s, mains_hz) < 0.05


def test_shutter_choice_balances_with_iso_or_f_number():
    """APEX: the matched ISO, or f-number, exposes the same scene rightly."""
    exposure = _advise(f_number=11.0, ev100=7.0).exposure
    felt = exposure.effective_f_number / 11
    for one in exposure.choices:
        by_iso = math.log2((11 * felt) ** 2 / one.exposure_s) - math.log2(one.match_iso / 100)
        by_stop = math.log2((one.match_f_number * felt) ** 2 / one.exposure_s)
        assert by_iso == pytest.approx(7)
        assert by_stop == pytest.approx(7)


@pytest.mark.parametrize(
    ("mains_hz", "bad", "beside"), [(50.0, "1/80", "1/100 or 1/50"), (60.0, "1/50", "1/40")]
)
def test_lamp_flicker_names_the_steady_marks_beside(mains_hz, bad, beside):
    """50 Hz: 0.05 EV at 1/100 and 1/50; 60 Hz: the first steady mark is 1/40 (0.02 EV), not 1/60:
    sin(pi n)/(pi n) of the true times, n = 2 f t (Fourier transform of a rectangle)."""
    bad_s = true_shutter_s(shutter_seconds(bad))
    found = _advise(f_number=13.0, mains_hz=mains_hz, exposure_s=bad_s)
    text = next(one.text for one in found.findings if one.code == "lamp-flicker")
    assert f"Use {beside} s as marked" in text
    for good in beside.split(" or "):
        true_s = true_shutter_s(shutter_seconds(good))
        cured = _advise(f_number=13.0, mains_hz=mains_hz, exposure_s=true_s)
        assert "lamp-flicker" not in _codes(cured)


def test_marked_60th_flickers_on_60_hz():
    """1/60 marked is 1/64 s: 1.875 pulses, 0.1877 EV at full ripple; a true 1/60 has none."""
    found = _advise(f_number=13.0, mains_hz=60.0, exposure_s=true_shutter_s(1 / 60))
    assert found.exposure.flicker_ev == pytest.approx(0.1877, abs=5e-5)
    assert "lamp-flicker" in _codes(found)


def test_exposure_off_counts_stops_from_the_meter():
    """APEX: EV100 7, f/8 felt as f/8.77 asks 0.60 s; 0.1 s is 2.6 stops under."""
    found = _advise(ev100=7.0, exposure_s=0.1, f_number=8.0)
    text = next(one.text for one in found.findings if one.code == "exposure-off")
    assert "2.6 EV under" in text
    assert "exposure-off" not in _codes(_advise(exposure_s=0.1, f_number=8.0))  # no meter


def test_blur_by_hand_and_cured_by_the_wait_it_names():
    """30 Hz, 0.1, 0.5 mm: A(0.1 s) = 0.5 e^(-0.1 x 188.5 x 0.1) = 0.0759 mm, twice that smears."""
    shakes = (Shake(30, 0.1, 0.5),)
    found = _advise(f_number=13.0, shakes=shakes, settle_s=0.1)
    assert found.blur.amplitude_mm == pytest.approx(0.0759, abs=5e-5)
    assert found.blur.blur_px == pytest.approx(2 * 0.0759 * found.view.front_px_mm, rel=1e-3)
    assert "shake-blur" in _codes(found)
    cured = _advise(f_number=13.0, shakes=shakes, settle_s=found.blur.settle_needed_s)
    assert cured.blur.blur_px == pytest.approx(1.0, abs=1e-6)
    assert not _codes(cured)


def test_slow_tripod_rules_the_wait():
    """ln(start/still)/(zeta w): the 8 Hz tripod needs longer than the 30 Hz bed."""
    bed, tripod = Shake(30, 0.1, 0.5), Shake(8, 0.03, 0.1)
    alone = _advise(f_number=13.0, shakes=(bed,)).blur.settle_needed_s
    both = _advise(f_number=13.0, shakes=(bed, tripod)).blur.settle_needed_s
    assert both > 3 * alone
    assert _advise(f_number=13.0).blur is None


def test_profile_gives_camera_and_settling():
    profile = build_profile(
        {
            "schema": 1,
            "name": "heron",
            "machine": {"firmware": "marlin", "x_mm": [0, 235], "y_mm": [0, 235], "z_mm": [0, 250]},
            "park": {
                "x_mm": 8,
                "y_mm": 215,
                "settle": {"frequency_hz": 30, "damping": 0.1, "start_mm": 0.5, "still_mm": 0.02},
            },
            "camera": {"focal_mm": 50, "f_number": 11, "exposure_ms": 500},
            "trigger": {"by": "wait", "fired_by": "hand"},
        },
        "heron.toml",
    )
    setup = setup_from_profile(profile)
    assert (setup.focal_mm, setup.f_number, setup.exposure_s) == (50, 11, 0.5)
    assert setup.settle_s == pytest.approx(0.170767, abs=1e-6)  # ln 25/(0.1 x 188.5), by hand
    assert setup.shakes == (Shake(30, 0.1, 0.5),)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"f_number": 0.0}, "f_number"),
        ({"fill": 1.2}, "fill"),
        ({"tilt_deg": math.nan}, "tilt_deg"),
        ({"sensor_mm": (23.5, -1.0)}, "sensor_mm"),
        ({"distance_mm": 60.0}, "distance_mm"),
        ({"iso": math.inf}, "iso"),
    ],
)
def test_impossible_camera_is_one_clear_error(change, where):
    with pytest.raises(CaptureHookError) as fault:
        CameraSetup(**change)
    assert str(fault.value.where) == where
    assert fault.value.advice.startswith(("Give", "Measure"))


def test_subject_larger_than_life_is_refused():
    with pytest.raises(CaptureHookError, match="larger than life"):
        _advise(SubjectBox(width_mm=5, depth_mm=5, height_mm=5), fill=1.0)


def test_marked_series_are_third_stops():
    """Third stops: f-numbers 2^(i/6), times 2^(i/3) from 32 s; marks are rounded by up to 8 %."""
    for index, stop in enumerate(STOPS):
        assert stop == pytest.approx(2 ** (index / 6), rel=0.07)
    for index, marked in enumerate(reversed(SHUTTERS)):
        assert shutter_seconds(marked) == pytest.approx(2 ** (5 - index / 3), rel=0.08)


@pytest.mark.parametrize("text", ["1/0", "0", "-1/60", "a/b", "nan", "1/60/2"])
def test_shutter_text_without_meaning_is_refused(text):
    with pytest.raises(ValueError, match=r".+"):
        shutter_seconds(text)


def test_plain_has_no_infinity():
    far = as_plain(_advise(SubjectBox(width_mm=4000, depth_mm=0, height_mm=4000), f_number=22.0))
    assert far["sharpness"]["far_mm"] is None
    assert far["view"]["front_mm"] > far["sharpness"]["hyperfocal_mm"]
