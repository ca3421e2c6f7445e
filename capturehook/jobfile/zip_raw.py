"""A zip container with some members replaced; every other byte of the members is copied raw.

Record layouts: PKWARE APPNOTE.TXT, sections 4.3.7 (local header), 4.3.9 (data descriptor),
4.3.12 (central header), 4.3.14 to 4.3.16 (end records) and 4.5.3 (64-bit sizes).
"""

from __future__ import annotations

import os
import struct
import zipfile
import zlib
from bisect import bisect_right
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from capturehook.errors import FileError, ProofError, Where
from capturehook.files import write_stream_atomically
from capturehook.jobfile.record import AGAIN
from capturehook.jobfile.squeeze import deflate

LOCAL = struct.Struct("<4s5H3I2H")
CENTRAL = struct.Struct("<4s6H3I5H2I")
END = struct.Struct("<4s4H2IH")
END_64 = struct.Struct("<4sQ2H2I4Q")
LOCATOR_64 = struct.Struct("<4sIQI")
SIZES_64 = struct.Struct("<2H2Q")  # extra field 1 of a local header
MAX_32 = 0xFFFFFFFF
SIZED_LATER = 0x8  # flag bit 3: sizes stand in a descriptor after the data


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One member as the table of contents has it; ``raw`` is its whole central header."""

    raw: bytes
    name: bytes
    offset: int
    packed_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """The table of contents: entries in order, where it begins, and what stands behind it."""

    entries: tuple[Entry, ...]
    start: int
    end_record: bytes


def read_contents(file: IO[bytes], path: Path) -> Contents:
    """The raw table of contents of an open zip.

    Raises
    ------
    FileError
        64-bit entries, several disks, or bytes the table does not explain.
    """
    size = file.seek(0, os.SEEK_END)
    file.seek(max(0, size - END.size - 0xFFFF - END_64.size - LOCATOR_64.size))
    tail = file.read()
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) - at < END.size:
        raise _odd(path, "has no end record")
    end_record = tail[at:]
    _, disk, first_disk, here, count, table_bytes, start, comment = END.unpack_from(end_record)
    if END.size + comment != len(end_record):
        raise _odd(path, "has bytes after its end")
    end_at = size - len(end_record)
    long_end = tail[max(0, at - END_64.size - LOCATOR_64.size) : at]
    if long_end[:4] == b"PK\x06\x06" and long_end[END_64.size :][:4] == b"PK\x06\x07":
        *_, disk, first_disk, here, count, table_bytes, start = END_64.unpack_from(long_end)
        end_record, end_at = long_end + end_record, end_at - len(long_end)
    elif 0xFFFF in (disk, here, count) or MAX_32 in (table_bytes, start):
        raise _odd(path, "has 64-bit records")
    if (disk, first_disk, here) != (0, 0, count) or start + table_bytes != end_at:
        raise _odd(path, "has bytes its table of contents does not explain")
    file.seek(start)
    return Contents(
        entries=_entries(file.read(table_bytes), count, path), start=start, end_record=end_record
    )


def _entries(table: bytes, count: int, path: Path) -> tuple[Entry, ...]:
    entries = []
    at = 0
    for _ in range(count):
        if table[at : at + 4] != b"PK\x01\x02" or at + CENTRAL.size > len(table):
            raise _odd(path, "has a damaged table of contents")
        field = CENTRAL.unpack_from(table, at)
        name_end = at + CENTRAL.size + field[10]
        end = name_end + field[11] + field[12]
        if MAX_32 in (field[8], field[9], field[16]):
            raise _odd(path, "has 64-bit records")
        entries.append(
            Entry(
                raw=table[at:end],
                name=table[at + CENTRAL.size : name_end],
                offset=field[16],
                packed_bytes=field[8],
            )
        )
        at = end
    if at != len(table):
        raise _odd(path, "has bytes its table of contents does not explain")
    return tuple(entries)


def _odd(path: Path, found: str) -> FileError:
    return FileError(str(path), f"{found}; it is not rebuilt", "Write the job as a plain zip")


def replace_member(path: Path, name: str, data: bytes, out_path: Path) -> None:
    """Write the container at ``path`` to ``out_path`` with other ``data`` in one member.

    All other local records (header, packed bytes, descriptor), the order, dates, extra
    fields and comments are copied as they are. ``out_path`` may be ``path``; it is replaced
    whole or not at all, after the new member has been read back.

    Raises
    ------
    FileError
        A zip that cannot be rebuilt so, or the disk fails.
    """

    def produce(out: IO[bytes]) -> None:
        with path.open("rb") as file:
            rebuild(file, path, {name: Member(data)}, out)
        out.flush()
        _read_back(out, path, name, data)

    write_stream_atomically(out_path, produce)


@dataclass(frozen=True, slots=True)
class Member:
    """New content of a member: its plain bytes, and those bytes packed (None: packed here)."""

    plain: bytes
    packed: bytes | None = None


def rebuild(
    file: IO[bytes],
    path: Path,
    changed: Mapping[str, Member],
    out: IO[bytes],
    *,
    added: Mapping[str, bytes] | None = None,
    dropped: Collection[str] = (),
) -> None:
    """Write an open container to ``out`` with some members changed, added or dropped.

    Added members are stored, not packed, behind all others; only such may be dropped.

    Raises
    ------
    FileError
        A zip that cannot be rebuilt so.
    """
    contents = read_contents(file, path)
    found = ((_found(contents, name, path), member) for name, member in changed.items())
    targets = {entry: _packed(entry, member) for entry, member in found}
    gone = {_found(contents, name, path) for name in dropped}
    table, at, begin = bytearray(), 0, out.tell()
    shifts: list[tuple[int, int]] = []
    for entry in sorted({*targets, *gone}, key=lambda entry: entry.offset):
        _copy(file, at, entry.offset, out)
        if entry in gone:
            at = _record_end(file, entry)
        else:
            record, at = _new_record(file, entry, targets[entry])
            out.write(record)
        shifts.append((at, out.tell() - begin - at))
    _copy(file, at, contents.start, out)
    shift_at, shifted = [place for place, _ in shifts], [0, *(shift for _, shift in shifts)]
    count = len(contents.entries) - len(gone)
    for entry in contents.entries:
        if entry in gone:
            continue
        raw = bytearray(entry.raw)
        if entry in targets:
            _patch_central(raw, targets[entry])
        shift = shifted[bisect_right(shift_at, entry.offset)]
        struct.pack_into("<I", raw, 42, entry.offset + shift)
        table += raw
    for name, data in (added or {}).items():
        table += _added_entry(name, data, out.tell() - begin)
        out.write(_added_record(name, data))
        count += 1
    start = out.tell() - begin
    if max(start, count * 0x10001) > MAX_32:
        raise _odd(path, "would grow past 4 GB")
    out.write(table)
    out.write(_end_records(contents.end_record, count, len(table), start))


def _end_records(old: bytes, count: int, table_bytes: int, start: int) -> bytes:
    """The end record with other numbers, and the 64-bit one where there was one. Numbers that
    are only there stay so."""
    end_record, at = bytearray(old), 0
    if old.startswith(b"PK\x06\x06"):
        at = END_64.size + LOCATOR_64.size
        struct.pack_into("<4Q", end_record, 24, count, count, table_bytes, start)
        struct.pack_into("<Q", end_record, END_64.size + 8, start + table_bytes)
    was = struct.unpack_from("<2H2I", old, at + 8)
    now = zip(
        was, (0xFFFF, 0xFFFF, MAX_32, MAX_32), (count, count, table_bytes, start), strict=True
    )
    kept = (old if old == most and at else new for old, most, new in now)
    struct.pack_into("<2H2I", end_record, at + 8, *kept)
    return bytes(end_record)


def _found(contents: Contents, name: str, path: Path) -> Entry:
    names = (name.encode("utf-8"), name.encode("cp437", "ignore"))
    found = [entry for entry in contents.entries if entry.name in names]
    if len(found) != 1:
        raise FileError(Where(str(path), key=name), "is not in the container once", AGAIN)
    return found[0]


def packed_bytes(file: IO[bytes], path: Path, name: str) -> tuple[int, bytes]:
    """How a member is packed (0 stored, 8 deflated), and its packed bytes."""
    entry = _found(read_contents(file, path), name, path)
    fields, labels = _local(file, entry)
    file.seek(entry.offset + LOCAL.size + len(labels))
    return fields[3], file.read(entry.packed_bytes)


def _local(file: IO[bytes], entry: Entry) -> tuple[tuple[int, ...], bytes]:
    file.seek(entry.offset)
    header = file.read(LOCAL.size)
    if len(header) < LOCAL.size or header[:4] != b"PK\x03\x04":
        name = entry.name.decode("utf-8", "replace")
        raise FileError(Where("the zip", key=name), "has a damaged member header", AGAIN)
    fields = LOCAL.unpack(header)
    return fields, file.read(fields[9] + fields[10])


def _record_end(file: IO[bytes], entry: Entry) -> int:
    fields, labels = _local(file, entry)
    end = entry.offset + LOCAL.size + len(labels) + entry.packed_bytes
    if fields[2] & SIZED_LATER:
        file.seek(end)
        end += 16 if file.read(4) == b"PK\x07\x08" else 12
        end += 8 if _sizes_at(fields, labels) else 0
    return end


def _sizes_at(fields: tuple[int, ...], labels: bytes) -> int:
    """Where the 64-bit sizes of a local header stand behind its name; 0: nowhere."""
    at = fields[9]
    while at + 4 <= len(labels):
        kind, size = struct.unpack_from("<2H", labels, at)
        if kind == 1:
            return at if size >= SIZES_64.size - 4 and MAX_32 in fields[7:9] else 0
        at += 4 + size
    return 0


def _new_record(file: IO[bytes], entry: Entry, member: Member) -> tuple[bytes, int]:
    """The member's new local record, and where the old one ended. Its form stays as it was."""
    fields, labels = _local(file, entry)
    signature, version, flags, method, time, date, crc, size, plain_size, *lengths = fields
    old_end = _record_end(file, entry)
    packed, sizes_at = member.packed or b"", _sizes_at(fields, labels)
    sums = (zlib.crc32(member.plain), len(packed), len(member.plain))
    stated = sums if (crc, size, plain_size) != (0, 0, 0) or not flags & SIZED_LATER else (0, 0, 0)
    if sizes_at:
        old_sizes = SIZES_64.unpack_from(labels, sizes_at)[2:]
        stated = (stated[0] if crc else 0, MAX_32, MAX_32)
        if any(old_sizes):
            sizes = struct.pack("<2Q", sums[2], sums[1])
            labels = labels[: sizes_at + 4] + sizes + labels[sizes_at + 4 + len(sizes) :]
    head = LOCAL.pack(signature, version, flags, method, time, date, *stated, *lengths)
    record = head + labels + packed
    if flags & SIZED_LATER:
        signed = old_end - (entry.offset + LOCAL.size + len(labels) + entry.packed_bytes) in (
            16,
            24,
        )
        form = "<I2Q" if sizes_at else "<3I"
        record += (b"PK\x07\x08" if signed else b"") + struct.pack(form, *sums)
    return record, old_end


