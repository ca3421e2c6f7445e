"""Optics against handbook forms, published examples, a ray trace and scipy."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import jn_zeros

from capturehook.physics import optics

FOCAL = st.floats(10, 200)
STOP = st.floats(1, 32)
CIRCLE = st.floats(0.003, 0.05)


# Thin-lens algebra by hand (any optics textbook): 50 mm lens, subject at 600 mm.
def test_thin_lens_50_mm_at_600_mm():
    assert optics.magnification(50, 600) == pytest.approx(1 / 11)
    assert optics.field_mm(50, 36, 600) == pytest.approx(396)
    assert optics.field_mm(50, 24, 600) == pytest.approx(264)
    assert optics.focus_mark_mm(50, 600) == pytest.approx(654.545, abs=5e-4)


def test_focus_mark_at_life_size_is_four_focal_lengths():  # textbook: least D is 4 f at m = 1
    assert optics.focus_mark_mm(50, 100) == pytest.approx(200)
    assert all(optics.focus_mark_mm(50, s) > 200 for s in (99, 101, 80, 140))


def test_distance_for_300_mm_field():  # s = f (1 + 300/36), by hand
    assert optics.distance_for_field_mm(50, 36, 300) == pytest.approx(466.667, abs=5e-4)


# 2 atan(w/2f); the figures for 50 mm on 36 x 24 (39.6, 27.0, 46.8 deg) are in every lens table.
@pytest.mark.parametrize(
    ("side_mm", "angle_deg"), [(36, 39.598), (24, 26.991), (math.hypot(36, 24), 46.793)]
)
def test_view_angle_of_50_mm(side_mm, angle_deg):
    assert optics.view_angle_deg(50, side_mm) == pytest.approx(angle_deg, abs=5e-4)


# Widely published example: 50 mm, f/8, circle 0.03 mm -> 10.47 m; near limit is half of it.
def test_hyperfocal_published_example():
    reach_mm = optics.hyperfocal_mm(50, 8, 0.03)
    assert reach_mm == pytest.approx(10466.667, abs=5e-4)
    near_mm, far_mm = optics.depth_of_field_mm(50, 8, 0.03, reach_mm)
    assert near_mm == pytest.approx(5233.333, abs=5e-4)
    assert far_mm == math.inf


# Computed apart from the project with the textbook forms s(H-f)/(H+s-2f), s(H-f)/(H-s).
@pytest.mark.parametrize(
    ("focal_mm", "circle_mm", "near_mm", "far_mm", "depth_mm"),
    [(50, 0.03, 569.9088, 633.4459, 63.5371), (35, 0.02, 558.7654, 647.8054, 89.0400)],
)
def test_depth_of_field_at_600_mm_f8(focal_mm, circle_mm, near_mm, far_mm, depth_mm):
    near, far = optics.depth_of_field_mm(focal_mm, 8, circle_mm, 600)
    assert (near, far) == (pytest.approx(near_mm, abs=1e-4), pytest.approx(far_mm, abs=1e-4))
    assert far - near == pytest.approx(depth_mm, abs=2e-4)


def _blur_disk_mm(focal_mm, f_number, focus_mm, point_mm):
    """Ray trace: two edge rays of the lens to the image of a point, cut by the sensor."""
    pupil_mm = focal_mm / f_number
    sensor_mm = 1 / (1 / focal_mm - 1 / focus_mm)
    image_mm = 1 / (1 / focal_mm - 1 / point_mm)
    return pupil_mm * abs(sensor_mm - image_mm) / image_mm


@pytest.mark.property
@given(FOCAL, STOP, CIRCLE, st.floats(2.5, 60))
def test_limits_of_depth_of_field_blur_to_the_circle(focal_mm, f_number, circle_mm, times):
    """Definition of depth of field: a point at either limit is drawn as the circle."""
    focus_mm = focal_mm * times
    near_mm, far_mm = optics.depth_of_field_mm(focal_mm, f_number, circle_mm, focus_mm)
    assert near_mm < focus_mm < far_mm
    assert _blur_disk_mm(focal_mm, f_number, focus_mm, near_mm) == pytest.approx(circle_mm)
    if far_mm < 1e6:
        assert _blur_disk_mm(focal_mm, f_number, focus_mm, far_mm) == pytest.approx(circle_mm)


@pytest.mark.property
@given(FOCAL, st.floats(2.5, 60))
def test_thin_lens_identity(focal_mm, times):
    """1/f = 1/s + 1/s' and m = s'/s; the field turns back into the distance."""
    distance_mm = focal_mm * times
    image_mm = optics.image_distance_mm(focal_mm, distance_mm)
    assert 1 / distance_mm + 1 / image_mm == pytest.approx(1 / focal_mm)
    assert optics.magnification(focal_mm, distance_mm) == pytest.approx(image_mm / distance_mm)
    field_mm = optics.field_mm(focal_mm, 24, distance_mm)
    assert optics.distance_for_field_mm(focal_mm, 24, field_mm) == pytest.approx(distance_mm)


@pytest.mark.property
@given(FOCAL, st.floats(1, 40), st.floats(0, 300))
def test_box_at_its_distance_shows_its_field_at_the_front(focal_mm, ratio, depth_mm):
    """Similar triangles: the front plane at that distance sees just the field asked for."""
    field_mm = 24 * ratio
    front_mm = optics.distance_for_box_mm(focal_mm, 24, field_mm, depth_mm)
    focus_mm = optics.focus_for_limits_mm(front_mm, front_mm + depth_mm)
    assert optics.field_at_mm(focal_mm, 24, focus_mm, front_mm) == pytest.approx(field_mm)
    assert optics.field_at_mm(focal_mm, 24, focus_mm, focus_mm) == pytest.approx(
        optics.field_mm(focal_mm, 24, focus_mm)
    )
    flat_mm = optics.distance_for_box_mm(focal_mm, 24, field_mm, 0)
    assert flat_mm == pytest.approx(optics.distance_for_field_mm(focal_mm, 24, field_mm))


@pytest.mark.property
@given(FOCAL, CIRCLE, st.floats(3, 30), st.floats(1.001, 2))
def test_f_number_for_limits_gives_those_limits(focal_mm, circle_mm, times, stretch):
    near_mm, far_mm = focal_mm * times, focal_mm * times * stretch
    f_number = optics.f_number_for_limits(focal_mm, circle_mm, near_mm, far_mm)
    focus_mm = optics.focus_for_limits_mm(near_mm, far_mm)
    found = optics.depth_of_field_mm(focal_mm, f_number, circle_mm, focus_mm)
    assert found == (pytest.approx(near_mm), pytest.approx(far_mm))


@pytest.mark.property
@given(FOCAL, STOP, st.floats(1.01, 2), CIRCLE, st.floats(3, 20))
def test_depth_grows_with_the_f_number(focal_mm, f_number, more, circle_mm, times):
    focus_mm = focal_mm * times
    wide = optics.depth_of_field_mm(focal_mm, f_number, circle_mm, focus_mm)
    small = optics.depth_of_field_mm(focal_mm, f_number * more, circle_mm, focus_mm)
    assert small[0] < wide[0]
    assert small[1] >= wide[1]


def test_bellows_at_one_to_eleven():  # N(1+m), 2 log2(1+m) by hand
    assert optics.effective_f_number(8, 1 / 11) == pytest.approx(8.72727, abs=5e-6)
    assert optics.bellows_loss_ev(1 / 11) == pytest.approx(0.251062, abs=5e-7)
    assert optics.bellows_loss_ev(1.0) == pytest.approx(2)  # textbook: life size costs two stops


def test_scale_of_23_5_mm_sensor():  # by hand: 23.5 (600-35)/35, 6000 over it
    field_mm = optics.field_mm(35, 23.5, 600)
    scale = optics.scale_px_mm(6000, field_mm)
    assert field_mm == pytest.approx(379.357, abs=5e-4)
    assert scale == pytest.approx(15.81623, abs=5e-6)
    assert 0.02 * scale == pytest.approx(0.31632, abs=5e-6)


def test_exposure_for_ev100_7_at_f8():  # 64/2^7 s, arithmetic
    assert optics.exposure_for_s(7, 8, 100) == pytest.approx(0.5)


@pytest.mark.property
@given(st.floats(-2, 18), STOP, st.floats(25, 25600))
def test_exposure_for_a_scene_has_the_scenes_ev(ev100, f_number, iso):
    exposure_s = optics.exposure_for_s(ev100, f_number, iso)
    found = math.log2(f_number**2 / exposure_s) - math.log2(iso / 100)  # APEX: EV - Sv
    assert found == pytest.approx(ev100, abs=1e-9)


def test_airy_factor_against_bessel_zero():
    """First zero of J1 by scipy: diameter 2 x 3.8317/pi lambda N (textbook rounds to 2.44)."""
    factor = 2 * float(jn_zeros(1, 1)[0]) / math.pi
    assert optics.airy_disk_mm(1, 1e6) == pytest.approx(factor, rel=5e-4)
    assert optics.airy_disk_mm(8, 550) == pytest.approx(0.0107, abs=5e-5)  # textbook: f/8 10.7 um


@pytest.mark.property
@given(CIRCLE, st.floats(0, 1))
def test_diffraction_f_number_fills_the_circle(circle_mm, magnification):
    f_number = optics.diffraction_f_number(circle_mm, magnification)
    felt = optics.effective_f_number(f_number, magnification)
    assert optics.airy_disk_mm(felt) == pytest.approx(circle_mm)


@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.parametrize("waves", [1, 2, 5, 12])
def test_whole_lamp_waves_do_not_flicker(mains_hz, waves):  # n/100 s, n/120 s
    exposure_s = waves / (2 * mains_hz)
    assert optics.flicker_ev(exposure_s, mains_hz) == pytest.approx(0, abs=1e-9)


@pytest.mark.property
@given(st.floats(0.0005, 0.2), st.sampled_from([50, 60]), st.floats(0, 0.95))
def test_flicker_against_brute_force_integration(exposure_s, mains_hz, ripple):
    """Mean light of many windows at even phases, integrated by small steps."""
    steps, phases = 400, 48
    rate = 2 * math.pi * 2 * mains_hz
    means = [
        sum(
            1 + ripple * math.cos(rate * exposure_s * (i + 0.5) / steps + 2 * math.pi * p / phases)
            for i in range(steps)
        )
        / steps
        for p in range(phases)
    ]
    darkest_to_brightest = 2 ** optics.flicker_ev(exposure_s, mains_hz, ripple)
    swing = (darkest_to_brightest - 1) / (darkest_to_brightest + 1)
    assert swing == pytest.approx((max(means) - min(means)) / 2, abs=0.003)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: optics.magnification(50, 50), "distance_mm"),
        (lambda: optics.hyperfocal_mm(50, 0, 0.03), "f_number"),
        (lambda: optics.scale_px_mm(6000, math.inf), "field_mm"),
        (lambda: optics.f_number_for_limits(50, 0.03, 600, 500), "near_mm"),
        (lambda: optics.flicker_ev(0.01, 50, 1.2), "ripple"),
    ],
)
def test_numbers_without_meaning_are_refused_by_name(call, word):
    with pytest.raises(ValueError, match=word):
        call()
