"""The comments around what was put in; finds and takes out blocks of an earlier run.

Every inserted line stands between a `begin` and an `end` comment. The end carries a digest of
the block: only what was written with it is ever taken out. A line of the job that had to be
changed is kept inside the fence, after `; capturehook kept `, and put back by `strip`.
"""

from __future__ import annotations

import hashlib
import re
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from capturehook.errors import Finding, GcodeError, Where

MARK = b"; capturehook "
DIGITS = 6
MOST_TRIES = 20_000
"""Digests computed at most in a file to find out which lines were added to its blocks."""
_NAME = rb"(job|pose [0-9]+|lines [0-9]+)"
_FENCE = re.compile(
    rb"; capturehook "
    + _NAME
    + rb" (?:(begin)\b[^\r\n]*|end(?: ([0-9a-f]{6}))?[ \t]*)(?:\r\n|\n|\r|\Z)"
)
_LINE = re.compile(rb"([^\r\n]*)(\r\n|\n|\r|\Z)")
KEPT = b"; capturehook kept "
_NUMBER = rb"-?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)"
_MOTION = rb"G[0-3](?: [XYZEAFIJ]" + _NUMBER + rb")+;?"
_UNSEALED = {
    b"pose": re.compile(
        rb"G[0-3](?: [XYZFIJ]"
        + _NUMBER
        + rb")+;?|G[01](?: [ZEAF]"  # nothing was ever laid on the way
        + _NUMBER
        + rb")+;?|G4 P[0-9]+(?:\.[0-9]+)?;?|M400|G9[01]|M8[23]|G92 [A-Z]"
        + _NUMBER
        + rb"|G1[01]|M240|(?:M42|M280|M340)(?: [PS][-0-9.]+)+;?|M6[45] P[0-9]+"
        + rb"|(?:SET_PIN|SET_SERVO|SET_LED|RESPOND) [^\r\n]*|M11[78] [^\r\n]*|; [^\r\n]*"
    ),
    b"lines": re.compile(_MOTION + rb"|M73(?: [A-Z][0-9.]+)+"),
}
"""Lines that blocks without a digest may hold: what was written before there was one."""
_KEPT_UNSEALED = re.compile(rb"[ \t]*(?:N[0-9]+ *)?(?:[Gg]0*[0-3]|[Mm]0*73)(?![0-9])[^\r\n]*")


def pose_begin(pose: int, layer: int, z_mm: float) -> str:
    z = f"{z_mm:.2f}" if abs(round(z_mm, 2) - z_mm) < 1e-9 else f"{z_mm:.3f}"
    return f"; capturehook pose {pose} begin layer {layer} z {z}"


def pose_end(pose: int) -> str:
    """The end of a block; `sealed` adds the digest."""
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


def sealed(lines: Sequence[bytes]) -> list[bytes]:
    """The same lines (without line ends) with a digest behind the end of each block."""
    found: list[bytes] = []
    begin = 0
    for line in lines:
        mark = _FENCE.fullmatch(line) if line.startswith(MARK) else None
        if mark and mark[2]:
            begin = len(found)
        elif mark and mark[1] != b"job":
            line = mark[0].rstrip() + b" " + digest_of(found[begin:])
        found.append(line)
    return found


def digest_of(lines: Sequence[bytes]) -> bytes:
    """Of a block's lines without their line ends, the begin among them and the end not."""
    return hashlib.sha256(b"\n".join(lines)).hexdigest()[:DIGITS].encode()


@dataclass(frozen=True, slots=True)
class Fenced:
    """One stretch to take out: byte offsets, and the bytes to put in its place.

    ``foreign`` are lines in it that were not written with it, by offset; they are among
    ``kept``.
    """

    name: str
    start: int
    stop: int
    kept: bytes
    foreign: tuple[tuple[int, bytes], ...] = ()


def find_fences(data: bytes, path: str, *, keep_foreign: bool = False) -> list[Fenced]:
    """Every fence of a job, in file order.

    Raises
    ------
    GcodeError
        A fence is damaged: it begins and has no end, or the other way round, stands within
        another, or twice, or out of order; or it does not hold what was written with it.
        With ``keep_foreign`` lines added to a block are no fault: they are kept in its place.
    """
    found: list[Fenced] = []
    begin: re.Match[bytes] | None = None
    tries = [MOST_TRIES]
    for mark in _marks(data):
        if mark[2] and begin is None:
            begin = mark
            continue
        if begin is None:
            raise _damaged(
                data, path, mark.start(), f"the block {_of(mark)} ends here and has no begin"
            )
        if mark[2] or mark[1] != begin[1]:
            break
        found.append(_read(data, path, begin, mark, keep_foreign, tries))
        begin = None
    if begin is not None:
        raise _damaged(
            data, path, begin.start(), f"the block {_of(begin)} begins here and has no end"
        )
    _refuse_order(data, path, found)
    return _open_ended(data, found)


def _marks(data: bytes) -> Iterator[re.Match[bytes]]:
    """Begins and ends that stand at the start of a line. Looking for the literal first lets
    the search run at memory speed."""
    at = data.find(MARK)
    while at >= 0:
        mark = _FENCE.match(data, at) if at == 0 or data[at - 1] in b"\r\n" else None
        if mark:
            yield mark
        at = data.find(MARK, at + 1)


def _of(mark: re.Match[bytes]) -> str:
    return repr(mark[1].decode())


def _damaged(data: bytes, path: str, at: int, found: str) -> GcodeError:
    advice = "The job was cut or edited: take the original, or slice the model again"
    return GcodeError(Where(path, line_no=_line_no(data, at)), found, advice)


