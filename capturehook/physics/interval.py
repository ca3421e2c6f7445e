"""A camera's free-running interval timer against stops of a known length; frames on a card.

In and out: seconds, counts, shares. The phase between timer and stop is taken as random and
even. Imports nothing of ours. ValueError for numbers without meaning.
"""

from __future__ import annotations

import math


def frame_chance(
    still_s: float, exposure_s: float, interval_s: float, jitter_s: float = 0.0
) -> float:
    """Chance that at least one whole exposure falls within one stop.

    ``jitter_s`` is the timer's own spread, peak to peak: each start is early or late by up to
    half of it, evenly and by itself.

    Source: an exposure fits if it starts within the first w = d - e of the stop. From the end
    of a gap G between starts, none does for G - w, so P = 1 - E[max(0, G - w)]/I. G is I plus
    the difference of two even spreads, a triangle from I - J to I + J, over which that mean
    is a cubic (integration); without jitter P = w/I, not over 1. Starts that may overtake each
    other (J over I) are taken as w - J.
    """
    _checked(exposure_s, interval_s, jitter_s)
    window_s = still_s - exposure_s
    if jitter_s > interval_s:
        return min(1.0, max(0.0, window_s - jitter_s) / interval_s)
    if abs(window_s - interval_s) >= jitter_s:
        return min(1.0, max(0.0, window_s) / interval_s)
    beyond = (window_s - interval_s) / jitter_s
    none_s = jitter_s * (max(0.0, -beyond) + (1 - abs(beyond)) ** 3 / 6)
    return 1 - none_s / interval_s


def sure_still_s(
    exposure_s: float, interval_s: float, frames: int = 1, jitter_s: float = 0.0
) -> float:
    """Shortest stop that holds ``frames`` whole exposures at any phase. Source: n I + e."""
    _checked(exposure_s, interval_s, jitter_s)
    return frames * interval_s + exposure_s + jitter_s


def sure_interval_s(
    still_s: float, exposure_s: float, frames: int = 1, jitter_s: float = 0.0
) -> float:
    """Longest interval that puts ``frames`` whole exposures in every stop; 0 if none does.

    Source: the line above solved for I.
    """
    _checked(exposure_s, 1.0, jitter_s)
    return max(0.0, (still_s - exposure_s - jitter_s) / frames)


def worst_miss_rate(clean: int, sure: float = 0.95) -> float:
    """Highest rate of misses that ``clean`` tries without one still allow.

    Source: binomial, (1 - p)^n = 1 - sure (Clopper and Pearson 1934, no failure); nearly 3/n.
    """
    if not (clean >= 1 and 0 < sure < 1):
        raise ValueError("clean must be 1 or more, sure between 0 and 1")
    return 1.0 - float((1 - sure) ** (1 / clean))


def card_frames(card_gb: float, frame_mb: float, usable: float = 0.93) -> int:
    """Frames that fit on a card; cards and cameras count 1 GB = 1000 MB.

    ``usable`` is the share left after formatting (0.93 to 0.95: common practice, no source).

    Source: floor of usable capacity over file size.
    """
    if not (card_gb >= 0 and frame_mb > 0 and 0 < usable <= 1):
        raise ValueError("card_gb, frame_mb and usable must be more than 0, usable not over 1")
    return math.floor(card_gb * 1000 * usable / frame_mb + 1e-9)


def _checked(exposure_s: float, interval_s: float, jitter_s: float) -> None:
    if not (interval_s > 0 and exposure_s >= 0 and jitter_s >= 0):
        raise ValueError("interval_s must be more than 0, exposure_s and jitter_s not negative")
