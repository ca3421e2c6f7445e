"""Frames: the part grows, the head is where it parks, plate and camera stand as they should."""

from __future__ import annotations

import numpy as np
import pytest

from capturehook.model.moves import ARC_CCW
from capturehook.rehearse import draw as drawing
from capturehook.rehearse.beads import beads_of, make_strands
from capturehook.rehearse.canvas import BED, HEAD, PART, owner_of
from capturehook.rehearse.draw import Stage
from capturehook.rehearse.furniture import plate_faces, plate_lines
from capturehook.rehearse.room import moves_before, nozzle_points, part_box, plate_offset
from tests.rehearse.rehearsed import SIZE, camera_of, small


def test_one_frame_for_each_pose_of_the_size_asked():
    applied = small()
    shots = list(Stage(applied, camera_of(applied)).shots())
    assert len(shots) == len(applied.poses) > 5
    assert {shot.rgb.shape for shot in shots} == {(SIZE[1], SIZE[0], 3)}


@pytest.mark.parametrize("objects", [1, 2])
def test_part_pixels_without_the_head_never_shrink(objects):
    applied = small(objects=objects)
    stage = Stage(applied, camera_of(applied))
    before = np.zeros((2 * SIZE[1], 2 * SIZE[0]), dtype=bool)
    areas = []
    for _ in stage.shots():
        part = owner_of(stage.print.canvas.keys) == PART
        assert not (before & ~part).any()
        before = part
        areas.append(int(part.sum()))
    assert areas[-1] > 1.5 * areas[0] > 0


def test_part_is_drawn_as_wide_and_high_as_its_projected_beads():
    """The ends of all beads, projected one by one, reach as far as the picture of the part."""
    applied = small(layers=24)
    view = camera_of(applied)
    stage = Stage(applied, view)
    *_, _ = stage.shots()
    beads = beads_of(applied.job, 0, len(applied.job.moves))
    offset = plate_offset(stage.machine, *(float(v) for v in nozzle_points(applied)[-1][1:]))
    fine = view.scaled(2)
    px = fine.to_pixels(np.concatenate([beads.a_mm, beads.b_mm]) + offset)[:, :2]
    rows, columns = np.nonzero(stage.print.canvas.owner == PART)
    depth_mm = float(fine.to_camera(beads.a_mm[0] + offset)[2])
    slack = 2 + float(beads.width_mm.max()) * fine.focal_px / depth_mm
    low, high = (columns.min(), rows.min()), (columns.max() + 1, rows.max() + 1)
    assert np.allclose(low, px.min(axis=0), atol=slack)
    assert np.allclose(high, px.max(axis=0), atol=slack)
    assert slack < 0.2 * np.ptp(px, axis=0).min()


def test_head_is_drawn_where_it_parks():
    """The place where the middle of the body's front face projects to shows the head."""
    applied = small(park_mm=(70.0, 150.0))
    view = camera_of(applied, distance_mm=400.0, height_mm=130.0)
    stage = Stage(applied, view)
    seen = []
    for shot, pose in zip(stage.shots(), applied.poses, strict=True):
        nozzle = pose.route.points[-1]
        place = nozzle + plate_offset(stage.machine, float(nozzle[1]), float(nozzle[2]))
        size = stage.machine.carriage_mm
        front = place + np.array(
            (
                (size.right - size.left) / 2,
                -size.front,
                (size.clearance + size.height) / 2,
            )
        )
        column, row, _ = view.to_pixels(front)
        without = drawing.average(stage.print.canvas.keys)
        if 2 <= column < SIZE[0] - 2 and 2 <= row < SIZE[1] - 2:
            changed = np.abs(shot.rgb.astype(int) - without).sum(axis=-1)
            near = slice(int(row) - 1, int(row) + 2), slice(int(column) - 1, int(column) + 2)
            assert (changed[near] > 0).mean() > 0.8
            seen.append(int(row))
    assert len(seen) > 5
    assert (np.diff(seen) <= 0).all() and seen[-1] < seen[0]  # it rises with the print


