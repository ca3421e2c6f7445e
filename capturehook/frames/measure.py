"""Every frame once, decoded small -> a row of numbers about it. Memory does not grow with size.

In: a FrameList. Out: Measures, one row a frame: light and colour, sharpness, motion, and a small
look at it (some ten kilobytes) for comparing a frame with its neighbours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError
from capturehook.frames.decode import scale_to
from capturehook.frames.focus import sharpness
from capturehook.frames.light import block_light, clipped_share, light_ratio
from capturehook.frames.listing import FrameList
from capturehook.frames.motion import Motion, matrix_of, warp_back
from capturehook.frames.needs import opencv
from capturehook.frames.reference import (
    Rectangle,
    Reference,
    find_reference,
    in_order,
    read_frame,
    reference_of,
)
from capturehook.frames.rows import Row, RowStore, Scale
from capturehook.frames.static import StaticArea, luma_of
from capturehook.physics.colour import BT709_WEIGHTS, linear_of_8bit, linear_to_srgb

WORK_LONG_PX = 600
FINE_LONG_PX = 1500
LOOK_WIDTHS = ((1500, 160), (10**9, 96))  # so many frames at most -> so wide a look, px

OnPicture = Callable[[int, NDArray[np.uint8]], None]


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
        fine = read_frame(frames.frames[place], frames.size_px, scale.fine)
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
            fine = read_frame(frames.frames[index], frames.size_px, scale.fine)
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
