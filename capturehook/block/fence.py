"""Stage 6: the comments around what was put in; finds and takes out blocks of an earlier run.

Every inserted line stands between a `begin` and an `end` comment. A line of the job that had
to be changed is kept inside the fence, after `; capturehook kept `, and put back by `strip`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from capturehook.errors import GcodeError, Where

MARK = b"; capturehook "
_BEGIN = re.compile(rb"; capturehook (job|pose [0-9]+|lines [0-9]+) begin[^\r\n]*(\r\n|\n|\r|\Z)")
_LINE_START = rb"(?<![^\r\n])"  # re.M's ^ knows no lone carriage return
_END = re.compile(
    _LINE_START + rb"; capturehook (job|pose [0-9]+|lines [0-9]+) end[ \t]*(\r\n|\n|\r|\Z)"
)
_KEPT = re.compile(_LINE_START + rb"; capturehook kept ([^\r\n]*(?:\r\n|\n|\r|\Z))")


def pose_begin(pose: int, layer: int, z_mm: float) -> str:
    z = f"{z_mm:.2f}" if abs(round(z_mm, 2) - z_mm) < 1e-9 else f"{z_mm:.3f}"
    return f"; capturehook pose {pose} begin layer {layer} z {z}"


def pose_end(pose: int) -> str:
    return f"; capturehook pose {pose} end"


KEPT_HERE = "; capturehook kept "
"""Stands for the job's own line in lines to insert; `insert_blocks` completes it."""


def lines_begin(number: int) -> str:
    """Fence of job lines that are written differently; numbers count from 1 in a job."""
    return f"; capturehook lines {number} begin"


def lines_end(number: int) -> str:
    return f"; capturehook lines {number} end"


def job_fence(version: str, profile: str, digest: str) -> list[str]:
    return [
        f"; capturehook job begin {version} profile {profile} plan {digest}",
        "; capturehook job end",
    ]


@dataclass(frozen=True, slots=True)
class Fenced:
    """One stretch to take out: byte offsets, and the bytes to put in its place."""

    name: str
    start: int
    stop: int
    kept: bytes


def find_fences(data: bytes, path: str) -> list[Fenced]:
    """Every fence of a job, in file order.

    Raises
    ------
    GcodeError
        A fence is opened and never closed: the job was cut or edited by hand.
    """
    found, at = [], data.find(MARK)
    while at >= 0:
        begin = _BEGIN.match(data, at) if _starts_line(data, at) else None
        if begin is None:
            at = data.find(MARK, at + 1)
            continue
        end = _end_of(data, begin)
        if end is None or _BEGIN.search(data, begin.end(), end.start()):
            line_no = len(re.findall(rb"\r\n|\n|\r", data[:at])) + 1
            raise GcodeError(
                Where(path, line_no=line_no),
                f"the block {begin[1].decode()!r} begins here and has no end",
                "The job was cut or edited: take the original, or slice it again",
            )
        kept = b"".join(_KEPT.findall(data, begin.end(), end.start()))
        found.append(Fenced(begin[1].decode(), at, end.end(), kept))
        at = data.find(MARK, end.end())
    return _open_ended(data, found)


def _end_of(data: bytes, begin: re.Match[bytes]) -> re.Match[bytes] | None:
    """The line that closes a fence, by the name that opened it."""
    return next((end for end in _END.finditer(data, begin.end()) if end[1] == begin[1]), None)


def _starts_line(data: bytes, at: int) -> bool:
    return at == 0 or data[at - 1] in b"\r\n"


def _open_ended(data: bytes, found: list[Fenced]) -> list[Fenced]:
    """A job whose last line has no line end, closed by fences without one either.

    Where they took the place of that line, it is given back without a line end; else the line
    end that led them in is ours too.
    """
    if not found or found[-1].stop < len(data) or data[-1:] in (b"\n", b"\r"):
        return found
    first = len(found) - 1
    while first > 0 and found[first - 1].stop == found[first].start:
        first -= 1
    keeping = [at for at in range(first, len(found)) if found[at].kept]
    if keeping:
        last = found[keeping[-1]]
        found[keeping[-1]] = replace(last, kept=last.kept.rstrip(b"\r\n"))
    else:
        found[first] = replace(found[first], start=_before_line_end(data, found[first].start))
    return found


def _before_line_end(data: bytes, at: int) -> int:
    if data[at - 2 : at] == b"\r\n":
        return at - 2
    return max(at - 1, 0)


def strip_bytes(data: bytes, path: str = "job") -> bytes:
    """The job without anything we ever put in: byte for byte the original."""
    if MARK not in data:
        return data
    fences = find_fences(data, path)
    if not fences:
        return data
    parts, at = [], 0
    for fence in fences:
        parts += [data[at : fence.start], fence.kept]
        at = fence.stop
    parts.append(data[at:])
    return b"".join(parts)
