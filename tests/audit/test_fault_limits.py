"""Limits of the judging that a whole shoot seldom reaches: a picture of something else, and the
first and last frame, which have neighbours on one side only. Measures are made up."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from capturehook.audit.faults import find_faults
from capturehook.audit.odd import ODD_SHARE, ODD_SHARE_AT_ENDS, find_odd, odd_share
from capturehook.frames.listing import Frame, FrameList
from capturehook.frames.measure import Measures
from capturehook.frames.static import StaticArea, Tile

COUNT, HIGH, WIDE = 24, 60, 90
RNG = np.random.default_rng(5)
SCENE = RNG.integers(60, 190, (HIGH, WIDE, 3))


def looks():
    """The same scene with a little noise."""
    noise = np.random.default_rng(8).normal(0, 1.5, (COUNT, HIGH, WIDE, 3))
    return np.clip(SCENE + noise, 0, 255).astype(np.uint8)


def made_up(**columns):
    """Frames and measures without a fault, but for the columns given."""
    frames = FrameList(
        frames=tuple(
            Frame(
                path=Path(f"pict{k:04d}.jpg"),
                card=0,
                size_px=(720, 480),
                taken=None,
                file_s=0.0,
                file_bytes=1,
            )
            for k in range(COUNT)
        ),
        t_s=60.0 * np.arange(COUNT),
        clock="camera",
        step_s=0.01,
        findings=(),
    )
    one, nought = np.ones(COUNT), np.zeros(COUNT)
    jitter = np.random.default_rng(2).normal(0, 0.05, (2, COUNT))
    values = {
        "readable": np.ones(COUNT, bool),
        "light": one,
        "colour": np.ones((COUNT, 3)),
        "level": 0.4 * one,
        "top": 0.9 * one,
        "clipped": nought,
        "sharp": one,
        "sharp_static": one,
        "blur_px": nought,
        "dx_px": jitter[0],
        "dy_px": jitter[1],
        "turn_deg": nought,
        "zoom": one,
        "error_px": nought,
        "peak": 0.9 * one,
        "look": looks(),
    }
    area = StaticArea(
        tiles=(Tile(top=0, left=0, height=16, width=16),), mask=np.ones((60, 90), bool), sure=True
    )
    measures = Measures(scale=0.125, pivot_px=(360.0, 240.0), area=area, **{**values, **columns})
    return frames, measures


def faults(**columns):
    frames, measures = made_up(**columns)
    return find_faults(frames, measures, np.ones(COUNT, bool))


def at(place, value, usual=1.0):
    column = np.full(COUNT, usual)
    column[place] = value
    return column


def named(flags):
    return np.flatnonzero(flags).tolist()


def test_frames_without_a_fault_have_none():
    found = faults()
    for flags in (found.dark, found.overexposed, found.blurred, found.moved, found.not_parked):
        assert named(flags) == []
    assert found.findings == ()


@pytest.mark.parametrize("place", [0, 11, COUNT - 1])
def test_picture_of_something_else_is_moved_and_neither_blurred_nor_odd(place):
    other = looks()
    other[place] = np.random.default_rng(1).integers(0, 255, other.shape[1:])
    found = faults(
        peak=at(place, 0.05, 0.9),
        dx_px=at(place, np.nan, 0.0),
        blur_px=at(place, 60.0, 0.0),
        look=other,
    )
    assert named(found.moved) == [place]
    assert named(found.blurred) == [] and named(found.not_parked) == []
    assert np.isnan(found.moved_px[place]) and np.isnan(found.odd_share[place])
    assert found.findings == ()


def test_picture_of_which_hardly_anything_is_found_again_is_not_lost():
    found = faults(peak=at(11, 0.16, 0.9), blur_px=at(11, 60.0, 0.0))
    assert named(found.moved) == [] and named(found.blurred) == [11]


def test_dark_picture_is_not_lost_though_nothing_is_found_again():
    found = faults(peak=at(11, 0.0, 0.9), light=at(11, 0.05), top=at(11, 0.05, 0.9))
    assert named(found.dark) == [11] and named(found.moved) == []


def test_where_little_is_found_again_in_any_frame_none_is_lost():
    found = faults(peak=at(11, 0.05, 0.28))
    assert named(found.moved) == []


def with_patch(place, side):
    """Something bright and solid in one frame, in the middle of the scene."""
    changed = looks()
    changed[place, 20 : 20 + side, 30 : 30 + 2 * side] = 255
    return changed


def share_and_flags(place, side):
    share, odd = find_odd(with_patch(place, side), np.ones(COUNT, bool))
    return float(share[place]), named(odd)


@pytest.mark.parametrize("place", [0, COUNT - 1])
def test_end_frame_is_odd_only_beyond_its_own_larger_limit(place):
    middle = {side: share_and_flags(COUNT // 2, side) for side in range(4, 14)}
    assert all(odd == [COUNT // 2] for share, odd in middle.values() if share > ODD_SHARE)
    ends = {side: share_and_flags(place, side) for side in range(4, 14)}
    small = {
        side for side, (share, _) in ends.items() if ODD_SHARE < share < 0.9 * ODD_SHARE_AT_ENDS
    }
    large = {side for side, (share, _) in ends.items() if share > 1.1 * ODD_SHARE_AT_ENDS}
    assert small and large
    assert all(ends[side][1] == [] for side in small)
    assert all(ends[side][1] == [place] for side in large)


@pytest.mark.parametrize("place", [0, COUNT - 1])
def test_end_frame_is_judged_only_where_the_part_never_grows(place):
    """The part fills a column from below; where it will stand, the first frame may differ."""
    changed = looks()
    for k in range(COUNT):
        changed[k, 10 + 2 * (COUNT - 1 - k) :, 30:60] = (200, 40, 30)
    wrong = changed.copy()
    wrong[place, 30:45, 32:58] = (0, 0, 255)  # within the part's column
    assert named(find_odd(wrong, np.ones(COUNT, bool))[1]) == []
    wrong[place, 30:45, 65:88] = (0, 0, 255)  # beside it
    assert named(find_odd(wrong, np.ones(COUNT, bool))[1]) == [place]


@pytest.mark.parametrize("blur_px, is_blurred", [(0.6, False), (0.85, True)])
def test_blur_is_told_by_what_a_film_shows(blur_px, is_blurred):
    """4000 px of short side are shrunk to 1080 for a film, 720 x 480 px not at all."""
    assert bool(named(faults(blur_px=at(11, blur_px, 0.0)).blurred)) is is_blurred


@pytest.mark.parametrize(
    "rgb, is_odd", [((120, 60, 30), False), ((60, 120, 30), True), ((70, 70, 70), True)]
)
def test_a_top_in_the_plastics_own_colour_is_a_layer_and_another_colour_is_not(rgb, is_odd):
    """A sparse layer's top is darker plastic; what lies on it has a colour of its own."""
    changed = looks()
    changed[:, 10:40, 30:60] = (220, 110, 55)
    changed[11, 10:16, 30:60] = rgb
    assert bool(named(find_odd(changed, np.ones(COUNT, bool))[1])) is is_odd


