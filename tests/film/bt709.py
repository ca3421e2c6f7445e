"""Coded colours by the standard's own formulas, written apart from the film writer."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def rgb_to_ycbcr_8bit(rgb_8bit: ArrayLike) -> NDArray[np.float64]:
    """Coded RGB (..., 3) 0..255 -> Y', Cb, Cr (..., 3), 8-bit narrow range, not rounded.

    Source: ITU-R BT.709, items 3.2 to 3.5.
    """
    rgb = np.asarray(rgb_8bit, dtype=np.float64) / 255.0
    luma = rgb @ np.array([0.2126, 0.7152, 0.0722])
    blue = (rgb[..., 2] - luma) / 1.8556
    red = (rgb[..., 0] - luma) / 1.5748
    return np.stack([16 + 219 * luma, 128 + 224 * blue, 128 + 224 * red], axis=-1)
