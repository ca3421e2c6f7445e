"""Where in the picture the part grows, told from the frames themselves.

What grows changes once and stays; a gantry or a bed that passes is soon elsewhere.
"""

from __future__ import annotations

import numpy as np

from capturehook.frames.measure import Measures
from capturehook.frames.needs import opencv

Box = tuple[float, float, float, float]
LEAST_FRAMES = 8
FIRST_SHARE = 0.2  # of the shoot, whose median is the look before: a gantry is gone by then
STAYS_SHARE = 0.1  # of the shoot that a pixel must have kept its last look
CHANGED_CODES = 14.0
LEAST_SHARE = 0.0005  # of the picture, that a part at least covers


def part_box(measures: Measures, indices: list[int]) -> Box | None:
    """left, top, right, bottom of the part when it is finished, px of the original; or None
    where nothing grows that can be seen.

    Parameters
    ----------
    indices : of the frames of the film, in order
    """
    if len(indices) < LEAST_FRAMES:
        return None
    looks = measures.look[indices].astype(np.float32)
    count = len(looks)
    kept = max(3, round(STAYS_SHARE * count))
    first = np.median(looks[: max(3, round(FIRST_SHARE * count))], axis=0)
    last = np.median(looks[-kept:], axis=0)
    grown = np.abs(last - first).max(axis=-1) > CHANGED_CODES
    steady = np.quantile(np.abs(looks[-kept:] - last).max(axis=-1), 0.8, axis=0) < CHANGED_CODES
    cv = opencv()
    body = cv.morphologyEx((grown & steady).astype(np.uint8), cv.MORPH_OPEN, np.ones((2, 2)))
    labels, _, stats, _ = cv.connectedComponentsWithStats(body, None, 8)
    if labels < 2:
        return None
    best = stats[1 + int(np.argmax(stats[1:, cv.CC_STAT_AREA]))]
    high, wide = body.shape
    if best[cv.CC_STAT_AREA] < LEAST_SHARE * high * wide:
        return None
    left, top, across, down = (int(one) for one in best[:4])
    whole = down / (1 - STAYS_SHARE - FIRST_SHARE / 2)
    above, below = STAYS_SHARE * whole, FIRST_SHARE / 2 * whole  # grown at the very ends
    by = measures.area.mask.shape[1] / measures.scale / wide
    return (
        left * by,
        max(0.0, top - above) * by,
        (left + across) * by,
        min(float(high), top + down + below) * by,
    )
