"""Every frame once, decoded small -> a row of numbers about it. Memory does not grow with size.

In: a FrameList. Out: Measures, one row a frame: light and colour, sharpness, motion, and a small
look at it (some ten kilobytes) for comparing a frame with its neighbours.
"""

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
from capturehook.frames.focus import Focus, sharpness
from capturehook.frames.light import block_light, clipped_share, light_ratio
from capturehook.frames.listing import Frame, FrameList
from capturehook.frames.motion import Motion, Tracker, lay_over, matrix_of, warp_back
from capturehook.frames.needs import opencv
from capturehook.frames.rows import Row, RowStore, Scale
from capturehook.frames.static import StaticArea, choose_reference, find_static, luma_of, tiles_in
from capturehook.physics.colour import BT709_WEIGHTS, linear_of_8bit, linear_to_srgb

WORK_LONG_PX = 600
FINE_LONG_PX = 1500
SAMPLES = 17
KEPT_BYTES = 80_000_000
"""Of the samples so many stay decoded until their turn comes: all at 24 MP, some at 12 MP."""
LOOK_WIDTHS = ((1500, 160), (10**9, 96))  # so many frames at most -> so wide a look, px
WORKERS = 2

OnPicture = Callable[[int, NDArray[np.uint8]], None]
Rectangle = tuple[float, float, float, float]
In = TypeVar("In")
Out = TypeVar("Out")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """F rows; NaN where a frame could not be read or a value not be had.

    Attributes
    ----------
    readable : (F,) bool, decoded, and of the same shape as most
    light : (F,) linear light of the static area, 1 = the reference frame's
    colour : (F, 3) the same for red, green and blue
    level : (F,) mean luma, 0..1
    top : (F,) luma that 1 % of the pixels exceed, 0..1
    clipped : (F,) share of pixels at white
    sharp : (F,) variance of the Laplacian of the whole picture
    sharp_static : (F,) contrast of the finest detail of the static area that is left, across
        and down the lesser, 1 = the reference frame's
    blur_px : (F,) what blur of the reference would leave as much, sigma in px of the original
    dx_px, dy_px : (F,) shift against the reference at the pivot, px of the original, right, down
    turn_deg, zoom : (F,) rotation (clockwise) and scale against the reference
    error_px : (F,) standard error of the motion, px of the original
    peak : (F,) share of the still points that agree about the motion
    look : (F, h, w, 3) uint8, the frame in miniature, laid on the reference, its light evened
    scale : working pixels per original pixel
    pivot_px : (x, y) where dx, dy hold, px of the original
    area : the static part, working pixels
    """

    readable: NDArray[np.bool_]
    light: NDArray[np.float64]
    colour: NDArray[np.float64]
    level: NDArray[np.float64]
    top: NDArray[np.float64]
    clipped: NDArray[np.float64]
    sharp: NDArray[np.float64]
    sharp_static: NDArray[np.float64]
    blur_px: NDArray[np.float64]
    dx_px: NDArray[np.float64]
    dy_px: NDArray[np.float64]
    turn_deg: NDArray[np.float64]
    zoom: NDArray[np.float64]
    error_px: NDArray[np.float64]
    peak: NDArray[np.float64]
    look: NDArray[np.uint8]
    scale: float
    pivot_px: tuple[float, float]
    area: StaticArea


