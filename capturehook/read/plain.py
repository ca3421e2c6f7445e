"""Numbers as plain lines hold them (see `scan.py`), many at once, each as `float()` gives it.

Eight bytes are read as one integer and judged and valued by arithmetic: blanks in front are
masked away, the point is closed up, and the digits are summed in pairs. One division by a power
of ten then rounds correctly, both being exact.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Eights = NDArray[np.uint64]
_U = np.uint64
MOST_DIGITS = 8
"""Digits before the point at most; behind it one less."""
_DOT, _MINUS = 46, 45
_ALL = 0xFFFFFFFFFFFFFFFF
_LAST = np.array([(_ALL << (8 * (8 - k))) & _ALL for k in range(9)], _U)
"""Masks of the last k of eight bytes that were read as one number, the first the lowest."""
_ZEROS = _U(0x3030303030303030)
_POINTS, _OVER, _TOPS = _U(0x1010101010101010), _U(0x7676767676767676), _U(0x8080808080808080)
_SCALE = np.array([10.0 ** (7 - k) for k in range(8)] + [1.0])
"""By how many bytes stand before the point (8: there is none): what the digits are divided by."""
_CLOSE = np.array([8] * 8 + [0], _U)
"""And by how many bits those bytes are moved to close it up."""
_PAIRS = _U(0x000000FF000000FF)
_MUL_LOW, _MUL_HIGH = _U(100 + (1000000 << 32)), _U(1 + (10000 << 32))


def eights_of(text: bytes) -> Eights:
    """The eight bytes from each offset on as one number."""
    eights: Eights = np.ndarray((max(len(text) - 7, 0),), dtype="<u8", buffer=text, strides=(1,))
    return eights


def read_numbers(
    view: NDArray[np.uint8], eights: Eights, start: Ints, stop: Ints
) -> tuple[Array, Bools]:
    """The numbers that stand from ``start`` up to ``stop``, both (W,) offsets from 8 on.

    Returns
    -------
    (W,) values, and which of them are numbers at all, like `-12.5` or `.04`, and not too long
    """
    minus = view[start] == _MINUS
    length = stop - start
    length -= minus
    digits, is_good, before = _closed_up(eights[stop - 8], length)
    value = eight_digits(digits) / _SCALE.take(before, mode="clip")
    long = (length > 8).nonzero()[0]
    if len(long):
        value[long], is_good[long] = _long_numbers(eights, stop[long], length[long])
    below = minus.nonzero()[0]
    value[below] = -value[below]
    return value, is_good


def _closed_up(word: Eights, length: Ints) -> tuple[Eights, Bools, NDArray[np.uint8]]:
    """The digits without their point; whether nothing else stands there; the bytes before the
    point (8: there is none). All of eight bytes, of which the last ``length`` count."""
    word ^= _ZEROS
    word &= _LAST.take(length, mode="clip")
    points = word & _POINTS  # of digits and the point only the point has this bit
    nibble = (points >> _U(4)) * _U(15)
    word ^= nibble << _U(1)
    wrong = word + _OVER
    wrong |= word
    wrong &= _TOPS
    wrong |= word & nibble  # of what has that bit the point alone is 0 now
    is_good = wrong == 0
    below = points - _U(1)
    is_good &= points & below == 0  # no second point
    below = (points >> _U(4)) - _U(1)
    before = np.bitwise_count(below)
    before >>= 3
    is_good &= before != 7  # digits behind it
    is_good &= length > 0
    head = word & below
    word -= head
    head <<= _CLOSE.take(before)
    word |= head
    return word, is_good, before


def _long_numbers(eights: Eights, stop: Ints, length: Ints) -> tuple[Array, Bools]:
    """As above, of more than eight bytes: in two parts, before the point and behind it."""
    part, is_good, before = _closed_up(eights[stop - 8], np.full(len(stop), 8))
    places = 7 - before.astype(np.int64)
    is_good &= places > 0  # the point is among the last eight
    whole_length = length - places - 1
    is_good &= whole_length <= MOST_DIGITS
    point = stop - places - 1
    point[~is_good] = 8
    whole, is_whole, bytes_before = _closed_up(eights[point - 8], whole_length)
    is_good &= is_whole & (bytes_before == 8)
    scale = _SCALE.take(before, mode="clip")
    behind = np.fmod(eight_digits(part).astype(np.float64), scale)
    return (eight_digits(whole).astype(np.float64) * scale + behind) / scale, is_good


def eight_digits(v: Eights) -> Eights:
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
