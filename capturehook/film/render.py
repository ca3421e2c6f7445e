"""One source frame -> one film frame: aligned, cropped, scaled, its light evened out.

Pictures are (height, width, 3) of uint8, or of uint16 (code 255 is 65535) for a master of more
than 8 bits; all of it coded sRGB.
"""

from __future__ import annotations

from functools import lru_cache
from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.film.choose import Correction
from capturehook.film.framing import TITLE_SAFE, Framing
from capturehook.frames.decode import read_picture
from capturehook.frames.listing import Frame
from capturehook.frames.motion import Motion, matrix_of
from capturehook.frames.needs import need, opencv, pillow
from capturehook.physics.colour import gain_table_8bit, linear_to_srgb, srgb_to_linear

Rgb = NDArray[Any]
DEEP = 65_535
MIX_STEPS = 16_384
AVERAGED_STEP = 2.0
"""Where so many pixels are averaged into one, moving by lines between pixels leaves less stray
than by cubics (0.038 against 0.055 px rms at 12 MP) and takes a third less time; the finest
detail loses an eighth of its contrast."""
MOST_GRID = 12e6  # pixels of a picture that is moved: time and memory go with them


def render_frame(
    frame: Frame,
    size_px: tuple[int, int],
    framing: Framing,
    correction: Correction,
    pivot_px: tuple[float, float],
    *,
    deep: bool = False,
) -> Rgb:
    """Decode no larger than needed, move once, scale once.

    Parameters
    ----------
    size_px : the (width, height) all numbers are in
    pivot_px : where dx, dy of the correction hold; turning is about it
    deep : uint16, so that what scaling and gains make between two codes is kept

    Raises
    ------
    FrameError
        The file cannot be decoded.
    """
    scale = framing.width_px / framing.width
    picture: Rgb = read_picture(frame.path, _least_px(size_px, scale), frame.orientation, deep=deep)
    if deep:
        picture = to_16bit(picture)
    factor = picture.shape[1] / size_px[0]  # of what was decoded to the original
    film_px = (framing.width_px, framing.height_px)
    step = max(1.0, factor / scale)  # pixels that are averaged into one of the film
    grid_px = (round(film_px[0] * step), round(film_px[1] * step))
    matrix = _grid_to_picture(framing, grid_px, correction, pivot_px, factor)
    cv = opencv()
    kernel = cv.INTER_CUBIC if step < AVERAGED_STEP else cv.INTER_LINEAR
    flags = kernel | cv.WARP_INVERSE_MAP
    moved = cv.warpAffine(picture, matrix, grid_px, None, flags, cv.BORDER_REPLICATE)
    if grid_px != film_px:
        moved = cv.resize(moved, film_px, None, 0, 0, cv.INTER_AREA)
    return apply_gain(moved, correction.gain)


def _least_px(size_px: tuple[int, int], scale: float) -> tuple[int, int]:
    """Twice the film's pixels where that is not too many, else a third more: a picture reduced
    before it is moved by parts of a pixel wavers in its finest detail."""
    finest = next(
        (k for k in (2.0, 1.6, 1.3) if prod(size_px) * (k * scale) ** 2 <= MOST_GRID), 1.3
    )
    by = min(1.0, finest * scale)
    return round(size_px[0] * by), round(size_px[1] * by)


def _grid_to_picture(
    framing: Framing,
    grid_px: tuple[int, int],
    correction: Correction,
    pivot_px: tuple[float, float],
    factor: float,
) -> NDArray[np.float64]:
    """(2, 3): a pixel of the grid laid over the framing -> its place in the decoded picture.

    Places count from the middle of the first pixel, so half a pixel is added before each
    change of scale and taken off after it.
    """
    across, down = framing.width / grid_px[0], framing.height / grid_px[1]
    lay = np.array(
        [
            [across, 0, framing.left + across / 2 - 0.5],
            [0, down, framing.top + down / 2 - 0.5],
            [0, 0, 1],
        ]
    )
    motion = Motion(
        correction.dx_px, correction.dy_px, correction.turn_deg, correction.zoom, 1.0, 0.0
    )
    matrix = matrix_of(motion, pivot_px) @ lay
    matrix *= factor
    matrix[:, 2] += 0.5 * factor - 0.5
    return np.asarray(matrix)


