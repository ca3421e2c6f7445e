"""Small statistics that a few bad frames cannot bend. Series are (F,) float64, NaN = unknown."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]
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


def find_steps(values: Series, threshold: float, side: int = 5) -> list[int]:
    """Places where a series moves to another level and stays there.

    Index i means: between i-1 and i. A place counts when the medians of up to ``side`` values
    before and after it differ by more than ``threshold``, and the single step at i does too;
    a lone outlier is no step.
    """
    count = len(values)
    found = []
    for index in range(2, count - 1):  # F is thousands at most, and each place needs two medians
        before = np.nanmedian(values[max(0, index - side) : index])
        after = np.nanmedian(values[index : index + side])
        single = abs(values[index] - values[index - 1])
        if abs(after - before) > threshold and single > threshold:
            found.append(index)
    return [index for index in found if not _is_return(values, index, threshold, side)]


def _is_return(values: Series, index: int, threshold: float, side: int) -> bool:
    """The step only leads into, or back out of, a short excursion."""
    before = np.nanmedian(values[max(0, index - side) : index])
    after = np.nanmedian(values[index : index + side])
    into = abs(values[index] - before) > threshold and abs(values[index] - after) > threshold
    out_of = (
        abs(values[index - 1] - before) > threshold and abs(values[index - 1] - after) > threshold
    )
    return bool(into or out_of)


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


def theil_sen(x: Series, y: Series, most_pairs: int = 40_000) -> tuple[float, float]:
    """(slope, intercept) by the median of the slopes of pairs of points (statistics textbook).

    Pairs lie at several fixed distances, so that the cost stays near ``most_pairs``.
    """
    count = len(x)
    slopes = []
    lags = np.unique(np.geomspace(max(1, count // 8), max(1, count - 1), 24).astype(int))
    for lag in lags[: max(1, most_pairs // max(1, count))]:
        run = x[lag:] - x[:-lag]
        rise = y[lag:] - y[:-lag]
        slopes.append(rise[run != 0] / run[run != 0])
    slope = float(np.median(np.concatenate(slopes)))
    return slope, float(np.median(y - slope * x))
