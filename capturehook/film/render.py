"""One source frame -> one film frame: aligned, cropped, scaled, its light evened out.

Pictures are (height, width, 3) of uint8, or of uint16 (code 255 is 65535) for a master of more
than 8 bits; all of it coded sRGB.
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil, hypot
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
FINER = 1.4  # pictures are read with so many pixels for one of the film, where there are as many
REDUCED = 1.25
"""From so many pixels for one of the film on, a finer film is drawn by lines between pixels and
averaged; below, it is drawn at once by cubics."""
MOST_APART = 1.9  # pixels between the places that are averaged: with more, some are passed over
SHARPEN = 0.1
"""Lines between pixels that lie closer than MOST_APART take contrast from fine detail. SHARPEN
over the square of what lies closer gives it back, and twice that what a JPEG decoded at half the
size has lost besides: contrast is then that of the whole picture, each pixel a mean of its area."""
BAND_ROWS = 64  # of the film, moved at a time: what is averaged is never there as a whole
RIM_ROWS = 1  # read above and below a band, for what looks at its neighbours


def render_frame(
    frame: Frame,
    size_px: tuple[int, int],
    framing: Framing,
    correction: Correction,
    pivot_px: tuple[float, float],
    *,
    deep: bool = False,
    lens: float = 0.0,
) -> Rgb:
    """Decode no larger than needed, move and scale at once, a band of rows at a time.

    Parameters
    ----------
    size_px : the (width, height) all numbers are in
    pivot_px : where dx, dy of the correction hold; turning is about it
    deep : uint16, so that what scaling and gains make between two codes is kept
    lens : distortion to undo: by how much of it the corner lies too far out, below 0 too far in

    Raises
    ------
    FrameError
        The file cannot be decoded.
    """
    scale = framing.width_px / framing.width
    by = min(1.0, FINER * scale)
    least_px = round(size_px[0] * by), round(size_px[1] * by)
    picture: Rgb = read_picture(frame.path, least_px, frame.orientation, deep=deep)
    factor = picture.shape[1] / size_px[0]  # of what was decoded to the original
    close = factor / scale  # pixels for one of the film
    finer = max(2, ceil(close / MOST_APART)) if close >= REDUCED else 1
    sharpen = 0.0
    if finer > 1 and close < MOST_APART:
        sharpen = SHARPEN / close**2 * (2 if factor < 1 else 1)
    grid_px = (framing.width_px * finer, framing.height_px * finer)
    lay = _grid_to_original(framing, grid_px)
    moved = _original_to_picture(correction, pivot_px, factor)
    out = np.empty((framing.height_px, framing.width_px, 3), np.uint16 if deep else np.uint8)
    for top in range(0, len(out), BAND_ROWS):
        band = out[top : top + BAND_ROWS]
        shape = ((len(band) + 2 * RIM_ROWS) * finer, grid_px[0])
        first = (top - RIM_ROWS) * finer
        if lens:
            x, y = _bent(lay, shape, first, size_px, lens)
            x, y = (a * x + b * y + c for a, b, c in moved.tolist())
            read = _taken(picture, x, y, finer, deep)
        else:
            read = _moved_rows(picture, moved @ lay, shape, first, finer, deep)
        drawn = _sharpened(_averaged(read, finer), sharpen)[RIM_ROWS:-RIM_ROWS]
        band[:] = apply_gain(drawn, correction.gain)
    return out


def _moved_rows(
    picture: Rgb,
    matrix: NDArray[np.float64],
    shape: tuple[int, int],
    first: int,
    finer: int,
    deep: bool,
) -> Rgb:
    """Rows of the grid, (rows, columns) from row ``first`` on, from the rows of the picture that
    they show."""
    cv = opencv()
    matrix = matrix.copy()
    matrix[:, 2] += matrix[:, 1] * first
    corners = np.array([[0, shape[1], 0, shape[1]], [0, 0, shape[0], shape[0]], [1, 1, 1, 1]])
    shown, above = _rows_shown(picture, matrix[1] @ corners, finer, deep)
    matrix[1, 2] -= above
    flags = _kernel(finer) | cv.WARP_INVERSE_MAP
    return np.asarray(cv.warpAffine(shown, matrix, shape[::-1], None, flags, cv.BORDER_REPLICATE))


def _taken(
    picture: Rgb, x: NDArray[np.float32], y: NDArray[np.float32], finer: int, deep: bool
) -> Rgb:
    """The same, place by place."""
    cv = opencv()
    shown, above = _rows_shown(picture, y, finer, deep)
    return np.asarray(cv.remap(shown, x, y - above, _kernel(finer), None, cv.BORDER_REPLICATE))


def _rows_shown(picture: Rgb, rows: NDArray[Any], finer: int, deep: bool) -> tuple[Rgb, int]:
    """The rows of a picture around some places, and which is the first. With a fourth channel
    OpenCV reads by lines in half the time, by cubics in more."""
    cv = opencv()
    first = int(np.clip(rows.min() - 4, 0, len(picture) - 1))
    shown = picture[first : max(first + 1, ceil(rows.max() + 4))]
    shown = to_16bit(shown) if deep else shown
    return (cv.cvtColor(shown, cv.COLOR_RGB2RGBA) if finer > 1 else shown), first


def _kernel(finer: int) -> int:
    cv = opencv()
    return int(cv.INTER_LINEAR if finer > 1 else cv.INTER_CUBIC)


def _averaged(read: Rgb, finer: int) -> Rgb:
    """``finer`` places a pixel, each way -> the film's pixels, three channels."""
    cv = opencv()
    if finer == 1:
        return read
    size = (read.shape[1] // finer, read.shape[0] // finer)
    return np.asarray(
        cv.cvtColor(cv.resize(read, size, None, 0, 0, cv.INTER_AREA), cv.COLOR_RGBA2RGB)
    )


def _sharpened(rgb: Rgb, by: float) -> Rgb:
    if not by:
        return rgb
    weights = np.array([-by, 1 + 2 * by, -by], np.float32)
    return np.asarray(opencv().sepFilter2D(rgb, -1, weights, weights))


def _bent(
    lay: NDArray[np.float64],
    shape: tuple[int, int],
    first: int,
    size_px: tuple[int, int],
    lens: float,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """(rows, columns) x and y in the original as the lens has bent it, of rows of the grid.

    Brown's model with one number: what is r from the middle of a straight picture is
    r (1 + lens r^2) from it here; r is 1 in the corner. Source: Brown 1971, Close-Range Camera
    Calibration; the percentage as ISO 17850 has it (from memory). A picture that reaches further
    out than its straight one is made as much smaller as keeps its corners.
    """
    half, middle = hypot(*size_px) / 2, (np.array(size_px) - 1) / 2
    keep = 1.0
    for _ in range(40 if lens > 0 else 0):  # Newton's method on keep (1 + lens keep^2) = 1
        keep -= (keep * (1 + lens * keep**2) - 1) / (1 + 3 * lens * keep**2)
    x = (lay[0, 0] * np.arange(shape[1]) + lay[0, 2] - middle[0]) * keep
    y = (lay[1, 1] * np.arange(first, first + shape[0]) + lay[1, 2] - middle[1])[:, None] * keep
    x, y = x.astype(np.float32), y.astype(np.float32)  # to 0.0005 px
    bent = lens / half**2 * (x**2 + y**2) + 1
    return x * bent + float(middle[0]), y * bent + float(middle[1])


def _grid_to_original(framing: Framing, grid_px: tuple[int, int]) -> NDArray[np.float64]:
    """(3, 3): a pixel of the grid laid over the framing -> its place in the original.

    Places count from the middle of the first pixel, so half a pixel is added before each
    change of scale and taken off after it.
    """
    across, down = framing.width / grid_px[0], framing.height / grid_px[1]
    return np.array(
        [
            [across, 0, framing.left + across / 2 - 0.5],
            [0, down, framing.top + down / 2 - 0.5],
            [0, 0, 1],
        ]
    )


def _original_to_picture(
    correction: Correction, pivot_px: tuple[float, float], factor: float
) -> NDArray[np.float64]:
    """(2, 3): a place in the original, nothing moved -> in the decoded picture."""
    motion = Motion(
        correction.dx_px, correction.dy_px, correction.turn_deg, correction.zoom, 1.0, 0.0
    )
    matrix = matrix_of(motion, pivot_px) * factor
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
