"""The comments round inserted lines of a run.gcode; finds and removes blocks of an earlier run."""

from __future__ import annotations

import re

from capturehook.errors import GcodeError, Where

_EOL = rb"(?:\r\n|\n|\r)"
_BLOCK = re.compile(
    rb"(?<![^\r\n])(?:"
    rb"; capturehook pose (\d+) begin[^\r\n]*"
    + _EOL
    + rb"(?:(?!; capturehook)[^\r\n]*"
    + _EOL
    + rb")*?"
    rb"; capturehook pose \1 end"
    + _EOL
    + rb"|; capturehook job begin[^\r\n]*"
    + _EOL
    + rb"; capturehook job end"
    + _EOL
    + rb")"
)
_FENCE = re.compile(rb"(?<![^\r\n]); capturehook (?:pose \d+|job) (?:begin|end)[^\r\n]*")


def job_fence(words: str, eol: bytes) -> bytes:
    """The first inserted lines of a job: who inserted, by which profile and plan."""
    return b"".join(
        line.encode("ascii") + eol
        for line in (f"; capturehook job begin {words}", "; capturehook job end")
    )


def pose_fence(number: int, layer_no: int, z_mm: float, lines: list[str], eol: bytes) -> bytes:
    """One pose block with its fences; ``number`` counts from 1."""
    block = [
        f"; capturehook pose {number} begin layer {layer_no} z {z_mm:.3f}",
        *lines,
        f"; capturehook pose {number} end",
    ]
    return b"".join(line.encode("ascii") + eol for line in block)


def is_posed(text: bytes) -> bool:
    """Blocks of an earlier run are in it."""
    return _FENCE.search(text) is not None


def strip_text(text: bytes, where: str) -> bytes:
    """The text without any inserted line: what it was before, byte for byte.

    Raises
    ------
    GcodeError
        A fence whose other half is missing: someone edited the blocks.
    """
    plain = _BLOCK.sub(b"", text)
    lone = _FENCE.search(plain)
    if lone:
        at = text.find(lone.group())
        raise GcodeError(
            Where(where, text.count(b"\n", 0, at) + 1),
            f"'{lone.group().decode('ascii', 'replace')[:60]}' has no matching other fence",
            "Take the job as it was sliced: its blocks were edited by hand",
        )
    return plain
