"""The length of a film and its pace, and what stands in for missing frames."""

from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.audit.judge import audit_frames
from capturehook.errors import FrameError
from capturehook.film.assemble import assemble_film
from capturehook.film.bridge import in_between
from capturehook.film.choose import Chosen
from capturehook.film.pace import PACES, pace_frames
from capturehook.film.wishes import FilmWishes
from capturehook.frames.listing import load_frames
from tests.film.scene import Scene
from tests.frames.shoot import make_shoot


def shots(count):
    return [Chosen(kind="shot", frame_index=k, pose_index=k) for k in range(count)]


@pytest.mark.property
@settings(max_examples=150)
@given(st.integers(2, 400), st.integers(2, 900), st.sampled_from(PACES))
def test_paced_frames_keep_order_ends_and_count_and_all_is_said(count, moving, pace):
    paced, said = pace_frames(shots(count), moving, pace)
    order = [one.frame_index for one in paced]
    assert order == sorted(set(order)) and (order[0], order[-1]) == (0, count - 1)
    assert sum(one.shown for one in paced) == moving
    assert said.left_out == count - len(paced)
    assert said.repeated == sum(one.shown > 1 for one in paced)
    if pace == "even":
        inner = [one.shown for one in paced[1:-1]]
        assert not inner or max(inner) - min(inner) <= 1


def test_eased_pace_has_the_speed_of_its_polynomial():
    """The derivative of u^2 (3 - 2u), by hand: 6u(1 - u)."""
    count = moving = 1000
    paced, _ = pace_frames(shots(count), moving, "eased")
    shown = np.repeat([one.frame_index for one in paced], [one.shown for one in paced])
    u = np.linspace(0, 1, moving)
    speed = (shown[20:] - shown[:-20]) / 20
    middle = (u[20:] + u[:-20]) / 2
    assert speed == pytest.approx(6 * middle * (1 - middle), abs=0.06)


@pytest.mark.parametrize("length_s", [0.5, 1.0, 2.04, 3.7])
@pytest.mark.parametrize("pace", PACES)
@pytest.mark.parametrize("fps", ["25", "30000/1001"])
def test_film_is_as_long_as_asked_for_to_one_frame(tmp_path, length_s, pace, fps):
    shoot = make_shoot(12)
    shoot.write(tmp_path / "card")
    audit = audit_frames(load_frames([tmp_path / "card"]), shoot.plan)
    wishes = FilmWishes(length_s=length_s, pace=pace, fps=fps, hold_last_s=0.2)
    assemble_film(audit, tmp_path / "film.mp4", wishes)
    with av.open(str(tmp_path / "film.mp4")) as container:
        stamps = [frame.time for frame in container.decode(video=0)]
        rate = container.streams.video[0].average_rate
    step = 1 / Fraction(fps)
    assert rate == Fraction(fps)
    assert abs(len(stamps) * step - length_s) <= step
    assert np.diff(stamps) == pytest.approx(float(step), abs=1e-3)


def test_length_that_leaves_nothing_to_show_is_refused(tmp_path):
    with pytest.raises(FrameError, match="leaves 1 film frames to show 9"):
        pace_frames(shots(9), 1, "even")


# --- in-betweens


def square_at(x, y=60, wide=320, high=180):
    """A textured wall and a bright block on it; nothing of ours draws it."""
    rng = np.random.default_rng(3)
    wall = cv2.GaussianBlur(rng.normal(90, 60, (high, wide)).astype(np.float32), (0, 0), 2)
    rgb = np.repeat(wall[..., None].clip(20, 160), 3, axis=2).astype(np.uint8)
    block = cv2.GaussianBlur(rng.normal(200, 90, (50, 40)).astype(np.float32), (0, 0), 2)
    rgb[y : y + 50, x : x + 40] = block.clip(150, 250)[..., None].astype(np.uint8)
    return rgb


@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
def test_motion_puts_a_moving_block_where_it_would_be(share):
    first, last = square_at(120), square_at(132)
    truth = square_at(120 + round(12 * share)).astype(float)
    moved = in_between(first, last, share)
    blended = (1 - share) * first.astype(float) + share * last
    near = np.s_[55:115, 110:180]
    error, blend_error = (np.abs(one - truth)[near].mean() for one in (moved, blended))
    assert error < 0.5 * blend_error
    far = np.s_[:, 220:]
    assert np.abs(moved.astype(float) - truth)[far].max() <= 1  # what stands still does


def test_motion_keeps_the_depth_of_a_master():
    first, last = (square_at(x).astype(np.uint16) * 257 for x in (120, 126))
    moved = in_between(first, last, 0.5)
    assert moved.dtype == np.uint16
    assert len(np.unique(moved)) > 2000


def test_motion_between_two_shots_of_a_printer_is_nearer_the_truth_than_holding():
    """An independent scene: the gantry is between where it was and will be."""
    scene = Scene(size_px=(1200, 800), frames=100)
    first, truth, last = (scene.render(scene.shots[k]) for k in (49, 50, 51))
    errors = [
        np.abs(cv2.GaussianBlur(one, (0, 0), 1).astype(float) - cv2.GaussianBlur(truth, (0, 0), 1))[
            50:700, 100:1050
        ].mean()
        for one in (first, in_between(first, last, 0.5))
    ]
    assert errors[1] < 0.65 * errors[0]


def test_motion_blends_a_bar_that_went_further_than_it_is_thick():
    """Nothing can follow it: pieces of it would be torn out."""
    first, last = square_at(120), square_at(120)
    first[60:70, 20:300] = last[90:100, 20:300] = (120, 124, 128)
    moved = in_between(first, last, 0.5)
    blended = np.rint(0.5 * first + 0.5 * last)
    assert np.abs(moved - blended).max() <= 1


def test_bridged_poses_are_told_with_number_and_names(tmp_path):
    shoot = make_shoot(24)
    del shoot.shots[15]
    del shoot.shots[9]
    shoot.write(tmp_path / "card")
    audit = audit_frames(load_frames([tmp_path / "card"]), shoot.plan)
    report = assemble_film(audit, tmp_path / "film.mp4", FilmWishes(bridge="motion"))
    kinds = {one.pose_index: one.kind for one in report.chosen}
    assert [pose for pose, kind in kinds.items() if kind == "moved"] == [9, 15]
    said = [one.text for one in report.findings if one.code == "bridged"]
    assert len(said) == 1 and "2 poses" in said[0] and "(pose 10, 16)" in said[0]
