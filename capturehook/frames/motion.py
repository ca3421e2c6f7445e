"""How the camera moved: still points of a reference picture found again in each frame.

Points with texture are followed by pyramidal Lucas-Kanade, and a shift, turn and scale is
fitted to them so that points on what moves have no say. Pictures are flattened first (local
mean and contrast evened out), so that lamps do not matter.

Sources: Bouguet 2000, "Pyramidal implementation of the Lucas Kanade feature tracker"; Shi and
Tomasi 1994, "Good features to track"; OpenCV's `calcOpticalFlowPyrLK`, `goodFeaturesToTrack`,
`estimateAffinePartial2D`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.frames.needs import opencv

Grey = NDArray[np.float32]
Points = NDArray[np.float64]
MOST_POINTS, ROUGH_POINTS = 1500, 400
LEAST_POINTS = 6
FIT_POINTS = 12  # under this many a turn is not told from noise: shift only
LEAST_SHARE = 0.15  # of the points, that must agree about a motion
SURE_SHARE = 0.4
AGREE_PX = 0.75
WINDOW_PX = 21
LEAST_CONTRAST = 2.0  # codes: flat areas stay flat instead of becoming noise
CLEARLY_BETTER = 0.9
ROUGH_LONG_PX = 320
CELLS = 4


@dataclass(frozen=True, slots=True)
class Motion:
    """Content moved by dx, dy (px) at the pivot, turned clockwise and grown about it.

    ``share`` of the points agree; ``error_px`` is how far parts of the picture still stray
    together once the fit is undone (rms of the mean strays of its cells): what is left.
    """

    dx_px: float
    dy_px: float
    turn_deg: float
    zoom: float
    share: float
    error_px: float

    @property
    def known(self) -> bool:
        return bool(np.isfinite(self.dx_px))


LOST = Motion(np.nan, np.nan, np.nan, np.nan, 0.0, np.nan)


def matrix_of(motion: Motion, pivot_px: tuple[float, float]) -> NDArray[np.float64]:
    """(2, 3): a place in the reference -> the same place in the frame, px."""
    angle = np.radians(motion.turn_deg)
    cos, sin = motion.zoom * np.cos(angle), motion.zoom * np.sin(angle)
    x, y = pivot_px
    return np.array(
        [
            [cos, -sin, x + motion.dx_px - cos * x + sin * y],
            [sin, cos, y + motion.dy_px - sin * x - cos * y],
        ]
    )


def flatten(grey: NDArray[Any]) -> NDArray[np.uint8]:
    """(H, W) -> (H, W) codes about 128, local mean and contrast evened out."""
    cv = opencv()
    high, wide = grey.shape
    step = 4 if min(high, wide) >= 400 else 1
    small = grey if step == 1 else cv.resize(grey, (wide // step, high // step), None, 0, 0, 3)
    small = small.astype(np.float32)
    side = 2 * max(3, min(small.shape) // 24) + 1
    mean = cv.blur(small, (side, side))
    spread = np.sqrt(np.maximum(cv.blur(small * small, (side, side)) - mean * mean, 0))
    gain = 40 / (spread + LEAST_CONTRAST)
    offset = 128 - mean * gain
    if step > 1:
        gain, offset = (cv.resize(one, (wide, high)) for one in (gain, offset))
    flat = cv.multiply(grey, gain, dtype=cv.CV_32F)
    flat += offset
    # What is finer than a pixel of a reduced picture lies in other places in each frame.
    flat = cv.GaussianBlur(flat, (0, 0), 1.0) if step > 1 else flat
    return np.asarray(cv.convertScaleAbs(np.maximum(flat, 0)))


class Tracker:
    """A reference picture and its points; `follow` may be called from several threads."""

    def __init__(
        self,
        grey: NDArray[Any],
        mask: NDArray[np.bool_] | None = None,
        most_points: int = MOST_POINTS,
    ) -> None:
        """``mask`` (H, W) says where nothing but the camera moves."""
        cv = opencv()
        self.flat = flatten(grey)
        high, wide = self.flat.shape
        self.window_px = min(WINDOW_PX, 2 * (min(high, wide) // 10) + 1)
        self.levels = max(1, int(np.log2(max(high, wide) / 80)))
        apart = max(3, max(high, wide) // 260)
        where = None if mask is None else mask.astype(np.uint8)
        found = cv.goodFeaturesToTrack(self.flat, most_points, 0.004, apart, None, where, 5)
        self.points = np.empty((0, 1, 2), np.float32) if found is None else found
        centre = self.points[:, 0].mean(axis=0) if len(self.points) else (wide / 2, high / 2)
        self.pivot = (float(centre[0]), float(centre[1]))
        self.rough_step = max(1, round(max(high, wide) / ROUGH_LONG_PX))
        self.rough = _rough(self.flat, self.rough_step)

    def follow(self, grey: NDArray[Any]) -> Motion:
        """The motion of a frame against the reference; `LOST` where too few points agree."""
        if len(self.points) < LEAST_POINTS:
            return LOST
        flat = flatten(grey)
        motion = self._fit(flat, None)
        if motion.share >= SURE_SHARE:
            return motion
        cv = opencv()
        small = _rough(flat, self.rough_step)
        (dx, dy), _ = cv.phaseCorrelate(self.rough, small, _window(small.shape))
        start = self.points + np.array((dx, dy), np.float32) * self.rough_step
        further = self._fit(flat, start)
        best = max(motion, further, key=lambda one: one.share)
        return best if best.share >= LEAST_SHARE else LOST

    def _fit(self, flat: NDArray[np.uint8], start: NDArray[np.float32] | None) -> Motion:
        here, there = _track(self.flat, flat, self.points, start, self.window_px, self.levels)
        if len(here) < LEAST_POINTS:
            return LOST
        agree = _agreeing(here, there)
        share = float(agree.sum()) / len(self.points)
        if agree.sum() < LEAST_POINTS:
            return LOST
        return _motion(here[agree], there[agree], self.pivot, share)


def _rough(flat: NDArray[np.uint8], step: int) -> Grey:
    cv = opencv()
    size = (flat.shape[1] // step, flat.shape[0] // step)
    return np.asarray(cv.resize(flat, size, None, 0, 0, cv.INTER_AREA).astype(np.float32))


def _window(shape: tuple[int, ...]) -> Grey:
    return np.asarray(opencv().createHanningWindow(shape[::-1], opencv().CV_32F))


def _track(
    usual: NDArray[np.uint8],
    flat: NDArray[np.uint8],
    points: NDArray[np.float32],
    start: NDArray[np.float32] | None,
    window_px: int,
    levels: int,
) -> tuple[Points, Points]:
    """(K, 2) places in the reference and in the frame, of the points that were found again."""
    cv = opencv()
    stop = (cv.TERM_CRITERIA_COUNT | cv.TERM_CRITERIA_EPS, 30, 0.003)
    guess = None if start is None else start.copy()
    flags = 0 if start is None else cv.OPTFLOW_USE_INITIAL_FLOW
    moved, found, _ = cv.calcOpticalFlowPyrLK(
        usual, flat, points, guess, None, None, (window_px, window_px), levels, stop, flags
    )
    kept = found[:, 0] == 1
    return points[kept, 0].astype(np.float64), moved[kept, 0].astype(np.float64)


def _agreeing(here: Points, there: Points) -> NDArray[np.bool_]:
    """(K,) the points of the largest set that moved as one."""
    _, inside = opencv().estimateAffinePartial2D(here, there, None, 8, AGREE_PX, 2000, 0.999, 10)
    if inside is None:
        return np.zeros(len(here), bool)
    return np.asarray(inside[:, 0] == 1)


def _motion(here: Points, there: Points, pivot: tuple[float, float], share: float) -> Motion:
    z = here @ np.array([1, 1j]) - complex(*pivot)
    w = there @ np.array([1, 1j]) - complex(*pivot)
    if len(z) < FIT_POINTS:
        shift = complex(np.median((w - z).real), np.median((w - z).imag))
        return Motion(shift.real, shift.imag, 0.0, 1.0, share, _left_over(z, w - z - shift))
    factor, shift = _similarity(z, w)
    error = _left_over(z, w - factor * z - shift)
    turn_deg = float(np.degrees(np.angle(factor)))
    return Motion(shift.real, shift.imag, turn_deg, abs(factor), share, error)


def _left_over(z: NDArray[Any], stray: NDArray[Any]) -> float:
    """rms over the cells of a grid of the median stray of the points in each."""
    across, down = (np.ptp(part) + 1e-6 for part in (z.real, z.imag))
    column = ((z.real - z.real.min()) / across * CELLS).astype(int).clip(0, CELLS - 1)
    row = ((z.imag - z.imag.min()) / down * CELLS).astype(int).clip(0, CELLS - 1)
    cell = row * CELLS + column
    means = [stray[cell == one] for one in np.unique(cell)]
    left = [np.median(one.real) + 1j * np.median(one.imag) for one in means if len(one) > 3]
    return float(np.sqrt(np.mean(np.abs(left) ** 2))) if left else float(np.abs(stray).mean())


def _similarity(z: NDArray[Any], w: NDArray[Any]) -> tuple[complex, complex]:
    """The factor and shift of w = factor z + shift, by least squares with Tukey's weights."""
    weight = np.ones(len(z))
    factor, shift = 1 + 0j, 0j
    for _ in range(6):
        total = weight.sum()
        zm, wm = (weight * z).sum() / total, (weight * w).sum() / total
        dz, dw = z - zm, w - wm
        factor = complex((weight * dw * dz.conj()).sum() / (weight * np.abs(dz) ** 2).sum())
        shift = complex(wm - factor * zm)
        stray = np.abs(w - factor * z - shift)
        limit = 4.685 * 1.4826 * float(np.median(stray)) + 1e-6
        weight = np.clip(1 - (stray / limit) ** 2, 0, None) ** 2
    return factor, shift


