"""One look over all bytes of a job: where its lines start, and which lines are surely plain.

A line is plain when nothing in it can be refused: `G0 ` or `G1 `, then words parted by single
blanks, each a letter of X Y Z E F that stands once, in that order (or F first), and a number
of at most eight digits before and seven behind its point, as `-12.5` or `.04`. Letters and line
ends are looked for in whole pieces of text; what stands between them is judged and valued as
numbers at once (`plain.py`). Every other line that holds code is for a reader of words
(`tokens.py`, `words.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from capturehook.read.plain import eights_of, read_numbers

PIECE_BYTES = 1 << 17
"""Bytes looked at together: what is found in them stays in the processor's cache."""
PIECE_LINES = 4096
STORE_BYTES = 1 << 23
"""Text whose words are kept together."""
LEAST_BYTES = len("G1 X1\n")
KEPT_BYTES = 1 << 20
LETTERS = "XYZEF"
_BIT = {letter: np.uint8(1 << at) for at, letter in enumerate(LETTERS)}
EDGE_BYTES = 16
"""Lines that start before it are not called plain: numbers are read with the bytes before."""
MOTION = (b"G0 ", b"G1 ")
G0_SPACE, G1_SPACE = (int.from_bytes(begin, "little") for begin in MOTION)
SIDE, CARE, PLAIN, PLAIN_G0 = range(4)
"""What a line is: no motion at its start (a comment, a command); motion that is not surely
plain; plain (from PLAIN on)."""
_EOL, _CR, _BLANK, _LETTER, _F, _G = 10, 13, 32, 65, 70, 71

Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Array = NDArray[np.float64]


def _ranks() -> bytes:
    ranks = bytearray(256)
    for rank, letter in enumerate(b"GXYZEF", 1):
        ranks[letter] = rank
    return bytes(ranks)


RANK = _ranks()
"""The order in which letters stand on a plain line; 0 for a line end and for other letters."""


@dataclass(frozen=True, slots=True)
class PlainWords:
    """The words of the plain lines among some lines of a job.

    Attributes
    ----------
    first : which line of the job the first one is
    states : (n,) uint8, for each line which letters it states: a bit for each of LETTERS
    values : for each letter the values, in file order
    """

    first: int
    states: Bytes
    values: dict[str, Array]

    @property
    def stop(self) -> int:
        return self.first + len(self.states)

    def of(self, letter: str) -> tuple[Ints, Array]:
        """The lines that state a letter (counted from ``first``, rising), and the values."""
        if letter not in self.values:
            return np.empty(0, np.int64), np.empty(0)
        return np.flatnonzero(self.states & _BIT[letter]), self.values[letter]

    def before(self, line: int) -> PlainWords:
        """Those that stand before a line of the job."""
        part = PlainWords(self.first, self.states[: max(line - self.first, 0)], self.values)
        counts = {letter: len(part.of(letter)[0]) for letter in self.values}
        return replace(part, values={name: self.values[name][:n] for name, n in counts.items()})

    def pieces(self) -> Iterator[PlainWords]:
        """The same in pieces of some thousand lines: what they need stays in the cache."""
        at = dict.fromkeys(self.values, 0)
        for low in range(0, len(self.states), PIECE_LINES):
            states = self.states[low : low + PIECE_LINES]
            values = {}
            for letter in at:
                stop = at[letter] + int(np.count_nonzero(states & _BIT[letter]))
                values[letter], at[letter] = self.values[letter][at[letter] : stop], stop
            yield PlainWords(self.first + low, states, values)


class _Store:
    """Collects words; of arrays as large as these, memory is given back when they are let go."""

    def __init__(self, first: int, size: int) -> None:
        self.first, self.states = first, list[Bytes]()
        most = size // LEAST_BYTES + 1  # memory that is not written to is none
        self.values = {letter: np.empty(most) for letter in LETTERS}
        self.count = dict.fromkeys(LETTERS, 0)

    def add(self, letter: str, values: Array) -> None:
        stop = self.count[letter] + len(values)
        self.values[letter][self.count[letter] : stop] = values
        self.count[letter] = stop

    def words(self) -> PlainWords:
        values = {name: self.values[name][:n] for name, n in self.count.items() if n}
        return PlainWords(self.first, np.concatenate(self.states), values)


@dataclass(frozen=True, slots=True)
class Lines:
    """The N lines of a text.

    Attributes
    ----------
    starts : (N,) int32 (int64 for texts from 2 GB on), offset of each
    kind : (N,) uint8, SIDE, CARE, PLAIN (`G1`) or PLAIN_G0
    words : of all lines, some megabytes of text at a time
    """

    starts: NDArray[np.signedinteger]
    kind: Bytes
    words: list[PlainWords] = field(repr=False)


