"""Whether a film's size and rate fit a level of H.264, so that players can decode it.

Source: ITU-T H.264, Annex A, table A-1 (frame size and macroblock rate; levels 3 to 5.2).
"""

from __future__ import annotations

from fractions import Fraction
from math import isqrt

from capturehook.errors import FrameError

MACROBLOCK_PX = 16

# level: (largest frame, macroblocks; largest rate, macroblocks/s)
LEVELS: dict[str, tuple[int, int]] = {
    "3.0": (1620, 40_500),
    "3.1": (3600, 108_000),
    "3.2": (5120, 216_000),
    "4.0": (8192, 245_760),
    "4.2": (8704, 522_240),
    "5.0": (22_080, 589_824),
    "5.1": (36_864, 983_040),
    "5.2": (36_864, 2_073_600),
}


def macroblocks(width_px: int, height_px: int) -> tuple[int, int]:
    """Columns and rows of 16 x 16 px that cover the frame (1080 lines need 68 rows)."""
    return -(-width_px // MACROBLOCK_PX), -(-height_px // MACROBLOCK_PX)


def fits_level(level: str, width_px: int, height_px: int, fps: Fraction) -> bool:
    """Frame size, rate, and neither side longer than sqrt(8 x largest frame)."""
    columns, rows = macroblocks(width_px, height_px)
    most, most_per_s = LEVELS[level]
    side = isqrt(8 * most)
    return (
        columns * rows <= most and columns * rows * fps <= most_per_s and max(columns, rows) <= side
    )


def h264_level(width_px: int, height_px: int, fps: Fraction) -> str:
    """The lowest level the film fits.

    Raises
    ------
    FrameError
        No level up to 5.2 takes it.
    """
    for level in LEVELS:
        if fits_level(level, width_px, height_px, fps):
            return level
    columns, rows = macroblocks(width_px, height_px)
    raise FrameError(
        "film",
        f"{width_px} x {height_px} at {fps} frames/s is {columns * rows} blocks of 16 x 16 px a "
        "frame, more than any level of H.264 up to 5.2 allows",
        "Ask for a smaller --width or fewer --fps, or another --codec such as h265",
    )
