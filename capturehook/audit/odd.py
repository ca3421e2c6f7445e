"""Frames that show something elsewhere: a carriage over the part, a hand, a plate half-way.

Every picture is held against those before and after it, laid on one another and in one light.
What is unlike all of them counts where it is a solid patch, in units of what the pixels of this
shoot stray anyway: a part that grows is like one side or the other, or between, so it never counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.audit.verdicts import Flags
from capturehook.frames.needs import opencv
from capturehook.frames.robust import MAD_TO_SIGMA, Series

SIDE = 3
NEAR = 9
"""Frames around one, itself among them."""
LEAST_CODES = 1.4
"""Noise that is allowed anyway, codes: rounding, and JPEG blocks."""
ODD_SIGMAS = 6.0
MOST_TIMES = 3.0  # of the median noise: growth in few frames is no noise
ODD_CODES_AT_ENDS = 45.0  # a layer laid the other way may shine otherwise than all that follow
ODD_SHARE = 0.0008
"""Of the picture: so much must be odd at least. Clean drawn frames (bench_judging.py) have none."""
ODD_SHARE_AT_ENDS = 0.0045
"""The same for the first and the last frame: they have one side only to compare with, which has
grown, so that shadows and shine of three layers beside the part must stay below it."""
ODD_TIMES_NEAR = 3.0
ODD_TIMES_AT_ENDS = 9.0  # of what is common near them, for the same reason
BESIDE_WORSE = 0.5
LEAST_SHARE = 0.0003
MOST_RISE = 0.9  # of the height of the picture, over the shoot
SOLID = 7  # of nine pixels
ROW_PX = 7
GROWN_CODES = 20.0

COLOURED = 0.5  # saturation from which a hue says something
SAME_HUE = 0.08  # of the sum of the channels
NEARLY_ALL = 0.8
LEAP = 1.5  # times the rise of most frames

Looks = NDArray[np.float32]


def find_odd(
    looks: NDArray[np.uint8], usable: Flags, height: Series | None = None
) -> tuple[Series, Flags]:
    """(K,) share of each picture that is neither as before nor as after; and where too much.

    Parameters
    ----------
    looks : (K, h, w, 3) uint8, laid on one another, in one light
    usable : (K,) bool; the others are neither judged nor compared with
    height : (K,) how far the part has grown, in any unit; evenly unless given. A gantry rises
        with it, or a plate sinks, and what only did that is as before
    """
    keep = np.flatnonzero(usable)
    share = np.full(len(looks), np.nan)
    if not len(keep):
        return share, np.zeros(len(looks), bool)
    kept = looks if len(keep) == len(looks) else looks[keep]
    noise, steady = noise_of(kept), steady_area(kept)
    rows = np.arange(len(looks), dtype=float) if height is None else height
    height, rows = rows[keep], _rise_rows(kept, rows[keep], noise)
    for at, index in enumerate(keep):  # one small picture at a time keeps memory flat
        place = _place_of(kept, at, steady, noise)
        share[index] = _over_gap(kept, place, steady, noise, rows, height)
    common, ends = _common_near(share), keep[[0, -1]]
    limit = np.maximum(ODD_SHARE, ODD_TIMES_NEAR * common)
    limit[ends] = np.maximum(ODD_SHARE_AT_ENDS, ODD_TIMES_AT_ENDS * common[ends])
    return share, (share > limit) & ~_beside_worse(share)


@dataclass(frozen=True, slots=True)
class _Place:
    """One of the pictures, those around it, and how it is unlike all of them, nothing risen."""

    at: int
    near: list[int]
    away: Looks
    at_end: bool
    share: float


def _place_of(
    looks: NDArray[np.uint8], at: int, steady: Flags, noise: Looks, *, between: bool = True
) -> _Place:
    """``between``: what lies between the pictures beside it is like them."""
    near = [k for k in range(at - SIDE, at + SIDE + 1) if 0 <= k < len(looks) and k != at]
    if not near:
        return _Place(at, near, np.zeros(looks.shape[1:3], np.float32), True, 0.0)
    at_end = near[0] > at or near[-1] < at
    beside = (looks[at - 1], looks[at + 1]) if between and not at_end else None
    away = _away_from_all(looks[at], looks[near], beside)
    share = _weighed(_odd(away, at_end, steady, noise), looks[at], looks[near])
    return _Place(at, near, away, at_end, share)


def _share_at(
    looks: NDArray[np.uint8], place: _Place, steady: Flags, noise: Looks, rows: Series
) -> float:
    """The odd share of one of the pictures; what has risen by ``rows`` (K,) is as before."""
    risen = {k: round(float(rows[k] - rows[place.at])) for k in place.near}
    if place.share < LEAST_SHARE or not any(risen.values()):
        return place.share
    look = looks[place.at]
    shifted = [
        _away(look, np.roll(looks[k], by + more, axis=0))
        for k, by in risen.items()
        for more in (-1, 0, 1)
    ]
    away = np.minimum(place.away, np.min(shifted, axis=0))
    return _weighed(_odd(away, place.at_end, steady, noise), look, looks[place.near])


def _rise_rows(looks: NDArray[np.uint8], height: Series, noise: Looks) -> Series:
    """(K,) by how many rows what rises with the part has moved: the speed that explains most."""
    count = len(looks)
    if count < 5 or height[-1] == height[0]:
        return np.zeros(count)
    whole = (height - height[0]) / (height[-1] - height[0])
    sample = np.unique(np.linspace(1, count - 2, 16).astype(int))
    nothing = np.ones(looks.shape[1:3], bool)
    places = [_place_of(looks, int(at), nothing, noise, between=False) for at in sample]
    speeds = np.arange(0, MOST_RISE * looks.shape[1], max(1.0, 0.7 * count))
    unlike = []
    for speed in (*speeds, *-speeds[1:]):  # of 2 to 100, each a few small pictures
        shares = [_share_at(looks, one, nothing, noise, speed * whole) for one in places]
        unlike.append(float(np.median(shares)))
    best = int(np.argmin(unlike))
    if unlike[best] > 0.5 * unlike[0]:
        return np.zeros(count)
    return np.asarray([*speeds, *-speeds[1:]][best] * whole)


def _over_gap(
    looks: NDArray[np.uint8],
    place: _Place,
    steady: Flags,
    noise: Looks,
    rows: Series,
    height: Series,
) -> float:
    """The odd share, if what rises has leapt beside this picture: frames between are left out, or
    the end code has lifted the head off the finished part. Found where it explains most."""
    share = _share_at(looks, place, steady, noise, rows)
    steps, at = np.abs(np.diff(height)), place.at
    if share <= ODD_SHARE or len(steps) < 4:
        return share
    usual, best = float(np.median(steps)), share
    for beside, far in ((at - 1, np.s_[:at]), (at, np.s_[at + 1 :])):
        if not 0 <= beside < len(steps) or steps[beside] <= LEAP * usual:
            continue
        most = MOST_RISE * looks.shape[1] * min(1.0, 2 * steps[beside] / np.ptp(height))
        for leap in range(-int(most), int(most) + 1, 2):  # two: what leapt by one more fits too
            tried = rows.copy()
            tried[far] += leap
            best = min(best, _share_at(looks, place, steady, noise, tried))
    return best if best < 0.5 * share else share


def noise_of(looks: NDArray[np.uint8]) -> Looks:
    """(h, w) how far a pixel strays from the middle of the pictures around it, one standard
    deviation in codes: sensor noise, shimmering edges, light that falls from elsewhere."""
    if len(looks) < 5:
        return np.full(looks.shape[1:3], 2 * LEAST_CODES, np.float32)
    step = max(1, len(looks) // 60)
    strays = []
    for k in range(1, len(looks) - 1, step):
        around = (looks[k - 1].astype(np.float32) + looks[k + 1]) / 2
        strays.append(np.abs(looks[k] - around).max(axis=2))
    noise = MAD_TO_SIGMA * np.median(np.stack(strays), axis=0).astype(np.float32)
    wide = opencv().dilate(noise, np.ones((3, 3), np.uint8))
    least = max(LEAST_CODES, float(np.median(wide)))
    return np.asarray(wide.clip(least, MOST_TIMES * least))


def steady_area(looks: NDArray[np.uint8]) -> Flags:
    """(h, w) where early and late frames are alike, and a step of growth away from where not."""
    third = max(1, len(looks) // 3)
    thin = max(1, third // 12)
    early, late = (np.median(part, axis=0) for part in (looks[:third:thin], looks[-third::thin]))
    unlike = (np.abs(early - late).max(axis=2) > GROWN_CODES).astype(np.uint8)
    # A part grows at most the height of the picture over the shoot, so a step is no more than:
    step = 1 + looks.shape[1] // len(looks)
    return np.asarray(opencv().dilate(unlike, np.ones((2 * step + 1, 2 * step + 1))) == 0)


def odd_share(
    look: NDArray[np.uint8],
    before: NDArray[np.uint8],
    after: NDArray[np.uint8],
    steady: Flags,
    noise: Looks,
) -> float:
    """Share of solid patches unlike any of the frames before and after.

    A pixel counts when most of the nine around it are unlike too: edges that wander by a
    pixel, as of a gantry that rises with the part, are no patches. With frames on one side
    only, what differs from all of them counts, but only where the part never grows.
    """
    near = np.concatenate([before, after])
    if not len(near):
        return 0.0
    at_end = not len(before) or not len(after)
    beside = None if at_end else (before[-1], after[0])
    return _weighed(_odd(_away_from_all(look, near, beside), at_end, steady, noise), look, near)


def _away_from_all(
    look: NDArray[np.uint8],
    near: NDArray[np.uint8],
    beside: tuple[NDArray[np.uint8], NDArray[np.uint8]] | None,
) -> Looks:
    """(h, w) codes to the most alike of (N, h, w, 3) pictures, in the channel that differs most;
    what lies between the two pictures beside it is like them: an edge that wanders by less
    than a pixel a frame, a shadow that grows."""
    cv = opencv()
    away = [_away(look, one) for one in near]
    if beside:
        low, high = cv.min(*beside), cv.max(*beside)
        away.append(_away(look, cv.max(low, cv.min(look, high))))
    return np.asarray(np.min(away, axis=0))


def _away(look: NDArray[np.uint8], near: NDArray[np.uint8]) -> Looks:
    """(h, w) codes between two pictures, along short rows: what rises lies level, and a spot
    of clutter would fit by chance."""
    cv = opencv()
    red, green, blue = cv.split(cv.absdiff(look, near))  # quicker than a maximum over the channels
    away = cv.max(cv.max(red, green), blue).astype(np.float32)
    return np.asarray(cv.blur(away, (ROW_PX, 1)))


def _shaded(look: NDArray[np.uint8], near: NDArray[np.uint8]) -> Flags:
    """(h, w) where a picture has a colour that one of the others has there too, darker or not."""
    hue, saturation = _hue(look)
    unlike = np.min([np.abs(hue - _hue(one)[0]).max(axis=2) for one in near], axis=0)
    return np.asarray((unlike < SAME_HUE) & (saturation > COLOURED))


def _weighed(solid: Flags, look: NDArray[np.uint8], near: NDArray[np.uint8]) -> float:
    """Share of the odd patches; none where they are only shaded otherwise: a top laid crosswise,
    or sparsely, is the same plastic in another light."""
    share = float(solid.mean())
    if share < LEAST_SHARE:
        return share
    rows, columns = np.flatnonzero(solid.any(axis=1)), np.flatnonzero(solid.any(axis=0))
    part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    shaded = solid[part] & _shaded(look[part], near[:, part[0], part[1]])
    return 0.0 if shaded.sum() >= NEARLY_ALL * solid.sum() else share


def _hue(look: NDArray[np.uint8]) -> tuple[Looks, Looks]:
    """(h, w, 3) channels over their sum, and (h, w) saturation."""
    rgb = look.astype(np.float32)
    most = rgb.max(axis=2)
    hue = rgb / np.maximum(rgb.sum(axis=2, keepdims=True), 1)
    return hue, np.asarray((most - rgb.min(axis=2)) / np.maximum(most, 1))


def _odd(away: Looks, at_end: bool, steady: Flags, noise: Looks) -> Flags:
    if at_end:
        unlike = (away > np.maximum(ODD_CODES_AT_ENDS, ODD_SIGMAS * noise)) & steady
    else:
        unlike = away > ODD_SIGMAS * noise
    return _solid(unlike)


def _solid(odd: Flags) -> Flags:
    """(h, w) at least SOLID of the nine pixels around."""
    around = opencv().boxFilter(odd.astype(np.float32), -1, (3, 3), normalize=False)
    return np.asarray(around > SOLID - 0.5)


def _common_near(share: Series) -> Series:
    """(K,) what seven of the nine frames around each do not pass: two odd ones raise it
    little, and layers that look otherwise every second time raise it well."""
    padded = np.pad(
        np.nan_to_num(share), NEAR // 2, mode="reflect" if len(share) > NEAR else "edge"
    )
    around = np.lib.stride_tricks.sliding_window_view(padded, NEAR)
    return np.asarray(np.quantile(around, 0.8, axis=1, method="lower"))


def _beside_worse(share: Series) -> Flags:
    """(K,) a frame looks odd only because the one beside it does, which is no help to it."""
    padded = np.pad(np.nan_to_num(share), 1)
    return np.asarray(np.nan_to_num(share) < BESIDE_WORSE * np.maximum(padded[:-2], padded[2:]))
