"""Colour as numbers: sRGB and BT.709 curves, luminance, exposure steps, BT.709 Y'CbCr.

Imports nothing of ours. Values are fractions of full scale (0..1) unless a name says 8bit.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

BT709_WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Red, green and blue in luminance (ITU-R BT.709, item 3.2; the primaries sRGB uses too)."""


def srgb_to_linear(coded: ArrayLike) -> NDArray[np.float64]:
    """Coded sRGB values -> linear light, any shape, 0..1.

    Source: IEC 61966-2-1, the decoding curve.
    """
    c = np.asarray(coded, dtype=np.float64)
    return np.where(c <= 0.04045, c / 12.92, ((np.maximum(c, 0.0) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: ArrayLike) -> NDArray[np.float64]:
    """Linear light -> coded sRGB values, any shape, 0..1.

    Source: IEC 61966-2-1, the encoding curve.
    """
    light = np.asarray(linear, dtype=np.float64)
    power = 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, power)


def weigh_bt709(rgb: ArrayLike) -> NDArray[np.float64]:
    """Weighted sum over the last axis (..., 3) -> (...).

    On linear values this is luminance, on coded values it is luma; the two differ.
    Source: ITU-R BT.709.
    """
    return np.asarray(np.asarray(rgb, dtype=np.float64) @ np.array(BT709_WEIGHTS))


def luminance_of_srgb(rgb_8bit: ArrayLike) -> NDArray[np.float64]:
    """Coded 8-bit sRGB (..., 3) -> relative luminance (...), 0..1."""
    return weigh_bt709(srgb_to_linear(np.asarray(rgb_8bit, dtype=np.float64) / 255.0))


@lru_cache(maxsize=1)
def linear_of_8bit() -> NDArray[np.float32]:
    """(256,) linear light of each 8-bit sRGB value: a table is quicker than a power."""
    table = srgb_to_linear(np.arange(256) / 255.0).astype(np.float32)
    table.setflags(write=False)
    return table


def gain_table_8bit(gain: float) -> NDArray[np.uint8]:
    """(256,) 8-bit sRGB values after a gain in linear light; what passes white stays white.

    A gain on the coded values themselves would be another, wrong, change of exposure.
    """
    coded = linear_to_srgb(np.clip(srgb_to_linear(np.arange(256) / 255.0) * gain, 0.0, 1.0))
    return np.round(coded * 255.0).astype(np.uint8)
