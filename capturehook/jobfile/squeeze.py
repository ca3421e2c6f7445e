"""Deflate streams that others wrote, matched where zlib can write the same bytes again.

Source of the parameters: RFC 1951; zlib's manual, deflateInit2.
"""

from __future__ import annotations

import zlib

TRIED = tuple((level, memory) for memory in (8, 9) for level in (6, 9, 1, 5, 7, 8, 4, 3, 2))
SAMPLE = 1 << 18


def deflate(plain: bytes, level: int = 6, memory: int = 8) -> bytes:
    """A raw deflate stream of window 15."""
    packer = zlib.compressobj(level, zlib.DEFLATED, -15, memory)
    return packer.compress(plain) + packer.flush()


def match_deflate(stored: bytes, plain: bytes) -> tuple[int, int] | None:
    """(level, memory) with which zlib gives the very bytes; None when there is none such."""
    for level, memory in TRIED:
        packer = zlib.compressobj(level, zlib.DEFLATED, -15, memory)
        begin = packer.compress(plain[:SAMPLE])
        if stored.startswith(begin) and deflate(plain, level, memory) == stored:
            return level, memory
    return None


def inflate(stored: bytes, most: int) -> bytes:
    """The plain bytes of a raw deflate stream, at most ``most`` of them.

    Raises
    ------
    zlib.error, ValueError
    """
    unpacker = zlib.decompressobj(-15)
    plain = unpacker.decompress(stored, most + 1)
    if not unpacker.eof or unpacker.unused_data:
        raise ValueError("its packed data has another length")
    return plain
