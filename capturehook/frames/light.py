"""Exposure of frames against each other, and the gains that even it out, in linear light."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from capturehook.frames.needs import opencv
from capturehook.frames.robust import Series, running_median, spread
from capturehook.physics.colour import linear_of_8bit

EvenLight = Literal["lamps", "all"]
SMOOTH_FRAMES = 21
LIGHT_BLOCK_PX = 8
DARKEST, BRIGHTEST = 0.004, 0.85  # linear light of blocks that tell a ratio
LEAST_BLOCKS = 12
MOST_EV = 20.0
MOST_GAIN_EV = 1.0
STRAY_EV = 0.75


def block_light(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """(H, W, 3) coded -> (H / 8, W / 8, 3) linear light, means of blocks."""
    cv = opencv()
    high, wide = rgb.shape[:2]
    size = (max(1, wide // LIGHT_BLOCK_PX), max(1, high // LIGHT_BLOCK_PX))
    return np.asarray(cv.resize(linear_of_8bit()[rgb], size, None, 0, 0, cv.INTER_AREA))


def light_ratio(
    light: NDArray[np.float32], usual: NDArray[np.float32], mask: NDArray[np.bool_]
) -> Series:
    """(3,) red, green and blue light of one picture over that of another, as most still blocks
    tell it; blocks near black or white in either are left out where others are left.

    Parameters
    ----------
    light, usual : (h, w, 3) from :func:`block_light`, the pictures laid over one another
    mask : (h, w) where nothing moves
    """
    ratios = np.empty(3)
    for channel in range(3):
        one, other = light[..., channel][mask], usual[..., channel][mask]
        clear = (one > DARKEST) & (one < BRIGHTEST) & (other > DARKEST) & (other < BRIGHTEST)
        if clear.sum() < max(LEAST_BLOCKS, 0.05 * len(one)):
            ratios[channel] = (one.mean() + 1e-7) / (other.mean() + 1e-7) if len(one) else np.nan
        else:
            ratios[channel] = np.median(one[clear] / other[clear])
    return ratios


def exposure_ev(light: Series) -> Series:
    """(F,) linear light of the static area -> EV against its median over the shoot.

    A black frame is endlessly dark; what follows counts better with `MOST_EV`.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.log2(light / np.nanmedian(light)).clip(-MOST_EV, MOST_EV))


def colour_ev(colour: Series) -> Series:
    """(F, 3) ratios of red, green and blue -> (F, 2) red and blue against green, EV."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ev = np.log2(colour[:, [0, 2]] / colour[:, [1]])
    return np.where(np.isfinite(ev), ev.clip(-MOST_EV, MOST_EV), np.nan)


def target_ev(ev: Series) -> Series:
    """(F,) the slow course of the light: a line through the frames around each.

    Strays are first pulled to the rolling median (a Hampel filter), so that lone bad frames
    count for nothing; the median alone will not do as a target, since flicker that alternates
    from frame to frame flips it. At the ends the window stays whole, so nothing leans.
    """
    middle = running_median(ev, SMOOTH_FRAMES)
    limit = max(STRAY_EV, 3 * spread(ev - middle))
    calm = np.clip(ev, middle - limit, middle + limit)
    return _local_lines(calm, min(SMOOTH_FRAMES, len(ev)))


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


def flicker_ev(ev: Series) -> Series:
    """(F,) how much brighter each frame is than the slow course of the light, EV."""
    return ev - target_ev(ev)


def even_gains(colour: Series, keep: EvenLight = "lamps") -> Series:
    """(F, 3) gains in linear light for red, green and blue that even a film out.

    Each channel is brought to its slow course, or with ``keep`` "all" to one level; at most
    MOST_GAIN_EV either way (twice that for "all"), 1 where unknown.

    Parameters
    ----------
    colour : (F, 3) linear light of the static area, of the frames of the film in order
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ev = np.log2(colour / np.nanmedian(colour, axis=0)).clip(-MOST_EV, MOST_EV)
    if keep == "all":
        wanted_ev, most_ev = -ev, 2 * MOST_GAIN_EV
    else:
        wanted_ev = np.stack([-flicker_ev(channel) for channel in ev.T], axis=1)
        most_ev = MOST_GAIN_EV
    return np.asarray(2.0 ** np.clip(np.nan_to_num(wanted_ev), -most_ev, most_ev))


def clipped_share(rgb: NDArray[np.uint8]) -> float:
    """Share of pixels with a channel at its end of scale (254 and up: a JPEG's white)."""
    red, green, blue = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    return float((np.maximum(np.maximum(red, green), blue) >= 254).mean())
