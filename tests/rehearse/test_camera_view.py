"""The pinhole camera against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.errors import PlanError
from capturehook.model.profile import Camera
from capturehook.physics.optics import field_mm
from capturehook.rehearse.camera import focal_length_px, look_at

FRONT = {"azimuth_deg": 0.0, "focal_px": 800.0, "width_px": 640, "height_px": 480}


def test_look_at_level_from_the_front_projects_by_similar_triangles():
    """x = f X/Z, y = f Y/Z about the principal point (Hartley and Zisserman, Multiple View
    Geometry, 6.1): 30 mm to the right and 20 mm up at 400 mm with f = 800 px."""
    view = look_at((0, 0, 50), height_mm=50, distance_mm=400, **FRONT)
    assert np.allclose(view.eye_mm, (0, -400, 50))
    assert np.allclose(view.to_pixels((30, 0, 70)), (320 + 60, 240 - 40, 1 / 400))
    # twice as far, half the size
    assert np.allclose(view.to_pixels((30, 400, 70)), (320 + 30, 240 - 20, 1 / 800))


def test_look_at_from_the_right_sees_the_back_on_the_right():
    view = look_at((0, 0, 0), height_mm=0, distance_mm=400, **{**FRONT, "azimuth_deg": 90.0})
    assert np.allclose(view.eye_mm, (400, 0, 0))
    assert np.allclose(view.to_pixels((0, 10, 0)), (320 + 20, 240, 1 / 400))


def test_projection_agrees_with_the_camera_matrix():
    """P = K [R | -R C] in homogeneous coordinates (Hartley and Zisserman, 6.1), worked out
    separately from K, R and C."""
    view = look_at((100, 90, 20), azimuth_deg=-35, height_mm=160, distance_mm=500,
                   focal_px=1234.5, width_px=960, height_px=540)  # fmt: skip
    k = np.array([[1234.5, 0, 480], [0, 1234.5, 270], [0, 0, 1]])
    p = k @ np.hstack([view.axes, -view.axes @ view.eye_mm[:, None]])
    points = np.random.default_rng(1).uniform(0, 200, (50, 3))
    homogeneous = np.hstack([points, np.ones((50, 1))]) @ p.T
    assert np.allclose(view.to_pixels(points)[:, :2], homogeneous[:, :2] / homogeneous[:, 2:])


def test_parallel_lines_meet_in_one_vanishing_point():
    """A direction d vanishes at f (dx, dy)/dz in camera axes (Hartley and Zisserman, 8.6)."""
    view = look_at((0, 0, 0), height_mm=200, distance_mm=500, **{**FRONT, "azimuth_deg": 20.0})
    d = view.axes @ (0, 1, 0)
    vanishing = (320 + 800 * d[0] / d[2], 240 + 800 * d[1] / d[2])
    for x in (-80.0, 0.0, 120.0):
        assert np.allclose(view.to_pixels((x, 1e9, 0))[:2], vanishing, atol=1e-3)


@pytest.mark.property
@given(
    azimuth=st.floats(-180, 180),
    rise=st.floats(-0.9, 0.9),
    distance=st.floats(50, 2000),
)
def test_camera_stands_where_it_was_put_and_looks_at_the_target(azimuth, rise, distance):
    target = np.array((110.0, 95.0, 30.0))
    view = look_at(target, height_mm=30 + rise * distance, distance_mm=distance,
                   **{**FRONT, "azimuth_deg": azimuth})  # fmt: skip
    assert np.linalg.norm(view.eye_mm - target) == pytest.approx(distance)
    assert view.eye_mm[2] == pytest.approx(30 + rise * distance)
    assert np.allclose(view.to_pixels(target)[:2], (320, 240), atol=1e-6)
    assert np.allclose(view.axes @ view.axes.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(view.axes) == pytest.approx(1)  # right, down, forward: right-handed
    assert view.axes[0, 2] == pytest.approx(0, abs=1e-12)  # held level
    assert math.cos(math.radians(view.heading_deg - azimuth)) == pytest.approx(1)


def test_focal_length_shows_the_field_of_the_thin_lens():
    """Field at distance s is sensor (s - f)/f (thin lens; Hecht, Optics, chapter 5): the whole
    width of a 23.5 mm sensor behind 35 mm at 500 mm sees 312.2 mm."""
    camera = Camera(sensor_mm=(23.5, 15.6), focal_mm=35)
    focal = focal_length_px(camera, 500, 940, 624)
    assert 940 / focal * 500 == pytest.approx(23.5 * (500 - 35) / 35)
    assert 940 / focal * 500 == pytest.approx(field_mm(35, 23.5, 500))


def test_picture_of_another_shape_is_cut_from_the_sensor():
    """16:9 out of 3:2 keeps the width; 9:16 keeps the height."""
    camera = Camera(sensor_mm=(36, 24), focal_mm=50)
    wide = focal_length_px(camera, 1000, 960, 540)
    tall = focal_length_px(camera, 1000, 540, 960)
    assert wide == pytest.approx(50 * 1000 / 950 * 960 / 36)
    assert tall == pytest.approx(50 * 1000 / 950 * 960 / 24)


def test_camera_higher_than_it_is_far_is_refused_with_the_least_distance():
    with pytest.raises(PlanError, match="at least 308 mm away"):
        look_at((0, 0, 0), height_mm=301, distance_mm=300, **FRONT)


def test_part_nearer_than_the_focal_length_is_refused():
    camera = Camera(sensor_mm=(36, 24), focal_mm=50)
    with pytest.raises(PlanError, match=r"lens of 50 mm makes no picture of what is 30 mm away"):
        focal_length_px(camera, 30, 960, 540)


def test_scaled_view_sees_the_same():
    view = look_at((0, 0, 0), height_mm=100, distance_mm=400, **FRONT)
    point = (12.0, 7.0, 30.0)
    assert np.allclose(view.scaled(2).to_pixels(point)[:2], 2 * view.to_pixels(point)[:2])
    assert view.focal_px / view.to_camera((0, 0, 0))[2] == pytest.approx(2)
