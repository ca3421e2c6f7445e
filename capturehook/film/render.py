"""One source frame -> one film frame: aligned, cropped, scaled, its light evened out."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.film.choose import Correction
from capturehook.film.framing import Framing
from capturehook.frames.decode import read_picture
from capturehook.frames.needs import need, pillow
from capturehook.physics.colour import gain_table_8bit, linear_of_8bit, linear_to_srgb

LEAST_TURN_DEG = 0.005
LEAST_ZOOM = 5e-5
MIX_STEPS = 16_384

Rgb = NDArray[np.uint8]


def render_frame(
    path: Path,
    size_px: tuple[int, int],
    framing: Framing,
    correction: Correction,
    pivot_px: tuple[float, float],
) -> Rgb:
    """Decode no larger than needed and resample once: (height, width, 3) uint8.

    Parameters
    ----------
    size_px : the (width, height) all numbers are in
    pivot_px : where dx, dy of the correction hold; turning is about it

    Raises
    ------
    FrameError
        The file cannot be decoded.
    """
    scale = framing.width_px / framing.width
    picture = read_picture(path, (round(size_px[0] * scale), round(size_px[1] * scale)))
    factor = picture.width / size_px[0]  # of what was decoded to the original
    dx, dy = correction.dx_px, correction.dy_px
    turned = abs(correction.turn_deg) > LEAST_TURN_DEG or abs(correction.zoom - 1) > LEAST_ZOOM
    if turned:
        picture = _straightened(picture, correction, pivot_px, factor)
        dx = dy = 0.0
    box = _box(framing, dx, dy, factor, picture.size)
    film_size = (framing.width_px, framing.height_px)
    small = picture.resize(film_size, pillow().Resampling.LANCZOS, box=box)
    return apply_gain(np.asarray(small), correction.gain)


def _box(
    framing: Framing, dx: float, dy: float, factor: float, size: tuple[int, int]
) -> tuple[float, float, float, float]:
    """The framing moved with the content, kept inside the picture to the last digit."""
    left, top = (framing.left + dx) * factor, (framing.top + dy) * factor
    right, bottom = left + framing.width * factor, top + framing.height * factor
    return max(0.0, left), max(0.0, top), min(size[0], right), min(size[1], bottom)


def _straightened(
    picture: Any, correction: Correction, pivot_px: tuple[float, float], factor: float
) -> Any:
    """Undo shift, turn and zoom in one go: each pixel p comes from pivot + shift + zR(p-pivot)."""
    angle = np.radians(correction.turn_deg)
    cos, sin = correction.zoom * np.cos(angle), correction.zoom * np.sin(angle)
    x, y = pivot_px[0] * factor, pivot_px[1] * factor
    dx, dy = correction.dx_px * factor, correction.dy_px * factor
    image = pillow()
    back = (cos, -sin, x + dx - cos * x + sin * y, sin, cos, y + dy - sin * x - cos * y)
    return picture.transform(
        picture.size, image.Transform.AFFINE, back, resample=image.Resampling.BICUBIC
    )


def apply_gain(rgb: Rgb, gain: float) -> Rgb:
    """Exposure changed in linear light."""
    return rgb if abs(gain - 1) < 1e-4 else np.asarray(gain_table_8bit(gain)[rgb])


def mix(first: Rgb, second: Rgb, share: float) -> Rgb:
    """A cross-blend in linear light, ``share`` of the second."""
    table = linear_of_8bit()
    light = table[first] * np.float32(1 - share) + table[second] * np.float32(share)
    return np.asarray(_coded_of_light()[(light * (MIX_STEPS - 1) + 0.5).astype(np.int32)])


@lru_cache(maxsize=1)
def _coded_of_light() -> Rgb:
    light = np.arange(MIX_STEPS) / (MIX_STEPS - 1)
    return np.asarray(np.round(linear_to_srgb(light) * 255).astype(np.uint8))


def fade(rgb: Rgb, share: float) -> Rgb:
    """Towards black; 0 leaves it, 1 is black."""
    table = np.round(np.arange(256) * (1 - share)).astype(np.uint8)
    return rgb if share <= 0 else np.asarray(table[rgb])


def write_text(rgb: Rgb, words: str) -> Rgb:
    """A line in the lower left corner, white with a dark rim, readable on anything."""
    picture = pillow().fromarray(rgb)
    fonts = need("PIL.ImageFont", "drawing text")
    draw = need("PIL.ImageDraw", "drawing text").Draw(picture)
    size = max(11, round(min(rgb.shape[0] / 27, rgb.shape[1] / 24)))
    room = rgb.shape[1] - 1.8 * size
    long = float(draw.textlength(words, font=fonts.load_default(size)))
    if long > room:
        size = max(6, int(size * room / long))
    place = (size * 0.9, rgb.shape[0] - size * 0.9)
    rim = max(1, size // 10)
    draw.text(
        place,
        words,
        fill="#ffffff",
        font=fonts.load_default(size),
        anchor="ls",
        stroke_width=rim,
        stroke_fill="#202020",
    )
    return np.asarray(picture)
