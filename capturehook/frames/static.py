"""Which parts of the picture stay as they are all through the shoot: tiles to measure on.

In: a few frames spread over the shoot. Out: tiles with texture where nothing moves - the
printer's frame, the wall behind it - and a reference picture. The growing part, the bed and
the carriage must not be in them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding, FrameError
from capturehook.frames.needs import opencv
from capturehook.physics.colour import BT709_WEIGHTS

MOST_TILES = 8
QUIET_QUANTILE = 0.85  # of the samples: so many may be bad frames
LEAST_TEXTURE = 1.5  # mean step from pixel to pixel, 8-bit codes
NOISE_CODES = 3.0  # and no more unrest beyond it than a shift of a pixel makes
LEAST_SIDE_PX = 16
BLOCK_PX = 8
MASK_QUANTILE = 0.94
ONCE_TIMES = 2.0  # so much more unrest in one sample alone is a machine part that passed
STILL_SHARE = 0.97  # of a tile that the mask must hold
STRANGE = 2.5  # a sample so many times as unlike the median as most is left out

Grey = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """A square or oblong of the working picture, px."""

    top: int
    left: int
    height: int
    width: int

    @property
    def centre(self) -> tuple[float, float]:
        """(x, y)"""
        return self.left + self.width / 2, self.top + self.height / 2

    def cut(self, grey: Grey, down: int = 0, right: int = 0) -> Grey:
        """The tile's pixels, the tile moved by whole pixels but kept inside the picture."""
        top, left = self.moved_to(grey.shape, down, right)
        return grey[top : top + self.height, left : left + self.width]

    def moved_to(self, shape: tuple[int, ...], down: int, right: int) -> tuple[int, int]:
        top = min(max(self.top + down, 0), shape[0] - self.height)
        left = min(max(self.left + right, 0), shape[1] - self.width)
        return top, left


@dataclass(frozen=True, slots=True, kw_only=True)
class StaticArea:
    """Where nothing but the camera moves.

    ``mask`` (H, W) holds it to a few pixels; ``tiles`` are the best squares of it. ``sure`` is
    False where nothing static and textured was found: then both are the whole picture.
    """

    tiles: tuple[Tile, ...]
    mask: NDArray[np.bool_]
    sure: bool

    def findings(self) -> Iterator[Finding]:
        if self.sure:
            return
        text = (
            "no part of the picture is both still and textured, so movements of the camera are "
            "neither judged nor undone, and light is measured on the whole of it; name a still "
            "part with --static, or let something with a pattern be seen behind the part"
        )
        yield Finding("no-static-area", "frames", text)