def _packed(entry: Entry, member: Member) -> Member:
    (method,) = struct.unpack_from("<H", entry.raw, 10)
    if member.packed is not None:
        return member
    stored = method == zipfile.ZIP_STORED
    return Member(member.plain, member.plain if stored else deflate(member.plain))


def _patch_central(raw: bytearray, member: Member) -> None:
    packed = member.packed or b""
    struct.pack_into("<3I", raw, 16, zlib.crc32(member.plain), len(packed), len(member.plain))


ADDED = (20, 0x800, 0, 0, 0x21)  # version 2.0, name in UTF-8, stored, midnight, 1980-01-01


def _added_record(name: str, data: bytes) -> bytes:
    label, size = name.encode(), len(data)
    head = LOCAL.pack(b"PK\x03\x04", *ADDED, zlib.crc32(data), size, size, len(label), 0)
    return head + label + data


def _added_entry(name: str, data: bytes, offset: int) -> bytes:
    label, size = name.encode(), len(data)
    sums = (zlib.crc32(data), size, size, len(label))
    return CENTRAL.pack(b"PK\x01\x02", 20, *ADDED, *sums, 0, 0, 0, 0, 0, offset) + label


def _copy(file: IO[bytes], start: int, end: int, out: IO[bytes]) -> None:
    file.seek(start)
    left = end - start
    while left > 0:
        chunk = file.read(min(left, 1 << 20))
        if not chunk:
            raise OSError("the container shrank while it was copied")
        out.write(chunk)
        left -= len(chunk)


def _read_back(out: IO[bytes], path: Path, name: str, data: bytes) -> None:
    """The rebuilt container, read by the standard library before it replaces anything."""
    with os.fdopen(os.dup(out.fileno()), "rb") as again:
        try:
            with zipfile.ZipFile(again) as rebuilt:
                same = rebuilt.read(name) == data
        except (zipfile.BadZipFile, KeyError) as fault:
            raise ProofError(
                str(path), f"the rebuilt zip cannot be read ({fault})", "Nothing was changed"
            ) from fault
    if not same:
        raise ProofError(str(path), "the rebuilt zip holds other bytes", "Nothing was changed")