def test_head_pixels_stay_within_the_projected_body():
    applied = small()
    stage = Stage(applied, camera_of(applied))
    nozzle = np.array((100.0, 10.0, 10.0))
    from capturehook.rehearse.faces import UP, Scenery
    from capturehook.rehearse.furniture import body_spans

    spans = body_spans(stage.machine.carriage_mm, nozzle)
    box = Scenery(np.array(UP), HEAD)
    box.box(*spans, (50, 50, 50))
    box.draw(stage.head)
    corners = np.array(np.meshgrid(*spans)).reshape(3, -1).T
    px = stage.head.view.to_pixels(corners)[:, :2]
    rows, columns = np.nonzero(stage.head.owner == HEAD)
    assert len(rows) > 100
    size = np.array((stage.head.view.width_px, stage.head.view.height_px))
    low, high = np.clip(px.min(axis=0), 0, size), np.clip(px.max(axis=0), 0, size)
    assert np.allclose((columns.min(), rows.min()), low, atol=1.5)
    assert np.allclose((columns.max() + 1, rows.max() + 1), high, atol=1.5)


def test_round_plate_is_drawn_round():
    """The front corners of its square show what is behind the plate; its rim shows the plate."""
    applied = small()
    view = camera_of(applied, distance_mm=900.0, height_mm=300.0)
    machine, shown = applied.job.profile.machine, {}
    (left, right), (front, back) = machine.x_mm, machine.y_mm
    corners = np.array([(x, front + 5, 0.0) for x in (left + 5, right - 5)])
    near_rim = np.array([((left + right) / 2, front + 5, 0.0), (left + 5, (front + back) / 2, 0.0)])
    for is_round in (False, True):
        canvas, offset = drawing.Canvas(view), np.zeros(3)
        bed = machine.model_copy(update={"round": is_round, "keep_out": ()})
        plate_faces(bed, offset, np.array((0.0, 0.0, 1.0))).draw(canvas)
        column, row = view.to_pixels(np.concatenate([corners, near_rim]))[:, :2].T.astype(int)
        shown[is_round] = (canvas.owner[row, column] == BED).tolist()
        a, b = plate_lines(bed, offset)
        assert bed.reaches(a[:, 0], a[:, 1]).all()
        assert bed.reaches(b[:, 0], b[:, 1]).all()
    assert shown == {False: [True] * 4, True: [False, False, True, True]}


def test_bed_that_moves_in_y_puts_the_nozzle_under_the_gantry():
    machine = small().job.profile.machine
    for park_y in (0.0, 100.0, 215.0):
        offset = plate_offset(machine, park_y, 12.0)
        assert park_y + offset[1] == sum(machine.y_mm) / 2
        assert offset[0] == offset[2] == 0


def test_plate_that_sinks_keeps_the_nozzle_at_one_height():
    applied = small("kestrel")
    machine = applied.job.profile.machine
    nozzle = nozzle_points(applied)
    heights = [z + plate_offset(machine, y, z)[2] for _, y, z in nozzle]
    assert np.ptp(nozzle[:, 2]) > 3 and np.ptp(heights) < 1e-9


def test_part_on_a_sinking_plate_goes_down_in_the_picture():
    applied = small("kestrel")
    stage = Stage(applied, camera_of(applied))
    lowest = []
    for _ in stage.shots():
        lowest.append(int(np.nonzero(stage.print.canvas.owner == PART)[0].max()))
    assert (np.diff(lowest) >= 0).all() and lowest[-1] - lowest[0] > 5


