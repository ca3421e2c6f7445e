"""The blocks of a binary job: found, checked, unpacked, and made anew.

Format: libbgcode, doc/specifications.md. Sizes in a block's header count neither header,
parameters nor checksum; the checksum is CRC32 over all of these but itself.
"""

from __future__ import annotations

import struct
import sys
import sysconfig
import zlib
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import import_module
from importlib.machinery import PathFinder
from importlib.util import module_from_spec
from itertools import pairwise
from typing import Any

from capturehook.errors import FileError, Where
from capturehook.jobfile.record import AGAIN, MIB, check_growth

MAGIC = b"GCDE"
HEAD = struct.Struct("<4sIH")
BLOCK = struct.Struct("<HHI")
SIZE = struct.Struct("<I")
FILE_META, GCODE, SLICER_META, PRINTER_META, PRINT_META, THUMBNAIL = range(6)
NAMES = (
    "file metadata",
    "G-code",
    "slicer metadata",
    "printer metadata",
    "print metadata",
    "thumbnail",
)
NONE, ZLIB, SHRINK_11, SHRINK_12 = range(4)
PLAIN, PACKED, PACKED_COMMENTS = range(3)
DOUBLED_FROM_BYTES = 4096
"""So much of a print never comes twice in a row: places, heights or filament differ."""
MOST_BLOCK_BYTES = 64 * MIB
"""Uncompressed bytes of one block; the library's own writer stays at 64 KiB of text."""


@dataclass(frozen=True, slots=True)
class Block:
    """One block as it is stored. ``params`` are its parameters, ``stored`` its data."""

    kind: int
    compression: int
    size: int
    params: bytes
    stored: bytes

    @property
    def encoding(self) -> int:
        """Of metadata and G-code; a thumbnail has its picture format there."""
        return int.from_bytes(self.params[:2], "little")

    def whole(self, *, checksum: bool) -> bytes:
        head = BLOCK.pack(self.kind, self.compression, self.size)
        if self.compression:
            head += SIZE.pack(len(self.stored))
        whole = head + self.params + self.stored
        return whole + SIZE.pack(zlib.crc32(whole)) if checksum else whole

    def plain(self, where: Where) -> bytes:
        """The data without its compression.

        Raises
        ------
        FileError
            It does not unpack to the size its header states.
        """
        try:
            data = _unpacked(self)
        except (zlib.error, ValueError, RuntimeError, MemoryError) as fault:
            raise FileError(where, f"is damaged ({fault})", AGAIN) from fault
        if len(data) != self.size:
            raise FileError(
                where, f"unpacks to {len(data)} bytes, but its header states {self.size}", AGAIN
            )
        return data

    def holding(self, data: bytes) -> Block:
        """The same block with other data, compressed the same way."""
        return replace(self, size=len(data), stored=packed(data, self.compression))


@lru_cache(maxsize=1)
def _heatshrink() -> Any:
    """The package, when a block needs it. It imports argparse: let that be the standard
    library's, though an old distribution of that name may stand before it on the path."""
    if "argparse" not in sys.modules:
        spec = PathFinder.find_spec("argparse", [sysconfig.get_path("stdlib")])
        if spec is not None and spec.loader is not None:
            sys.modules["argparse"] = module_from_spec(spec)
            spec.loader.exec_module(sys.modules["argparse"])
    return import_module("heatshrink2")


def packed(data: bytes, compression: int) -> bytes:
    """Data compressed as the format names it, with the parameters of its own library."""
    if compression == ZLIB:
        return zlib.compress(data, -1)
    if compression in (SHRINK_11, SHRINK_12):
        window = 11 if compression == SHRINK_11 else 12
        return bytes(_heatshrink().compress(data, window_sz2=window, lookahead_sz2=4))
    return data


def _unpacked(block: Block) -> bytes:
    if block.compression == ZLIB:
        unpacker = zlib.decompressobj()
        data = unpacker.decompress(block.stored, block.size + 1)
        if not unpacker.eof or unpacker.unused_data:
            raise ValueError("its compressed data has another length")
        return data
    if block.compression in (SHRINK_11, SHRINK_12):
        window = 11 if block.compression == SHRINK_11 else 12
        data = bytes(_heatshrink().decompress(block.stored, window_sz2=window, lookahead_sz2=4))
        return data[: block.size] if not any(data[block.size :]) else data
    return block.stored


