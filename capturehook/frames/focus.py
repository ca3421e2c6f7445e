"""How sharp a picture is: only to be compared with the same scene in other pictures.

Source of `sharpness`: Pech-Pacheco and others 2000, the variance of the Laplacian (from memory).
It rises with texture, exposure and noise. `Focus` has none of these: it tells how much of the
fine detail of a reference is left, by regression of one on the other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capturehook.frames.needs import opencv
from capturehook.frames.robust import Series, running_median

NEIGHBOURS = 9
BLURS_PX = np.array([0.0, 0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 3.0, 5.0])
NARROW_PX = 0.5
LEAST_DETAIL = 1e-3

Grey = NDArray[np.float32]


def laplacian(grey: NDArray[np.floating]) -> NDArray[np.floating]:
    """Kernel [0 1 0; 1 -4 1; 0 1 0] where it fits: (H, W) -> (H-2, W-2)."""
    inner = grey[1:-1, 1:-1]
    around: NDArray[np.floating] = grey[:-2, 1:-1] + grey[2:, 1:-1] + grey[1:-1, :-2]
    return np.asarray(around + grey[1:-1, 2:] - 4 * inner)


def sharpness(grey: NDArray[np.floating]) -> float:
    """Population variance of the Laplacian, over the squared mean so that exposure cancels."""
    mean = float(grey.mean())
    if mean <= 0:
        return 0.0
    return float(laplacian(grey).var()) / mean**2


def sharpness_ratio(scores: Series) -> Series:
    """(F,) each score over the median of its neighbours; well under 1 is blurred."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return scores / running_median(scores, NEIGHBOURS)


class Focus:
    """The fine detail of a reference picture on its still part."""

    def __init__(self, luma: NDArray[np.uint8], mask: NDArray[np.bool_]) -> None:
        inner = mask.copy()
        inner[:3] = inner[-3:] = inner[:, :3] = inner[:, -3:] = False
        self.mask = inner if inner.any() else np.ones_like(mask)
        self.usual = [one[self.mask] for one in _details(luma.astype(np.float32))]
        self.power = [float((one * one).mean()) + LEAST_DETAIL for one in self.usual]
        self.level = float(luma[self.mask].mean())
        self.left = [1.0, *(min(self._left(_blurred(luma, sigma))) for sigma in BLURS_PX[1:])]

    def of(self, luma: NDArray[np.uint8]) -> tuple[float, float]:
        """How much contrast of the finest detail is left, the lesser of across and down, and
        the blur of the reference (sigma, px) that leaves as much.

        ``luma`` is of a picture laid on the reference.
        """
        left = min(self._left(luma))
        curve = np.minimum.accumulate(np.array(self.left))
        return left, float(np.interp(-left, -curve, BLURS_PX))

    def _left(self, luma: NDArray[np.generic]) -> list[float]:
        grey = luma.astype(np.float32)
        gain = self.level / max(1.0, float(grey[self.mask].mean()))
        return [
            gain * float((one[self.mask] * usual).mean()) / power
            for one, usual, power in zip(_details(grey), self.usual, self.power, strict=True)
        ]


def _blurred(luma: NDArray[np.uint8], sigma_px: float) -> Grey:
    """A Gaussian drawn at whole pixels has hardly any width below half a pixel: there three
    weights of its variance stand in for it."""
    cv, grey = opencv(), luma.astype(np.float32)
    if sigma_px > NARROW_PX:
        return np.asarray(cv.GaussianBlur(grey, (0, 0), sigma_px))
    side = sigma_px**2 / 2
    weights = np.array([side, 1 - 2 * side, side], np.float32)
    return np.asarray(cv.sepFilter2D(grey, cv.CV_32F, weights, weights))


def _details(grey: Grey) -> tuple[Grey, Grey]:
    """Second differences across and down, the other direction smoothed against noise."""
    cv = opencv()
    bend, smooth = np.array([-1, 0, 2, 0, -1], np.float32) / 4, np.array([1, 2, 1], np.float32) / 4
    return (
        np.asarray(cv.sepFilter2D(grey, cv.CV_32F, bend, smooth)),
        np.asarray(cv.sepFilter2D(grey, cv.CV_32F, smooth, bend)),
    )
