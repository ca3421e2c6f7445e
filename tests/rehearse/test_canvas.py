"""Lines and faces against drawing them pixel by pixel."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.rehearse.camera import look_at
from capturehook.rehearse.canvas import (
    BED,
    PART,
    STILL,
    Canvas,
    average,
    depth_of,
    nearness,
    owner_of,
    pack_colour,
)  # fmt: skip

VIEW = look_at((0, 0, 0), azimuth_deg=25, height_mm=120, distance_mm=300,
               focal_px=90, width_px=64, height_px=48)  # fmt: skip
PLACE = st.floats(-70, 70)
POINT = st.tuples(PLACE, PLACE, PLACE)
RED = pack_colour(np.array([(200.0, 10.0, 20.0)]), PART)


def ray(column: int, row: int) -> np.ndarray:
    """Room direction through the centre of a pixel."""
    in_camera = ((column + 0.5 - 32) / 90, (row + 0.5 - 24) / 90, 1.0)
    return np.array(in_camera) @ VIEW.axes


def hit(corners: np.ndarray, column: int, row: int) -> float | None:
    """Depth at which a pixel's ray meets a triangle, by Moller and Trumbore 1997 (from memory)."""
    a, b, c = corners
    d = ray(column, row)
    p = np.cross(d, c - a)
    scale = (b - a) @ p
    if abs(scale) < 1e-9:
        return None
    t = VIEW.eye_mm - a
    u = t @ p / scale
    q = np.cross(t, b - a)
    v = d @ q / scale
    return float((c - a) @ q / scale) if u >= 0 and v >= 0 and u + v <= 1 else None


@pytest.mark.property
@settings(max_examples=10, deadline=None)
@given(st.tuples(POINT, POINT, POINT))
def test_face_covers_the_pixels_whose_rays_meet_it(triangle):
    corners = np.array(triangle)
    edge_on = np.linalg.norm(np.cross(corners[1] - corners[0], corners[2] - corners[0])) < 50
    if edge_on:
        return
    canvas = Canvas(VIEW)
    canvas.fill_face(corners, np.array((10.0, 20.0, 30.0)), STILL)
    depth = depth_of(canvas.keys)
    wrong = 0
    for row in range(48):
        for column in range(64):
            expected = hit(corners, column, row)
            drawn = np.isfinite(depth[row, column])
            wrong += drawn != (expected is not None)
            if drawn and expected is not None:
                assert depth[row, column] == pytest.approx(expected, rel=1e-4)
    assert wrong <= 1  # a centre exactly on an edge may fall to either side


def test_nearer_of_two_faces_wins_whatever_the_order():
    near = np.array([(-40, -60, -40), (40, -60, -40), (40, -60, 40), (-40, -60, 40)], float)
    far = near + np.array((0, 90, 0))
    pictures = []
    for order in ((near, far), (far, near)):
        canvas = Canvas(VIEW)
        for face in order:
            canvas.fill_face(face, np.array((100.0, 0, 0)), BED if face is near else STILL)
        pictures.append(canvas.keys)
    assert np.array_equal(*pictures)
    assert pictures[0].any() and (Canvas(VIEW).owner == 0).all()
    middle = tuple(int(part) for part in VIEW.to_pixels((0, -60, 0))[1::-1])
    canvas = Canvas(VIEW)
    canvas.keys = pictures[0]
    assert canvas.owner[middle] == BED


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(POINT, POINT)
def test_line_has_no_gap_and_stays_within_a_pixel(a, b):
    canvas = Canvas(VIEW)
    ends = np.array([a, b])
    canvas.draw_lines(ends[:1], ends[1:], RED)
    place = VIEW.to_pixels(ends)[:, :2]
    along = np.linspace(0, 1, 2000)[:, None]
    dense = place[0] + along * (place[1] - place[0])
    drawn = np.argwhere(canvas.keys > 0)[:, ::-1] + 0.5
    # Half a pixel within the edge: a step of the line may fall just outside the picture.
    inside = ((dense >= 0.5) & (dense < (63.5, 47.5))).all(axis=1)
    for point in drawn:  # nothing far from the line
        assert np.abs(dense - point).max(axis=1).min() <= 1.0
    for point in dense[inside][::40]:  # nothing of the line far from a drawn pixel
        assert len(drawn) and np.abs(drawn - point).max(axis=1).min() <= 1.0


def test_line_behind_the_lens_is_not_drawn():
    canvas = Canvas(VIEW)
    behind = VIEW.eye_mm - 50 * VIEW.axes[2]
    canvas.draw_lines(behind[None, :], np.zeros((1, 3)), RED)
    assert not canvas.keys.any()


def test_stain_keeps_depths_and_leaves_others_alone():
    canvas = Canvas(VIEW)
    floor = np.array([(-90, -90, 0), (90, -90, 0), (90, 90, 0), (-90, 90, 0)], float)
    canvas.fill_face(floor, np.array((200.0, 200, 200)), BED)
    canvas.draw_lines(np.array([(-20.0, -20, 10)]), np.array([(20.0, -20, 10)]), RED)
    before = canvas.keys.copy()
    a = np.array([(float(x), -40.0, 0.08) for x in range(-20, 21)])
    stain = pack_colour(np.array([(9.0, 9.0, 9.0)]), BED)[0]
    canvas.stain_lines(a, a + np.array((0.0, 60.0, 0.0)), stain)
    changed = canvas.keys != before
    assert changed.sum() > 20
    assert np.array_equal(depth_of(canvas.keys), depth_of(before))
    assert not (changed & (owner_of(before) == PART)).any()


def test_seen_lines_forgets_what_lies_behind():
    canvas = Canvas(VIEW)
    wall = np.array([(-60, -60, -60), (60, -60, -60), (60, -60, 60), (-60, -60, 60)], float)
    canvas.fill_face(wall, np.zeros(3), STILL)
    a = np.array([(-10, -61, 0), (-10, -40, 0)], float)
    assert canvas.seen_lines(a, a + np.array((20, 0, 0)), 0.5).tolist() == [True, False]


def test_nearness_orders_as_depth_does():
    """IEEE 754: positive binary32 numbers sort as their bits read as unsigned integers."""
    depth = np.geomspace(5, 20_000, 500)
    assert (np.diff(nearness(1 / depth).astype(np.float64)) < 0).all()


def test_average_is_the_mean_of_each_square():
    rng = np.random.default_rng(4)
    rgb = rng.integers(0, 256, (6 * 8, 3))
    keys = pack_colour(rgb.astype(float), BED).astype(np.uint64).reshape(6, 8)
    mean = rgb.reshape(3, 2, 4, 2, 3).mean(axis=(1, 3))
    assert np.abs(average(keys, 2) - mean).max() <= 0.5
