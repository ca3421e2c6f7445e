"""Which kinds of layer mark a file carries, where, and on what evidence."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import DIALECTS
from capturehook.model.contracts import Dialect
from capturehook.read.source import Source

_HIDDEN = tuple(
    (begin, re.compile(rb"; ?" + before + begin), end, re.compile(rb"; ?" + before + end))
    for before, begin, end in (
        (rb"thumbnail[A-Za-z_]*", b" begin", b" end"),
        (rb"", b"CONFIG_BLOCK_START", b"CONFIG_BLOCK_END"),
        (rb"", b"HEADER_BLOCK_START", b"HEADER_BLOCK_END"),
        (rb"[A-Za-z]+", b"_config = begin", b"_config = end"),
    )
)
"""Parts of a file that hold pictures or settings: their text is never a mark. Each: a
literal and the whole pattern of its first line, and the same of its last."""


@dataclass(frozen=True, slots=True)
class Marks:
    """The marks of one kind: (K,) rising line indices, and the evidence in words."""

    name: str
    line_index: NDArray[np.int64]
    evidence: str = field(default="")


def find_marks(source: Source) -> list[Marks]:
    """Every kind of mark that stands in the file outside pictures and settings.

    Kinds of other packages are asked where none of ours is there.
    """
    hidden = hidden_lines(source)
    own = (_marks_of(source, DIALECTS[name], hidden) for name in DIALECTS.own)
    return [one for one in own if one] or list(_marks_of_packages(source, hidden))


def _marks_of(source: Source, dialect: Dialect, hidden: list[tuple[int, int]]) -> Marks | None:
    lines = np.array(sorted(_lines_of(source, dialect)), np.int64)
    for start, end in hidden:
        lines = lines[(lines < start) | (lines > end)]
    if not len(lines):
        return None
    first = source.line(int(lines[0])).decode("latin-1")
    evidence = f"{len(lines)} lines like {first!r}, the first at line {int(lines[0]) + 1}"
    return Marks(dialect.name, lines, evidence)


def _marks_of_packages(source: Source, hidden: list[tuple[int, int]]) -> Iterator[Marks]:
    for dialect in DIALECTS.load_all():
        try:
            marks = _marks_of(source, dialect, hidden)
        except Exception as fault:  # whatever it states; told as a finding
            DIALECTS.fails(dialect.name, fault)
        else:
            yield from [marks] if marks else []


def _lines_of(source: Source, dialect: Dialect) -> set[int]:
    whole = re.compile(rb"(?:" + dialect.pattern + rb")[ \t\r]*(?=\n)")
    return {line for literal in dialect.literal for line, _ in source.side.hits(literal, whole)}


def hidden_lines(source: Source) -> list[tuple[int, int]]:
    """(first, last) line indices of embedded pictures and settings dumps, in file order."""
    found = []
    for literal, begin, end_literal, end in _HIDDEN:
        ends = [line for line, _ in source.side.hits(end_literal, end)]
        for line, _ in source.side.hits(literal, begin):
            after = bisect_right(ends, line)
            found.append((line, ends[after] if after < len(ends) else source.line_count - 1))
    return sorted(found)
