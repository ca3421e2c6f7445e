"""Small statistics that a few bad frames cannot bend. Series are (F,) float64, NaN = unknown."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]
SIDE = 5
MOST_PAIRS = 40_000
MAD_TO_SIGMA = 1.4826  # of a normal distribution (statistics textbook)


def running_median(values: Series, width: int) -> Series:
    """Median over an odd window; at the ends over what there is of it. Same shape, NaN skipped."""
    half = width // 2
    padded = np.pad(values, half, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a window of NaN gives NaN
        return np.asarray(np.nanmedian(windows, axis=-1))


def spread(values: Series) -> float:
    """Standard deviation as the median absolute deviation tells it; 0.0 of nothing."""
    known = values[np.isfinite(values)]
    if len(known) == 0:
        return 0.0
    return MAD_TO_SIGMA * float(np.median(np.abs(known - np.median(known))))


def find_steps(values: Series, threshold: float) -> list[int]:
    """Places where a series moves to another level and stays there.

    Index i means: between i-1 and i. A place counts when the medians of up to SIDE values
    before and after it differ by more than ``threshold``, and the single step at i does too;
    a lone outlier is no step.
    """
    count = len(values)
    found = []
    for index in range(2, count - 1):  # F is thousands at most, and each place needs two medians
        before, after = _beside(values, index)
        single = abs(values[index] - values[index - 1])
        if abs(after - before) > threshold and single > threshold:
            found.append(index)
    return [index for index in found if not _is_return(values, index, threshold)]


def _beside(values: Series, index: int) -> tuple[float, float]:
    before, after = values[max(0, index - SIDE) : index], values[index : index + SIDE]
    return float(np.nanmedian(before)), float(np.nanmedian(after))


def _is_return(values: Series, index: int, threshold: float) -> bool:
    """The step only leads into, or back out of, a short excursion."""
    levels = np.array(_beside(values, index))
    apart = np.abs(values[[index, index - 1], None] - levels) > threshold
    return bool(apart.all(axis=1).any())


def find_levels(values: Series, least: float, *, shortest: int = 4) -> list[int]:
    """Places where a series moves to another level and stays there, in any of its columns.

    The series is cut where the sum of the distances from the medians of the pieces falls most,
    again and again, as long as the medians differ by more than ``least`` and by more than
    chance: 3.5 standard deviations of what neighbours differ by. Excursions shorter than
    ``shortest`` are no level.

    Parameters
    ----------
    values : (K, D) float64, all finite
    """
    noise = float(np.hypot.reduce([spread(axis) for axis in np.diff(values, axis=0).T]))
    limit = max(least, 3.5 * noise / np.sqrt(2))
    found: list[int] = []
    open_ = [(0, len(values))]
    while open_:
        low, high = open_.pop()
        places = range(low + shortest, high - shortest + 1)
        if not places:
            continue
        costs = [_off_median(values[low:k]) + _off_median(values[k:high]) for k in places]
        best = places[int(np.argmin(costs))]
        before, after = np.median(values[low:best], axis=0), np.median(values[best:high], axis=0)
        if np.hypot.reduce(after - before) > limit:
            found.append(best)
            open_ += [(low, best), (best, high)]
    return sorted(found)


def _off_median(values: Series) -> float:
    return float(np.abs(values - np.median(values, axis=0)).sum())


def theil_sen(x: Series, y: Series) -> tuple[float, float]:
    """(slope, intercept) by the median of the slopes of pairs of points (statistics textbook).

    Pairs lie at several fixed distances, so that the cost stays near MOST_PAIRS.
    """
    count = len(x)
    slopes = []
    lags = np.unique(np.geomspace(max(1, count // 8), max(1, count - 1), 24).astype(int))
    for lag in lags[: max(1, MOST_PAIRS // max(1, count))]:
        run = x[lag:] - x[:-lag]
        rise = y[lag:] - y[:-lag]
        slopes.append(rise[run != 0] / run[run != 0])
    slope = float(np.median(np.concatenate(slopes)))
    return slope, float(np.median(y - slope * x))