def apply_gain(rgb: Rgb, gain: tuple[float, float, float]) -> Rgb:
    """Exposure of red, green and blue changed in linear light."""
    if max(abs(one - 1) for one in gain) < 1e-4:
        return rgb
    if rgb.dtype == np.uint8:
        table = np.stack([gain_table_8bit(one) for one in gain], axis=1)[None]
        return np.asarray(opencv().LUT(rgb, table))
    return np.stack(
        [np.take(_deep_gain_table(round(one, 6)), rgb[..., k]) for k, one in enumerate(gain)],
        axis=2,
    )


@lru_cache(maxsize=16)
def _deep_gain_table(gain: float) -> NDArray[np.uint16]:
    light = srgb_to_linear(np.arange(DEEP + 1) / DEEP) * gain
    return np.rint(linear_to_srgb(light.clip(0, 1)) * DEEP).astype(np.uint16)


def to_16bit(rgb: Rgb) -> NDArray[np.uint16]:
    return rgb if rgb.dtype == np.uint16 else rgb.astype(np.uint16) * np.uint16(257)


def to_8bit(rgb: Rgb) -> NDArray[np.uint8]:
    """The nearest 8-bit code of each 16-bit one."""
    if rgb.dtype == np.uint8:
        return rgb
    return np.asarray(((rgb.astype(np.uint32) + 128) // 257).astype(np.uint8))


def mix(first: Rgb, second: Rgb, share: float) -> Rgb:
    """A cross-blend in linear light, ``share`` of the second."""
    light = _linear(first) * np.float32(1 - share) + _linear(second) * np.float32(share)
    codes = _coded_of_light()[(light * (MIX_STEPS - 1) + 0.5).astype(np.int32)]
    if first.dtype == np.uint8:
        return to_8bit(codes)
    return np.asarray(codes)


def mix_where(first: Rgb, second: Rgb, share: NDArray[np.float32]) -> Rgb:
    """``share`` (H, W) of the first, the rest of the second, on coded values."""
    part = share[..., None]
    return np.asarray(np.rint(first * part + second * (1 - part)).astype(first.dtype))


def _linear(rgb: Rgb) -> NDArray[np.float32]:
    return np.asarray(_light_of_codes()[to_16bit(rgb)])


@lru_cache(maxsize=1)
def _light_of_codes() -> NDArray[np.float32]:
    return srgb_to_linear(np.arange(DEEP + 1) / DEEP).astype(np.float32)


@lru_cache(maxsize=1)
def _coded_of_light() -> NDArray[np.uint16]:
    light = np.arange(MIX_STEPS) / (MIX_STEPS - 1)
    return np.rint(linear_to_srgb(light) * DEEP).astype(np.uint16)


def fade(rgb: Rgb, share: float) -> Rgb:
    """Towards black; 0 leaves it, 1 is black."""
    if share <= 0:
        return rgb
    return np.asarray(np.rint(rgb * np.float32(1 - share)).astype(rgb.dtype))


def write_text(rgb: Rgb, words: str) -> Rgb:
    """A line in the lower left of the title-safe area, white with a dark rim."""
    size = max(11, round(min(rgb.shape[0] / 27, rgb.shape[1] / 24)))
    high, wide = rgb.shape[:2]
    place = (TITLE_SAFE * wide, (1 - TITLE_SAFE) * high)
    return draw_words(rgb, words, place, size, (1 - 2 * TITLE_SAFE) * wide, "ls")


def draw_words(
    rgb: Rgb, words: str, place: tuple[float, float], size: int, room_px: float, anchor: str
) -> Rgb:
    """Words at a place, made smaller where they are longer than the room."""
    image = pillow()
    fonts = need("PIL.ImageFont", "drawing text")
    draw = need("PIL.ImageDraw", "drawing text")
    masks = [image.new("L", rgb.shape[1::-1], 0) for _ in range(2)]
    pens = [draw.Draw(mask) for mask in masks]
    long = float(pens[0].textlength(words, font=fonts.load_default(size)))
    if long > room_px:
        size = max(6, int(size * room_px / long))
    font, rim = fonts.load_default(size), max(1, size // 10)
    pens[0].text(place, words, fill=255, font=font, anchor=anchor, stroke_width=rim)
    pens[1].text(place, words, fill=255, font=font, anchor=anchor)
    white = DEEP if rgb.dtype == np.uint16 else 255
    out = rgb.astype(np.float32)
    for mask, shade in zip(masks, (0.125 * white, float(white)), strict=True):
        cover = np.asarray(mask, np.float32)[..., None] / 255
        out += (shade - out) * cover
    return np.asarray(np.rint(out).astype(rgb.dtype))