def _line_no(data: bytes, at: int) -> int:
    return len(re.findall(rb"\r\n|\n|\r", data[:at])) + 1


def _refuse_order(data: bytes, path: str, fences: Sequence[Fenced]) -> None:
    """Blocks count upwards and stand once each; other fences stand once."""
    seen: set[str] = set()
    last = 0
    for fence in fences:
        kind, _, number = fence.name.partition(" ")
        if fence.name in seen:
            raise _damaged(data, path, fence.start, f"the block {fence.name!r} stands here again")
        seen.add(fence.name)
        if kind == "pose" and int(number) < last:
            raise _damaged(data, path, fence.start, f"the block {fence.name!r} is out of order")
        last = int(number) if kind == "pose" else last


def _read(
    data: bytes,
    path: str,
    begin: re.Match[bytes],
    end: re.Match[bytes],
    keep_foreign: bool,
    tries: list[int],
) -> Fenced:
    """One fence, whose lines are believed only as far as its digest, or its form, bears them."""
    name, text = begin[1].decode(), data[begin.start() : end.start()]
    if b"\r" not in text and KEPT not in text and digest_of([text[:-1]]) == end[3]:
        return Fenced(name, begin.start(), end.end(), b"")
    lines = [
        (line.start(), line[1], line[2])
        for line in _LINE.finditer(data, begin.end(), end.start())
        if line[0]
    ]
    foreign = _foreign(begin, end, [text for _, text, _ in lines], tries)
    if foreign is None:
        raise _damaged(
            data, path, begin.start(), f"the block {_of(begin)} is not as it was written"
        )
    if foreign and not keep_foreign:
        at, text, _ = lines[foreign[0]]
        raise GcodeError(
            Where(path, line_no=_line_no(data, at)),
            f"{text.decode('latin-1')!r} stands in the block {_of(begin)}, and was not written "
            "with it",
            "`capturehook strip` keeps such lines and names them; or take the original job",
        )
    kept = []
    for number, (_, text, line_end) in enumerate(lines):
        if number in foreign:
            kept.append(text + line_end)
        elif text.startswith(KEPT) and begin[1].startswith(b"lines"):
            kept.append(text[len(KEPT) :] + line_end)
    return Fenced(
        name,
        begin.start(),
        end.end(),
        b"".join(kept),
        tuple((lines[number][0], lines[number][1]) for number in foreign),
    )


def _foreign(
    begin: re.Match[bytes], end: re.Match[bytes], inside: Sequence[bytes], tries: list[int]
) -> Sequence[int] | None:
    """Which lines were not written with the block; None where that cannot be told."""
    kind = begin[1].split()[0]
    if kind == b"job":
        return range(len(inside))
    if end[3] is None:
        return _foreign_by_form(kind, inside)
    head, count = begin[0].rstrip(b"\r\n"), len(inside)
    if digest_of([head, *inside]) == end[3]:
        return ()
    by_form = _foreign_by_form(kind, inside) or ()
    if by_form and digest_of([head, *_but(inside, set(by_form))]) == end[3]:
        return by_form
    for added in range(1, count + 1):  # lines put in stand together, as a rule
        for at in range(count - added + 1):
            tries[0] -= 1 + count // 64
            if tries[0] < 0:
                return None
            if digest_of([head, *inside[:at], *inside[at + added :]]) == end[3]:
                return range(at, at + added)
    return None


def _but(lines: Sequence[bytes], without: set[int]) -> list[bytes]:
    return [line for number, line in enumerate(lines) if number not in without]


def _foreign_by_form(kind: bytes, inside: Sequence[bytes]) -> Sequence[int] | None:
    """A block written before there were digests: by the forms its writer knew."""
    foreign = []
    for number, line in enumerate(inside):
        if line.startswith(KEPT):
            if kind != b"lines" or not _KEPT_UNSEALED.fullmatch(line[len(KEPT) :]):
                return None
        elif not _UNSEALED[kind].fullmatch(line.rstrip()):
            foreign.append(number)
    return foreign


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
    """The job without anything we ever put in: byte for byte the original.

    Raises
    ------
    GcodeError
        A fence is damaged, or holds what was not written with it; see :func:`find_fences`.
    """
    if MARK not in data:
        return data
    return _without(data, find_fences(data, path))


def strip_naming(data: bytes, path: str = "job") -> tuple[bytes, int, list[Finding]]:
    """As :func:`strip_bytes`, but lines added to a block stay, in its place, and are named.

    Returns
    -------
    (the job, number of pose blocks taken out, a finding for each line that stays)
    """
    fences = find_fences(data, path, keep_foreign=True)
    blocks = sum(fence.name.startswith("pose") for fence in fences)
    return _without(data, fences), blocks, foreign_findings(data, path, fences)


def foreign_findings(data: bytes, path: str, fences: Sequence[Fenced]) -> list[Finding]:
    """A finding for each line that was not written with the block it stands in."""
    if not any(fence.foreign for fence in fences):
        return []
    starts = [line.start() for line in _LINE.finditer(data)]
    return [
        Finding(
            "foreign-line",
            str(Where(path, line_no=bisect_right(starts, at))),
            f"{text.decode('latin-1')!r} stood in the block {fence.name!r} and was not written "
            "with it: it is kept",
        )
        for fence in fences
        for at, text in fence.foreign
    ]


def _without(data: bytes, fences: Sequence[Fenced]) -> bytes:
    return b"".join(_parts(data, fences)) if fences else data


def _parts(data: bytes, fences: Sequence[Fenced]) -> Iterator[bytes]:
    at = 0
    for fence in fences:
        yield data[at : fence.start]
        yield fence.kept
        at = fence.stop
    yield data[at:]
