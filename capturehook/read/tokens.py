"""Whole job -> the words of its motion lines, as arrays; every other line by its number.

The text is read in pieces that stay in the processor's cache. In each piece one pass finds
letters, line ends, comment marks and odd bytes; the numbers are then read eight digits at a
time with integer arithmetic, so that each value is the same float64 that `float()` gives.
Whatever is not plain (`G1 X 5`, checksums, brackets, nine digits before the point) is left
to `words.py`, line by line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.read.source import PAD, Source

PIECE_BYTES = 1 << 18
BLANK, NUMBER, LETTER, ODD, COMMENT, END = range(6)
MODAL = 255  # a line of words without a command: the last motion goes on


def _classes() -> bytes:
    table = bytearray([ODD]) * 256
    for byte in b" \t\r\v\f":
        table[byte] = BLANK
    for byte in b"0123456789.+-":
        table[byte] = NUMBER
    for byte in range(26):
        table[ord("A") + byte] = table[ord("a") + byte] = LETTER
    table[ord(";")] = COMMENT
    table[ord("\n")] = END
    return bytes(table)


CLASS_OF = _classes()
_START_LETTERS = np.zeros(256, bool)
_START_LETTERS[[ord(letter) for letter in "XYZEAFIJKRxyzeafijkr"]] = True

_CODE_LETTERS = np.zeros(256, bool)
_CODE_LETTERS[[ord(letter) for letter in "GMTNgmtn"]] = True

_U = np.uint64
_ONES, _DOTS, _TOPS = _U(0x0101010101010101), _U(0x2E2E2E2E2E2E2E2E), _U(0x8080808080808080)
_ZEROS, _SIXES, _HIGH = _U(0x3030303030303030), _U(0x0606060606060606), _U(0xF0F0F0F0F0F0F0F0)
_PAIRS = _U(0x000000FF000000FF)
_MUL_LOW, _MUL_HIGH = _U(100 + (1000000 << 32)), _U(1 + (10000 << 32))
_TENS = np.array([10.0**k for k in range(9)])


@dataclass(frozen=True, slots=True)
class MotionWords:
    """The words of K motion lines, and the numbers of the lines that need the careful reader.

    Attributes
    ----------
    line_index : (K,) int32, rising
    kind : (K,) uint8, 0 to 3 for G0 to G3, MODAL for words without a command
    word_row : (W,) int32, which of the K lines a word belongs to, never falling
    word_letter : (W,) uint8, ASCII capital
    word_value : (W,) float64
    other_line_index : (O,) int32, every other line that holds code
    """

    line_index: NDArray[np.int32]
    kind: NDArray[np.uint8]
    word_row: NDArray[np.int32]
    word_letter: NDArray[np.uint8]
    word_value: NDArray[np.float64]
    other_line_index: NDArray[np.int32]


def read_motion_words(source: Source) -> MotionWords:
    """Every plain motion line of the job, its words as numbers."""
    text = source.padded()
    padded = np.frombuffer(text, np.uint8)
    eights: NDArray[np.uint64] = np.ndarray(
        (len(padded) - 7,), dtype="<u8", buffer=text, strides=(1,)
    )
    pieces, line, row = [], 0, 0
    stop = PAD + len(source.data)
    if padded[stop - 1] != 10:
        stop += 1  # the padding closes a last line without a line end
    at = PAD
    while at < stop:
        end = _piece_end(text, at, stop)
        piece, lines = _read_piece(text, padded, eights, at, end, line, row)
        pieces.append(piece)
        line += lines
        row += len(piece.line_index)
        at = end
    return MotionWords(
        *(np.concatenate(parts) for parts in zip(*map(_columns, pieces), strict=True))
    )


def _columns(piece: MotionWords) -> tuple[NDArray[np.generic], ...]:
    return (
        piece.line_index,
        piece.kind,
        piece.word_row,
        piece.word_letter,
        piece.word_value,
        piece.other_line_index,
    )


def _piece_end(padded: bytes, at: int, stop: int) -> int:
    if stop - at <= PIECE_BYTES:
        return stop
    return padded.find(b"\n", at + PIECE_BYTES, stop) + 1 or stop


def _read_piece(
    raw: bytes,
    padded: NDArray[np.uint8],
    eights: NDArray[np.uint64],
    at: int,
    end: int,
    first_line: int,
    first_row: int,
) -> tuple[MotionWords, int]:
    classes = np.frombuffer(raw[at:end].translate(CLASS_OF), np.uint8)
    place = np.flatnonzero(classes >= LETTER).astype(np.int32)
    kind = classes[place]
    is_end = kind == END
    line = np.cumsum(is_end, dtype=np.int32)
    lines = int(line[-1]) if len(line) else 0
    line -= is_end
    code = np.flatnonzero(_outside_comments(kind, line) & (kind <= ODD))
    if not len(code):
        return _nothing(), lines
    code_line = line[code]
    is_first = np.empty(len(code), bool)
    is_first[0] = True
    np.not_equal(code_line[1:], code_line[:-1], out=is_first[1:])
    place += at
    motion, is_plain = _motion_of(padded, place, code[is_first])
    code_lines = code_line[is_first]
    odd = code_line[kind[code] == ODD]
    if len(odd):
        is_plain[np.searchsorted(code_lines, odd)] = False
    ordinal = np.cumsum(is_first, dtype=np.int32) - 1
    is_word = is_plain[ordinal] & (~is_first | (motion[ordinal] == MODAL))
    words = code[is_word]
    value, is_good = _numbers(padded, eights, place[words] + 1, place[words + 1])
    owner = ordinal[is_word]
    is_good &= ~_CODE_LETTERS[padded[place[words]]]
    if not is_good.all():
        is_plain[owner[~is_good]] = False
        keep = is_plain[owner]
        words, owner, value = words[keep], owner[keep], value[keep]
    row_of = np.cumsum(is_plain, dtype=np.int32) - 1 + first_row
    return (
        MotionWords(
            line_index=code_lines[is_plain] + np.int32(first_line),
            kind=motion[is_plain],
            word_row=row_of[owner],
            word_letter=padded[place[words]] & np.uint8(0xDF),
            word_value=value,
            other_line_index=code_lines[~is_plain] + np.int32(first_line),
        ),
        lines,
    )


def _nothing() -> MotionWords:
    i, b, f = np.empty(0, np.int32), np.empty(0, np.uint8), np.empty(0, np.float64)
    return MotionWords(i, b, i, b, f, i)


def _outside_comments(kind: NDArray[np.uint8], line: NDArray[np.int32]) -> NDArray[np.bool_]:
    is_mark = kind == COMMENT
    if not is_mark.any():
        return np.ones(len(kind), bool)
    commented = np.maximum.accumulate(np.where(is_mark, line, np.int32(-1)))
    return np.not_equal(commented, line)


def _motion_of(
    padded: NDArray[np.uint8], place: NDArray[np.int32], first: NDArray[np.int64]
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """G0 to G3 (or MODAL) for the first letter of each line, and whether it is that at all."""
    start, following = place[first], place[first + 1]
    letter = padded[start]
    last = following - 1
    for _ in range(2):
        last -= CLASS_TABLE[padded[last]] == BLANK
    length = last - start
    digit = padded[last] - np.uint8(48)
    is_short = (length == 1) | ((length == 2) & (padded[start + 1] == 48))
    is_motion = ((letter & 0xDF) == 71) & (digit < 4) & is_short
    is_modal = _START_LETTERS[letter]
    before = start - 1
    before -= CLASS_TABLE[padded[before]] == BLANK
    begins = padded[before] == 10  # nothing before it, not even a digit
    return np.where(is_modal, np.uint8(MODAL), digit), (is_motion | is_modal) & begins


CLASS_TABLE = np.frombuffer(CLASS_OF, np.uint8)


def _numbers(
    padded: NDArray[np.uint8],
    eights: NDArray[np.uint64],
    start: NDArray[np.int32],
    stop: NDArray[np.int32],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """The numbers that stand from ``start`` up to ``stop`` (blanks may follow them).

    Returns (W,) values, and which of them were read; the others need the careful reader.
    """
    for _ in range(2):
        stop = stop - (CLASS_TABLE[padded[stop - 1]] == BLANK)
    first = padded[start]
    is_negative = first == 45
    start = start + (is_negative | (first == 43))
    length = stop - start
    tail = eights[stop - 8]
    drop = (np.maximum(8 - length, 0) << 3).astype(np.uint64)
    tail = (tail >> drop) << drop
    dots = tail ^ _DOTS
    dots = (dots - _ONES) & ~dots & _TOPS
    after = 7 - (np.bitwise_count(dots - _U(1)) >> 3).astype(np.int32)  # -1: no point
    places = np.maximum(after, 0)
    drop = ((8 - places) << 3).astype(np.uint64)
    part = ((tail >> drop) << drop) - ((_ZEROS >> drop) << drop)
    whole_stop = stop - after - 1
    whole_length = whole_stop - start
    drop = (np.clip(8 - whole_length, 0, 8) << 3).astype(np.uint64)
    whole = ((eights[whole_stop - 8] >> drop) << drop) - ((_ZEROS >> drop) << drop)
    bad = ((part | (part + _SIXES)) | (whole | (whole + _SIXES))) & _HIGH
    scale = _TENS[places]
    value = (_eight_digits(whole).astype(np.float64) * scale + _eight_digits(part)) / scale
    is_good = (bad == 0) & (whole_length <= 8) & (whole_length >= 0) & (whole_length + places > 0)
    return np.where(is_negative, -value, value), is_good


def _eight_digits(v: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Eight digits (one a byte, first in the lowest) -> their number."""
    v = v * _U(10) + (v >> _U(8))
    halves = (v & _PAIRS) * _MUL_LOW + ((v >> _U(16)) & _PAIRS) * _MUL_HIGH
    number: NDArray[np.uint64] = halves >> _U(32)
    return number
