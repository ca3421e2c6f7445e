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
PIECE_LINES = 1 << 14
STORE_BYTES = 1 << 25
"""Text whose words are kept together."""
LEAST_BYTES = len("G1 X1\n")
KEPT_BYTES = 1 << 20
LETTERS = "XYZEF"
_BIT = {letter: np.uint8(1 << at) for at, letter in enumerate(LETTERS)}
EDGE_BYTES = 16
"""Lines that start before it are not called plain: numbers are read with the bytes before."""
MOTION = (b"G0 ", b"G1 ")
SIDE, CARE, PLAIN, PLAIN_G0 = range(4)
"""What a line is: no motion at its start (a comment, a command); motion that is not surely
plain; plain (from PLAIN on)."""
_EOL, _CR, _BLANK, _LETTER, _G = 10, 13, 32, 65, 71

Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Array = NDArray[np.float64]


def _codes() -> dict[int, int]:
    """The letters of a plain line with its line end, eight bytes as one number -> its states."""
    codes = {}
    for states in range(1, 1 << len(LETTERS)):
        words = "".join(letter for letter in LETTERS if states & _BIT[letter])
        for text in {words, *(["F" + words[:-1]] if words[-1] == "F" else [])}:
            codes[int.from_bytes(f"G{text}\n".encode(), "little")] = states
    return codes


_OF_CODE = _codes()
_CODES = np.array(sorted(_OF_CODE), np.uint64)
_STATES = np.array([_OF_CODE[code] for code in _CODES.tolist()], np.uint8)
_OWN = np.array([(1 << (8 * k)) - 1 for k in range(8)] + [0], np.uint64)
"""Masks of the first k of eight bytes; of more than seven marks none belongs to a plain line."""
_G0, _G_MASK = np.uint32(int.from_bytes(b"G0 ", "little")), np.uint32(0xFFFEFF)
"""The beginning of motion as a number, and what of four bytes tells it (0 and 1 are alike)."""
OFTEN = 64
"""Lines of a piece from which on their letters are looked for in the next pieces first."""


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
        return np.flatnonzero((self.states & _BIT[letter]) != 0), self.values[letter]

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
        self.often: dict[np.uint64, np.uint8] = {}
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
        place = is_mark.nonzero()[0]
        mark = t[place]
        place += begin
        is_end = mark == _EOL
        ends = is_end.nonzero()[0]
        starts = np.empty(len(ends) + 1, np.int64)
        starts[0] = begin
        np.add(place[ends], 1, out=starts[1:])
        closed = len(ends)  # but for the last line of a text without a line end
        starts = starts[:closed] if starts[-1] == end else starts
        kind = self._begins_motion(starts)
        letters = np.empty(closed, np.int64)  # of each line, its line end among them
        letters[:1] = ends[:1] + 1
        np.subtract(ends[1:], ends[:-1], out=letters[1:])
        states = self._states(mark, ends - letters + 1, letters)
        is_care = states == 0
        is_care |= starts[:closed] < EDGE_BYTES
        first = ends - letters + 2
        is_care |= place.take(first, mode="clip") - starts[:closed] != 3
        kind[:closed][is_care & (kind[:closed] != SIDE)] = CARE
        kind[closed:] = np.minimum(kind[closed:], CARE)
        self._keep_words(place, mark, is_end, kind, letters, states, store)
        return starts, kind

    def _states(self, mark: Bytes, first: Ints, letters: Ints) -> Bytes:
        """What each line states by its letters, where they are those of a plain line; else 0."""
        code = eights_of(mark.tobytes() + bytes(8))[first]
        code &= _OWN.take(letters, mode="clip")
        states: Bytes = np.zeros(len(code), np.uint8)
        for one, stated in self.often.items():
            states += (code == one) * stated
        rest = (states == 0).nonzero()[0]
        at = np.searchsorted(_CODES, code[rest])
        at[_CODES.take(at, mode="clip") != code[rest]] = len(_CODES)
        states[rest] = np.append(_STATES, np.uint8(0))[at]
        for found in (np.bincount(at, minlength=1)[: len(_CODES)] > OFTEN).nonzero()[0].tolist():
            self.often[_CODES[found]] = _STATES[found]
        return states

    def _begins_motion(self, starts: Ints) -> Bytes:
        """Kinds of lines by whether they begin with `G0 ` or `G1 `."""
        kind: Bytes = np.zeros(len(starts), np.uint8)
        within = int(np.searchsorted(starts, len(self.fours)))
        word = self.fours[starts[:within]]
        begins = word & _G_MASK == _G0
        word >>= np.uint32(8)
        word &= np.uint32(1)  # its number
        np.subtract(PLAIN_G0, word, out=kind[:within], casting="unsafe")
        kind[:within] *= begins
        for row in range(within, len(starts)):
            kind[row] = CARE if self.text.startswith(MOTION, int(starts[row])) else SIDE
        return kind

    def _keep_words(
        self,
        place: Ints,
        mark: Bytes,
        is_end: Bools,
        kind: Bytes,
        letters: Ints,
        states: Bytes,
        store: _Store,
    ) -> None:
        """Read the words of lines that seem plain; lines with one that is none become CARE."""
        closed = len(letters)
        is_plain = kind[:closed] >= PLAIN
        states *= is_plain
        store.states += [states, np.zeros(len(kind) - closed, np.uint8)]
        is_word = is_plain.repeat(letters)
        is_word &= ~is_end[: len(is_word)]
        is_word &= mark[: len(is_word)] != _G
        at = is_word.nonzero()[0]
        if not len(at):
            return
        letter = mark[at]
        start = place[at]
        is_bad = self.view[start - 1] != _BLANK
        start += 1
        at += 1
        stop = place[at]
        is_last = is_end[at]
        stop -= ~is_last  # a blank stands before the next letter
        if self.has_cr:
            stop -= is_last & (self.view[stop - 1] == _CR)
        value, is_good = read_numbers(self.view, self.eights, start, stop)
        is_bad |= ~is_good
        if is_bad.any():
            line = np.arange(closed).repeat(letters)[at]
            kind[line[is_bad]] = CARE
            keep = kind[line] >= PLAIN
            letter, value = letter[keep], value[keep]
            states *= kind[:closed] >= PLAIN
        for one in LETTERS:
            store.add(one, value[(letter == ord(one)).nonzero()[0]])
