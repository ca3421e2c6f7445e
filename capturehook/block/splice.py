"""Source + blocks -> bytes; every other byte is copied as it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from capturehook.jobfile.fence import KEPT_HERE, find_fences, sealed, strip_bytes
from capturehook.read.source import Source

Piece = bytes | memoryview


@dataclass(frozen=True, slots=True)
class Insertion:
    """Lines to go in before a line of the job; ``replaces`` lines of it are kept in the fence."""

    line_index: int
    lines: tuple[str, ...]
    """Each may be several, with line feeds between them."""
    replaces: bool = False
    """The job's line is left out; KEPT_HERE among ``lines`` becomes its keeping place."""


def insert_blocks(source: Source, insertions: Sequence[Insertion]) -> bytes:
    """The job with its blocks; see :func:`splice_pieces`."""
    return b"".join(splice_pieces(source, insertions))


def splice_pieces(source: Source, insertions: Sequence[Insertion]) -> list[Piece]:
    """The job with its blocks as pieces to write one after the other, nothing copied.

    ``insertions`` rise by line; several at one line keep their order. Line ends are in the
    job's own style. Pieces of the job (views of its bytes) and of ours (bytes) take turns,
    the job's first and last.
    """
    data, end = source.data, source.line_end
    view = memoryview(data)
    parts: list[Piece] = []
    at = 0
    for insertion in insertions:
        offset = source.start_of(insertion.line_index)
        parts.append(view[at:offset])
        if insertion.replaces:
            at = source.start_of(insertion.line_index + 1)
            parts.append(_replacing(insertion.lines, end, data[offset:at]))
        else:
            at = offset
            parts.append(_text(insertion.lines, end, data, offset))
    parts.append(view[at:])
    return parts


def gives_back(source: Source, insertions: Sequence[Insertion], pieces: Sequence[Piece]) -> bool:
    """Would `strip` make the job of these pieces, byte for byte?

    Where whole lines were only added, between lines, it is enough that each of our pieces is
    fences from end to end, and that the others are the job's bytes without a gap; otherwise
    the blocks are really taken out again and compared.
    """
    closed = source.data[-1:] in (b"\n", b"\r")
    if not closed or any(one.replaces for one in insertions):
        return strip_bytes(b"".join(pieces), source.path) == source.data
    ours = pieces[1::2]
    some = (ours[at : at + AT_ONCE] for at in range(0, len(ours), AT_ONCE))
    return all(_are_fences(one, source.path) for one in some) and _is_whole(
        source.data, pieces[::2]
    )


AT_ONCE = 256
"""Pieces that are read back at once, since memory is short then."""


def _is_whole(data: bytes, views: Sequence[Piece]) -> bool:
    """Are these views of the job's bytes one behind the other, from its begin to its end?"""
    begin, at = np.frombuffer(data, np.uint8).ctypes.data, 0
    for view in views:
        if len(view) and np.frombuffer(view, np.uint8).ctypes.data != begin + at:
            return False
        at += len(view)
    return at == len(data)


def _are_fences(ours: Sequence[Piece], path: str) -> bool:
    """Is each of these pieces one fence behind the other, in which nothing is kept?"""
    at, stops = 0, set()
    for fence in find_fences(b"".join(ours), path):
        if fence.start != at or fence.kept:
            return False
        at = fence.stop
        stops.add(at)
    return stops.issuperset(accumulate(map(len, ours)))


def _replacing(lines: Sequence[str], end: bytes, own: bytes) -> bytes:
    """Lines that take the place of one of the job's, which is kept with its own line end.

    A last line without a line end stays without one: the fence's last line has none either.
    """
    bare = own.rstrip(b"\r\n")
    own_end = own[len(bare) :]
    texts = sealed(
        [KEPT_HERE.encode() + bare if line == KEPT_HERE else line.encode("ascii") for line in lines]
    )
    ends = [(own_end or end) if line == KEPT_HERE else end for line in lines]
    texts = [line.replace(b"\n", end) for line in texts]
    text = b"".join(line + its_end for line, its_end in zip(texts, ends, strict=True))
    return text if own_end else text[: -len(end)]


def _text(lines: Sequence[str], end: bytes, data: bytes, offset: int) -> bytes:
    """Lines as bytes. After a last line without a line end, ours leads in and not out."""
    text = b"\n".join(sealed([line.encode("ascii") for line in lines])).replace(b"\n", end)
    if offset == len(data) and offset and data[-1:] not in (b"\n", b"\r"):
        return end + text
    return text + end