def scan_lines(text: bytes) -> Lines:
    """Where the lines of a text start, what each is, and what plain ones say; lines end with a
    line feed."""
    size = len(text)
    place = np.int32 if size < (1 << 31) - EDGE_BYTES else np.int64
    scan = _Scan(text)
    starts: NDArray[np.signedinteger] = np.empty(size // 16 + 16, place)
    kind: Bytes = np.empty(size // 16 + 16, np.uint8)
    words: list[PlainWords] = []
    np.empty(KEPT_BYTES, np.uint8)  # freed at once: the C library keeps as much for what follows
    at = count = 0
    while at < size:
        store = _Store(count, min(STORE_BYTES + 2 * PIECE_BYTES, size - at))
        until = at + STORE_BYTES
        while at < min(until, size):
            end = text.find(b"\n", min(at + PIECE_BYTES, size) - 1) + 1 or size
            found, kinds = scan.look(at, end, store)
            stop = count + len(found)
            if stop > len(starts):
                more = stop + len(found)
                starts = np.concatenate((starts[:count], np.empty(more, place)))
                kind = np.concatenate((kind[:count], np.empty(more, np.uint8)))
            starts[count:stop] = found
            kind[count:stop] = kinds
            at, count = end, stop
        words.append(store.words())
    return Lines(starts[:count].copy(), kind[:count].copy(), words)


class _Scan:
    """One text, looked at piece by piece."""

    def __init__(self, text: bytes) -> None:
        self.text, self.has_cr = text, b"\r" in text
        self.view = np.frombuffer(text, np.uint8)
        self.eights = eights_of(text)
        self.fours: NDArray[np.uint32] = np.ndarray(
            (max(len(text) - 3, 0),), dtype="<u4", buffer=text, strides=(1,)
        )

    def look(self, begin: int, end: int, store: _Store) -> tuple[Ints, Bytes]:
        """Starts and kinds of the lines of a piece; the words of its plain ones are stored."""
        t = self.view[begin:end]
        is_mark = t >= _LETTER
        is_mark |= t == _EOL
        place = np.flatnonzero(is_mark)
        mark = t[place]
        place += begin
        ends = np.flatnonzero(mark == _EOL)
        starts = np.empty(len(ends) + 1, np.int64)
        starts[0] = begin
        np.add(place[ends], 1, out=starts[1:])
        closed = len(ends)  # but for the last line of a text without a line end
        starts = starts[:closed] if starts[-1] == end else starts
        kind = self._begins_motion(starts)
        letters = np.diff(ends, prepend=-1)
        is_care = letters < 3  # G, a word, the line end
        line = np.searchsorted(ends, _out_of_order(mark, ends))
        is_care[line[line < closed]] = True
        is_care |= starts[:closed] < EDGE_BYTES
        first = ends - letters + 2
        is_care |= place.take(first, mode="clip") - starts[:closed] != 3
        kind[:closed][is_care & (kind[:closed] != SIDE)] = CARE
        kind[closed:] = np.minimum(kind[closed:], CARE)
        self._keep_words(place, mark, kind, letters, store)
        return starts, kind

    def _begins_motion(self, starts: Ints) -> Bytes:
        """Kinds of lines by whether they begin with `G0 ` or `G1 `, told by four bytes read as
        one number."""
        within = int(np.searchsorted(starts, len(self.text) - 3))
        begins = self.fours[starts[:within]]
        begins &= np.uint32(0xFFFFFF)
        kind: Bytes = np.zeros(len(starts), np.uint8)
        kind[:within][begins == G1_SPACE] = PLAIN
        kind[:within][begins == G0_SPACE] = PLAIN_G0
        for row in range(within, len(starts)):
            kind[row] = CARE if self.text.startswith(MOTION, int(starts[row])) else SIDE
        return kind

    def _keep_words(
        self, place: Ints, mark: Bytes, kind: Bytes, letters: Ints, store: _Store
    ) -> None:
        """Read the words of lines that seem plain; lines with one that is none become CARE."""
        states: Bytes = np.zeros(len(kind), np.uint8)
        store.states.append(states)
        closed = len(letters)
        is_word = np.repeat(kind[:closed] >= PLAIN, letters)
        line = np.repeat(np.arange(closed, dtype=np.int32), letters)
        is_word &= mark[: len(is_word)] != _EOL
        is_word &= mark[: len(is_word)] != _G
        at = np.flatnonzero(is_word)
        if not len(at):
            return
        letter, line = mark[at], line[at]
        start = place[at]
        is_bad = self.view[start - 1] != _BLANK
        start += 1
        at += 1
        stop = place[at]
        is_last = mark[at] == _EOL
        stop -= ~is_last  # a blank stands before the next letter
        if self.has_cr:
            stop -= is_last & (self.view[stop - 1] == _CR)
        value, is_good = read_numbers(self.view, self.eights, start, stop)
        is_bad |= ~is_good
        if is_bad.any():
            kind[line[is_bad]] = CARE
            keep = kind[line] >= PLAIN
            letter, line, value = letter[keep], line[keep], value[keep]
        for one in LETTERS:
            found = np.flatnonzero(letter == ord(one))
            states[line[found]] |= _BIT[one]
            store.add(one, value[found])


def _out_of_order(letter: Bytes, ends: Ints) -> Ints:
    """Places of letters (or line ends) that do not rise in rank from the one before them."""
    rank = np.frombuffer(letter.tobytes().translate(RANK), np.uint8)
    wrong = rank[1:] <= rank[:-1]
    wrong &= letter[1:] != _EOL
    found = np.flatnonzero(wrong) + 1
    behind_f = (letter[found - 1] == _F) & (letter[np.maximum(found - 2, 0)] == _G)
    behind_f &= (rank[found] >= RANK[ord("X")]) & (rank[found] <= RANK[ord("E")])
    first = np.flatnonzero(behind_f)
    if len(first):
        end = np.append(ends, len(letter))[np.searchsorted(ends, found[first])]
        behind_f[first] = letter[end - 1] != _F
    return np.asarray(found[~behind_f])
