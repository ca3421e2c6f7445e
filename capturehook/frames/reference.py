"""The frame all others are held against, and the still part of the pictures."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError
from capturehook.frames.decode import read_reduced, scale_to
from capturehook.frames.focus import Focus
from capturehook.frames.light import block_light
from capturehook.frames.listing import Frame, FrameList
from capturehook.frames.motion import Tracker, lay_over
from capturehook.frames.needs import opencv
from capturehook.frames.rows import Scale
from capturehook.frames.static import StaticArea, choose_reference, find_static, luma_of, tiles_in

SAMPLES = 17
KEPT_BYTES = 80_000_000
"""Of the samples so many stay decoded until their turn comes: all at 24 MP, some at 12 MP."""
WORKERS = 2
Rectangle = tuple[float, float, float, float]
In = TypeVar("In")
Out = TypeVar("Out")


def in_order(
    work: Callable[[In], Out], items: Iterable[In], workers: int = WORKERS
) -> Iterator[Out]:
    """Results in the order of the items, a few threads ahead, never more in memory than that."""
    workers = max(1, min(workers, os.cpu_count() or 1))
    waiting: deque[Future[Out]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        try:
            for item in items:
                waiting.append(pool.submit(work, item))
                if len(waiting) > workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


def read_frame(
    frame: Frame, usual_px: tuple[int, int], size_px: tuple[int, int]
) -> NDArray[np.uint8] | None:
    """None for what cannot be read, or is not shaped like the others."""
    if frame.fault is not None or not _same_shape(frame.size_px, usual_px):
        return None
    try:
        return read_reduced(frame.path, size_px, frame.orientation)
    except FrameError:
        return None


def _same_shape(size: tuple[int, int], usual: tuple[int, int]) -> bool:
    return abs(size[0] * usual[1] - size[1] * usual[0]) <= 0.01 * size[0] * usual[1]


@dataclass(frozen=True, slots=True)
class Reference:
    """What every frame is held against: one of them, and its still part."""

    scale: Scale
    area: StaticArea
    tracker: Tracker
    look: NDArray[np.uint8]
    light: NDArray[np.float32]
    light_mask: NDArray[np.bool_]
    focus: Focus

    @property
    def pivot_px(self) -> tuple[float, float]:
        """In px of the original; the middle of a pixel is at its half."""
        x, y = ((one + 0.5) / self.scale.fine_scale - 0.5 for one in self.tracker.pivot)
        return x, y


def find_reference(
    frames: FrameList,
    scale: Scale,
    static_px: Rectangle | None = None,
    between: bool = False,
    kept: dict[int, NDArray[np.uint8]] | None = None,
) -> tuple[int, StaticArea]:
    """From frames spread evenly over the shoot: the frame most like all, and what is still.

    Parameters
    ----------
    kept : takes pictures of the fine size that were read for it, up to KEPT_BYTES, by frame
    """
    places = np.unique(np.linspace(0, len(frames) - 1, SAMPLES).round().astype(int)).tolist()
    most = 0 if kept is None else KEPT_BYTES // (3 * scale.fine[0] * scale.fine[1])

    def sampled(index: int) -> NDArray[np.uint8] | None:
        size = scale.fine if index in places[:most] else scale.work
        return read_frame(frames.frames[index], frames.size_px, size)

    read = []
    for index, rgb in zip(places, in_order(sampled, places), strict=True):
        if rgb is None:
            continue
        if kept is not None and index in places[:most]:
            kept[index] = rgb
        read.append((index, luma_of(scale_to(rgb, scale.work))))
    if not read:
        raise FrameError(
            frames.frames[0].name, "no frame can be decoded", "Copy the card once more"
        )
    best, area = _area_of([luma for _, luma in read], scale, static_px, between)
    return read[best][0], area


def reference_among(
    pictures: Sequence[NDArray[np.uint8]], scale: Scale, static_px: Rectangle | None = None
) -> Reference:
    """As :func:`find_reference`, from pictures of the fine size that are at hand."""
    lumas = [luma_of(scale_to(fine, scale.work)) for fine in pictures]
    best, area = _area_of(lumas, scale, static_px)
    return reference_of(pictures[best], area, scale)


def _area_of(
    lumas: list[NDArray[np.uint8]],
    scale: Scale,
    static_px: Rectangle | None,
    between: bool = False,
) -> tuple[int, StaticArea]:
    """Which of the working pictures is most like all, and what is still in them."""
    lit = [k for k, luma in enumerate(lumas) if luma.mean() > 8] or list(range(len(lumas)))
    laid = lay_over(np.stack([lumas[k] for k in lit]))
    shape = (scale.work[1], scale.work[0])
    if static_px:
        area = tiles_in(static_px, scale.work_scale, shape)
    else:
        area = find_static(laid, between=between)
    return lit[choose_reference(laid, area)], area


def reference_of(fine: NDArray[np.uint8], area: StaticArea, scale: Scale) -> Reference:
    cv = opencv()
    mask = area.mask.astype(np.uint8)
    fine_mask = cv.resize(mask, scale.fine, None, 0, 0, cv.INTER_NEAREST) > 0
    work = scale_to(fine, scale.work)
    light = block_light(work)
    size = light.shape[1::-1]
    light_mask = cv.resize(mask, size, None, 0, 0, cv.INTER_AREA) == 1
    if not light_mask.any():
        light_mask = np.ones(light.shape[:2], bool)
    return Reference(
        scale=scale,
        area=area,
        look=scale_to(work, scale.look),
        tracker=Tracker(cv.cvtColor(fine, cv.COLOR_RGB2GRAY), fine_mask if area.sure else None),
        light=light,
        light_mask=light_mask,
        focus=Focus(luma_of(work), area.mask),
    )
