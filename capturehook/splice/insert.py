"""Source + blocks -> bytes; every other byte is copied as it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from capturehook.gcode.source import Source
from capturehook.splice.fence import KEPT_HERE


@dataclass(frozen=True, slots=True)
class Insertion:
    """Lines to go in before a line of the job; ``replaces`` lines of it are kept in the fence."""

    line_index: int
    lines: tuple[str, ...]
    replaces: bool = False
    """The job's line is left out; KEPT_HERE among ``lines`` becomes its keeping place."""


def insert_blocks(source: Source, insertions: Sequence[Insertion]) -> bytes:
    """The job with its blocks, line ends in the job's own style.

    ``insertions`` rise by line; several at one line keep their order.
    """
    data, end = source.data, source.line_end
    parts, at = [], 0
    for insertion in insertions:
        offset = source.start_of(insertion.line_index)
        parts.append(data[at:offset])
        if insertion.replaces:
            at = source.start_of(insertion.line_index + 1)
            parts.append(_replacing(insertion.lines, end, data[offset:at]))
        else:
            at = offset
            parts.append(_text(insertion.lines, end, data, offset))
    parts.append(data[at:])
    return b"".join(parts)


def _replacing(lines: Sequence[str], end: bytes, own: bytes) -> bytes:
    """Lines that take the place of one of the job's, which is kept with its own line end.

    A last line without a line end stays without one: the fence's last line has none either.
    """
    bare = own.rstrip(b"\r\n")
    own_end = own[len(bare) :]
    texts = []
    for line in lines:
        if line == KEPT_HERE:
            texts.append(KEPT_HERE.encode() + bare + (own_end or end))
        else:
            texts.append(line.encode("ascii") + end)
    return b"".join(texts) if own_end else b"".join(texts)[: -len(end)]


def _text(lines: Sequence[str], end: bytes, data: bytes, offset: int) -> bytes:
    """Lines as bytes. After a last line without a line end, ours leads in and not out."""
    text = end.join(line.encode("ascii") for line in lines)
    if offset == len(data) and offset and data[-1:] not in (b"\n", b"\r"):
        return end + text
    return text + end
