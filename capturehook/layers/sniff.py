"""Which kinds of layer mark a file carries, where, and on what evidence."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import DIALECTS
from capturehook.catalog.contracts import Dialect
from capturehook.gcode.source import PAD, Source

_HIDDEN = (
    (re.compile(rb"^; ?thumbnail[A-Za-z_]* begin", re.M), rb"thumbnail[A-Za-z_]* end"),
    (re.compile(rb"^; ?CONFIG_BLOCK_START", re.M), rb"CONFIG_BLOCK_END"),
    (re.compile(rb"^; ?HEADER_BLOCK_START", re.M), rb"HEADER_BLOCK_END"),
    (re.compile(rb"^; ?[A-Za-z]+_config = begin", re.M), rb"_config = end"),
)
"""Parts of a file that hold pictures or settings: their text is never a mark."""
_HIDDEN_LITERALS = (b"thumbnail", b"_BLOCK_START", b"_config = begin")


@dataclass(frozen=True, slots=True)
class Marks:
    """The marks of one kind: (K,) rising line indices, and the evidence in words."""

    name: str
    line_index: NDArray[np.int64]
    evidence: str = field(default="")


def find_marks(source: Source) -> list[Marks]:
    """Every kind of mark that stands in the file outside pictures and settings."""
    hidden = hidden_ranges(source)
    found = []
    for dialect in DIALECTS.values():
        offsets = np.array(sorted(set(_offsets(source, dialect))), np.int64)
        if len(offsets) and hidden:
            offsets = offsets[~_inside(offsets, hidden)]
        if len(offsets):
            lines = np.searchsorted(source.line_starts, offsets, side="right") - 1
            first = source.line(int(lines[0])).decode("latin-1")
            evidence = f"{len(lines)} lines like {first!r}, the first at line {int(lines[0]) + 1}"
            found.append(Marks(dialect.name, lines, evidence))
    return found


def _offsets(source: Source, dialect: Dialect) -> Iterator[int]:
    text = source.padded
    stop = PAD + len(source.data)
    whole = re.compile(rb"(?:" + dialect.pattern + rb")[ \t\r]*(?=\n)")
    for literal in dialect.literal:
        at = text.find(literal, PAD, stop)
        while at >= 0:
            start = text.rfind(b"\n", 0, at) + 1
            match = whole.match(text, start)
            if match:
                yield start - PAD
            at = text.find(literal, max(at + 1, match.end() if match else 0), stop)


def hidden_ranges(source: Source) -> list[tuple[int, int]]:
    """Byte ranges of embedded pictures and settings dumps, in file order."""
    data, found = source.data, []
    if not any(literal in data for literal in _HIDDEN_LITERALS):
        return []
    for begin, end in _HIDDEN:
        for match in begin.finditer(data):
            close = re.compile(end).search(data, match.end())
            found.append((match.start(), close.end() if close else len(data)))
    return sorted(found)


def _inside(offsets: NDArray[np.int64], ranges: list[tuple[int, int]]) -> NDArray[np.bool_]:
    inside = np.zeros(len(offsets), bool)
    for start, stop in ranges:
        inside |= (offsets >= start) & (offsets < stop)
    return inside
