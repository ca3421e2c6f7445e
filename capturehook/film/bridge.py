"""Pictures between two frames, for poses that have none: blended, or moved along.

Motion is dense optical flow found both ways. What was seen in one frame only is taken from that
one; where neither way is sure (a new layer has come from nowhere) the frames are blended, and so
is the whole of a thing of which the two ways mostly disagree: a thin gantry that has gone about as
far as it is thick would be torn. Where they are alike within noise nothing is moved, so
that still things stand still.

Source: Kroeger and others 2016, "Fast optical flow using dense inverse search"; OpenCV's
`DISOpticalFlow`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.film.render import DEEP, Rgb, mix, mix_where
from capturehook.frames.needs import opencv

FLOW_LONG_PX = 960
ALIKE_CODES = 6.0
SAME_PX = 1.0
LOST_SHARE = 0.55
"""In drawn scenes 0.1 to 0.43 of a thing that moved a third of its width, 0.6 to 0.8 of a torn one;
what comes into view and goes out of it never agrees."""

Flow = NDArray[np.float32]


def in_between(first: Rgb, last: Rgb, share: float) -> Rgb:
    """The picture at ``share`` (0..1) of the way from the first to the last, aligned ones.

    Both (H, W, 3), uint8 or uint16 coded sRGB; so is the answer.
    """
    cv = opencv()
    greys = [_small_grey(one) for one in (first, last)]
    there, back = _flow(*greys), _flow(*greys[::-1])
    changed = _changed(*greys)[..., None]
    there, back = (flow * _followed(changed[..., 0], there, back) for flow in (there, back))
    way = _way_at(there, back, share)
    seen = (
        (1 - share) * _agrees(_looked_up(there, -share * way), way),
        share * _agrees(-_looked_up(back, (1 - share) * way), way),
    )
    high, wide = first.shape[:2]
    part, sure = (cv.resize(one, (wide, high)) for one in _of_last(*seen))
    way = cv.resize(way, (wide, high)) * np.float32(wide / greys[0].shape[1])
    early = _moved(first, way * np.float32(-share))
    late = _moved(last, way * np.float32(1 - share))
    return mix_where(mix_where(late, early, part), mix(first, last, share), sure)


def _agrees(way: Flow, wanted: Flow) -> NDArray[np.float32]:
    """(h, w) 1 where the two ways are one, 0 where they are SAME_PX apart."""
    apart = np.hypot(*np.moveaxis(way - wanted, -1, 0))
    return np.asarray((1.5 - apart / SAME_PX).clip(0.001, 1), np.float32)


def _of_last(
    early: NDArray[np.float32], late: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The share of the last frame, and how sure it is that either shows what is there."""
    total = early + late
    return late / total, np.minimum(1, 8 * np.maximum(early, late)).astype(np.float32)


def _way_at(there: Flow, back: Flow, share: float) -> Flow:
    """The way from first to last of what is at each pixel at that moment.

    Each pixel of both carries its way to where it is then; where two meet, the one that moves
    further is taken to be in front. Gaps are filled from around.
    """
    cv = opencv()
    high, wide = there.shape[:2]
    sums = np.zeros((high, wide, 3), np.float32)  # way x, way y, weight
    rows, columns = np.mgrid[:high, :wide].astype(np.float32)
    for flow, part, sign in ((there, share, 1), (back, 1 - share, -1)):
        x = np.rint(columns + part * flow[..., 0]).astype(int).clip(0, wide - 1)
        y = np.rint(rows + part * flow[..., 1]).astype(int).clip(0, high - 1)
        weight = 0.01 + (flow**2).sum(axis=2)
        for k, value in enumerate((sign * flow[..., 0], sign * flow[..., 1], 1.0)):
            flat = np.bincount((y * wide + x).ravel(), (weight * value).ravel(), high * wide)
            sums[..., k] += flat.reshape(high, wide).astype(np.float32)
    near = sums + np.float32(1e-4) * cv.GaussianBlur(sums, (0, 0), 2)
    way = near[..., :2] / np.maximum(near[..., 2:], 1e-12)
    smooth = [cv.medianBlur(np.ascontiguousarray(way[..., k]), 5) for k in range(2)]
    return np.stack(smooth, axis=2)


def _small_grey(rgb: Rgb) -> NDArray[np.uint8]:
    cv = opencv()
    codes = rgb if rgb.dtype == np.uint8 else (rgb // (DEEP // 255)).astype(np.uint8)
    grey = cv.cvtColor(codes, cv.COLOR_RGB2GRAY)
    by = min(1.0, FLOW_LONG_PX / max(grey.shape))
    size = (max(16, round(grey.shape[1] * by)), max(16, round(grey.shape[0] * by)))
    return np.asarray(cv.resize(grey, size, None, 0, 0, cv.INTER_AREA))


def _flow(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> Flow:
    """(h, w, 2): where each pixel of one is in the other, relative, px of the small picture."""
    cv = opencv()
    finder = cv.DISOpticalFlow_create(cv.DISOPTICAL_FLOW_PRESET_MEDIUM)
    return np.asarray(finder.calc(one, other, None))


def _changed(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> NDArray[np.float32]:
    cv = opencv()
    apart = cv.absdiff(*(cv.GaussianBlur(grey, (0, 0), 1.0) for grey in (one, other)))
    near = cv.dilate(apart, np.ones((9, 9), np.uint8)).astype(np.float32)
    soft = cv.GaussianBlur(near, (0, 0), 3)
    return np.asarray((soft / ALIKE_CODES - 1).clip(0, 1), np.float32)


def _followed(changed: NDArray[np.float32], there: Flow, back: Flow) -> NDArray[np.float32]:
    """(h, w, 1) ``changed``, but 0 all over a thing that was not followed from one to the other."""
    cv = opencv()
    lost = np.zeros(changed.shape, np.float32)
    for flow, other in ((there, back), (back, there)):
        lost += np.hypot(*np.moveaxis(flow + _looked_up(other, flow), -1, 0)) > SAME_PX
    count, labels = cv.connectedComponents((changed > 0).astype(np.uint8))
    total = np.bincount(labels.ravel(), lost.ravel() / 2, count)
    kept = total <= LOST_SHARE * np.bincount(labels.ravel(), minlength=count)
    return np.asarray((changed * kept[labels])[..., None], np.float32)


def _looked_up(values: Flow, flow: Flow) -> Flow:
    """values at x + flow(x)."""
    return np.asarray(opencv().remap(values, *_places(flow), opencv().INTER_LINEAR))


def _moved(rgb: Rgb, flow: Flow) -> Rgb:
    cv = opencv()
    x, y = _places(flow)
    return np.asarray(cv.remap(rgb, x, y, cv.INTER_CUBIC, None, cv.BORDER_REPLICATE))


def _places(flow: Flow) -> tuple[Any, Any]:
    high, wide = flow.shape[:2]
    x = flow[..., 0] + np.arange(wide, dtype=np.float32)
    y = flow[..., 1] + np.arange(high, dtype=np.float32)[:, None]
    return x, y