def read_blocks(data: bytes, name: str) -> tuple[list[Block], bool]:
    """Every block of a binary job, and whether blocks have checksums.

    Raises
    ------
    FileError
        Cut, damaged, of a version or with a block that is not known, or in an order that no
        reader takes.
    """
    if len(data) < HEAD.size:
        raise FileError(name, f"is cut short: {len(data)} bytes of a header of 10", AGAIN)
    _, version, checksum = HEAD.unpack_from(data)
    if version != 1:
        raise FileError(
            name,
            f"is a binary job of version {version}",
            "Only version 1 is known: save the job as text",
        )
    if checksum > 1:
        raise FileError(name, f"names checksum kind {checksum}; 0 and 1 are known", AGAIN)
    blocks: list[Block] = []
    at = HEAD.size
    while at < len(data):
        where = Where(name, key=f"block {len(blocks) + 1} at byte {at}")
        block, end = _read_block(data, at, where)
        if checksum:
            if end + SIZE.size > len(data):
                raise FileError(where, "is cut short", AGAIN)
            if zlib.crc32(memoryview(data)[at:end]) != SIZE.unpack_from(data, end)[0]:
                raise FileError(where, f"{NAMES[block.kind]} does not match its checksum", AGAIN)
            end += SIZE.size
        blocks.append(block)
        at = end
    _check_order(blocks, name)
    check_growth(name, len(data), sum(block.size for block in blocks))
    return blocks, bool(checksum)


def _read_block(data: bytes, at: int, where: Where) -> tuple[Block, int]:
    """The block at an offset, and where its data ends."""
    if at + BLOCK.size > len(data):
        raise FileError(where, "is cut short", AGAIN)
    kind, compression, size = BLOCK.unpack_from(data, at)
    if kind >= len(NAMES) or compression > SHRINK_12:
        raise FileError(where, f"has kind {kind} and compression {compression}, not known", AGAIN)
    start, stored = at + BLOCK.size, size
    if compression:
        if start + SIZE.size > len(data):
            raise FileError(where, "is cut short", AGAIN)
        (stored,) = SIZE.unpack_from(data, start)
        start += SIZE.size
    if size > MOST_BLOCK_BYTES:
        raise FileError(where, f"states {size} bytes, over the limit of {MOST_BLOCK_BYTES}", AGAIN)
    params = start + (6 if kind == THUMBNAIL else 2)
    end = params + stored
    if end > len(data):
        raise FileError(where, f"is cut short: {end - len(data)} bytes are missing", AGAIN)
    return Block(kind, compression, size, data[start:params], data[params:end]), end


_ORDER = {FILE_META: 0, PRINTER_META: 1, THUMBNAIL: 2, PRINT_META: 3, SLICER_META: 4, GCODE: 5}


def _check_order(blocks: list[Block], name: str) -> None:
    places = [_ORDER[block.kind] for block in blocks]
    if places != sorted(places):
        raise FileError(name, "has its blocks in an order that no reader takes", AGAIN)
    for kind, most in ((FILE_META, 1), (PRINTER_META, 1), (PRINT_META, 1), (SLICER_META, 2)):
        count = sum(block.kind == kind for block in blocks)
        if count > most:
            raise FileError(name, f"has {count} blocks of {NAMES[kind]}", AGAIN)
    code = [block for block in blocks if block.kind == GCODE]
    if not code:
        raise FileError(name, "holds no G-code block", "Slice the model again")
    for number, (one, two) in enumerate(pairwise(code), 1):
        if one.stored == two.stored and one.size >= DOUBLED_FROM_BYTES:
            found = f"holds the same {one.size} bytes in G-code blocks {number} and {number + 1}"
            raise FileError(name, f"{found}: that part would be printed twice", AGAIN)
    kinds = sorted({(block.encoding, block.compression) for block in code})
    if len(kinds) > 1:
        raise FileError(
            name,
            f"mixes G-code encodings and compressions {kinds}: the firmware stops at the first "
            "block that differs",
            "Slice the model again",
        )
    if kinds[0][0] > PACKED_COMMENTS:
        raise FileError(name, f"has G-code encoding {kinds[0][0]}; 0 to 2 are known", AGAIN)
