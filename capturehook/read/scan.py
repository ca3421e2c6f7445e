"""One look over all bytes of a job: where its lines start, and which lines are surely plain.

A line is plain when nothing in it can be refused: `G0 ` or `G1 `, then words parted by single
blanks, each a letter of X Y Z E F that stands once, in that order (or F first), and a number
of at most five digits on either side of its point, as `-12.5` or `.04`. The check is done on
whole pieces of text with one operation for all bytes: which byte may follow which, no second
point in a number, no run of six digits, letters in rising order. Every other line that holds
code is for a reader of words (`tokens.py`, `words.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PIECE_BYTES = 1 << 17
"""Bytes looked at together: their masks stay in the processor's cache."""
EDGE_BYTES = 16
"""Lines that start before it are not called plain: numbers are read with the bytes before."""
MOTION = (b"G0 ", b"G1 ")
G0_SPACE, G1_SPACE = (int.from_bytes(begin, "little") for begin in MOTION)
SIDE, CARE, PLAIN = range(3)
"""What a line is: no motion at its start (a comment, a command); motion that is not surely
plain; plain."""
_EOL, _F, _G = 10, 70, 71

Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]


def _ranks() -> bytes:
    ranks = bytearray(256)
    for rank, letter in enumerate(b"GXYZEF", 1):
        ranks[letter] = rank
    return bytes(ranks)


RANK = _ranks()
"""The order in which letters stand on a plain line; 0 for a line end and for other letters."""


@dataclass(frozen=True, slots=True)
class Lines:
    """The N lines of a text.

    Attributes
    ----------
    starts : (N,) int32 (int64 for texts from 2 GB on), offset of each
    kind : (N,) uint8, SIDE, CARE or PLAIN
    """

    starts: NDArray[np.signedinteger]
    kind: Bytes


