"""The packed letters of binary jobs (MeatPack): two letters in a byte, and text between.

Format: the "Specifications" page of the binary G-code library, libbgcode (doc/specifications.md,
G-code encodings), and its packer src/LibBGCode/binarize/meatpack.cpp; the firmware's unpacker is
Buddy firmware src/common/gcode/meatpack.cpp.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Offsets = NDArray[np.int64]

ON, OFF, RESET, QUERY, NO_SPACES, SPACES = 251, 250, 249, 248, 247, 246
COMMAND = re.compile(rb"\xff\xff(.?)", re.DOTALL)
NEWLINE, FULL = 12, 15
_TABLE = b"0123456789. \nGX"
_LETTERS = np.zeros((2, 16), np.uint8)
"""[no spaces, four bits] -> letter."""
_LETTERS[:, :15] = np.frombuffer(_TABLE, np.uint8)
_LETTERS[1, 11] = ord("E")
_BYTE = np.arange(256)
_LOW, _HIGH = _BYTE & 15, _BYTE >> 4
_PAIRS = np.stack((_LETTERS[:, _LOW], _LETTERS[:, _HIGH]), axis=2).view("<u2")[:, :, 0]
"""[no spaces, byte] -> its two letters."""
_LONE = _LOW == NEWLINE
"""What stands beside a newline in the low half is filler."""
_FIRST, _SECOND = _LOW == FULL, (_HIGH == FULL) & ~_LONE
"""[byte] -> whether its first, its second letter follows as a byte of its own."""
_FOLLOW = _FIRST.astype(np.uint8) + _SECOND
_IS_LONE, _FOLLOWS = _LONE.tobytes(), (_FOLLOW > 0).tobytes()
"""Tables of `bytes.translate`, a tenth of the time of numpy's look-up."""
_CODE = tuple(
    {letter: code for code, letter in enumerate(table)}
    for table in (_TABLE, _TABLE.replace(b" ", b"E"))
)


class PackedError(ValueError):
    """The stream cannot be unpacked; the text says why."""


@dataclass(frozen=True, slots=True)
class Mode:
    """How bytes are read at a place of the stream."""

    on: bool = False
    no_spaces: bool = False


@dataclass(frozen=True, slots=True)
class Unpacked:
    """Text of a stream of N lines, and where in the stream each line begins.

    ``places`` (N + 1,) are offsets right after a line's last byte, before any command; the
    first is 0. ``modes`` (N + 1,) are the modes there, 1 for packed and 2 for no spaces.
    """

    text: bytes
    places: Offsets
    modes: Bytes

    def mode(self, line: int) -> Mode:
        code = int(self.modes[line])
        return Mode(bool(code & 1), bool(code & 2))


def unpack(stream: bytes) -> bytes:
    """The text of one block's stream, as it was packed: glued lines stay glued.

    Raises
    ------
    PackedError
    """
    return _Reader(stream).text()


def unpack_with_places(stream: bytes) -> Unpacked:
    """As :func:`unpack`, with the places of the lines."""
    return _Reader(stream).with_places()


