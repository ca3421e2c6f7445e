"""`--lens`: pictures bent by OpenCV's own model of a lens (its `undistortPoints`, from the manual
of its calib3d module) come out straight again."""

from __future__ import annotations

from math import hypot

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy.ndimage import zoom

from capturehook.errors import FrameError
from capturehook.film.choose import Correction
from capturehook.film.framing import Framing
from capturehook.film.render import render_frame
from capturehook.film.wishes import FilmWishes, check_wishes
from capturehook.frames.listing import load_frames
from tests.film.scene import Scene

SIZE = (900, 600)
WHOLE = Framing(left=0, top=0, width=900, height=600, width_px=900, height_px=600)
SQUARES, SQUARE_PX = (11, 7), 64


def board() -> np.ndarray:
    """A chessboard that fills most of the picture, its edges a little soft."""
    row, column = np.mgrid[0:600, 0:900]
    across, down = (column - 98) // SQUARE_PX, (row - 76) // SQUARE_PX
    dark = (across + down) % 2 == 0
    dark &= (across >= 0) & (across < SQUARES[0]) & (down >= 0) & (down < SQUARES[1])
    return cv2.GaussianBlur(np.where(dark, 50, 200).astype(np.uint8), (0, 0), 1.2)


def bent(picture: np.ndarray, lens: float) -> np.ndarray:
    """As a lens would show it: each place shows what OpenCV says the straight place is."""
    middle, focal = np.array([449.5, 299.5]), hypot(*SIZE) / 2
    camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1]])
    few = np.meshgrid(np.linspace(0, 899, 91), np.linspace(0, 599, 61))
    many = (cv2.TERM_CRITERIA_COUNT, 200, 0)
    straight = cv2.undistortPoints(
        np.stack(few, axis=2).reshape(-1, 1, 2),
        camera,
        np.array([lens, 0, 0, 0]),
        None,
        np.eye(3),
        camera,
        many,
    ).reshape(61, 91, 2)
    x, y = (
        zoom(straight[..., k], (600 / 61, 900 / 91), order=1).astype(np.float32) for k in range(2)
    )
    return cv2.remap(picture, x, y, cv2.INTER_CUBIC, None, cv2.BORDER_REPLICATE)


def corners(picture: np.ndarray) -> np.ndarray:
    found, places = cv2.findChessboardCornersSB(picture, (SQUARES[0] - 1, SQUARES[1] - 1))
    assert found
    places = places.reshape(SQUARES[1] - 1, SQUARES[0] - 1, 2)
    return places if places[0, 0, 0] < places[-1, -1, 0] else places[::-1, ::-1]


def film_frame(tmp_path, picture: np.ndarray, lens: float, framing: Framing = WHOLE) -> np.ndarray:
    path = tmp_path / "a.png"
    Image.fromarray(picture).convert("RGB").save(path)
    frame = load_frames([path]).frames[0]
    return render_frame(frame, SIZE, framing, Correction(), (450.0, 300.0), lens=lens)


def off_line(places: np.ndarray) -> float:
    """The farthest of any corner from the line through its row's or column's (px)."""
    worst = 0.0
    for line in (*places, *places.transpose(1, 0, 2)):
        about = line - line.mean(axis=0)
        worst = max(worst, float(np.abs(about @ np.linalg.svd(about)[2][1]).max()))
    return worst


@pytest.mark.property
@settings(max_examples=12)
@given(percent=st.floats(-12, 12).filter(lambda one: abs(one) > 0.5))
def test_bent_lines_come_out_straight(percent: float, tmp_path_factory) -> None:
    picture = bent(board(), percent / 100)
    shown = film_frame(tmp_path_factory.mktemp("lens"), picture, percent / 100)
    assert off_line(corners(shown[..., 0])) < 0.3


def test_without_it_they_are_bent_and_with_the_wrong_sign_twice_as_much(tmp_path) -> None:
    picture = bent(board(), -0.06)
    before, wrong = (off_line(corners(film_frame(tmp_path, picture, one)[..., 0]))
                     for one in (0.0, 0.06))  # fmt: skip
    assert before > 1.5 and wrong > 1.6 * before


def test_middle_keeps_its_scale_under_a_barrel_and_corners_stay_under_a_cushion(tmp_path) -> None:
    straight = corners(board())
    shown = corners(film_frame(tmp_path, bent(board(), -0.06), -0.06)[..., 0])
    assert np.abs(shown - straight).max() < 0.3
    corner = np.full((600, 900), 90, np.uint8)
    corner[:12, :12] = corner[-12:, -12:] = 250
    shown = film_frame(tmp_path, corner, 0.08)[..., 0]
    assert shown[0, 0] > 200 and shown[-1, -1] > 200 and shown[0, -1] < 120
    assert np.count_nonzero(shown[:60, :60] > 170) < 12 * 12, "smaller, and not drawn out"


def test_a_close_framing_shows_the_same_place(tmp_path) -> None:
    """Half the picture, twice as large: the same corners, seen closer."""
    picture = bent(board(), 0.05)
    whole = corners(film_frame(tmp_path, picture, 0.05)[..., 0])
    half = Framing(left=225, top=150, width=450, height=300, width_px=900, height_px=600)
    near = film_frame(tmp_path, picture, 0.05, half)[..., 0]
    wanted = (whole[2, 4] - (224.5, 149.5)) * 2 - 0.5
    found = cv2.cornerSubPix(
        near, wanted.astype(np.float32).reshape(1, 1, 2), (9, 9), (-1, -1), (3, 40, 0.001)
    )
    assert np.abs(found.ravel() - wanted).max() < 0.6


@pytest.mark.parametrize("percent", [20.5, -1e9, float("nan"), float("inf")])
def test_a_lens_that_cannot_be_is_refused(percent: float, tmp_path) -> None:
    Scene(size_px=(160, 120), frames=1, photo="garden", seed=2).write(tmp_path / "card")
    frames = load_frames([tmp_path / "card"])
    with pytest.raises(FrameError, match="--lens"):
        check_wishes(frames, None, FilmWishes(lens_percent=percent))
