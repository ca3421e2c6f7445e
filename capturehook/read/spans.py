"""Stretches of lines that no block may split: wipes, labels, tool changes, pauses, settings.

A span (start, end) forbids a block before any line after ``start`` up to ``end`` itself.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from capturehook.model.moves import FW_RETRACT, FW_UNRETRACT, PAUSE, TOOL, MoveTable
from capturehook.read.marks import hidden_lines
from capturehook.read.moves import JobMoves
from capturehook.read.source import Source

Spans = dict[str, NDArray[np.int64]]
"""(K, 2) spans by their kind."""
PAIRS = {
    "wipe": (rb";[ ]?WIPE_START", rb";[ ]?WIPE_END"),
    "object label": (
        rb"; printing object |EXCLUDE_OBJECT_START|M486 S[0-9]|M624|; start printing object",
        rb"; stop printing object |EXCLUDE_OBJECT_END|M486 S-1|M625",
    ),
    "tool change": (
        rb"; ?CP TOOLCHANGE START|; ?TOOLCHANGE_START",
        rb"; ?CP TOOLCHANGE END|; ?TOOLCHANGE_END",
    ),
}
_QUICK: dict[str, tuple[tuple[bytes, ...], tuple[bytes, ...]]] = {
    "wipe": ((b"WIPE_START",), (b"WIPE_END",)),
    "object label": (
        (b"printing object ", b"EXCLUDE_OBJECT_START", b"M486 S", b"M624"),
        (b"stop printing object ", b"EXCLUDE_OBJECT_END", b"M486 S-1", b"M625"),
    ),
    "tool change": ((b"TOOLCHANGE",), (b"TOOLCHANGE",)),
}
"""Literals that stand in every beginning and every end: looked for first, at memory speed."""


UNKNOWN = "unknown state"
"""Kind of the spans after a command that leaves the machine where no job tells."""


def find_spans(source: Source, job: JobMoves) -> Spans:
    """Every span of a job by its kind: (K, 2) line indices, in file order, not overlapping."""
    moves, none = job.table, np.empty((0, 2), np.int64)
    found = {kind: _pairs(source, kind) for kind in PAIRS}
    found["tool change"] = _joined(found["tool change"], _tool_changes(moves))
    found["pause"] = _joined(_pauses(moves), none)
    found[UNKNOWN] = _joined(job.known.spans(), none)
    found["conditional body"] = _joined(np.array(job.others.bodies, np.int64).reshape(-1, 2), none)
    found["run of words alone"] = _joined(job.words_alone, none)
    if job.firmware is not None and job.firmware.retraction_moves_numbers:
        found["firmware retraction"] = _joined(_own_retractions(moves, source.line_count), none)
    hidden = hidden_lines(source)
    if hidden:
        found["settings"] = _joined(np.array(hidden, np.int64), none)
    return {kind: spans for kind, spans in found.items() if len(spans)}


def _pairs(source: Source, kind: str) -> NDArray[np.int64]:
    begin, end = (re.compile(rb"[ \t]*(?:" + one + rb")", re.IGNORECASE) for one in PAIRS[kind])
    begins = {line for literal in _QUICK[kind][0] for line, _ in source.side.hits(literal, begin)}
    if not begins:
        return np.empty((0, 2), np.int64)
    ends = {line for literal in _QUICK[kind][1] for line, _ in source.side.hits(literal, end)}
    spans: list[tuple[int, int]] = []
    opened = None
    for at in sorted(begins | ends):
        if at in begins:
            opened = at if opened is None else opened
        elif opened is not None:
            spans.append((opened, at))
            opened = None
    if opened is not None:
        spans.append((opened, source.line_count))
    return np.array(spans, np.int64).reshape(-1, 2)


def _tool_changes(moves: MoveTable) -> NDArray[np.int64]:
    """From each T line to the next move that prints."""
    return _until(moves, TOOL, moves.prints)


def _pauses(moves: MoveTable) -> NDArray[np.int64]:
    """From each pause or colour change to the next move in XY: the prime after it goes with it."""
    in_xy = (moves.x_mm != moves.x0_mm) | (moves.y_mm != moves.y0_mm)
    return _until(moves, PAUSE, in_xy)


def _own_retractions(moves: MoveTable, line_count: int) -> NDArray[np.int64]:
    """From each G10 to its G11 or to a move in Z: until then its lift is not told."""
    spans = _until(moves, FW_RETRACT, moves.z_mm != moves.z0_mm)
    back = moves.event_line_index[moves.event_kind == FW_UNRETRACT]
    at = np.searchsorted(back, spans[:, 0])
    ends = np.append(back, line_count)[at]
    spans[:, 1] = np.where(spans[:, 1] > spans[:, 0], np.minimum(spans[:, 1], ends), ends)
    return spans


def _until(moves: MoveTable, kind: int, ends_it: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(K, 2) from each event of a kind to the line of the first move after it that ends it."""
    lines = moves.event_line_index[moves.event_kind == kind].astype(np.int64)
    if not len(lines):
        return np.empty((0, 2), np.int64)
    there = moves.line_index[ends_it]
    at = np.searchsorted(there, lines)
    ends = np.where(at < len(there), there[np.minimum(at, len(there) - 1)], lines)
    return np.stack((lines, ends), axis=1)


def _joined(a: NDArray[np.int64], b: NDArray[np.int64]) -> NDArray[np.int64]:
    """Two sets of spans as one, overlapping ones merged."""
    spans: list[tuple[int, int]] = []
    for start, end in sorted([*map(tuple, a.tolist()), *map(tuple, b.tolist())]):
        if spans and start <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
        else:
            spans.append((start, end))
    return np.array(spans, np.int64).reshape(-1, 2)


def is_inside(spans: NDArray[np.int64], lines: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(K,) would a block before each of K lines split one of the spans?"""
    at = np.searchsorted(spans[:, 0], lines, side="left") - 1
    inside: NDArray[np.bool_] = (at >= 0) & (lines <= spans[at, 1])
    return inside


def edges_of(spans: NDArray[np.int64]) -> NDArray[np.int64]:
    """Lines just outside the spans, rising: where a block may stand."""
    return np.sort(np.concatenate((spans[:, 0], spans[:, 1] + 1)))
