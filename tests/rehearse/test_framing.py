"""The camera that is left to us frames the part: measured on the frames as they are drawn."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from skimage.measure import label, regionprops

from capturehook.api import pose_job
from capturehook.block.poses import PosedJob
from capturehook.demo import lighthouse
from capturehook.profile import load_profile
from capturehook.read.job import read_job
from capturehook.rehearse.canvas import BED, HEAD, PART, owner_of
from capturehook.rehearse.draw import Stage
from capturehook.rehearse.hanging import HangingStage
from capturehook.rehearse.room import Wishes
from tests.page.pages import resin_scene
from tests.rehearse.rehearsed import camera_of, small

SIZE = (320, 180)


def tall_vase() -> bytes:
    """160 mm high, 40 mm across: one wall, 2 mm layers, so that it is quickly drawn."""
    lines, z_mm, number = [*lighthouse._START], 2.0, 0
    while z_mm <= 160:
        lines += [f"G1 Z{z_mm + 0.4:.3f} F720", f";LAYER:{number}"]
        lines += lighthouse._ring(20 + 4 * np.sin(z_mm / 26), z_mm, 2.0, 1800)
        z_mm, number = z_mm + 2.0, number + 1
    end = ["G1 Z190 F720", *lighthouse._END[1:]]
    return ("\n".join([*lines, *end]) + "\n").encode("ascii")


@lru_cache
def job_of(name: str, profile: str) -> PosedJob:
    if name == "three objects":
        return small(profile, layers=30, objects=3, size_mm=24.0)
    data = lighthouse.lighthouse_job() if name == "lighthouse" else tall_vase()
    return pose_job(read_job(data, f"{name}.gcode", load_profile(profile)), skip_unsafe=True)


def last_frame(applied: PosedJob) -> tuple[np.ndarray, np.ndarray]:
    """Owners of the pixels without and with the head, of the last frame but one."""
    stage = Stage(applied, camera_of(applied, SIZE))
    assert len(list(stage.shots({applied.poses[-1].pose}))) == 1
    from capturehook.rehearse import furniture
    from capturehook.rehearse.room import nozzle_points, plate_offset

    nozzle = nozzle_points(applied)[-2]
    place = nozzle + plate_offset(stage.machine, float(nozzle[1]), float(nozzle[2]))
    without = owner_of(stage.print.canvas.keys)
    furniture.head_faces(stage.machine, place, stage.print.light).draw(stage.print.canvas)
    return without, owner_of(stage.print.canvas.keys)


def part_share(owners: np.ndarray) -> tuple[float, float]:
    """Share of the width and of the height that the part takes, without the prime line: the
    largest connected piece, or all that are a tenth as large."""
    pieces = regionprops(label(owners == PART))
    largest = max(piece.area for piece in pieces)
    boxes = np.array([piece.bbox for piece in pieces if piece.area > 0.1 * largest])
    rows, columns = boxes[:, 2].max() - boxes[:, 0].min(), boxes[:, 3].max() - boxes[:, 1].min()
    return columns / owners.shape[1], rows / owners.shape[0]


@pytest.mark.parametrize("name", ["lighthouse", "tall vase"])
@pytest.mark.parametrize("profile", ["heron", "kestrel"])
def test_part_takes_half_to_seven_tenths_of_the_height(name: str, profile: str) -> None:
    """50 to 70 % of the height (common practice of picture framing, no source)."""
    without, with_head = last_frame(job_of(name, profile))
    assert 0.50 <= part_share(without)[1] <= 0.70
    assert (with_head == HEAD).mean() > 0.005  # context: the head or its gantry, and the bed
    assert (with_head == BED).mean() > 0.05
    assert (with_head == HEAD).sum() < 2.5 * (without == PART).sum()


def test_hanging_part_takes_as_much() -> None:
    """At its poses, and without what the vat hides."""
    scene = resin_scene("pose")
    stage = HangingStage(scene.hanging, scene.view(Wishes(), SIZE))
    assert len(list(stage.shots({len(scene.shoot.plan.poses)}))) == 1
    in_sight = owner_of(np.maximum(stage.moving.keys, stage.still.keys))
    assert 0.50 <= part_share(in_sight)[1] <= 0.70


@pytest.mark.parametrize("profile", ["heron", "kestrel"])
def test_parts_side_by_side_take_most_of_the_width(profile: str) -> None:
    without, _ = last_frame(job_of("three objects", profile))
    wide, high = part_share(without)
    assert 0.6 <= wide <= 0.84 and high <= 0.70


def test_a_closed_wall_has_no_specks_of_what_is_behind_it() -> None:
    """Every pixel within the outline of the finished part, without its top, is the part's own."""
    without, _ = last_frame(job_of("lighthouse", "heron"))
    part = without == PART
    for row in part[np.flatnonzero(part.any(axis=1))[10:-10]]:
        at = np.flatnonzero(row)
        assert at[-1] + 1 - at[0] == len(at)