class _Reader:
    """One stream cut at its commands, all packed stretches decoded at once."""

    def __init__(self, stream: bytes) -> None:
        self.stream = stream
        self.stretches = list(_stretches(stream))
        packed = [stream[a:b] for a, b, mode in self.stretches if mode.on]
        self.starts = np.cumsum([0, *map(len, packed)])
        self._decode(b"".join(packed), self._spaces())

    def _spaces(self) -> NDArray[np.int64]:
        """For each packed stretch, 1 where it has no spaces."""
        return np.array([mode.no_spaces for _, _, mode in self.stretches if mode.on], np.int64)

    def _decode(self, data: bytes, no_spaces: NDArray[np.int64]) -> None:
        self.data = byte = np.frombuffer(data, np.uint8)
        at = _with_letters(data)
        first, second = at[_FIRST[byte[at]]], at[_SECOND[byte[at]]]
        follow = np.sort(np.concatenate((at + 1, at[_FOLLOW[byte[at]] == 2] + 2)))
        is_letter = np.zeros(len(data) + 1, np.bool_)
        is_letter[follow] = True
        if is_letter[self.starts].any():
            raise PackedError("a command stands between a packed byte and its letters")
        if len(set(no_spaces.tolist())) > 1:
            pairs = _PAIRS[np.repeat(no_spaces, np.diff(self.starts)), byte]
        else:
            pairs = _PAIRS[int(no_spaces[0]) if len(no_spaces) else 0].take(byte)
        both = pairs.view(np.uint8)
        both[2 * first] = byte[first + 1]
        both[2 * second + 1] = byte[second + _FOLLOW[byte[second]]]
        lone = np.flatnonzero(np.frombuffer(data.translate(_IS_LONE), np.bool_))
        lone = lone[~is_letter[lone]]
        self.kept = np.ones(len(both), np.bool_)
        self.kept[2 * lone + 1] = self.kept[2 * follow] = self.kept[2 * follow + 1] = False
        self.both, self.letters = both, both[self.kept].tobytes()
        gone = 2 * np.searchsorted(follow, self.starts) + np.searchsorted(lone, self.starts)
        self.cuts = 2 * self.starts - gone

    def text(self) -> bytes:
        parts, row = [], 0
        for start, stop, mode in self.stretches:
            if mode.on:
                parts.append(self.letters[self.cuts[row] : self.cuts[row + 1]])
                row += 1
            else:
                parts.append(self.stream[start:stop])
        return b"".join(parts)

    def with_places(self) -> Unpacked:
        found = [(np.zeros(1, np.int64), np.zeros(1, np.uint8))]
        for on, places in ((True, self._packed_ends), (False, self._plain_ends)):
            mine = [one for one in self.stretches if one[2].on is on]
            if mine:
                codes = np.array([mode.on + 2 * mode.no_spaces for _, _, mode in mine], np.uint8)
                at, row = places(mine)
                found.append((at, codes[row]))
        places_, modes = (np.concatenate(column) for column in zip(*found, strict=True))
        order = np.argsort(places_, kind="stable")
        return Unpacked(self.text(), places_[order], modes[order])

    def _packed_ends(self, stretches: list[tuple[int, int, Mode]]) -> tuple[Offsets, Offsets]:
        """Offsets after the newlines of packed stretches, and the stretch of each."""
        letter = np.flatnonzero((self.both == 10) & self.kept)
        at, is_second = letter >> 1, letter & 1
        if not np.all(is_second | _LONE[self.data[at]]):
            raise PackedError("a line begins inside a packed byte")
        row = np.searchsorted(self.starts, at, side="right") - 1
        begin = np.array([start for start, _, _ in stretches], np.int64)
        return at + 1 + _FOLLOW[self.data[at]] + begin[row] - self.starts[row], row

    def _plain_ends(self, stretches: list[tuple[int, int, Mode]]) -> tuple[Offsets, Offsets]:
        """The same of stretches that are not packed."""
        at = np.flatnonzero(np.frombuffer(self.stream, np.uint8) == 10)
        begin = np.array([start for start, _, _ in stretches], np.int64)
        end = np.array([stop for _, stop, _ in stretches], np.int64)
        row = np.searchsorted(begin, at, side="right") - 1
        inside = (row >= 0) & (at < end[row])
        return at[inside] + 1, row[inside]


def _stretches(stream: bytes) -> list[tuple[int, int, Mode]]:
    """(start, stop, mode) of what stands between commands, without the empty ones."""
    found, at, mode = [], 0, Mode()
    for match in COMMAND.finditer(stream):
        if match.start() > at:
            found.append((at, match.start(), mode))
        at, code = match.end(), match[1]
        mode = _after(mode, code[0] if code else None)
    if at < len(stream):
        found.append((at, len(stream), mode))
    return found


def _after(mode: Mode, code: int | None) -> Mode:
    if code == ON:
        return Mode(True, mode.no_spaces)
    if code == OFF:
        return Mode(False, mode.no_spaces)
    if code == RESET:
        return Mode()
    if code in (NO_SPACES, SPACES):
        return Mode(mode.on, code == NO_SPACES)
    if code == QUERY:
        return mode
    raise PackedError("a packing command is unknown" if code is not None else "it ends early")


