"""Which parts of the picture stay as they are all through the shoot: tiles to measure on.

In: a few frames spread over the shoot. Out: tiles with texture where nothing moves - the
printer's frame, the wall behind it - and a reference picture. The growing part, the bed and
the carriage must not be in them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding, FrameError
from capturehook.frames.shift import shift_between, spectrum
from capturehook.physics.colour import BT709_WEIGHTS, linear_of_8bit

MOST_TILES = 8
QUIET_QUANTILE = 0.85  # of the samples: so many may be bad frames
LEAST_TEXTURE = 1.5  # mean step from pixel to pixel, 8-bit codes
NOISE_CODES = 3.0  # and no more unrest beyond it than a shift of a pixel makes
LEAST_SIDE_PX = 16
SURE_PEAK = 0.15  # of a tile's shift, to have a say in how a sample is moved
AGREE_PX = 1.5
CLEARLY_BETTER = 0.9

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
    """Tiles to measure on; ``sure`` is False where nothing static and textured was found."""

    tiles: tuple[Tile, ...]
    sure: bool

    def findings(self) -> list[Finding]:
        if self.sure:
            return []
        text = (
            "no part of the picture is both still and textured, so movements of the camera are "
            "neither judged nor undone, and light is measured on the whole of it; name a still "
            "part with --static, or let something with a pattern be seen behind the part"
        )
        return [Finding("no-static-area", "frames", text)]


def luma_of(rgb: NDArray[np.uint8]) -> Grey:
    """(H, W, 3) uint8 -> (H, W) luma, 8-bit codes as float32 (BT.709 weights on coded values)."""
    return rgb.astype(np.float32) @ np.array(BT709_WEIGHTS, np.float32)


def light_of(rgb: NDArray[np.uint8]) -> Grey:
    """(H, W, 3) uint8 -> (H, W) luminance 0..1 (BT.709 weights on linear values)."""
    return linear_of_8bit()[rgb] @ np.array(BT709_WEIGHTS, np.float32)


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
    return StaticArea(tiles=tuple(tiles[::step]), sure=True)


def _listed(values: tuple[float, ...]) -> str:
    return " ".join(f"{value:g}" for value in values)


def find_static(samples: NDArray[np.uint8]) -> StaticArea:
    """The tiles that differ least between samples for the texture they hold.

    Parameters
    ----------
    samples : (S, H, W) uint8, luma of S frames spread over the shoot, laid over one another
        by :func:`lay_over`
    """
    median = np.median(samples, axis=0)
    unrest = _unrest(samples, median)
    texture = _texture(median)
    side = _tile_side(median.shape)
    places = _grid(median.shape, side)
    unrests = np.array([unrest[t : t + side, u : u + side].mean() for t, u in places])
    textures = np.array([texture[t : t + side, u : u + side].mean() for t, u in places])
    quiet = unrests <= np.minimum(2 * np.quantile(unrests, 0.2) + 1.0, textures + NOISE_CODES)
    usable = quiet & (textures >= LEAST_TEXTURE)
    order = np.argsort(-textures / (unrests + 1.0) * usable, kind="stable")
    tiles = _apart([places[index] for index in order if usable[index]], side)
    if not tiles:
        high, wide = median.shape
        return StaticArea(tiles=(Tile(top=0, left=0, height=high, width=wide),), sure=False)
    return StaticArea(tiles=tuple(tiles), sure=True)


def lay_over(samples: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The samples, each moved by whole pixels onto the one of middling light.

    A camera that was knocked in mid-shoot would else make all that has texture look restless.
    The tiles of the picture vote for the shift: a gantry that rises says another one than the
    wall behind it. A shift is only taken where the picture then fits clearly better.
    """
    base = int(np.argsort(samples.mean(axis=(1, 2)))[len(samples) // 2])
    side = _tile_side(samples.shape[1:])
    tiles = [
        Tile(top=top, left=left, height=side, width=side)
        for top, left in _grid(samples.shape[1:], side, side)
    ]
    usual = samples[base].astype(np.float32)
    spectra = [spectrum(tile.cut(usual)) for tile in tiles]
    return np.stack([_laid_over(sample, usual, tiles, spectra) for sample in samples])


def _laid_over(
    sample: NDArray[np.uint8],
    usual: Grey,
    tiles: list[Tile],
    spectra: list[NDArray[np.complexfloating]],
) -> NDArray[np.uint8]:
    grey = sample.astype(np.float32)
    shifts = [
        shift_between(one, spectrum(tile.cut(grey)), fine=False)
        for one, tile in zip(spectra, tiles, strict=True)
    ]
    votes = [(one.dy_px, one.dx_px) for one in shifts if one.peak >= SURE_PEAK]
    best, least = sample, CLEARLY_BETTER * _unlike(grey, usual)
    for down, right in _loudest(votes):
        moved = np.roll(sample, (-round(down), -round(right)), axis=(0, 1))
        unlike = _unlike(moved.astype(np.float32), usual)
        if unlike < least:
            best, least = moved, unlike
    return best


def _loudest(votes: list[tuple[float, float]], most: int = 3) -> list[tuple[float, float]]:
    """The shifts, other than none, that most tiles agree about."""
    found: list[tuple[float, float]] = []
    left = np.array(votes).reshape(-1, 2)
    while len(left) > 1 and len(found) < most:
        near = np.abs(left[:, None] - left[None]).max(axis=2) <= AGREE_PX
        first = near[int(np.argmax(near.sum(axis=1)))]
        down, right = np.median(left[first], axis=0)
        if first.sum() > 1 and max(abs(down), abs(right)) >= 1:
            found.append((float(down), float(right)))
        left = left[~first]
    return found


def _unlike(grey: Grey, usual: Grey) -> float:
    """Median difference where the usual picture has texture, the exposure evened out first."""
    lit = usual > 8
    if not lit.any():
        return 0.0
    gain = float(np.median(usual[lit] / np.maximum(grey[lit], 1)))
    rough = _texture(usual) >= LEAST_TEXTURE
    unlike = np.abs(grey * gain - usual)[:-1, :-1][rough]
    return float(np.median(unlike)) if len(unlike) else 0.0


def _texture(grey: NDArray[np.floating]) -> NDArray[np.floating]:
    """(H, W) -> (H-1, W-1) mean step to the next pixel, right and down."""
    right, down = np.abs(np.diff(grey, axis=1))[:-1], np.abs(np.diff(grey, axis=0))[:, :-1]
    return np.asarray((right + down) / 2)


def _unrest(samples: NDArray[np.uint8], median: NDArray[np.float64]) -> NDArray[np.float64]:
    """(H, W) how far each pixel strays, the exposure of each sample evened out first."""
    strays = []
    for sample in samples:  # a handful; one at a time to spare memory
        lit = median > 8
        gain = float(np.median(median[lit] / np.maximum(sample[lit], 1))) if lit.any() else 1.0
        strays.append(np.abs(sample * gain - median).astype(np.float32))
    return np.asarray(np.quantile(np.stack(strays), QUIET_QUANTILE, axis=0))


def _tile_side(shape: tuple[int, ...]) -> int:
    """About a third of the shorter side, a power of two for the transform."""
    return int(2 ** int(np.log2(max(LEAST_SIDE_PX, min(shape) / 3))))


def _grid(shape: tuple[int, ...], side: int, step: int | None = None) -> list[tuple[int, int]]:
    step = step or max(1, side // 4)
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
    median = np.median(samples, axis=0)
    unlike = [
        sum(float(np.abs(tile.cut(sample) - tile.cut(median)).mean()) for tile in area.tiles)
        for sample in samples.astype(np.float32)
    ]
    return int(np.argmin(unlike))
