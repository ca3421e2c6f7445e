"""Every frame once, decoded small -> a row of numbers about it. Memory does not grow with size.

In: a FrameList. Out: Measures, one row a frame: light, sharpness, shift, and a tiny look at it
(a few kilobytes) for comparing a frame with its neighbours.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError
from capturehook.frames.decode import read_reduced
from capturehook.frames.focus import sharpness
from capturehook.frames.light import clipped_share
from capturehook.frames.listing import Frame, FrameList
from capturehook.frames.shift import flat_top, shift_between, spectrum
from capturehook.frames.static import (
    Grey,
    StaticArea,
    Tile,
    choose_reference,
    find_static,
    lay_over,
    light_of,
    luma_of,
    tiles_in,
)

WORK_LONG_PX = 600
SAMPLES = 17
LOOK_WIDTH_PX = 96
COARSE_LONG_PX = 320
LEAST_PEAK = 0.08
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
    light : (F,) linear light of the static tiles, 1 = the reference frame's
    level : (F,) mean luma, 0..1
    top : (F,) luma that 1 % of the pixels exceed, 0..1
    clipped : (F,) share of pixels at white
    sharp, sharp_static : (F,) variance of the Laplacian, whole picture and static tiles
    dx_px, dy_px : (F,) shift against the reference, pixels of the original, right and down
    turn_deg, zoom : (F,) rotation (clockwise) and scale against the reference
    peak : (F,) how sure the shift is, about 0..1
    look : (F, h, w) uint8, the frame in miniature, luma
    scale : working pixels per original pixel
    area : the static tiles, working pixels
    """

    readable: NDArray[np.bool_]
    light: NDArray[np.float64]
    level: NDArray[np.float64]
    top: NDArray[np.float64]
    clipped: NDArray[np.float64]
    sharp: NDArray[np.float64]
    sharp_static: NDArray[np.float64]
    dx_px: NDArray[np.float64]
    dy_px: NDArray[np.float64]
    turn_deg: NDArray[np.float64]
    zoom: NDArray[np.float64]
    peak: NDArray[np.float64]
    look: NDArray[np.uint8]
    scale: float
    area: StaticArea


@dataclass(frozen=True, slots=True)
class Row:
    """What one frame gave."""

    light: float
    level: float
    top: float
    clipped: float
    sharp: float
    sharp_static: float
    dx_px: float
    dy_px: float
    turn_deg: float
    zoom: float
    peak: float


@dataclass(frozen=True, slots=True)
class Reference:
    """What every frame is held against."""

    tiles: tuple[Tile, ...]
    spectra: tuple[NDArray[np.complexfloating], ...]
    lights: tuple[float, ...]
    coarse: NDArray[np.complexfloating]
    coarse_step: int


