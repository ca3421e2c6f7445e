"""The words of plain lines (see `scan.py`), piece by piece, each value as `float()` gives it.

Nothing is checked here: the scan has. Eight digits are read at once with integer arithmetic:
the point is closed up, what stands before the number is masked away, and the digits are
summed in pairs. One division by a power of ten then rounds correctly, both being exact.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.read.scan import PLAIN, Lines

PIECE_LINES = 4096
"""Lines worked on at once: what they need stays in the processor's cache."""

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
_U = np.uint64
_DOT, _EOL, _CR, _MINUS, _LETTER = 46, 10, 13, 45, 65
_TENS = np.array([10.0**k for k in range(9)])
_ALL = 0xFFFFFFFFFFFFFFFF
_LAST = np.array([(_ALL << (8 * (8 - k))) & _ALL for k in range(9)], _U)
"""Masks of the last k of eight bytes that were read as one number, the first the lowest."""
_DIGITS = _LAST & _U(0x0F0F0F0F0F0F0F0F)
_PAIRS = _U(0x000000FF000000FF)
_MUL_LOW, _MUL_HIGH = _U(100 + (1000000 << 32)), _U(1 + (10000 << 32))


@dataclass(frozen=True, slots=True)
class PlainPiece:
    """The marks (letters, points, line ends) of some lines of a job.

    Attributes
    ----------
    first, stop : which lines of the job these are
    mark : (K,) uint8, the byte that stands there
    end : (K + 1,) offset where a number before the mark ends
    line : (K,) int32, line of each mark, counted from ``first``
    is_plain : (stop - first,) the lines whose words may be asked for; None: all
    """

    first: int
    stop: int
    mark: NDArray[np.uint8]
    end: Ints
    line: NDArray[np.int32]
    is_plain: NDArray[np.bool_] | None
    text: NDArray[np.uint8]
    eights: NDArray[np.uint64]

    def lines(self, letter: str) -> NDArray[np.int32]:
        """The lines that state a letter, counted from ``first``, rising."""
        line: NDArray[np.int32] = self.line[self.mark == ord(letter)]
        return line if self.is_plain is None else line[self.is_plain[line]]

    def words(self, letter: str) -> tuple[NDArray[np.int32], Array]:
        """The lines that state a letter (counted from ``first``, rising), and the values."""
        at = np.flatnonzero(self.mark == ord(letter))
        line = self.line[at]
        if self.is_plain is not None:
            keep = self.is_plain[line]
            at, line = at[keep], line[keep]
        return line, self._values(at)

    def _values(self, at: Ints) -> Array:
        start = self.end[at]
        start += 2  # behind the blank before the letter, and the letter
        minus = self.text[start] == _MINUS
        start += minus
        at += 1
        point = self.end[at]
        has_point = self.mark[at] == _DOT
        at += 1
        places = self.end[at]
        places -= point
        places -= 1
        places *= has_point
        stop = point + places
        digits = np.subtract(stop, start, out=start)
        number = self.eights[stop - 7]
        if len(digits) and digits.max() > 8:
            value = self._long_values(point, stop, places, digits - places)
        else:
            last = _LAST[places]
            number &= last
            number |= self.eights[stop - 8] & ~last
            number &= _DIGITS[digits]
            value = _eight_digits(number) / _TENS[places]
        return np.negative(value, out=value, where=minus)

    def _long_values(self, point: Ints, stop: Ints, places: Ints, whole: Ints) -> Array:
        """As above where numbers have up to eight digits on either side of the point."""
        before = _eight_digits(self.eights[point - 8] & _DIGITS[whole]).astype(np.float64)
        after = _eight_digits(self.eights[stop - 7] & _DIGITS[places])
        scale = _TENS[places]
        return np.asarray((before * scale + after) / scale)


def _eight_digits(v: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Values of eight digits (one a byte, first in the lowest) -> their number."""
    v = v * _U(10) + (v >> _U(8))
    low = v & _PAIRS
    low *= _MUL_LOW
    v >>= _U(16)
    v &= _PAIRS
    v *= _MUL_HIGH
    v += low
    v >>= _U(32)
    return v


def plain_pieces(text: bytes, lines: Lines) -> Iterator[PlainPiece]:
    """The plain lines of a text, some thousand at a time."""
    view = np.frombuffer(text, np.uint8)
    eights: NDArray[np.uint64] = np.ndarray(
        (max(len(text) - 7, 0),), dtype="<u8", buffer=text, strides=(1,)
    )
    has_cr, count = b"\r" in text, len(lines.starts)
    for first in range(0, count, PIECE_LINES):
        stop = min(first + PIECE_LINES, count)
        plain = lines.kind[first:stop] >= PLAIN
        begin = int(lines.starts[first])
        part = view[begin : int(lines.starts[stop]) if stop < count else len(text)]
        place = np.flatnonzero((part >= _LETTER) | (part == _EOL) | (part == _DOT))
        mark = part[place]
        end = np.zeros(len(place) + 1, np.int64)
        np.add(place, begin, out=end[:-1])
        end[:-1] -= mark >= _LETTER  # a blank stands before a letter
        is_end = mark == _EOL
        if has_cr:
            end[:-1] -= is_end & (view[end[:-1] - 1] == _CR)
        line = np.cumsum(is_end, dtype=np.int32)
        line -= is_end
        yield PlainPiece(first, stop, mark, end, line, None if plain.all() else plain, view, eights)
