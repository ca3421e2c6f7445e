"""The output as the witness takes it: the job's own text, our fences, and what stands in them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from capturehook.errors import ProofError
from capturehook.model.profile import Profile

_FENCE = re.compile(rb"; capturehook (job|pose|lines)(?: ([0-9]+))? (begin|end)\b")
_POSE = re.compile(
    rb"; capturehook pose ([0-9]+) begin\b[^\r\n]*\n((?:[^;\r\n][^\r\n]*\n)*)"
    rb"; capturehook pose \1 end\b[^\r\n]*\n"
)
_KEPT = b"; capturehook kept "
_PROGRESS = re.compile(rb"[ \t]*(?:N[0-9]+[ \t]*)?[Mm]0*73(?![0-9.])")


@dataclass(slots=True)
class Fence:
    """What stands in the output at one place: a kind, a number, its lines."""

    kind: str
    number: int
    lines: list[bytes] = field(default_factory=list)
    kept: bytes = b""


def own_text(pieces: Sequence[bytes | memoryview]) -> tuple[bytes, list[tuple[int, bytes]]]:
    """The job as it is without our fences (kept lines back in place), and our pieces with the
    offset in it at which each stands."""
    places, parts, at = [], [], 0
    for number, piece in enumerate(pieces):
        if number % 2:
            ours = bytes(piece)
            places.append((at, ours))
            kept = b"".join(_kept_lines(ours)) if _KEPT in ours else b""
            if not kept:
                continue
            piece = kept
        parts.append((at, piece))
        at += len(piece)
    whole = getattr(pieces[0], "obj", None)
    if isinstance(whole, bytes) and len(whole) == at:
        first = _address(whole)
        if all(_is_of(whole, first, *part) for part in parts):
            return whole, places
    return b"".join(part for _, part in parts), places


def _is_of(whole: bytes, first: int, at: int, part: bytes | memoryview) -> bool:
    """Is this piece a view of the whole at that offset, or the same bytes?"""
    if isinstance(part, bytes):
        return whole.startswith(part, at)
    return not len(part) or _address(part) == first + at


def _address(piece: bytes | memoryview) -> int:
    return int(np.frombuffer(piece, np.uint8).ctypes.data)


def _kept_lines(ours: bytes) -> Iterator[bytes]:
    for line in re.findall(rb"[^\r\n]*(?:\r\n|\r|\n|\Z)", ours):
        if line.startswith(_KEPT):
            yield line[len(_KEPT) :]


def extruder_letter(text: bytes, profile: Profile) -> str:
    """The profile's; else E, or A where motion has A words and none of E."""
    wish = profile.machine.extruder_axis
    if wish != "auto":
        return wish
    return "A" if not _moves_by(text, b"E") and _moves_by(text, b"A") else "E"


def _moves_by(text: bytes, letter: bytes) -> bool:
    word = re.compile(rb"\s*(?:N\d+\s*)?(?:G0*[0-3](?!\d))?[^;(]*?" + letter + rb"\s*[-+.\d]", re.I)
    for one in (letter, letter.lower()):
        at = text.find(one)
        while at >= 0:
            start = text.rfind(b"\n", 0, at) + 1
            end = text.find(b"\n", at)
            end = end if end >= 0 else len(text)
            if text[start : start + 1] not in b";MmTt" and word.match(text, start, end):
                return True
            at = text.find(one, end)
    return False


def read_fences(ours: bytes) -> Iterator[Fence]:
    """The fences of one of our pieces.

    Raises
    ------
    ProofError
        Something stands outside them, or one is not closed.
    """
    alone = _POSE.fullmatch(ours)  # as most are
    if alone:
        yield Fence("pose", int(alone[1]), alone[2].split(b"\n")[:-1])
        return
    fence: Fence | None = None
    for line in re.split(rb"\r\n|\r|\n", ours):
        mark = _FENCE.match(line) if line.startswith(b";") else None
        if mark and mark[3] == b"begin" and fence is None:
            fence = Fence(mark[1].decode(), int(mark[2] or 0))
        elif mark and fence and (mark[1].decode(), int(mark[2] or 0)) == (fence.kind, fence.number):
            yield fence
            fence = None
        elif mark or (line and fence is None):
            raise fail("output", f"{line.decode('latin-1')!r} stands where no fence allows it")
        elif fence is not None and line.startswith(_KEPT):
            fence.kept += line[len(_KEPT) :] + b"\n"
        elif fence is not None and line:
            fence.lines.append(line)
    if fence is not None:
        raise fail("output", f"the fence of {fence.kind} {fence.number} is not closed")


def is_progress(fence: Fence) -> bool:
    """One remaining-time line in place of another."""
    both = [*fence.lines, *fence.kept.splitlines()]
    return fence.kind == "lines" and len(both) == 2 and all(map(_PROGRESS.match, both))


def fail(where: str, found: str) -> ProofError:
    """What is wrong with a block, or with the output."""
    return ProofError(where, found, "Nothing was written; please report this with the job")