def scan_lines(text: bytes) -> Lines:
    """Where the lines of a text start and what each is; lines end with a line feed."""
    size = len(text)
    view = np.frombuffer(text, np.uint8)
    place = np.int32 if size < (1 << 31) - EDGE_BYTES else np.int64
    masks, has_cr = _Masks(min(size, 2 * PIECE_BYTES)), b"\r" in text
    starts: NDArray[np.signedinteger] = np.empty(size // 16 + 16, place)
    kind: Bytes = np.empty(size // 16 + 16, np.uint8)
    at = count = 0
    while at < size:
        end = text.find(b"\n", min(at + PIECE_BYTES, size) - 1) + 1 or size
        part = view[at:end]
        masks.look(part, has_cr)
        found, kinds = _lines_of(text, part, at, masks)
        if count + len(found) > len(starts):
            more = count + 2 * len(found)
            starts = np.concatenate((starts[:count], np.empty(more, place)))
            kind = np.concatenate((kind[:count], np.empty(more, np.uint8)))
        np.add(found, at, out=starts[count : count + len(found)], casting="unsafe")
        kind[count : count + len(found)] = kinds
        at, count = end, count + len(found)
    starts, kind = starts[:count], kind[:count]
    edge = kind[: int(np.searchsorted(starts, EDGE_BYTES))]
    edge[edge >= PLAIN] = CARE
    if count and not text.endswith(b"\n") and kind[-1] != SIDE:
        kind[-1] = CARE
    return Lines(starts, kind)


class _Masks:
    """What stands at each byte of a piece, and where something stands that is not plain."""

    def __init__(self, size: int) -> None:
        self._make(size)

    def _make(self, size: int) -> None:
        self._store = [np.empty(size, np.bool_) for _ in range(14)]
        self._code = np.empty(size, np.uint8)

    def look(self, t: Bytes, has_cr: bool) -> None:
        """Fill the masks for a piece; see ``mark`` and ``bad``."""
        if len(t) > len(self._code):
            self._make(len(t))
        both, either = np.bitwise_and, np.bitwise_or
        digit, dot, minus, up, gap, eol, any3, any4, bad, tmp, two, four, six, seen = (
            one[: len(t)] for one in self._store
        )
        code = np.subtract(t, 48, out=self._code[: len(t)])
        np.less(code, 10, out=digit)
        np.equal(t, 46, out=dot)
        np.equal(t, 45, out=minus)
        np.greater_equal(t, 65, out=up)
        np.equal(t, _EOL, out=eol)
        either(np.equal(t, 32, out=gap), eol, out=gap)
        if has_cr:
            either(gap, np.equal(t, 13, out=tmp), out=gap)
        either(either(digit, up, out=any3), minus, out=any3)
        either(any3, dot, out=any4)
        ok = bad
        both(digit[1:], any4[:-1], out=ok[1:])
        for this, before in ((dot, any3), (minus, up), (gap, digit), (up, gap)):
            either(ok[1:], both(this[1:], before[:-1], out=tmp[1:]), out=ok[1:])
        if has_cr:
            np.equal(t, 13, out=seen)
            either(ok[1:], both(eol[1:], seen[:-1], out=tmp[1:]), out=ok[1:])
        ok[:1] = True
        np.logical_not(ok, out=bad)
        self._runs(digit, dot, bad, tmp, two, four, six, seen)
        self.bad, self.mark = bad, either(up, eol, out=any3)

    @staticmethod
    def _runs(
        digit: Bools,
        dot: Bools,
        bad: Bools,
        tmp: Bools,
        two: Bools,
        four: Bools,
        six: Bools,
        seen: Bools,
    ) -> None:
        """Runs of 2, 4 and 6 digits that end here; a point with at most seven digits since
        the last one. Runs of six and second points are bad."""
        both, either = np.bitwise_and, np.bitwise_or
        for out, run, before, step in (
            (two, digit, digit, 1),
            (four, two, two, 2),
            (six, four, two, 4),
        ):
            out[:step] = False
            both(run[step:], before[:-step], out=out[step:])
        either(bad, six, out=bad)
        np.copyto(seen, dot)
        for run, step in ((digit, 1), (two, 2), (four, 4)):
            both(seen[:-step], run[step:], out=tmp[step:])
            either(seen[step:], tmp[step:], out=seen[step:])
        both(dot[1:], seen[:-1], out=tmp[1:])
        either(bad[1:], tmp[1:], out=bad[1:])


def _lines_of(text: bytes, t: Bytes, at: int, masks: _Masks) -> tuple[Ints, Bytes]:
    """Starts (counted from the piece's) and kinds of the lines of a piece."""
    place = np.flatnonzero(masks.mark)
    letter = t[place]
    ends = np.flatnonzero(letter == _EOL)
    starts = np.empty(len(ends) + 1, np.int64)
    starts[0] = 0
    np.add(place[ends], 1, out=starts[1:])
    if starts[-1] == len(t):
        starts = starts[:-1]
    kind = np.full(len(starts), PLAIN, np.uint8)
    kind[np.searchsorted(ends, _out_of_order(letter, ends))] = CARE
    bad = np.flatnonzero(masks.bad)
    kind[np.searchsorted(starts, bad, side="right") - 1] = CARE
    kind[~_begins_motion(text, starts + at)] = SIDE
    return starts, kind


def _out_of_order(letter: Bytes, ends: Ints) -> Ints:
    """Places of letters (or line ends) that do not rise in rank from the one before them."""
    rank = np.frombuffer(letter.tobytes().translate(RANK), np.uint8)
    wrong = rank[1:] <= rank[:-1]
    wrong &= letter[1:] != _EOL
    found = np.flatnonzero(wrong) + 1
    behind_f = (letter[found - 1] == _F) & (letter[np.maximum(found - 2, 0)] == _G)
    first = np.flatnonzero(behind_f)
    if len(first):
        end = np.append(ends, len(letter))[np.searchsorted(ends, found[first])]
        behind_f[first] = letter[end - 1] != _F
    return np.asarray(found[~behind_f])


def _begins_motion(text: bytes, starts: Ints) -> Bools:
    """Which lines begin with `G0 ` or `G1 `, told by four bytes read as one number."""
    within = int(np.searchsorted(starts, len(text) - 3))
    fours: NDArray[np.uint32] = np.ndarray(
        (max(len(text) - 3, 0),), dtype="<u4", buffer=text, strides=(1,)
    )
    begins = fours[starts[:within]] & np.uint32(0xFFFFFF)
    is_motion = np.zeros(len(starts), np.bool_)
    np.logical_or(begins == G0_SPACE, begins == G1_SPACE, out=is_motion[:within])
    for row in range(within, len(starts)):
        is_motion[row] = text.startswith(MOTION, int(starts[row]))
    return is_motion