def luma_of(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(H, W, 3) uint8 -> (H, W) uint8 luma (BT.709 weights on coded values)."""
    weights = np.array([BT709_WEIGHTS], np.float32)
    return np.asarray(opencv().transform(rgb, weights)).reshape(rgb.shape[:2])


def tiles_in(
    rectangle_px: tuple[float, float, float, float], scale: float, shape: tuple[int, int]
) -> StaticArea:
    """The tiles of a rectangle a person named.

    Parameters
    ----------
    rectangle_px : x, y, width, height in pixels of the upright original
    scale : working pixels per original pixel
    shape : (H, W) of the working picture

    Raises
    ------
    FrameError
        The rectangle is not inside the picture, or too small to measure on.
    """
    x, y, width, height = (value * scale for value in rectangle_px)
    inside = x >= 0 and y >= 0 and x + width <= shape[1] + 1 and y + height <= shape[0] + 1
    if not inside or min(width, height) < LEAST_SIDE_PX:
        raise FrameError(
            "--static",
            f"{_listed(rectangle_px)} is not inside the picture of "
            f"{shape[1] / scale:.0f} x {shape[0] / scale:.0f} px, or under "
            f"{LEAST_SIDE_PX / scale:.0f} px wide or high",
            "Give X Y WIDTH HEIGHT in pixels, from the upper left corner",
        )
    side = _tile_side(shape)
    rows, columns = max(1, int(height // side)), max(1, int(width // side))
    tall, wide = min(side, int(height)), min(side, int(width))
    tiles = [
        Tile(
            top=int(y + (row + 0.5) * height / rows - tall / 2),
            left=int(x + (column + 0.5) * width / columns - wide / 2),
            height=tall,
            width=wide,
        )
        for row in range(rows)
        for column in range(columns)
    ]
    step = -(-len(tiles) // MOST_TILES)
    mask = np.zeros(shape, bool)
    mask[int(y) : int(y + height), int(x) : int(x + width)] = True
    return StaticArea(tiles=tuple(tiles[::step]), mask=mask, sure=True)


def _listed(values: tuple[float, ...]) -> str:
    return " ".join(f"{value:g}" for value in values)


def find_static(samples: NDArray[np.uint8], *, between: bool = False) -> StaticArea:
    """The tiles that differ least between samples for the texture they hold.

    Parameters
    ----------
    samples : (S, H, W) uint8, luma of S frames spread over the shoot, laid over one another
        by :func:`capturehook.frames.motion.lay_over`
    between : frames between the poses are among them, the head anywhere: what it crosses in one
        of them only is then no sign of a machine part that stands there in its turn
    """
    median = median_of(samples)
    strays = _strays(samples, median)
    unrest = np.quantile(strays, QUIET_QUANTILE, axis=0).astype(np.float32)
    texture = _texture(median)
    side = _tile_side(median.shape)
    tiles = _best_tiles(unrest, texture, side)
    if not tiles:
        high, wide = median.shape
        whole = Tile(top=0, left=0, height=high, width=wide)
        return StaticArea(tiles=(whole,), mask=np.ones((high, wide), bool), sure=False)
    mask = _still_mask(strays, texture, np.inf if between else ONCE_TIMES)
    if between:
        return StaticArea(tiles=tuple(tiles), mask=mask, sure=True)
    while side >= LEAST_SIDE_PX:  # as large as the still part has room for
        still = _best_tiles(unrest, texture, side, mask)
        if still:
            return StaticArea(tiles=tuple(still), mask=mask, sure=True)
        side //= 2
    return StaticArea(tiles=tuple(tiles), mask=mask, sure=True)


def _best_tiles(
    unrest: Grey, texture: NDArray[np.floating], side: int, mask: NDArray[np.bool_] | None = None
) -> list[Tile]:
    """The quiet squares with the most texture for their unrest, inside the mask."""
    places = _grid(unrest.shape, side)
    unrests = np.array([unrest[t : t + side, u : u + side].mean() for t, u in places])
    textures = np.array([texture[t : t + side, u : u + side].mean() for t, u in places])
    quiet = unrests <= np.minimum(2 * np.quantile(unrests, 0.2) + 1.0, textures + NOISE_CODES)
    usable = quiet & (textures >= LEAST_TEXTURE)
    if mask is not None:
        held = np.array([mask[t : t + side, u : u + side].mean() for t, u in places])
        usable &= held >= STILL_SHARE
    order = np.argsort(-textures / (unrests + 1.0) * usable, kind="stable")
    return _apart([places[index] for index in order if usable[index]], side)


def median_of(samples: NDArray[np.uint8]) -> Grey:
    """(S, H, W) -> (H, W), a few rows at a time to spare memory."""
    rows = range(0, samples.shape[1], 64)
    return np.concatenate(
        [np.median(samples[:, row : row + 64], axis=0).astype(np.float32) for row in rows]
    )


def _still_mask(
    strays: Grey, texture: NDArray[np.floating], once_times: float
) -> NDArray[np.bool_]:
    """(H, W) blocks that stray no more than noise and a shift of a pixel explain, in all but a
    sample; and ``once_times`` that in no sample at all, since a gantry that rises is at one place
    in one of them only. A block beside one that strays further is left out too."""
    cv = opencv()
    mean = np.array([stray.mean() for stray in strays])
    usable = strays[mean <= STRANGE * np.median(mean) + 0.5]
    high, wide = strays.shape[1:]
    size = (max(1, wide // BLOCK_PX), max(1, high // BLOCK_PX))
    blocks = np.stack([cv.resize(stray, size, None, 0, 0, cv.INTER_AREA) for stray in usable])
    unrests = np.quantile(blocks, MASK_QUANTILE, axis=0)
    textures = cv.resize(texture.astype(np.float32), size, None, 0, 0, cv.INTER_AREA)
    level = 2 * float(np.quantile(unrests, 0.2)) + 1.0
    limit = np.minimum(3 * level, np.maximum(level, textures + NOISE_CODES))
    quiet = (unrests <= limit) & (blocks.max(axis=0) <= once_times * limit)
    kept = cv.erode(quiet.astype(np.uint8), np.ones((3, 3), np.uint8))
    if kept.mean() < 0.02:
        kept = quiet.astype(np.uint8)
    return np.asarray(cv.resize(kept, (wide, high), None, 0, 0, cv.INTER_NEAREST) > 0)


def _texture(grey: NDArray[np.floating]) -> NDArray[np.floating]:
    """(H, W) -> (H-1, W-1) mean step to the next pixel, right and down."""
    right, down = np.abs(np.diff(grey, axis=1))[:-1], np.abs(np.diff(grey, axis=0))[:, :-1]
    return np.asarray((right + down) / 2)


def _strays(samples: NDArray[np.uint8], median: Grey) -> Grey:
    """(S, H, W) how far each pixel strays, the exposure of each sample evened out first."""
    strays = np.empty(samples.shape, np.float32)
    lit = median > 8
    for index, sample in enumerate(samples):
        gain = float(np.median(median[lit] / np.maximum(sample[lit], 1))) if lit.any() else 1.0
        strays[index] = np.abs(sample * np.float32(gain) - median)
    return strays


def _tile_side(shape: tuple[int, ...]) -> int:
    """About a third of the shorter side, a power of two for the transform."""
    return int(2 ** int(np.log2(max(LEAST_SIDE_PX, min(shape) / 3))))


def _grid(shape: tuple[int, ...], side: int) -> list[tuple[int, int]]:
    step = max(1, side // 4)
    tops = range(0, shape[0] - side + 1, step)
    lefts = range(0, shape[1] - side + 1, step)
    return [(top, left) for top in tops for left in lefts]


def _apart(places: list[tuple[int, int]], side: int) -> list[Tile]:
    """The best places that do not overlap one another."""
    kept: list[tuple[int, int]] = []
    for top, left in places:
        if all(abs(top - t) >= side or abs(left - u) >= side for t, u in kept):
            kept.append((top, left))
        if len(kept) == MOST_TILES:
            break
    return [Tile(top=top, left=left, height=side, width=side) for top, left in kept]


def choose_reference(samples: NDArray[np.uint8], area: StaticArea) -> int:
    """Index of the sample most like the median of all, on the static tiles."""
    median = median_of(samples)
    unlike = [
        sum(float(np.abs(tile.cut(sample) - tile.cut(median)).mean()) for tile in area.tiles)
        for sample in samples.astype(np.float32)
    ]
    return int(np.argmin(unlike))
