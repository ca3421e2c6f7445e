"""How far one picture is shifted against another, to parts of a pixel, by phase correlation.

Source: Kuglin and Hines 1975 (phase correlation); the fine step evaluates the same transform
on a finer grid about the peak by matrix products (textbook).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

# Two grids about the peak, +-1 px and +-1/4 px, (reach, points) each.
GRIDS = ((1.0, 9), (0.25, 11))
# Above a quarter of a cycle per pixel pictures hold mostly noise: weigh it down.
SOFT_CYCLES_PER_PX = 0.20


@dataclass(frozen=True, slots=True)
class Shift:
    """``dx_px`` to the right, ``dy_px`` down; ``peak`` near 1 is sure, under 0.1 a guess."""

    dx_px: float
    dy_px: float
    peak: float


@lru_cache(maxsize=8)
def hann(height: int, width: int) -> NDArray[np.float32]:
    """(H, W) window that falls to 0 at every edge."""
    return np.outer(_hann_line(height), _hann_line(width)).astype(np.float32)


def _hann_line(length: int) -> NDArray[np.float64]:
    return 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(length) + 0.5) / length)


@lru_cache(maxsize=4)
def flat_top(height: int, width: int) -> NDArray[np.float32]:
    """(H, W) window that is 1 but for a tenth at every edge, where it falls to 0."""
    lines = []
    for length in (height, width):
        edge = max(2, length // 10)
        ramp = _hann_line(2 * edge)[:edge]
        lines.append(np.concatenate([ramp, np.ones(length - 2 * edge), ramp[::-1]]))
    return np.outer(*lines).astype(np.float32)


def spectrum(
    grey: NDArray[np.floating], window: NDArray[np.float32] | None = None
) -> NDArray[np.complexfloating]:
    """Transform of the windowed picture (Hann unless given), its mean taken off.

    (H, W) -> (H, W) complex.
    """
    shade = hann(*grey.shape) if window is None else window
    level = float((grey * shade).sum() / shade.sum())
    return np.fft.fft2(((grey - level) * shade).astype(np.float32))


def shift_between(
    reference: NDArray[np.complexfloating], moved: NDArray[np.complexfloating], *, fine: bool = True
) -> Shift:
    """Shift of ``moved`` against ``reference``, both from :func:`spectrum`, of equal shape.

    Without ``fine`` in whole pixels, which is quicker.
    """
    cross = moved * np.conj(reference)
    size = np.abs(cross)
    cross = cross / (size + 1e-7 * float(size.max()) + 1e-30)
    cross[0, 0] = 0.0
    weight = _soft_weight(*cross.shape)
    weighted = cross * weight
    surface = np.fft.ifft2(weighted).real
    row, column = np.unravel_index(int(np.argmax(surface)), surface.shape)
    full = float(weight.sum() - weight[0, 0]) / surface.size
    dy_px, dx_px = _signed(row, surface.shape[0]), _signed(column, surface.shape[1])
    if not fine:
        return Shift(dx_px, dy_px, float(surface[row, column]) / full)
    fine_dy_px, fine_dx_px, peak = _refine(weighted, dy_px, dx_px)
    return Shift(fine_dx_px, fine_dy_px, peak / full)


def shift_of(reference: NDArray[np.floating], moved: NDArray[np.floating]) -> Shift:
    """As :func:`shift_between`, from the pictures themselves."""
    return shift_between(spectrum(reference), spectrum(moved))


def _signed(index: int | np.integer, count: int) -> int:
    """Peaks past the middle are negative shifts."""
    return int(index) - count if index > count // 2 else int(index)


@lru_cache(maxsize=8)
def _soft_weight(height: int, width: int) -> NDArray[np.float64]:
    fy = np.fft.fftfreq(height)[:, None]
    fx = np.fft.fftfreq(width)[None, :]
    soft = np.exp(-(fy**2 + fx**2) / (2 * SOFT_CYCLES_PER_PX**2))
    return np.asarray(soft.astype(np.float32))


@lru_cache(maxsize=16)
def _fine_waves(length: int, grid: int) -> NDArray[np.complexfloating]:
    """(points, length): the inverse transform at the places of a grid about 0."""
    steps = _steps(grid)
    return np.asarray(np.exp(2j * np.pi * np.outer(steps, np.fft.fftfreq(length))), np.complex64)


def _steps(grid: int) -> NDArray[np.float64]:
    reach_px, points = GRIDS[grid]
    return np.linspace(-reach_px, reach_px, points)


def _waves_at(length: int, place: float, grid: int) -> NDArray[np.complexfloating]:
    turn = np.exp(2j * np.pi * place * np.fft.fftfreq(length)).astype(np.complex64)
    return np.asarray(_fine_waves(length, grid) * turn)


def _refine(
    weighted: NDArray[np.complexfloating], row: float, column: float
) -> tuple[float, float, float]:
    """The peak on finer and finer grids, then a parabola through it and its neighbours."""
    height, width = weighted.shape
    for grid in range(len(GRIDS)):
        down, across = _waves_at(height, row, grid), _waves_at(width, column, grid)
        # Not `@`: for products this small the linear-algebra library's threads cost the most.
        lines = np.einsum("ij,jk->ik", down, weighted)
        surface = np.einsum("ik,lk->il", lines, across).real / weighted.size
        i, j = (int(k) for k in np.unravel_index(int(np.argmax(surface)), surface.shape))
        row, column = row + _steps(grid)[i], column + _steps(grid)[j]
    reach_px, points = GRIDS[-1]
    step_px = 2 * reach_px / (points - 1)
    row += step_px * _parabola(surface[:, j], i)
    column += step_px * _parabola(surface[i, :], j)
    return float(row), float(column), float(surface[i, j])


def _parabola(line: NDArray[np.float64], index: int) -> float:
    """Where the parabola through a peak and its two neighbours is highest, -0.5..0.5."""
    if not 0 < index < len(line) - 1:
        return 0.0
    before, here, after = line[index - 1 : index + 2]
    bend = before - 2 * here + after
    return float(0.5 * (before - after) / bend) if bend < 0 else 0.0
