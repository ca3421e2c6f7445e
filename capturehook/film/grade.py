"""One tone for all frames: a 3D table of colours, from a .cube text file.

The form: words and numbers, `#` begins a remark; LUT_3D_SIZE N, then N x N x N lines of three
numbers, red running fastest; DOMAIN_MIN and DOMAIN_MAX are 0 and 1 unless given. Values between
the points are found by tetrahedra, which keep greys grey.

Source: the .cube text form as openly published (version 1.0, 2013; from memory); Kasson and
others 1995, "Performing color space conversions with three-dimensional linear interpolation".
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError, Where, of_the_system
from capturehook.film.render import DEEP, Rgb

MOST_SIZE = 256
MOST_BYTES = 2_000_000_000
ROWS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Cube:
    """``table`` (N, N, N, 3), by blue, green, red as in the file; values 0..1 are coded sRGB."""

    table: NDArray[np.float32]
    low: NDArray[np.float32]
    high: NDArray[np.float32]

    def apply(self, rgb: Rgb) -> Rgb:
        """(H, W, 3) uint8 or uint16 -> the same kind, graded; a few rows at a time."""
        white = np.float32(DEEP if rgb.dtype == np.uint16 else 255)
        out = np.empty_like(rgb)
        for top in range(0, rgb.shape[0], ROWS):
            part = rgb[top : top + ROWS].astype(np.float32) / white
            graded = self.look_up(part.reshape(-1, 3)).reshape(part.shape)
            out[top : top + ROWS] = np.rint(graded.clip(0, 1) * white)
        return out

    def look_up(self, colours: NDArray[np.float32]) -> NDArray[np.float32]:
        """(K, 3) colours 0..1 -> (K, 3), by tetrahedral interpolation.

        From the near corner of the cell to the far one by a step along each axis, the axis of
        the largest remainder first: each step weighs by that axis's remainder.
        """
        size = len(self.table)
        spot = ((colours - self.low) / (self.high - self.low)).clip(0, 1) * np.float32(size - 1)
        cell = np.minimum(spot.astype(np.int32), size - 2)
        rest = spot - cell
        strides = np.array([1, size, size * size], np.int32)
        at = cell @ strides
        flat = self.table.reshape(-1, 3)
        order = np.argsort(-rest, axis=1, kind="stable")
        here = flat[at]
        out = here.copy()
        for k in range(3):
            axis = order[:, k]
            at = at + strides[axis]
            there = flat[at]
            out += (there - here) * np.take_along_axis(rest, axis[:, None], 1)
            here = there
        return np.asarray(out)


def load_cube(path: Path) -> Cube:
    """Read a .cube file.

    Raises
    ------
    FileError
        It cannot be read.
    FrameError
        It is not a whole 3D table; names the line.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise FrameError(str(path), "is far too large for a .cube file", "Check --grade")
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as fault:
        raise of_the_system(fault, "read", path) from fault
    except UnicodeDecodeError as fault:
        raise FrameError(
            str(path), "is not text, so no .cube file", "Give a 3D table as .cube text"
        ) from fault
    return _Reader(path).read(lines)


class _Reader:
    def __init__(self, path: Path) -> None:
        self.path = path
        self.size = 0
        self.domain = {"DOMAIN_MIN": (0.0, 0.0, 0.0), "DOMAIN_MAX": (1.0, 1.0, 1.0)}
        self.rows: list[tuple[float, float, float]] = []

    def read(self, lines: list[str]) -> Cube:
        for number, line in enumerate(lines, 1):
            words = line.split("#", 1)[0].split()
            if words and not words[0].startswith("TITLE"):
                self._take(words, number)
        wanted = self.size**3
        if not self.size:
            raise self._fault(len(lines), "states no LUT_3D_SIZE")
        if len(self.rows) != wanted:
            raise self._fault(
                len(lines), f"holds {len(self.rows)} colours where {self.size} cubed is {wanted}"
            )
        low, high = (np.array(self.domain[name], np.float32) for name in self.domain)
        if not (high > low).all():
            raise self._fault(len(lines), "has a DOMAIN_MAX that is not above its DOMAIN_MIN")
        table = np.array(self.rows, np.float32).reshape(self.size, self.size, self.size, 3)
        return Cube(table=table, low=low, high=high)

    def _take(self, words: list[str], number: int) -> None:
        name = words[0]
        if name == "LUT_3D_SIZE":
            text = words[1] if len(words) == 2 else ""
            if not text.isdecimal() or not 2 <= int(text) <= MOST_SIZE or self.size:
                raise self._fault(number, f"{' '.join(words)!r:.60} is no size from 2 to 256")
            self.size = int(text)
        elif name == "LUT_1D_SIZE":
            raise self._fault(number, "is a table of one dimension")
        elif name in self.domain:
            self.domain[name] = self._numbers(words[1:], number)
        elif name[0].isalpha():
            if name not in ("LUT_3D_INPUT_RANGE",):
                raise self._fault(number, f"{name!r:.40} is not a word of the .cube form")
            low, high = self._pair(words[1:], number)
            self.domain = {"DOMAIN_MIN": (low,) * 3, "DOMAIN_MAX": (high,) * 3}
        else:
            if len(self.rows) >= max(1, self.size) ** 3:
                raise self._fault(number, f"is beyond the {self.size} cubed colours")
            self.rows.append(self._numbers(words, number))

    def _pair(self, words: list[str], number: int) -> tuple[float, float]:
        low, high, _ = self._numbers([*words, "0"], number)
        return low, high

    def _numbers(self, words: list[str], number: int) -> tuple[float, float, float]:
        try:
            red, green, blue = (float(word) for word in words)
        except ValueError as fault:
            raise self._fault(number, f"{' '.join(words)!r:.60} is not three numbers") from fault
        if not np.isfinite((red, green, blue)).all():
            raise self._fault(number, f"{' '.join(words)!r:.60} is not finite")
        return red, green, blue

    def _fault(self, number: int, found: str) -> FrameError:
        return FrameError(
            Where(str(self.path), line_no=number), found, "Write the .cube file out again"
        )
