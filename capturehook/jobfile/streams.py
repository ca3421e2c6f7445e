"""Lines put into, and taken out of, the stream of one G-code block in its own stored form.

No line of the job is unpacked and packed again: the stream is cut between lines, where each
line begins on a byte of its own (capturehook.jobfile.letters).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from capturehook.jobfile.blocks import PACKED, PLAIN
from capturehook.jobfile.letters import (
    RESET,
    Mode,
    PackedError,
    Unpacked,
    pack_lines,
    spaced,
    switch,
    unpack,
    unpack_with_places,
)

MOST_TEXT = 65_536
"""Bytes of text in one block, as the format's own writer cuts them (libbgcode convert.cpp)."""


@dataclass(frozen=True, slots=True)
class LineEdit:
    """``lines`` (each with its newline) take the place of ``count`` lines from ``line`` on."""

    line: int
    count: int
    lines: tuple[bytes, ...]


def text_of(stream: bytes, encoding: int) -> bytes:
    """The text of a block's stream, with its spaces.

    Raises
    ------
    PackedError
    """
    return stream if encoding == PLAIN else spaced(unpack(stream))


class Lines:
    """A stream with where its lines are, for reading and editing it.

    Raises
    ------
    PackedError
        It cannot be unpacked, or a line begins inside a packed byte.
    """

    def __init__(self, stream: bytes, encoding: int) -> None:
        self.stream, self.encoding = stream, encoding
        if encoding == PLAIN:
            ends = np.flatnonzero(np.frombuffer(stream, np.uint8) == 10) + 1
            places = np.concatenate((np.zeros(1, np.int64), ends))
            self.known = Unpacked(stream, places, np.zeros(len(places), np.uint8))
        else:
            self.known = unpack_with_places(stream)
        self.ends = np.flatnonzero(np.frombuffer(self.known.text, np.uint8) == 10) + 1

    def __len__(self) -> int:
        """Lines that end with a newline."""
        return len(self.ends)

    def text(self, line: int, count: int) -> list[bytes]:
        """Some lines as readers see them."""
        if not count:
            return []
        start = int(self.ends[line - 1]) if line else 0
        text = self.known.text[start : int(self.ends[line + count - 1])]
        text = text if self.encoding == PLAIN else spaced(text)
        return [one + b"\n" for one in text.split(b"\n")[:-1]]

    def edited(self, edits: Sequence[LineEdit], *, taking_out: bool) -> bytes:
        """The stream with its edits (rising) made.

        ``taking_out`` says that the lines replaced are ours, put in by this function.

        Raises
        ------
        PackedError
            The stream cannot be cut there.
        """
        parts, at = [], 0
        for edit in edits:
            start, begin = self._place(edit.line)
            stop, end = self._place(edit.line + edit.count)
            if edit.count == 0:
                end = begin
            elif taking_out:
                wanted = begin
                if edit.lines:
                    wanted = Mode(not edit.lines[-1].startswith(b";"), begin.no_spaces)
                commands = switch(end, wanted)
                if self.stream.startswith(commands, stop):
                    stop, end = stop + len(commands), wanted
            lines = list(edit.lines)
            plain = self.encoding == PLAIN
            new = b"".join(lines) if plain else pack_lines(lines, begin, end)
            parts += [self.stream[at:start], new]
            at = stop
        return b"".join([*parts, self.stream[at:]])

    def _place(self, line: int) -> tuple[int, Mode]:
        if line >= len(self.known.places):
            raise PackedError("it has fewer lines than its text")
        return int(self.known.places[line]), self.known.mode(line)

    def inverse(self, edits: Sequence[LineEdit]) -> list[LineEdit]:
        """What takes the edits back."""
        back, shift = [], 0
        for edit in edits:
            was = tuple(self.text(edit.line, edit.count))
            back.append(LineEdit(edit.line + shift, len(edit.lines), was))
            shift += len(edit.lines) - edit.count
        return back

    def split(self) -> list[tuple[bytes, int, int]]:
        """The stream in parts of at most MOST_TEXT bytes of text, each a block by itself.

        Returns
        -------
        (part, bytes put at its end, bytes put at its start); without those, the parts one
        after the other are the stream.
        """
        parts: list[tuple[bytes, int, int]] = []
        at, head, begun = 0, b"", 0
        while len(self.known.text) - begun > MOST_TEXT:
            row = int(np.searchsorted(self.ends, begun + MOST_TEXT, side="right"))
            row = max(row, int(np.searchsorted(self.ends, begun, side="right")) + 1)
            if row >= len(self.known.places) or int(self.ends[row - 1]) >= len(self.known.text):
                break
            place, mode = self._place(row)
            tail = bytes((255, 255, RESET)) if self.encoding == PACKED else b""
            parts.append((head + self.stream[at:place] + tail, len(tail), len(head)))
            at, head, begun = place, switch(Mode(), mode), int(self.ends[row - 1])
        return [*parts, (head + self.stream[at:], 0, len(head))]
