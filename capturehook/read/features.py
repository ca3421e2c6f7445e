"""What is being printed, as the comments of a job say it: outer wall, infill, support ...

docs/reference/gcode_facts.md#feature-comments
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from capturehook.read.source import Source

_COMMENT = re.compile(rb"[ \t]*(?:;TYPE:|; ?FEATURE: ?|; feature )([^\r\n]{1,40})")
_QUICK = (b";TYPE:", b"FEATURE:", b"; feature ")
KINDS = (
    ("outer wall", re.compile(r"external|outer|overhang wall|overhang perimeter|skin wall", re.I)),
    ("infill", re.compile(r"infill|fill|solid|bridge|sparse|internal(?! perim)|gap", re.I)),
    ("inner wall", re.compile(r"perimeter|inner|wall", re.I)),
    ("skirt", re.compile(r"skirt|brim|raft", re.I)),
    ("support", re.compile(r"support", re.I)),
    ("tower", re.compile(r"tower|prime", re.I)),
    ("surface", re.compile(r"skin|top|bottom|surface|iron", re.I)),
)
"""Our few words for the many that jobs use; the first that fits."""
AHEAD = 12
"""A comment so many lines ahead still names what is printed next."""
_FIRST = ("support", "tower", "skirt")


@dataclass(frozen=True, slots=True)
class Features:
    """Feature comments in file order: (K,) line indices, and the kind each names."""

    line_index: NDArray[np.int64]
    kind: tuple[str, ...]


def find_features(source: Source) -> Features:
    """Every feature comment of a job."""
    found = {
        line: match[1] for literal in _QUICK for line, match in source.side.hits(literal, _COMMENT)
    }
    lines = sorted(found)
    kind = {name: kind_of(name) for name in set(found.values())}
    return Features(np.array(lines, np.int64), tuple(kind[found[line]] for line in lines))


def kinds_after(source: Source, line_indices: Sequence[int]) -> list[str]:
    """The feature in which printing goes on after a block before each of some rising lines;
    "" where none is said. Only the comments around them are read."""
    side, found = source.side, []
    text, low, kind = side.text, 0, ""
    bounds = np.append(side.starts, len(side.text))
    for line in line_indices:
        here, ahead = bounds[np.searchsorted(side.line_index, (line, line + AHEAD))].tolist()
        kind = _last_kind(text, low, here) or kind
        low = here
        found.append(_first_kind(text, here, ahead) or kind)
    return found


def _last_kind(text: bytes, low: int, high: int) -> str:
    """The kind that the last feature comment in a stretch of whole lines names."""
    at = _last_place(text, low, high)
    while at >= 0:
        start = text.rfind(b"\n", 0, at) + 1
        match = _COMMENT.match(text, start)
        if match:
            return kind_of(match[1])
        at = _last_place(text, low, start)
    return ""


def _last_place(text: bytes, low: int, high: int) -> int:
    return max(text.rfind(literal, low, high) for literal in _QUICK)


def _first_kind(text: bytes, low: int, high: int) -> str:
    """The kind that the first feature comment in a stretch of whole lines names."""
    while low < high:
        match = _COMMENT.match(text, low)
        if match:
            return kind_of(match[1])
        low = text.find(b"\n", low) + 1
    return ""


@lru_cache(maxsize=256)
def kind_of(name: bytes) -> str:
    """Our word for a feature's name; the name itself where we have none."""
    text = name.decode("latin-1").strip()
    lower = text.lower()
    for word in _FIRST:
        pattern = dict(KINDS)[word]
        if pattern.search(lower):
            return word
    for kind, pattern in KINDS:
        if pattern.search(lower):
            return kind
    return lower
