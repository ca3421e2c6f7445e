"""A zip container with one member replaced; every other byte of the members is copied raw.

Record layouts: PKWARE APPNOTE.TXT, sections 4.3.7 (local header), 4.3.9 (data descriptor),
4.3.12 (central header) and 4.3.16 (end record).
"""

from __future__ import annotations

import os
import struct
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from capturehook.errors import FileError, ProofError, Where
from capturehook.files import write_stream_atomically

LOCAL = struct.Struct("<4s5H3I2H")
CENTRAL = struct.Struct("<4s6H3I5H2I")
END = struct.Struct("<4s4H2IH")
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
    """The table of contents: entries in order, where it begins, and the end record with comment."""

    entries: tuple[Entry, ...]
    start: int
    end_record: bytes


def read_contents(file: IO[bytes], path: Path) -> Contents:
    """The raw table of contents of an open zip.

    Raises
    ------
    FileError
        64-bit or several-disk records, or bytes the table does not explain.
    """
    size = file.seek(0, os.SEEK_END)
    file.seek(max(0, size - END.size - 0xFFFF))
    tail = file.read()
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) - at < END.size:
        raise _odd(path, "has no end record")
    end_record = tail[at:]
    _, disk, first_disk, here, count, table_bytes, start, comment = END.unpack_from(end_record)
    if 0xFFFF in (disk, here, count) or MAX_32 in (table_bytes, start):
        raise _odd(path, "has 64-bit records")
    end_at = size - len(end_record)
    if (disk, first_disk, here) != (0, 0, count) or start + table_bytes != end_at:
        raise _odd(path, "has bytes its table of contents does not explain")
    if END.size + comment != len(end_record):
        raise _odd(path, "has bytes after its end")
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
    return FileError(str(path), f"{found}; it is not rebuilt", "Export the job as a plain zip")


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
            _rebuild(file, path, name, data, out)
        out.flush()
        _read_back(out, path, name, data)

    write_stream_atomically(out_path, produce)


def _rebuild(file: IO[bytes], path: Path, name: str, data: bytes, out: IO[bytes]) -> None:
    contents = read_contents(file, path)
    names = (name.encode("utf-8"), name.encode("cp437", "ignore"))
    found = [entry for entry in contents.entries if entry.name in names]
    if len(found) != 1:
        raise FileError(
            Where(str(path), key=name), "is not in the container once", "Export it again"
        )
    target = found[0]
    record, packed_bytes, crc, old_end = _new_record(file, target, data)
    shift = target.offset + len(record) - old_end
    if contents.start + shift > MAX_32:
        raise _odd(path, "would grow past 4 GB")
    _copy(file, 0, target.offset, out)
    out.write(record)
    _copy(file, old_end, contents.start, out)
    for entry in contents.entries:
        raw = bytearray(entry.raw)
        if entry is target:
            _patch_central(raw, crc, packed_bytes, len(data))
        if entry.offset > target.offset:
            struct.pack_into("<I", raw, 42, entry.offset + shift)
        out.write(raw)
    end_record = bytearray(contents.end_record)
    struct.pack_into("<I", end_record, 16, contents.start + shift)
    out.write(end_record)


def _new_record(file: IO[bytes], target: Entry, data: bytes) -> tuple[bytes, int, int, int]:
    """(local record, packed size, CRC, where the old record ended)."""
    file.seek(target.offset)
    header = file.read(LOCAL.size)
    if len(header) < LOCAL.size or header[:4] != b"PK\x03\x04":
        raise FileError(
            str(file.name), "has a damaged member header", "Copy or export the job again"
        )
    signature, version, flags, method, time, date, *_, name_len, extra_len = LOCAL.unpack(header)
    labels = file.read(name_len + extra_len)
    end = target.offset + LOCAL.size + len(labels) + target.packed_bytes
    if flags & SIZED_LATER:
        file.seek(end)
        end += 16 if file.read(4) == b"PK\x07\x08" else 12
    packed = data if method == zipfile.ZIP_STORED else _deflate(data)
    crc = zlib.crc32(data)
    fixed = LOCAL.pack(
        signature,
        version,
        flags & ~SIZED_LATER,
        method,
        time,
        date,
        crc,
        len(packed),
        len(data),
        name_len,
        extra_len,
    )
    return fixed + labels + packed, len(packed), crc, end


def _deflate(data: bytes) -> bytes:
    packer = zlib.compressobj(6, zlib.DEFLATED, -15)
    return packer.compress(data) + packer.flush()


def _patch_central(raw: bytearray, crc: int, packed_bytes: int, plain_bytes: int) -> None:
    (flags,) = struct.unpack_from("<H", raw, 8)
    struct.pack_into("<H", raw, 8, flags & ~SIZED_LATER)
    struct.pack_into("<3I", raw, 16, crc, packed_bytes, plain_bytes)


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
