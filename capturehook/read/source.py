"""Stage 1: the job as bytes that never change, with where its lines start.

In: a file's bytes. Out: a Source. Text that is no line-by-line G-code is refused here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import GcodeError, Where
from capturehook.read.scan import SIDE, Lines, PlainWords, scan_lines

PAD = 16  # bytes before and after the text, so that eight bytes may be read at either end
LONE_CR = re.compile(rb"\r(?!\n)")


@dataclass(frozen=True, slots=True)
class SideText:
    """Some lines of a job as one text of their own, each after a line feed.

    ``starts`` are their offsets in it, ``line_index`` their places in the job; both (S,).
    """

    text: bytes
    starts: NDArray[np.int64]
    line_index: NDArray[np.int64]

    def hits(self, literal: bytes, whole: re.Pattern[bytes]) -> list[tuple[int, re.Match[bytes]]]:
        """(line index, match) of the lines that hold a literal and begin with a pattern."""
        matches = list(self._matches(literal, whole))
        begins = np.array([match.start() for match in matches], np.int64)
        rows = np.searchsorted(self.starts, begins, side="right") - 1
        return list(zip(self.line_index[rows].tolist(), matches, strict=True))

    def _matches(self, literal: bytes, whole: re.Pattern[bytes]) -> Iterator[re.Match[bytes]]:
        """Looking for the literal first lets the search run at memory speed."""
        text, seen = self.text, -1
        at = text.find(literal)
        while at >= 0:
            start = text.rfind(b"\n", 0, at) + 1
            match = whole.match(text, start) if start != seen else None
            if match:
                yield match
            seen = start
            at = text.find(literal, at + len(literal))


@dataclass(frozen=True)
class Source:
    """The job's bytes and what is told by looking at them once.

    ``data`` is never changed. ``text`` is the same with every lone carriage return turned
    into a line feed (same length, so offsets agree; the same bytes where there is none).
    """

    path: str
    data: bytes
    text: bytes = field(repr=False)

    def __len__(self) -> int:
        return len(self.data)

    @cached_property
    def scan(self) -> Lines:
        """Where each line starts, and whether it is surely plain motion."""
        return scan_lines(self.text)

    def take_words(self) -> list[PlainWords]:
        """The words of the plain lines, piece by piece: as large as the text, so they are handed
        over, and read again for whoever asks once more."""
        words = self.scan.words.copy() or scan_lines(self.text).words
        self.scan.words.clear()
        return words

    @property
    def line_starts(self) -> NDArray[np.signedinteger]:
        """(N,) offset of each line; a last line without a line end counts."""
        return self.scan.starts

    def padded(self) -> bytes:
        """A copy of the text, PAD line feeds longer at either end."""
        return b"".join((b"\n" * PAD, self.text, b"\n" * PAD))

    @cached_property
    def side(self) -> SideText:
        """The lines that do not begin with `G0 ` or `G1 `: where comments and commands are."""
        lines = np.flatnonzero(self.scan.kind == SIDE)
        starts = self.line_starts[lines].tolist()
        ends = self.starts_of(lines + 1)
        parts = [self.text[a:b] for a, b in zip(starts, ends, strict=True)]
        begins = np.cumsum([0, *map(len, parts)])[:-1] + 1
        return SideText(b"\n" + b"".join(parts) + b"\n", begins, lines)

    def starts_of(self, lines: NDArray[np.int64]) -> list[int]:
        """As :meth:`start_of`, for many lines."""
        starts = self.line_starts
        last = len(starts) - 1
        found = np.where(lines > last, len(self.text), starts[np.minimum(lines, last)])
        return [int(at) for at in found]

    @property
    def line_count(self) -> int:
        return len(self.line_starts)

    def line_at(self, offset: int) -> int:
        """Index of the line that holds a byte."""
        return int(np.searchsorted(self.line_starts, offset, side="right")) - 1

    def start_of(self, line_index: int) -> int:
        """Offset where a line starts; the end of the text for the line after the last."""
        if line_index >= self.line_count:
            return len(self.data)
        return int(self.line_starts[line_index])

    def line(self, line_index: int) -> bytes:
        """A line without its line end."""
        return self.data[self.start_of(line_index) : self.start_of(line_index + 1)].rstrip(b"\r\n")

    @cached_property
    def line_end(self) -> bytes:
        """The line end this text uses most."""
        if b"\r" not in self.data:
            return b"\n"
        crlf = self.data.count(b"\r\n")
        lf = self.data.count(b"\n") - crlf
        lone_cr = self.data.count(b"\r") - crlf
        best = max(crlf, lf, lone_cr)
        if best == 0 or best == lf:
            return b"\n"
        return b"\r\n" if best == crlf else b"\r"

    def where(self, line_index: int, column: int | None = None) -> Where:
        return Where(self.path, line_no=line_index + 1, column=column)


def open_source(data: bytes, path: str) -> Source:
    """Bytes -> Source.

    Raises
    ------
    GcodeError
        A binary container, a compressed file, 16-bit text, or nothing at all.
    """
    _refuse_what_is_no_text(data, path)
    text = LONE_CR.sub(b"\n", data) if b"\r" in data else data
    return Source(path, data, text)


def _refuse_resin(data: bytes, path: str) -> None:
    from capturehook.catalog.containers import HEAD_BYTES, binary_kind
    from capturehook.catalog.containers.refused import known_as

    kind = binary_kind(data[:HEAD_BYTES])
    what = kind.what if kind is not None else known_as(data[:HEAD_BYTES])
    if what is not None:
        raise GcodeError(path, f"is {what}, of a resin printer", "Use `capturehook resin`")


def _refuse_what_is_no_text(data: bytes, path: str) -> None:
    if not data[:65536].strip() and not data.strip():
        raise GcodeError(path, "is empty", "Slice the model again")
    if data.startswith(b"GCDE"):
        raise GcodeError(
            path,
            "is a binary job container",
            "Write the job as plain text G-code and run this again",
        )
    if data.startswith((b"PK\x03\x04", b"\x1f\x8b")):
        raise GcodeError(
            path,
            "is a compressed archive, not plain text",
            "Unpack it first, or use adapters/zip_job.py (resin jobs: `capturehook resin`)",
        )
    if data.startswith((b"\x89PNG", b"\xff\xd8\xff", b"%PDF", b"\x7fELF", b"MZ\x90")):
        raise GcodeError(path, "is a picture or a program, not a sliced job", "Name the job's file")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise GcodeError(path, "is 16-bit text", "Save it as plain ASCII or UTF-8 text")
    at = data.find(b"\0")
    if at >= 0:
        _refuse_resin(data, path)
        line_no = data.count(b"\n", 0, at) + 1
        raise GcodeError(
            Where(path, line_no=line_no),
            "a zero byte stands here, so this is no plain text job "
            "(or it was cut off by a full disk)",
            "Slice the model again, as plain text G-code",
        )


@dataclass(frozen=True)
class PartSource(Source):
    """Some lines of a job as a job of their own that knows its lines' true numbers."""

    lines: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    def where(self, line_index: int, column: int | None = None) -> Where:
        return Where(self.path, line_no=int(self.lines[line_index]) + 1, column=column)


def part_of(source: Source, lines: NDArray[np.int64]) -> PartSource:
    """Some lines of a job (rising), runs of neighbours cut out in one piece each."""
    first = np.flatnonzero(np.diff(lines, prepend=-2) != 1)
    last = np.append(first[1:], len(lines)) - 1
    starts, ends = source.starts_of(lines[first]), source.starts_of(lines[last] + 1)
    text = b"".join([source.text[a:b] for a, b in zip(starts, ends, strict=True)])
    return PartSource(source.path, text, text, lines)