def _with_letters(data: bytes) -> Offsets:
    """Offsets of the bytes after which letters follow that are bytes of their own."""
    at = np.flatnonzero(np.frombuffer(data.translate(_FOLLOWS), np.bool_))
    count = _FOLLOW[np.frombuffer(data, np.uint8)[at]].astype(np.int64)
    real = _real(at, count)
    at, count = at[real], count[real]
    if len(at) and at[-1] + count[-1] >= len(data):
        raise PackedError("it ends inside a letter")
    return at


def _real(at: Offsets, count: Offsets) -> NDArray[np.bool_]:
    """Which bytes that look as if letters followed are no such letters themselves."""
    real = np.ones(len(at), np.bool_)
    reach = at + count
    near = np.zeros(len(at), np.bool_)
    near[1:] |= at[1:] <= reach[:-1]
    near[2:] |= at[2:] <= reach[:-2]
    for row in np.flatnonzero(near).tolist():  # each depends on the one before it; few are near
        real[row] = not any(
            real[back] and at[row] <= reach[back] for back in (row - 1, row - 2) if back >= 0
        )
    return real


def spaced(text: bytes) -> bytes:
    """Unpacked text as people and readers write it: a space before each word of a glued line.

    Only lines that begin with `G` and a digit and hold no space are glued.
    """
    if not text:
        return text
    data = np.frombuffer(text, np.uint8)
    starts = np.flatnonzero(data[:-1] == 10) + 1
    starts = np.concatenate((np.zeros(1, np.int64), starts))
    padded = np.append(data, np.zeros(1, np.uint8))
    head, digit = padded[starts], padded[starts + 1]
    line = (head == ord("G")) & (digit >= 48) & (digit <= 57)
    letters = (data >= 65) & (data <= 90)
    letters[starts] = False
    stops = np.append(starts[1:], len(data))
    line[np.searchsorted(starts, np.flatnonzero(data == 32), side="right") - 1] = False
    glued = np.repeat(line, stops - starts)
    words = np.flatnonzero(letters & glued)
    out = np.full(len(data) + len(words), 32, np.uint8)
    is_old = np.ones(len(out), np.bool_)
    is_old[words + np.arange(len(words))] = False
    out[is_old] = data
    return out.tobytes()


def glued(line: bytes) -> bytes:
    """A line as the packer writes it: no spaces where its first `G` has a digit after it."""
    at = line.find(b"G")
    if at < 0 or not line[at + 1 : at + 2].isdigit():
        return line
    table = bytes.maketrans(b"exg", b"EXG")
    return line.replace(b" ", b"").translate(table)


def switch(mode: Mode, to: Mode) -> bytes:
    """The commands that lead from one mode to another."""
    codes = []
    if mode.on != to.on:
        codes.append(ON if to.on else OFF)
    if mode.no_spaces != to.no_spaces:
        codes.append(NO_SPACES if to.no_spaces else SPACES)
    return b"".join(bytes((255, 255, code)) for code in codes)


def pack_lines(lines: list[bytes], mode: Mode, end: Mode) -> bytes:
    """Whole lines (with their newline) as a stretch that begins in ``mode`` and leaves ``end``.

    Lines that begin with `;` are written as they are, all others packed.
    """
    parts = []
    for line in lines:
        wanted = Mode(not line.startswith(b";"), mode.no_spaces)
        parts.append(switch(mode, wanted))
        parts.append(_packed(glued(line), mode.no_spaces) if wanted.on else line)
        mode = wanted
    return b"".join([*parts, switch(mode, end)])


def _packed(line: bytes, no_spaces: bool) -> bytes:
    """One line, its newline the last letter."""
    code = _CODE[no_spaces]
    out = bytearray()
    for at in range(0, len(line), 2):
        low, high = line[at], line[at + 1] if at + 1 < len(line) else 10
        first, second = code.get(low, FULL), code.get(high, FULL)
        out.append(first | second << 4)
        if first == FULL:
            out.append(low)
        if second == FULL:
            out.append(high)
    return bytes(out)