def test_forgetting_hidden_strands_changes_next_to_nothing(monkeypatch):
    """The sinking plate is drawn from the strands that can still be seen: as from all."""
    applied = small("kestrel", layers=16)
    view = camera_of(applied)
    culled = [shot.rgb for shot in Stage(applied, view).shots()]
    monkeypatch.setattr(drawing, "CULL_EVERY", 10_000)
    monkeypatch.setattr(drawing, "CULL_MM", 1e9)
    whole = [shot.rgb for shot in Stage(applied, view).shots()]
    for a, b in zip(culled, whole, strict=True):
        assert (np.abs(a.astype(int) - b).max(axis=-1) > 12).mean() < 0.002


def test_frames_hold_still_where_nothing_moves():
    """The audit measures shifts there: same pixels in every frame, and textured."""
    applied = small()
    frames = np.array([shot.rgb for shot in Stage(applied, camera_of(applied)).shots()])
    luma = frames.astype(float).mean(axis=-1)
    still = np.ptp(luma, axis=0) == 0
    assert still.mean() > 0.3
    steps = np.abs(np.diff(luma[0], axis=1))[still[:, 1:] & still[:, :-1]]
    assert steps.mean() > 1.0


def test_beads_of_poses_add_up_to_all_printing_moves():
    applied = small()
    job, counts, done = applied.job, 0, 0
    for pose in applied.poses:
        stop = moves_before(job, pose)
        counts += len(beads_of(job, done, stop))
        done = stop
    assert applied.poses[-1].finished
    assert not (job.moves.kind == ARC_CCW).any()
    assert counts == int(job.moves.prints.sum())


def test_strands_lie_on_the_bead_that_was_printed():
    """Stadium section: no strand further from the axis of the bead than half its width, none
    above the nozzle that laid it, none below its underside."""
    applied = small()
    beads = beads_of(applied.job, 0, len(applied.job.moves))
    toward = np.array((0.4, -0.8, 0.45))
    strands = make_strands(beads, toward / np.linalg.norm(toward), np.array((0.0, 0.0, 1.0)), 0.05)
    each = len(strands.shade) // len(beads)
    top = np.repeat(beads.a_mm[:, 2], each)
    tall = np.repeat(beads.height_mm, each)
    assert (strands.a_mm[:, 2] <= top + 1e-9).all()
    assert (strands.a_mm[:, 2] >= top - tall - 1e-9).all()
    way = beads.b_mm - beads.a_mm
    across = np.stack([way[:, 1], -way[:, 0]], axis=1)
    across /= np.linalg.norm(across, axis=1)[:, None]
    off = ((strands.a_mm[:, :2] - np.repeat(beads.a_mm[:, :2], each, axis=0))
           * np.repeat(across, each, axis=0)).sum(axis=1)  # fmt: skip
    assert (np.abs(off) <= np.repeat(beads.width_mm, each) / 2 + 1e-9).all()


def test_camera_left_to_us_has_the_whole_part_in_the_picture():
    for applied in (small(), small("kestrel"), small(layers=40, size_mm=60.0)):
        view = camera_of(applied)
        box = part_box(applied.job)
        y, z = (float(v) for v in nozzle_points(applied)[-1][1:])
        px = view.to_pixels(box.corners() + plate_offset(applied.job.profile.machine, y, z))
        assert (px[:, 2] > 0).all()
        assert (px[:, :2] >= 0).all() and (px[:, :2] <= SIZE).all()
        assert np.ptp(px[:, :2], axis=0).max() > 0.15 * SIZE[1]


def test_camera_stands_at_the_wished_height_and_distance():
    applied = small()
    view = camera_of(applied, azimuth_deg=-40.0, height_mm=150.0, distance_mm=420.0)
    box = part_box(applied.job)
    y, z = (float(v) for v in nozzle_points(applied)[-1][1:])
    middle = box.middle_mm + plate_offset(applied.job.profile.machine, y, z)
    assert view.eye_mm[2] == pytest.approx(150)
    assert np.linalg.norm(view.eye_mm - middle) == pytest.approx(420)
    assert np.degrees(np.arctan2(view.eye_mm[0] - middle[0], middle[1] - view.eye_mm[1])) == (
        pytest.approx(-40)
    )