def working_size(size_px: tuple[int, int]) -> tuple[tuple[int, int], float]:
    """(width, height) frames are measured at, and working px per original px.

    One of 1/1, 1/2, 1/4, 1/8 of the original, as JPEG decodes to these at once.
    """
    divisor = next((k for k in (8, 4, 2) if max(size_px) / k >= WORK_LONG_PX), 1)
    width, height = (-(-side // divisor) for side in size_px)
    return (width, height), 1 / divisor


def measure_frames(
    frames: FrameList,
    *,
    static_px: Rectangle | None = None,
    progress: Callable[[int], None] | None = None,
    on_picture: OnPicture | None = None,
) -> Measures:
    """Look at every frame once.

    Parameters
    ----------
    static_px : x, y, width, height in original pixels of a part that never changes; found
        from samples unless given
    progress : called with the count done
    on_picture : called in order with (frame_index, small RGB picture); for contact sheets

    Raises
    ------
    FrameError
        The static rectangle does not fit.
    """
    size_px, scale = working_size(frames.size_px)
    samples = _sample(frames, size_px)
    shape = (size_px[1], size_px[0])
    laid = lay_over(samples)
    area = find_static(laid) if static_px is None else tiles_in(static_px, scale, shape)
    reference = _reference(samples[choose_reference(laid, area)], area, size_px)
    del samples, laid
    look_px = _look_size(size_px)
    rows: list[Row | None] = []
    looks = np.zeros((len(frames), look_px[1], look_px[0]), np.uint8)

    def work(frame: Frame) -> tuple[Row, NDArray[np.uint8], NDArray[np.uint8]] | None:
        rgb = _read(frame, frames.size_px, size_px)
        if rgb is None:
            return None
        row, luma = _measure(rgb, reference, scale)
        return row, _shrink(luma, look_px), rgb

    for index, result in enumerate(in_order(work, frames.frames)):
        rows.append(None if result is None else result[0])
        if result is not None:
            looks[index] = result[1]
            if on_picture is not None:
                on_picture(index, result[2])
        if progress is not None:
            progress(index + 1)
    return _gathered(rows, looks, scale, area)


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
        return read_reduced(frame.path, size_px)
    except FrameError:
        return None


def _same_shape(size: tuple[int, int], usual: tuple[int, int]) -> bool:
    return abs(size[0] * usual[1] - size[1] * usual[0]) <= 0.01 * size[0] * usual[1]


def _sample(frames: FrameList, size_px: tuple[int, int]) -> NDArray[np.uint8]:
    """(S, H, W) luma of frames spread evenly over the shoot."""
    places = np.unique(np.linspace(0, len(frames) - 1, SAMPLES).round().astype(int))
    chosen = [frames.frames[index] for index in places]
    pictures = in_order(lambda frame: _read(frame, frames.size_px, size_px), chosen)
    samples = [luma_of(rgb).astype(np.uint8) for rgb in pictures if rgb is not None]
    if not samples:
        raise FrameError(
            frames.frames[0].name, "no frame can be decoded", "Copy the card once more"
        )
    lit = [sample for sample in samples if sample.mean() > 8] or samples
    return np.stack(lit)


def _reference(luma: NDArray[np.uint8], area: StaticArea, size_px: tuple[int, int]) -> Reference:
    """Light is held against the same sample; its linear values come from its luma codes."""
    light = light_of(np.repeat(luma[..., None], 3, axis=-1))
    grey = luma.astype(np.float32)
    step = max(1, round(max(size_px) / COARSE_LONG_PX))
    return Reference(
        tiles=area.tiles,
        spectra=tuple(spectrum(tile.cut(grey)) for tile in area.tiles),
        lights=tuple(max(1e-6, float(tile.cut(light).mean())) for tile in area.tiles),
        coarse=_coarse_spectrum(grey, step),
        coarse_step=step,
    )


def _coarse_spectrum(grey: Grey, step: int) -> NDArray[np.complexfloating]:
    small = _block_mean(grey, step)
    return spectrum(small, flat_top(*small.shape))


def _block_mean(grey: Grey, step: int) -> Grey:
    high, wide = (side // step * step for side in grey.shape)
    blocks = grey[:high, :wide].reshape(high // step, step, wide // step, step)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float32))


def _look_size(size_px: tuple[int, int]) -> tuple[int, int]:
    width = min(LOOK_WIDTH_PX, size_px[0])
    return width, max(1, round(width * size_px[1] / size_px[0]))


def _shrink(luma: Grey, size_px: tuple[int, int]) -> NDArray[np.uint8]:
    from PIL import Image

    small = Image.fromarray(luma.clip(0, 255).astype(np.uint8)).resize(
        size_px, Image.Resampling.BOX
    )
    return np.asarray(small)


def _measure(rgb: NDArray[np.uint8], reference: Reference, scale: float) -> tuple[Row, Grey]:
    luma, light = luma_of(rgb), light_of(rgb)
    dx, dy, turn_deg, zoom, peak = _displacement(luma, reference)
    down, right = (0, 0) if np.isnan(dx) else (round(dy), round(dx))
    cuts = [tile.cut(light, down, right) for tile in reference.tiles]
    ratios = [float(cut.mean()) / usual for cut, usual in zip(cuts, reference.lights, strict=True)]
    row = Row(
        light=float(np.median(ratios)),
        level=float(luma.mean()) / 255,
        top=float(np.quantile(luma[::4, ::4], 0.99)) / 255,
        clipped=clipped_share(rgb),
        sharp=sharpness(light),
        sharp_static=float(np.median([sharpness(cut) for cut in cuts])),
        dx_px=dx / scale,
        dy_px=dy / scale,
        turn_deg=turn_deg,
        zoom=zoom,
        peak=peak,
    )
    return row, luma


def _displacement(luma: Grey, reference: Reference) -> tuple[float, float, float, float, float]:
    """dx, dy (working px), rotation (deg), scale, peak: whole picture first, then each tile."""
    shifts, peak = _tile_shifts(luma, reference, (0, 0))
    step = reference.coarse_step
    rough = shift_between(reference.coarse, _coarse_spectrum(luma, step), fine=False)
    start = (round(rough.dy_px * step), round(rough.dx_px * step))
    if rough.peak >= LEAST_PEAK and max(map(abs, start)) > reference.tiles[0].height // 8:
        # A gantry that rises can outdo the rest of the picture: the tiles decide.
        further, further_peak = _tile_shifts(luma, reference, start)
        if further_peak > peak:
            shifts, peak = further, further_peak
    if peak < LEAST_PEAK:
        nan = float("nan")
        return nan, nan, nan, nan, peak
    dx, dy = (float(value) for value in np.median(shifts, axis=0))
    turn_deg, zoom = _turn_and_zoom(reference.tiles, shifts, luma.shape)
    return dx, dy, turn_deg, zoom, peak


def _tile_shifts(
    luma: Grey, reference: Reference, start: tuple[int, int]
) -> tuple[NDArray[np.float64], float]:
    """(T, 2) dx, dy of each tile looked for about a start (down, right), and the median peak."""
    shifts, peaks = [], []
    for tile, usual in zip(reference.tiles, reference.spectra, strict=True):
        top, left = tile.moved_to(luma.shape, *start)
        fine = shift_between(usual, spectrum(tile.cut(luma, *start)))
        shifts.append((left - tile.left + fine.dx_px, top - tile.top + fine.dy_px))
        peaks.append(fine.peak)
    return np.array(shifts), float(np.median(peaks))


def _turn_and_zoom(
    tiles: tuple[Tile, ...], shifts: NDArray[np.float64], shape: tuple[int, ...]
) -> tuple[float, float]:
    """Rotation and scale from how the shift differs from tile to tile; 0, 1 from under four."""
    if len(tiles) < 4:
        return 0.0, 1.0
    places = np.array([tile.centre for tile in tiles])
    keep = np.abs(shifts - np.median(shifts, axis=0)).max(axis=1) < 0.1 * min(shape)
    if keep.sum() < 4:
        return 0.0, 1.0
    z = places[keep] @ np.array([1, 1j])
    w = z + shifts[keep] @ np.array([1, 1j])
    z, w = z - z.mean(), w - w.mean()
    factor = complex((w * np.conj(z)).sum() / (np.abs(z) ** 2).sum())
    return float(np.degrees(np.angle(factor))), abs(factor)


def _gathered(
    rows: list[Row | None], looks: NDArray[np.uint8], scale: float, area: StaticArea
) -> Measures:
    readable = np.array([row is not None for row in rows])

    def column(name: str) -> NDArray[np.float64]:
        return np.array([np.nan if row is None else getattr(row, name) for row in rows])

    columns = {name: column(name) for name in Row.__slots__}
    return Measures(readable=readable, look=looks, scale=scale, area=area, **columns)