@pytest.mark.parametrize("gap", [2, 4])
def test_a_gantry_that_rose_while_frames_were_left_out_is_as_before(gap):
    """Between frames that follow one another it covers itself, over a gap it does not."""
    changed = looks()
    changed[:] = 128
    usable = np.arange(COUNT) < 18
    for k in np.flatnonzero(usable):
        changed[k, 53 - 3 * k : 59 - 3 * k, 10:80] = 30
    usable[9 : 9 + gap] = False
    first, last = 0, 17  # with neighbours on one side only, which is another matter
    assert set(named(find_odd(changed, usable)[1])) <= {first, last}
    changed[9 + gap, 2:8, 30:45] = 60
    assert 9 + gap in named(find_odd(changed, usable)[1])


def test_what_rises_further_for_the_last_frame_is_as_before_where_the_plan_tells():
    """The end code lifts the head well above the finished part: the gantry stands higher."""
    risen_px = np.append(np.arange(COUNT - 1), COUNT + 12.0)
    changed = looks()
    changed[:] = 128
    for k, up in enumerate(risen_px.astype(int)):
        top = 50 - up
        changed[k, max(0, top) : top + 8, 20:70] = 30
    usable = np.ones(COUNT, bool)
    assert named(find_odd(changed, usable, risen_px)[1]) == []


def test_what_a_soft_edge_passes_through_lies_between_the_frames_beside():
    """A shadow that grows by half a row a frame, its edge five rows wide; the whole shadow in one
    frame alone, gone again in the next, is odd."""
    rows, edges = np.arange(HIGH), 24 - np.arange(7) / 2
    light = np.clip((rows - edges[:, None]) / 5, 0.05, 1)[:, :, None, None]
    shown = (np.array([200, 190, 180]) * light).repeat(WIDE, axis=2).astype(np.uint8)
    steady, noise = np.ones((HIGH, WIDE), bool), np.full((HIGH, WIDE), 1.4, np.float32)
    assert odd_share(shown[3], shown[:3], shown[4:], steady, noise) == 0
    shown[3, 40:50] = shown[3, 10:20]
    share = odd_share(shown[3], shown[:3], shown[4:], steady, noise)
    assert share == pytest.approx(10 / HIGH, abs=2 / HIGH)
