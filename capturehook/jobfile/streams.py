"""Lines put into, and taken out of, the stream of one G-code block in its own stored form.

No line of the job is unpacked and packed again: the stream is cut between lines, where each
line begins on a byte of its own (capturehook.jobfile.letters).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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


def inverse(edits: Sequence[LineEdit], lines: Sequence[bytes]) -> list[LineEdit]:
    """What takes the edits back, ``lines`` being the block's before them."""
    back, shift = [], 0
    for edit in edits:
        was = tuple(lines[edit.line : edit.line + edit.count])
        back.append(LineEdit(edit.line + shift, len(edit.lines), was))
        shift += len(edit.lines) - edit.count
    return back


def edit_stream(
    stream: bytes, encoding: int, edits: Sequence[LineEdit], *, taking_out: bool
) -> bytes:
    """The stream with its edits (rising) made.

    ``taking_out`` says that the lines replaced are ours, put in by this function.

    Raises
    ------
    PackedError
        The stream cannot be cut there.
    """
    if encoding == PLAIN:
        lines = stream.splitlines(keepends=True) if b"\r" not in stream else _lines(stream)
        parts, at = [], 0
        for edit in edits:
            parts += [*lines[at : edit.line], *edit.lines]
            at = edit.line + edit.count
        return b"".join([*parts, *lines[at:]])
    known = unpack_with_places(stream)
    parts, at = [], 0
    for edit in edits:
        start, begin = _place(known, edit.line)
        stop, end = _place(known, edit.line + edit.count)
        if edit.count == 0:
            end = begin
        elif taking_out:
            wanted = (
                Mode(not edit.lines[-1].startswith(b";"), begin.no_spaces) if edit.lines else begin
            )
            commands = switch(end, wanted)
            if stream.startswith(commands, stop):
                stop, end = stop + len(commands), wanted
        parts += [stream[at:start], pack_lines(list(edit.lines), begin, end)]
        at = stop
    return b"".join([*parts, stream[at:]])


def _lines(stream: bytes) -> list[bytes]:
    """Lines that end with a line feed; a carriage return ends none."""
    lines = [line + b"\n" for line in stream.split(b"\n")]
    last = lines.pop()[:-1]
    return [*lines, last] if last else lines


def _place(known: Unpacked, line: int) -> tuple[int, Mode]:
    if line >= len(known.places) or not known.whole[line]:
        raise PackedError("a line begins inside a packed byte")
    return known.places[line], known.modes[line]


def split_stream(stream: bytes, encoding: int) -> list[tuple[bytes, int, int]]:
    """A stream in parts of at most MOST_TEXT bytes of text, each a block by itself.

    Returns
    -------
    (part, bytes put at its end, bytes put at its start); without those, the parts one after
    the other are the stream.
    """
    if encoding == PLAIN:
        held: list[list[bytes]] = [[]]
        size = 0
        for line in _lines(stream):
            if size and size + len(line) > MOST_TEXT:
                held.append([])
                size = 0
            held[-1].append(line)
            size += len(line)
        return [(b"".join(lines), 0, 0) for lines in held]
    known = unpack_with_places(stream)
    cuts, size, begun = [], 0, 0
    for row, line in enumerate(_lines(known.text)):
        if row and size + len(line) > MOST_TEXT and known.whole[row] and row > begun:
            cuts.append(row)
            size, begun = 0, row
        size += len(line)
    parts: list[tuple[bytes, int, int]] = []
    at, head = 0, b""
    for row in cuts:
        place, mode = _place(known, row)
        tail = bytes((255, 255, RESET)) if encoding == PACKED else b""
        parts.append((head + stream[at:place] + tail, len(tail), len(head)))
        at, head = place, switch(Mode(), mode)
    return [*parts, (head + stream[at:], 0, len(head))]
