"""Plain jobs, and jobs in a gzip file (RFC 1952)."""

from __future__ import annotations

import re
import struct
import zlib

from capturehook.errors import FileError
from capturehook.jobfile.record import (
    AGAIN,
    CHANGED,
    MIB,
    Edits,
    JobFile,
    JobText,
    Written,
    apply_edits,
    check_growth,
    check_memory,
)
from capturehook.jobfile.squeeze import deflate, match_deflate

MAGIC = b"\x1f\x8b"
CHUNK = 1 << 16
EXTRA, NAME, COMMENT, HEADER_SUM = 4, 8, 16, 2
FIELD = b"ch"
"""Our subfield of a header's extra field (RFC 1952, 2.3.1.1)."""
MATCHED, WHOLE = b"M", b"W"
"""What follows in it: level and memory of zlib; or the original file."""
EMPTY_END = b"\x03\x00" + bytes(8)
"""No text at all, deflated; its checksum and length."""


class PlainJob(JobFile):
    """A job that is text already."""

    kind = "plain"

    def __init__(self, data: bytes, name: str) -> None:
        check_memory(name, len(data))
        self.jobs = (JobText(name, data),)
        if re.match(rb";\s*MD5\s*:", data, re.IGNORECASE):
            self.notes = (
                "its first line is a checksum of the job: firmware that checks it may cancel or "
                "delete an edited job. Take the line out, or let the host write it last",
            )

    def posed(self, edits: Edits, added_s: float | None = None) -> Written:
        return Written(apply_edits(self.jobs[0].text, edits.get(0, ())))

    def stripped(self, edits: Edits) -> Written:
        return self.posed(edits)


class GzipJob(JobFile):
    """A job packed by gzip.

    How to pack it again as it was, or all of it where zlib cannot, is kept behind the job in
    the headers of members that hold no text (every reader of gzip passes over those).
    """

    kind = "gzip"

    def __init__(self, data: bytes, name: str) -> None:
        self.data = data
        text, self.kept = _members(data, name)
        if text.startswith((b"GCDE", b"PK\x03\x04", MAGIC)):
            raise FileError(
                name, "is a packed job packed once more by gzip", "Unpack it with `gzip -d` first"
            )
        self.jobs = (JobText(name, text),)
        self.header = data[: _header_end(data, 0)]

    def posed(self, edits: Edits, added_s: float | None = None) -> Written:
        text = self.jobs[0].text
        stored = self.data[len(self.header) : -8]
        match = match_deflate(stored, text) if _tail(text) == self.data[-8:] else None
        new = apply_edits(text, edits.get(0, ()))
        whole = self.header + deflate(new, *(match or (6, 8))) + _tail(new)
        if match is not None:
            return Written(whole + _keeping(MATCHED + bytes(match)))
        note = (
            f"its compressor cannot be matched: the {len(self.data)} bytes of the original are "
            "kept in the file, so that strip can give it back"
        )
        return Written(whole + _keeping(WHOLE + self.data), (note,))

    def stripped(self, edits: Edits) -> Written:
        name = self.jobs[0].name
        text = apply_edits(self.jobs[0].text, edits.get(0, ()))
        how = self.kept[:1]
        if how == WHOLE and _members(self.kept[1:], name)[0] == text:
            return Written(self.kept[1:])
        if not edits.get(0) and not how:
            return Written(self.data)
        level, memory = self.kept[1:3] if how == MATCHED and len(self.kept) == 3 else (6, 8)
        if not (1 <= level <= 9 and 1 <= memory <= 9):
            raise FileError(name, "the record of its pose blocks is damaged", AGAIN)
        data = self.header + deflate(text, level, memory) + _tail(text)
        return Written(data, (CHANGED,) if how == WHOLE else ())


def _tail(text: bytes) -> bytes:
    return struct.pack("<II", zlib.crc32(text), len(text) & 0xFFFFFFFF)


def _header_end(data: bytes, at: int) -> int:
    """Where the packed data of the member at ``at`` begins; past the end where it is cut."""
    flags = data[at + 3] if at + 3 < len(data) else 0
    end = at + 10
    if flags & EXTRA:
        end += 2 + int.from_bytes(data[end : end + 2], "little")
    for flag in (NAME, COMMENT):
        if flags & flag:
            zero = data.find(b"\0", end)
            end = zero + 1 if zero >= 0 else len(data) + 1
    return end + (2 if flags & HEADER_SUM else 0)


def _members(data: bytes, name: str) -> tuple[bytes, bytes]:
    """The text of all members, and what members of ours keep.

    Raises
    ------
    FileError
        Cut, damaged, or unpacking to more than any job.
    """
    parts, kept, at, size = [], [], 0, 0
    while at < len(data):
        if data[at : at + 2] != MAGIC:
            if not data[at:].strip(b"\0"):  # tapes pad with zeros
                break
            raise FileError(name, f"has {len(data) - at} bytes behind its gzip data", AGAIN)
        kept.append(_kept_in(data, at))
        unpacker = zlib.decompressobj(31)
        try:
            while not unpacker.eof and at < len(data):
                piece = data[at : at + CHUNK]
                at += len(piece)
                while piece and not unpacker.eof:
                    parts.append(unpacker.decompress(piece, 8 * MIB))
                    piece = unpacker.unconsumed_tail
                    size += len(parts[-1])
                    check_growth(name, len(data), size)
        except zlib.error as fault:
            raise FileError(name, f"is a damaged gzip file ({fault})", AGAIN) from fault
        if not unpacker.eof:
            raise FileError(name, "is cut short: its gzip data has no end", AGAIN)
        at -= len(unpacker.unused_data)
    return b"".join(parts), b"".join(kept)


def _kept_in(data: bytes, at: int) -> bytes:
    """What the header of a member of ours keeps."""
    field = data[at + 12 : at + 16]
    if data[at + 3 : at + 4] != bytes([EXTRA]) or field[:2] != FIELD:
        return b""
    return data[at + 16 : at + 16 + int.from_bytes(field[2:], "little")]


def _keeping(data: bytes) -> bytes:
    """Members without text whose headers hold ``data``."""
    parts, most = [], 0xFFFF - 4
    for at in range(0, len(data), most):
        piece = data[at : at + most]
        extra = FIELD + struct.pack("<H", len(piece)) + piece
        head = MAGIC + bytes((8, EXTRA, 0, 0, 0, 0, 0, 255)) + struct.pack("<H", len(extra))
        parts.append(head + extra + EMPTY_END)
    return b"".join(parts)
