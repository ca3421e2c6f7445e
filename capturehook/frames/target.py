"""How far a target has moved in each of some frames, against one of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError
from capturehook.frames.decode import read_picture
from capturehook.frames.motion import Tracker
from capturehook.frames.static import luma_of

MOST_PX = 1600
"""Longer side that is looked at: beyond it a picture is halved until it fits."""
LEAST_PX = 32


def target_shifts(
    paths: Sequence[Path],
    reference: int,
    box_px: tuple[int, int, int, int] | None = None,
    wanted: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """(F, 2) shift to the right and down, in px of the pictures; NaN where unwanted or lost.

    Parameters
    ----------
    paths : F pictures of one size
    reference : index of the one that stands still
    box_px : x, y, width, height of the part to look at; all of it unless given
    wanted : (F,) True where the picture is looked at; all unless given

    Raises
    ------
    FrameError
        A picture cannot be read, or the box does not lie within it.
    """
    usual, step = _grey(paths[reference], box_px)
    tracker = Tracker(usual)
    found = np.full((len(paths), 2), np.nan)
    for at in range(len(paths)) if wanted is None else np.flatnonzero(wanted).tolist():
        path = paths[at]
        grey, _ = _grey(path, box_px)
        if grey.shape != usual.shape:
            raise FrameError(str(path), "has another size", "Give the frames of one trial alone")
        motion = tracker.follow(grey)
        found[at] = motion.dx_px * step, motion.dy_px * step
    return found


def _grey(path: Path, box_px: tuple[int, int, int, int] | None) -> tuple[NDArray[np.uint8], int]:
    grey = luma_of(read_picture(path))
    if box_px is not None:
        x, y, wide, high = box_px
        inside = x >= 0 and y >= 0 and y + high <= grey.shape[0] and x + wide <= grey.shape[1]
        if not inside or min(wide, high) < LEAST_PX:
            raise FrameError(
                str(path),
                f"is {grey.shape[1]} x {grey.shape[0]} px, and the box {wide} x {high} at {x}, {y}",
                f"Give a box within the picture, {LEAST_PX} px and more each way",
            )
        grey = grey[y : y + high, x : x + wide]
    step = max(1, -(-max(grey.shape) // MOST_PX))
    return np.ascontiguousarray(grey[::step, ::step]), step
