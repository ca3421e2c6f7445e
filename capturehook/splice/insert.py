"""Source + blocks -> bytes; every other byte is copied as it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from capturehook.gcode.source import Source


@dataclass(frozen=True, slots=True)
class Insertion:
    """Lines to go in before a line of the job; ``replaces`` lines of it are kept in the fence."""

    line_index: int
    lines: tuple[str, ...]


def insert_blocks(source: Source, insertions: Sequence[Insertion]) -> bytes:
    """The job with its blocks, line ends in the job's own style.

    ``insertions`` rise by line; several at one line keep their order.
    """
    data, end = source.data, source.line_end
    parts, at = [], 0
    for insertion in insertions:
        offset = source.start_of(insertion.line_index)
        parts.append(data[at:offset])
        parts.append(_text(insertion.lines, end, data, offset))
        at = offset
    parts.append(data[at:])
    return b"".join(parts)


def _text(lines: Sequence[str], end: bytes, data: bytes, offset: int) -> bytes:
    """Lines as bytes. After a last line without a line end, ours leads in and not out."""
    text = end.join(line.encode("ascii") for line in lines)
    if offset == len(data) and offset and data[-1:] not in (b"\n", b"\r"):
        return end + text
    return text + end
