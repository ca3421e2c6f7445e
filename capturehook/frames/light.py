"""Exposure of frames against each other, and the gains that even it out, in linear light."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capturehook.frames.robust import Series, running_median, spread

SMOOTH_FRAMES = 21
MOST_EV = 20.0
MOST_GAIN_EV = 1.0
STRAY_EV = 0.75


def exposure_ev(light: Series) -> Series:
    """(F,) linear light of the static area -> EV against its median over the shoot.

    A black frame is endlessly dark; what follows counts better with `MOST_EV`.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.log2(light / np.nanmedian(light)).clip(-MOST_EV, MOST_EV))


def target_ev(ev: Series, width: int = SMOOTH_FRAMES) -> Series:
    """(F,) the slow course of the light: a line through the frames around each.

    Strays are first pulled to the rolling median (a Hampel filter), so that lone bad frames
    count for nothing; the median alone will not do as a target, since flicker that alternates
    from frame to frame flips it. At the ends the window stays whole, so nothing leans.
    """
    middle = running_median(ev, width)
    limit = max(STRAY_EV, 3 * spread(ev - middle))
    calm = np.clip(ev, middle - limit, middle + limit)
    return _local_lines(calm, min(width, len(ev)))


def _local_lines(values: Series, width: int) -> Series:
    fitted = np.full(len(values), np.nan)
    for index in range(len(values)):  # thousands at most, each a fit of a score of points
        low = min(max(0, index - width // 2), len(values) - width)
        place = np.arange(low, low + width, dtype=np.float64) - index
        near = values[low : low + width]
        known = np.isfinite(near)
        if known.any():
            fitted[index] = _line_at_zero(place[known], near[known])
    return fitted


def _line_at_zero(x: Series, y: Series) -> float:
    x_mean, y_mean = float(x.mean()), float(y.mean())
    over = float(((x - x_mean) ** 2).sum())
    slope = float(((x - x_mean) * (y - y_mean)).sum()) / over if over else 0.0
    return y_mean - slope * x_mean


def flicker_ev(ev: Series, width: int = SMOOTH_FRAMES) -> Series:
    """(F,) how much brighter each frame is than the slow course of the light, EV."""
    return ev - target_ev(ev, width)


def even_gains(ev: Series, width: int = SMOOTH_FRAMES, most_ev: float = MOST_GAIN_EV) -> Series:
    """(F,) gain in linear light for each frame; at most ``most_ev`` either way, 1 if unknown."""
    wanted_ev = np.nan_to_num(-flicker_ev(ev, width))
    return np.asarray(2.0 ** np.clip(wanted_ev, -most_ev, most_ev))


def clipped_share(rgb: NDArray[np.uint8]) -> float:
    """Share of pixels with a channel at its end of scale (254 and up: a JPEG's white)."""
    red, green, blue = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    return float((np.maximum(np.maximum(red, green), blue) >= 254).mean())
