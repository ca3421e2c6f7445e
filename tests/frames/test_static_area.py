"""Where shifts and light are measured, when much of the picture moves as well."""

from __future__ import annotations

import numpy as np
import pytest

from capturehook.frames.motion import Tracker, lay_over
from capturehook.frames.static import find_static, luma_of
from tests.film.scene import Scene
from tests.frames.shoot import background

WIDTH, HEIGHT = 160, 120


def scene(dx: float = 0.0, beam_row: int | None = None, seed: int = 0) -> np.ndarray:
    """A wall, and over its whole width a light beam with dark bolts, as a gantry has."""
    grey = 60 + 90 * background(dx)
    if beam_row is not None:
        top, bottom = max(0, beam_row - 44), max(0, beam_row)
        bolts = np.where((np.arange(WIDTH) // 6) % 5 == 0, 10, 235)
        grey[top:bottom] = bolts
    noise = np.random.default_rng(seed).normal(0, 0.8, grey.shape)
    return np.clip(grey + noise, 0, 255).astype(np.uint8)


def samples(knocked_px: float) -> np.ndarray:
    """17 of a shoot: the beam rises out of the picture, the camera is knocked half-way."""
    rows = np.linspace(70, 0, 17).round().astype(int)
    return np.stack([scene(knocked_px * (k > 7), row, k) for k, row in enumerate(rows)])


@pytest.mark.parametrize("knocked_px", [0.0, 5.0])
def test_static_tiles_are_off_the_beam_that_rises(knocked_px):
    area = find_static(lay_over(samples(knocked_px)))
    assert area.sure and len(area.tiles) >= 2
    assert all(tile.top >= 60 for tile in area.tiles)
    assert not area.mask[:48].any() and area.mask[80:].mean() > 0.5


def test_samples_of_a_knocked_camera_are_laid_over_one_another():
    laid = lay_over(samples(5.0)).astype(float)
    wall = laid[:, 75:115, 20:140]
    assert np.abs(wall - wall[0]).mean() < 3
    loose = samples(5.0).astype(float)[:, 75:115, 20:140]
    assert np.abs(loose - loose[0]).mean() > 6


def test_samples_that_lie_well_are_left_alone_whatever_the_beam_does():
    taken = samples(0.0)
    assert (lay_over(taken) == taken).all()


@pytest.mark.parametrize("shift_px", [0.0, 3.4, 9.0])
def test_shift_is_the_walls_not_the_beams(shift_px):
    """A beam 30 px higher is most of the picture's contrast, yet no movement of the camera."""
    area = find_static(lay_over(samples(0.0)))
    motion = Tracker(samples(0.0)[2], area.mask).follow(scene(shift_px, 30, seed=99))
    assert (motion.dx_px, motion.dy_px) == pytest.approx((shift_px, 0.0), abs=0.1)


@pytest.mark.parametrize("photo", ["workshop", "garden", "table"])
def test_what_is_static_is_off_the_growing_part_the_gantry_and_the_head(photo):
    """Photographs as scenery, drawn apart from ours: at most a hundredth of the still part, and of
    no tile more than a tenth, is ever crossed; and most of what is still is used."""
    drawn = Scene(size_px=(600, 450), frames=34, photo=photo, seed=3)
    drawn.shake(0.2, 0.004, knocks=1).light("lamp", 0.1, 0.01)
    drawn.shots[20].gain = (0.2, 0.2, 0.2)
    luma = [luma_of(drawn.render(shot)) for shot in drawn.shots[::2]]
    area = find_static(lay_over(np.stack(luma)))
    crossed = drawn.crossed()
    assert area.sure and len(area.tiles) >= 4
    assert (area.mask & crossed).sum() < 0.01 * area.mask.sum()
    assert all(tile.cut(crossed.astype(np.float32)).mean() < 0.1 for tile in area.tiles)
    assert (area.mask & ~crossed).sum() > 0.7 * (~crossed).sum()
