"""Which motions of the camera are undone, and in what light each frame is shown.

In: the measures of an audit and the frames of the film. Out: one Correction a frame, and what
was chosen and why, in pixels of the original.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from capturehook.film.choose import Correction
from capturehook.frames.light import EvenLight, even_gains
from capturehook.frames.measure import Measures
from capturehook.frames.robust import Series

Align = Literal["auto", "shift", "turn", "none"]
STILL_PX = 0.05
SURE_TIMES = 2.0
"""A motion is undone when it is so many times its own error of measurement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """What was undone: ``model`` is none, shift or turn (shift, turn and scale).

    ``before_px`` and ``after_px`` are (rms, worst) of how far the still part strays from its
    middling place, px of the original: as shot, and what the chosen model leaves together
    with the error of its measurement. NaN where no still part was found.
    """

    model: Literal["none", "shift", "turn"]
    before_px: tuple[float, float]
    after_px: tuple[float, float]

    def text(self) -> str:
        """One line for people."""
        if not np.isfinite(self.before_px[0]):
            return "no still part to align by"
        done = {
            "none": "left as shot",
            "shift": "shifts undone",
            "turn": "shifts, turns and scale undone",
        }[self.model]
        return (
            f"{done}; the still part strayed by {self.before_px[0]:.2f} px rms "
            f"({self.before_px[1]:.2f} at worst), now {self.after_px[0]:.2f} "
            f"({self.after_px[1]:.2f}), px of the originals"
        )


def align_frames(
    measures: Measures, indices: list[int], align: Align, even_light: EvenLight | None
) -> tuple[dict[int, Correction], Alignment]:
    """frame_index -> correction for the frames of a film.

    Motions are counted from their median, so that the crop loses least.

    Parameters
    ----------
    indices : of the frames that are in the film, in order
    """
    places = np.array(indices)
    moves = _Moves(measures, places)
    model = moves.choose() if align == "auto" else align
    if not measures.area.sure:
        model = "none"
    gains = np.ones((len(places), 3))
    if even_light is not None:
        gains = even_gains(measures.colour[places], even_light)
    dx, dy, turn, zoom = moves.undone(model)
    corrections = {
        index: Correction(
            dx_px=float(dx[k]),
            dy_px=float(dy[k]),
            turn_deg=float(turn[k]),
            zoom=float(zoom[k]),
            gain=(float(gains[k, 0]), float(gains[k, 1]), float(gains[k, 2])),
        )
        for k, index in enumerate(indices)
    }
    alignment = Alignment(model=model, before_px=moves.strays("none"), after_px=moves.strays(model))
    return corrections, alignment


class _Moves:
    """The motions of K frames about their median; unknown ones are none."""

    def __init__(self, measures: Measures, places: Series) -> None:
        self.dx, self.dy, self.turn_deg, self.zoom = (
            _about_median(values[places])
            for values in (measures.dx_px, measures.dy_px, measures.turn_deg, measures.zoom)
        )
        self.error_px = measures.error_px[places]
        rows, columns = np.nonzero(measures.area.mask[::8, ::8])
        still = np.stack([columns, rows], axis=1) * (8 / measures.scale) - measures.pivot_px
        self.still = still[:: max(1, len(still) // 400)] @ np.array([1, 1j])
        self.sure = measures.area.sure

    def _field(self, model: str) -> Series:
        """(K, points) where each still point is moved to, once ``model`` is undone."""
        turned = (1 + self.zoom) * np.exp(1j * np.radians(self.turn_deg)) - 1
        if model == "turn":
            return np.zeros((len(self.dx), len(self.still)), complex)
        shift = self.dx + 1j * self.dy if model == "none" else 0 * self.dx
        return np.asarray(shift[:, None] + turned[:, None] * self.still)

    def strays(self, model: str) -> tuple[float, float]:
        if not self.sure:
            return float("nan"), float("nan")
        moved = np.sqrt((np.abs(self._field(model)) ** 2).mean(axis=1))
        if model != "none":
            moved = np.hypot(moved, np.nan_to_num(self.error_px))
        return float(np.sqrt((moved**2).mean())), float(moved.max())

    def choose(self) -> Literal["none", "shift", "turn"]:
        """The least that leaves nothing that is larger than the error of measuring it."""
        error = float(np.sqrt(np.nanmean(self.error_px**2))) if self.sure else 0.0
        limit = max(STILL_PX, SURE_TIMES * error)
        for model in ("none", "shift"):
            left = float(np.sqrt((np.abs(self._field(model)) ** 2).mean()))
            if left <= limit:
                return model
        return "turn"

    def undone(self, model: str) -> tuple[Series, Series, Series, Series]:
        still = np.zeros(len(self.dx))
        dx, dy = (self.dx, self.dy) if model != "none" else (still, still)
        if model != "turn":
            return dx, dy, still, 1 + still
        return dx, dy, self.turn_deg, 1 + self.zoom


def _about_median(values: Series) -> Series:
    if not np.isfinite(values).any():
        return np.zeros(len(values))
    return np.nan_to_num(values - np.nanmedian(values))
