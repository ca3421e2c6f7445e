"""What the head hides: counted against following every pixel's ray by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from capturehook.errors import PoseError
from capturehook.place.height_map import printed_tops
from capturehook.place.route import find_route
from capturehook.rehearse.canvas import PART, depth_of, owner_of
from capturehook.rehearse.draw import Stage
from capturehook.rehearse.furniture import BEAM_MM, body_spans
from capturehook.rehearse.hidden import (
    ParkPoint,
    advise_park,
    best_of,
    hidden_px,
    make_stages,
    park_points,
    travel_seconds,
)  # fmt: skip
from tests.rehearse.rehearsed import camera_of, small

IN_FRONT = (100.0, 50.0)


def meets_box(eye: np.ndarray, rays: np.ndarray, spans, depth: np.ndarray) -> np.ndarray:
    """True where a ray meets an upright box before ``depth``; the slab method for rays and
    boxes (Kay and Kajiya 1986, from memory)."""
    first, last = np.zeros(rays.shape[:2]), np.full(rays.shape[:2], np.inf)
    for axis, (low, high) in enumerate(spans):
        with np.errstate(divide="ignore"):
            a, b = (low - eye[axis]) / rays[..., axis], (high - eye[axis]) / rays[..., axis]
        first, last = np.maximum(first, np.minimum(a, b)), np.minimum(last, np.maximum(a, b))
    return (first <= last) & (first < depth)


def count_by_rays(stage, machine, park_mm) -> int:
    """Hidden pixels, ray by ray: body and gantry as boxes (the nozzle's tip left out)."""
    view, size = stage.view, machine.carriage_mm
    y, x = np.mgrid[0 : view.height_px, 0 : view.width_px] + 0.5
    right, down = (x - view.width_px / 2) / view.focal_px, (y - view.height_px / 2) / view.focal_px
    camera = np.stack([right, down, np.ones_like(x)], axis=-1)
    rays = camera @ view.axes
    nozzle = np.array((*park_mm, stage.nozzle_z_mm))
    low, back = nozzle[2] + size.height, size.back
    beam = ((machine.x_mm[0] - 40, machine.x_mm[1] + 40),
            (nozzle[1] + back - 26, nozzle[1] + back), (low, low + BEAM_MM))  # fmt: skip
    depth = depth_of(stage.keys)
    hit = meets_box(view.eye_mm, rays, body_spans(size, nozzle), depth)
    hit |= meets_box(view.eye_mm, rays, beam, depth)
    return int((hit & (owner_of(stage.keys) == PART)).sum())


@pytest.mark.parametrize("park_mm", [IN_FRONT, (60.0, 60.0), (130.0, 40.0), (100.0, 90.0)])
def test_hidden_pixels_agree_with_counting_ray_by_ray(park_mm):
    applied = small(layers=40)
    machine = applied.job.profile.machine
    stage = list(make_stages(applied, camera_of(applied, distance_mm=330.0, height_mm=120.0)))[-1]
    assert stage.part_px > 500
    counted = count_by_rays(stage, machine, park_mm)
    # an outline one pixel wide, and the nozzle
    assert hidden_px(stage, machine, park_mm) == pytest.approx(counted, abs=0.03 * stage.part_px)
    if park_mm == (130.0, 40.0):
        assert counted > 0.1 * stage.part_px


def test_park_at_the_side_behind_hides_nothing_and_one_in_front_does():
    applied = small(layers=40)
    machine = applied.job.profile.machine
    stages = list(make_stages(applied, camera_of(applied)))
    assert sum(hidden_px(stage, machine, (8.0, 215.0)) for stage in stages) == 0
    assert sum(hidden_px(stage, machine, (125.0, 45.0)) for stage in stages) > 0


def test_frame_counts_the_part_with_and_without_the_head():
    """part_px - hidden_px is what can be seen of the part in the frame itself."""
    applied = small(layers=40, park_mm=(125.0, 45.0))
    stage = Stage(applied, camera_of(applied))
    hidden = []
    for shot in stage.shots():
        part = owner_of(stage.print.canvas.keys) == PART
        assert shot.part_px == pytest.approx(part.sum() / 4)
        changed = (shot.rgb != _without_head(stage)).any(axis=-1)
        four = part.reshape(part.shape[0] // 2, 2, -1, 2)
        assert shot.hidden_px <= (changed & four.any(axis=(1, 3))).sum()
        assert shot.hidden_px >= (changed & four.all(axis=(1, 3))).sum() / 4
        hidden.append(shot.hidden_px)
    assert max(hidden) > 10


def _without_head(stage: Stage) -> np.ndarray:
    from capturehook.rehearse.canvas import average

    return average(stage.print.canvas.keys)


def test_advice_for_a_park_in_front_hides_less_travels_less_and_is_safe():
    applied = small(layers=40, park_mm=(125.0, 0.0))
    advice = advise_park(applied, camera_of(applied))
    now, better = advice.now, advice.better
    assert better is not None
    assert better.hidden_share <= now.hidden_share and better.travel_s <= now.travel_s
    assert better.hidden_share < now.hidden_share - 0.005 or better.travel_s < 0.98 * now.travel_s
    assert 0 < advice.safe <= advice.tried == len(park_points(applied.job.profile.machine))
    _route_to(applied, (better.x_mm, better.y_mm))


def test_parks_that_are_tried_on_a_round_bed_lie_on_it():
    square = small(layers=2).job.profile.machine
    tried = park_points(square.model_copy(update={"round": True}))
    (left, right), (front, back) = square.x_mm, square.y_mm
    middle = np.array([left + right, front + back]) / 2
    assert 20 < len(tried) < len(park_points(square))
    radii = (tried - middle) / np.array([right - left, back - front]) * 2
    assert np.hypot(*radii.T).max() <= 1


def _route_to(applied, park_mm):
    """The finished print's way to a park point, as `apply` would ask for it."""
    job, pose = applied.job, applied.poses[-1]
    top = float(printed_tops(job.moves, job.layers)[-1])
    return find_route(
        tuple(map(float, pose.route.points[0])),
        park_mm,
        machine=job.profile.machine,
        clear_mm=job.profile.park.clear_mm,
        layer_z_mm=top,
        top_mm=top,
    )


def test_points_shut_by_a_keep_out_box_are_not_safe():
    applied = small(layers=10)
    machine = applied.job.profile.machine
    shut = {"name": "lamp", "x_mm": (0.0, 235.0), "y_mm": (150.0, 235.0), "z_mm": (0.0, 1000.0)}
    box = type(machine).model_fields["keep_out"].annotation.__args__[0](**shut)
    walled = machine.model_copy(update={"keep_out": (box,)})
    profile = applied.job.profile.model_copy(update={"machine": walled})
    cramped = replace(applied, job=replace(applied.job, profile=profile))
    open_advice = advise_park(applied, camera_of(applied))
    advice = advise_park(cramped, camera_of(applied))
    assert advice.safe < open_advice.safe
    with pytest.raises(PoseError, match="lamp"):
        _route_to(cramped, (8.0, 215.0))


def test_travel_is_straight_there_and_back_at_the_travel_feed():
    """Two ways of sqrt(dx^2 + dy^2) for each pose at 9000 mm/min = 150 mm/s."""
    applied = small()
    starts = np.array([pose.route.points[0][:2] for pose in applied.poses])
    by_hand = sum(2 * float(np.hypot(8 - x, 215 - y)) / 150 for x, y in starts)
    assert travel_seconds(applied, (8.0, 215.0)) == pytest.approx(by_hand)


def point(hidden: float, travel: float) -> ParkPoint:
    return ParkPoint(x_mm=0, y_mm=0, hidden_share=hidden, travel_s=travel)


def test_best_point_is_worse_in_nothing():
    now = point(0.2, 100)
    hides_less, far = point(0.1, 90), point(0.0, 120)
    assert best_of(now, [far, hides_less, point(0.3, 10)]) == hides_less
    assert best_of(now, [far, point(0.3, 10), point(0.2, 99.5)]) is None


def test_button_keeps_its_park_point():
    applied = small()
    trigger = applied.job.profile.trigger.model_copy(update={"by": "button"})
    profile = applied.job.profile.model_copy(update={"trigger": trigger})
    with_button = replace(applied, job=replace(applied.job, profile=profile))
    advice = advise_park(with_button, camera_of(applied))
    assert advice.better is None and "button" in advice.reason


def test_hidden_share_is_told_for_where_the_head_stands_during_the_exposure():
    """A carriage that presses a switch in front of the part hides it, wherever it parks."""
    applied = small("kestrel")
    poses = [
        replace(pose, block=replace(pose.block, form=replace(form, shutter_xy_mm=IN_FRONT)))
        for pose in applied.poses
        for form in (pose.block.form,)
    ]
    view = camera_of(applied)
    at_park, at_switch = (
        advise_park(one, view).now for one in (applied, replace(applied, poses=poses))
    )
    assert at_switch.hidden_share > at_park.hidden_share + 0.1
    assert (at_switch.x_mm, at_switch.travel_s) == (at_park.x_mm, at_park.travel_s)