def lay_over(samples: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(S, H, W) samples of a shoot, each moved onto the one of middling light.

    A camera that was knocked in mid-shoot would otherwise make all that has texture look
    restless. What moves as one in the picture votes for a motion: a gantry that rises says
    another one than the wall behind it. A motion is only taken where the picture then fits
    clearly better.
    """
    base = int(np.argsort(samples.mean(axis=(1, 2)))[len(samples) // 2])
    tracker = Tracker(samples[base], most_points=ROUGH_POINTS)
    if len(tracker.points) < LEAST_POINTS:
        return samples
    usual = tracker.flat.astype(np.float32)
    step = np.abs(np.diff(usual, axis=1))[:-1] + np.abs(np.diff(usual, axis=0))[:, :-1]
    rough = step > np.quantile(step, 0.7)
    return np.stack([_laid_over(sample, rough, tracker) for sample in samples])


def _laid_over(
    sample: NDArray[np.uint8], rough: NDArray[np.bool_], tracker: Tracker
) -> NDArray[np.uint8]:
    flat = flatten(sample)
    best, least = sample, CLEARLY_BETTER * _unlike(flat, tracker.flat, rough)
    here, there = _track(
        tracker.flat, flat, tracker.points, None, tracker.window_px, tracker.levels
    )
    for _ in range(3):
        if len(here) < LEAST_POINTS:
            break
        agree = _agreeing(here, there)
        if agree.sum() < LEAST_POINTS:
            break
        motion = _motion(here[agree], there[agree], tracker.pivot, 1.0)
        laid = warp_back(sample, matrix_of(motion, tracker.pivot))
        unlike = _unlike(flatten(laid), tracker.flat, rough)
        if unlike < least:
            best, least = laid, unlike
        here, there = here[~agree], there[~agree]
    return best


def warp_back(picture: NDArray[Any], matrix: NDArray[np.float64]) -> NDArray[Any]:
    """The picture as the reference would show it, where ``matrix`` is from `matrix_of`."""
    cv = opencv()
    flags = cv.INTER_CUBIC | cv.WARP_INVERSE_MAP
    size = (picture.shape[1], picture.shape[0])
    return np.asarray(cv.warpAffine(picture, matrix, size, None, flags, cv.BORDER_REPLICATE))


def _unlike(flat: NDArray[np.uint8], usual: NDArray[np.uint8], rough: NDArray[np.bool_]) -> float:
    """Median difference of flattened pictures where the usual one has texture."""
    return float(np.median(opencv().absdiff(flat, usual)[:-1, :-1][rough]))
