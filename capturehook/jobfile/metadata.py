"""Key/value data of a binary job, and the record we keep in it.

Format: libbgcode src/LibBGCode/binarize/binarize.cpp: `key=value` and a newline, UTF-8. A line
without `=` makes that library loop for ever, so none is ever written.
"""

from __future__ import annotations

import base64
import json
import re
import zlib
from dataclasses import dataclass, field
from typing import Any

from capturehook.errors import FileError
from capturehook.jobfile.record import MIB

KEY = b"capturehook="
TIMES = (b"estimated printing time (normal mode)", b"estimated printing time (silent mode)")
_TIME = re.compile(rb"(?:(\d+)d)?\s*(?:(\d+)h)?\s*(?:(\d+)m)?\s*(?:(\d+)s)?\s*\Z")
MOST_RECORD_BYTES = 512 * MIB


@dataclass
class Record:
    """What a posed binary job keeps about the file it was.

    ``sha256`` is of that whole file, ``text_sha256`` of its G-code as text. ``comments`` are
    (line index, text): comments of ours that the encoding cannot keep, each before that line
    of the stored text. ``joined`` are
    (G-code block, bytes at the end of the one before it, bytes at its start): blocks that
    were one, and what was put between them. ``kept`` holds stored data that compressing
    anew would not give back: number of the block in the old file -> (its size, data).
    """

    sha256: str = ""
    text_sha256: str = ""
    comments: list[tuple[int, str]] = field(default_factory=list)
    joined: list[tuple[int, int, int]] = field(default_factory=list)
    kept: dict[int, tuple[int, bytes]] = field(default_factory=dict)

    def line(self) -> bytes:
        kept = {
            str(at): (size, base64.b64encode(data).decode())
            for at, (size, data) in self.kept.items()
        }
        sums = {"sha256": self.sha256, "text_sha256": self.text_sha256}
        whole = {"v": 1, **sums, "comments": self.comments}
        text = json.dumps({**whole, "joined": self.joined, "kept": kept}, separators=(",", ":"))
        return KEY + base64.b64encode(zlib.compress(text.encode())) + b"\n"


def read_record(data: bytes, name: str) -> Record | None:
    """Our line of a block's key/value data.

    Raises
    ------
    FileError
        The line is there and is damaged.
    """
    found = re.findall(rb"(?m)^capturehook=([^\n]*)$", data)
    if not found:
        return None
    try:
        if len(found) > 1:
            raise ValueError("it is there twice")
        unpacker = zlib.decompressobj()
        text = unpacker.decompress(base64.b64decode(found[0], validate=True), MOST_RECORD_BYTES)
        if not unpacker.eof:
            raise ValueError("it is too long")
        return _record(json.loads(text))
    except (ValueError, KeyError, TypeError, zlib.error, RecursionError) as fault:
        raise FileError(
            name,
            f"the record of its pose blocks is damaged ({fault})",
            "Take the original, or slice the model again",
        ) from fault


def _record(raw: Any) -> Record:
    if raw["v"] != 1:
        raise ValueError("it is of a newer version")
    comments = [(int(line), str(text)) for line, text in raw["comments"]]
    joined = [(int(at), int(end), int(start)) for at, end, start in raw["joined"]]
    if any(line < 0 or "\n" in text or "\r" in text for line, text in comments):
        raise ValueError("a comment has no place")
    if any(min(one) < 0 for one in joined):
        raise ValueError("a block has no place")
    kept = {
        int(at): (int(size), base64.b64decode(data, validate=True))
        for at, (size, data) in raw["kept"].items()
    }
    return Record(str(raw["sha256"]), str(raw["text_sha256"]), comments, joined, kept)


def with_record(data: bytes, record: Record | None) -> bytes:
    """Key/value data with our line at its end in the place of an older one."""
    parts = [line for line in data.splitlines(keepends=True) if not line.startswith(KEY)]
    if record is None:
        return b"".join(parts)
    if parts and not parts[-1].endswith(b"\n"):
        parts[-1] += b"\n"
    return b"".join([*parts, record.line()])


def with_longer_times(data: bytes, added_s: float) -> bytes:
    """Key/value data with its printing times made longer; times in another form stay."""
    lines = []
    for line in data.splitlines(keepends=True):
        key, _, value = line.partition(b"=")
        match = _TIME.match(value.strip()) if key in TIMES else None
        if match is None or not any(match.groups()):
            lines.append(line)
            continue
        end = line[len(line.rstrip(b"\r\n")) :]
        lines.append(key + b"=" + _duration(_seconds(match) + added_s) + end)
    return b"".join(lines)


def _seconds(match: re.Match[bytes]) -> int:
    days, hours, minutes, seconds = (int(part or 0) for part in match.groups())
    return ((days * 24 + hours) * 60 + minutes) * 60 + seconds


def _duration(seconds: float) -> bytes:
    """In the form of the format's own writer; the firmware keeps 15 letters of it
    (Buddy firmware src/common/gcode/gcode_info.hpp)."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    parts = [(days, "d"), (hours, "h"), (minutes, "m"), (rest, "s")]
    while len(parts) > 1 and parts[0][0] == 0:
        parts.pop(0)
    return " ".join(f"{count}{unit}" for count, unit in parts).encode()


def as_comments(data: bytes) -> bytes:
    """Key/value data as comment lines, as plain jobs carry them; without our own."""
    lines = (line.rstrip(b"\r").partition(b"=") for line in data.split(b"\n"))
    return b"".join(
        b"; " + key + b" = " + value + b"\n"
        for key, equals, value in lines
        if equals and not key.startswith(b"capturehook")
    )