def sizes_for(size_px: tuple[int, int], frames: int) -> Scale:
    """One of 1/1, 1/2, 1/4, 1/8 of the original each, as JPEG decodes to these at once."""

    def divisor(least_px: int) -> int:
        return next((k for k in (8, 4, 2) if max(size_px) / k >= least_px), 1)

    def reduced(by: int) -> tuple[int, int]:
        return -(-size_px[0] // by), -(-size_px[1] // by)

    fine, work = divisor(FINE_LONG_PX), divisor(WORK_LONG_PX)
    wide = next(width for most, width in LOOK_WIDTHS if frames <= most)
    wide = min(wide, reduced(work)[0])
    look = (wide, max(1, round(wide * size_px[1] / size_px[0])))
    return Scale(reduced(fine), reduced(work), look, 1 / fine, 1 / work)


def measure_frames(
    frames: FrameList,
    *,
    static_px: Rectangle | None = None,
    between: bool = False,
    progress: Callable[[int], None] | None = None,
    on_picture: OnPicture | None = None,
    store: RowStore | None = None,
) -> Measures:
    """Look at every frame once.

    Parameters
    ----------
    static_px : x, y, width, height in original pixels of a part that never changes; found
        from samples unless given
    between : frames between the poses are among them, as an interval timer takes them
    progress : called with the count done
    on_picture : called in order with (frame_index, small RGB picture); for contact sheets.
        Frames that ``store`` knows are not decoded, so they are not shown either
    store : where rows are kept for a run that goes on, or is made again

    Raises
    ------
    FrameError
        The static rectangle does not fit.
    """
    scale = sizes_for(frames.size_px, len(frames))
    known, done = (None, []) if store is None else store.recall(frames, scale, (static_px, between))
    kept: dict[int, NDArray[np.uint8]] = {}
    place, area = known or find_reference(frames, scale, static_px, between, kept)
    fine = kept.get(place)
    if fine is None:
        fine = _read(frames.frames[place], frames.size_px, scale.fine)
    if fine is None:
        raise FrameError(
            frames.frames[place].name,
            "was read before, and now cannot be",
            "Copy it from the card again, and run it without --resume",
        )
    reference = reference_of(fine, area, scale)
    if store is not None and known is None:
        store.begin(place, area)
    rows: list[Row | None] = []
    looks = np.zeros((len(frames), scale.look[1], scale.look[0], 3), np.uint8)

    def work(index: int) -> tuple[Row, NDArray[np.uint8], NDArray[np.uint8]] | None:
        fine = kept.pop(index, None)
        if fine is None:
            fine = _read(frames.frames[index], frames.size_px, scale.fine)
        return None if fine is None else measure_picture(fine, reference)

    for index, looked in enumerate(done):
        rows.append(None if looked is None else looked[0])
        if looked is not None:
            looks[index] = looked[1]
    left = range(len(done), len(frames))
    for index, result in zip(left, in_order(work, left), strict=True):
        rows.append(None if result is None else result[0])
        if result is not None:
            looks[index] = result[1]
            if on_picture is not None:
                on_picture(index, result[2])
        if store is not None:
            store.add(None if result is None else result[:2])
        if progress is not None:
            progress(index + 1)
    return gathered(rows, looks, reference)


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


def _read(
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
        return _read(frames.frames[index], frames.size_px, size)

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


def measure_picture(
    fine: NDArray[np.uint8], reference: Reference
) -> tuple[Row, NDArray[np.uint8], NDArray[np.uint8]]:
    """The row, the look and the working picture of a frame at the fine size."""
    cv, scale = opencv(), reference.scale
    motion = reference.tracker.follow(cv.cvtColor(fine, cv.COLOR_RGB2GRAY))
    work = scale_to(fine, scale.work)
    laid = _laid(work, motion, reference) if reference.area.sure else work
    luma = luma_of(laid)
    colour = light_ratio(block_light(laid), reference.light, reference.light_mask)
    left, blur = reference.focus.of(luma)
    row = Row(
        light=float(colour @ BT709_WEIGHTS),
        colour=colour,
        level=float(luma.mean()) / 255,
        top=float(np.quantile(luma[::4, ::4], 0.99)) / 255,
        clipped=clipped_share(work),
        sharp=sharpness(luma.astype(np.float32)),
        sharp_static=left,
        blur_px=blur / scale.work_scale,
        dx_px=motion.dx_px / scale.fine_scale,
        dy_px=motion.dy_px / scale.fine_scale,
        turn_deg=motion.turn_deg,
        zoom=motion.zoom,
        error_px=motion.error_px / scale.fine_scale,
        peak=motion.share,
    )
    look = _evened(scale_to(laid, scale.look), colour)
    if motion.known and reference.area.sure:
        unseen = _unseen(motion, reference)
        look[unseen] = reference.look[unseen]
    return row, look, work


def _laid(work: NDArray[np.uint8], motion: Motion, reference: Reference) -> NDArray[np.uint8]:
    """The working picture as the reference would show it."""
    if not motion.known:
        return work
    by = reference.scale.work_scale / reference.scale.fine_scale
    return np.asarray(warp_back(work, _matrix_at(motion, reference, by)))


def _matrix_at(motion: Motion, reference: Reference, by: float) -> NDArray[np.float64]:
    """The motion for pictures so many times as large as the fine ones."""
    matrix = matrix_of(motion, reference.tracker.pivot)
    matrix[:, 2] = (matrix[:, 2] + matrix[:, :2] @ (-0.5, -0.5) + 0.5) * by
    matrix[:, 2] += matrix[:, :2] @ (0.5, 0.5) - 0.5
    return matrix


def _unseen(motion: Motion, reference: Reference) -> NDArray[np.bool_]:
    """Pixels of the look that a moved camera did not see."""
    high, wide = reference.look.shape[:2]
    matrix = _matrix_at(motion, reference, wide / reference.scale.fine[0])
    x, y = np.meshgrid(np.arange(wide), np.arange(high))
    places = np.stack([x, y, np.ones_like(x)], axis=-1) @ matrix.T
    inside = (places > 0.2) & (places < np.array([wide - 1.2, high - 1.2]))
    edge = (x == 0) | (y == 0) | (x == wide - 1) | (y == high - 1)
    return np.asarray(~inside.all(axis=2) & ~edge | edge & ~_near(places, wide, high))


def _near(places: NDArray[np.float64], wide: int, high: int) -> NDArray[np.bool_]:
    inside = (places > -0.3) & (places < np.array([wide - 0.7, high - 0.7]))
    return np.asarray(inside.all(axis=2))


def _evened(look: NDArray[np.uint8], colour: NDArray[np.float64]) -> NDArray[np.uint8]:
    """The look as it would be in the light of the reference."""
    ratio = np.where(np.isfinite(colour) & (colour > 1e-3), colour, 1.0)
    light = linear_of_8bit()[:, None] / ratio
    table = np.rint(linear_to_srgb(light.clip(0, 1)) * 255).astype(np.uint8)
    return np.asarray(opencv().LUT(look, table[None]))


def gathered(
    rows: Sequence[Row | None], looks: NDArray[np.uint8], reference: Reference
) -> Measures:
    """Rows of frames measured against one reference, and their looks, as columns."""
    readable = np.array([row is not None for row in rows])
    blank = {"colour": np.full(3, np.nan)}

    def column(name: str) -> NDArray[np.float64]:
        missing = blank.get(name, np.nan)
        return np.array([missing if row is None else getattr(row, name) for row in rows])

    columns = {name: column(name) for name in Row.__slots__}
    return Measures(
        readable=readable,
        look=looks,
        scale=reference.scale.work_scale,
        pivot_px=reference.pivot_px,
        area=reference.area,
        **columns,
    )
