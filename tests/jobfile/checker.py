"""A reader and writer of binary jobs apart from the package: slow, plain, from the sources alone.

Sources: libbgcode doc/specifications.md (headers, blocks, checksums, compressions, encodings) and
src/LibBGCode/binarize/meatpack.cpp; Buddy firmware src/common/gcode/meatpack.cpp (the
unpacker's states); atomicobject/heatshrink (bit stream: tag 1 a letter of 8 bits, tag 0 a copy).
Imports nothing of the package.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass


@dataclass(frozen=True)
class Raw:
    kind: int
    compression: int
    size: int
    params: bytes
    stored: bytes
    whole: bytes


def blocks_of(data: bytes) -> list[Raw]:
    """Every block; header, sizes and checksums must be as the specification says."""
    magic, version, checksum = data[:4], *struct.unpack("<IH", data[4:10])
    assert (magic, version) == (b"GCDE", 1)
    assert checksum in (0, 1)
    found, at = [], 10
    while at < len(data):
        kind, compression, size = struct.unpack_from("<HHI", data, at)
        head, stored = 8, size
        if compression:
            (stored,) = struct.unpack_from("<I", data, at + 8)
            head = 12
        params = 6 if kind == 5 else 2
        begin, end = at + head + params, at + head + params + stored
        assert end <= len(data)
        whole_end = end
        if checksum:
            assert zlib.crc32(data[at:end]) == struct.unpack_from("<I", data, end)[0]
            whole_end += 4
        whole = data[at:whole_end]
        found.append(Raw(kind, compression, size, data[at + head : begin], data[begin:end], whole))
        at = whole_end
    return found


def plain_of(block: Raw) -> bytes:
    """The data of a block without its compression; the header's size must be right."""
    if block.compression == 0:
        data = block.stored
    elif block.compression == 1:
        data = zlib.decompress(block.stored)
    else:
        data = unshrink(block.stored, 11 if block.compression == 2 else 12)[: block.size]
    assert len(data) == block.size
    return data


def unshrink(stored: bytes, window: int) -> bytes:
    bits = "".join(f"{byte:08b}" for byte in stored)
    out = bytearray(1 << window)  # the window before the first byte holds zeros
    at = 0
    while True:
        if at + 9 <= len(bits) and bits[at] == "1":
            out.append(int(bits[at + 1 : at + 9], 2))
            at += 9
        elif at + 1 + window + 4 <= len(bits) and bits[at] == "0":
            back = int(bits[at + 1 : at + 1 + window], 2) + 1
            count = int(bits[at + 1 + window : at + 5 + window], 2) + 1
            for _ in range(count):
                out.append(out[-back])
            at += 5 + window
        else:
            return bytes(out[1 << window :])


TABLE = "0123456789. \nGX"


def unpack(stream: bytes) -> str:
    """Byte by byte, as the firmware does it."""
    out: list[str] = []
    on = no_spaces = False
    pending: list[str | None] = []  # None waits for a full letter
    at = 0

    def flush() -> None:
        while pending and pending[0] is not None:
            out.append(pending.pop(0) or "")

    while at < len(stream):
        if stream[at : at + 2] == b"\xff\xff":
            code = stream[at + 2]
            if code in (251, 250):
                on = code == 251
            elif code == 249:
                on = no_spaces = False
            elif code in (247, 246):
                no_spaces = code == 247
            at += 3
            continue
        byte = stream[at]
        at += 1
        if not on:
            out.append(chr(byte))
        elif None in pending:
            pending[pending.index(None)] = chr(byte)
            flush()
        else:
            low, high = byte & 15, byte >> 4
            letters = [None if code == 15 else TABLE[code] for code in (low, high)]
            if no_spaces:
                letters = ["E" if letter == " " else letter for letter in letters]
            pending.extend(letters[:1] if letters[0] == "\n" else letters)
            flush()
    assert not pending
    return "".join(out)


def pack(lines: list[str], *, comments: bool) -> bytes:
    """Lines as the library packs them: a block's start, its words without spaces, its end."""
    out = bytearray(b"\xff\xff\xfb\xff\xff\xf7")
    on = True
    table = TABLE.replace(" ", "E")
    for line in lines:
        if line.startswith(";"):
            if comments:
                if on:
                    out += b"\xff\xff\xfa"
                    on = False
                out += line.encode() + b"\n"
            continue
        text = line.split(";")[0].rstrip()
        if not text:
            continue
        if not on:
            out += b"\xff\xff\xfb"
            on = True
        g = text.find("G")
        if g >= 0 and text[g + 1 : g + 2].isdigit():
            text = text.replace(" ", "").translate(str.maketrans("exg", "EXG"))
        text += "\n"
        for pair in (text[at : at + 2] for at in range(0, len(text), 2)):
            low, high = pair[0], pair[1] if len(pair) > 1 else "\n"
            codes = [table.index(one) if one in table else 15 for one in (low, high)]
            out.append(codes[0] | codes[1] << 4)
            out += b"".join(
                one.encode() for one, code in zip((low, high), codes, strict=True) if code == 15
            )
    return bytes(out) + (b"" if comments else b"\xff\xff\xf9")


def block(kind: int, data: bytes, compression: int = 0, params: bytes = b"\0\0") -> bytes:
    stored = zlib.compress(data) if compression == 1 else data
    head = struct.pack("<HHI", kind, compression, len(data))
    if compression:
        head += struct.pack("<I", len(stored))
    whole = head + params + stored
    return whole + struct.pack("<I", zlib.crc32(whole))


def binary_job(text: str, *, encoding: int, compression: int, block_lines: int = 1500) -> bytes:
    """A job of the library's layout around some text; heatshrink is left to the samples."""
    times = b"estimated printing time (normal mode)=1h 2m 3s\n"
    parts = [
        b"GCDE" + struct.pack("<IH", 1, 1),
        block(3, b"printer_model=Heron\nnozzle_diameter=0.4\n" + times),
        block(4, b"filament used [mm]=12\n" + times),
        block(2, b"layer_height=0.2\nbed_shape=0x0,235x0,235x235,0x235\n", 1),
    ]
    lines = text.splitlines()
    for at in range(0, len(lines), block_lines):
        some = lines[at : at + block_lines]
        if encoding == 0:
            stream = ("\n".join(some) + "\n").encode()
        else:
            stream = pack(some, comments=encoding == 2)
        parts.append(block(1, stream, compression, struct.pack("<H", encoding)))
    return b"".join(parts)


def lines_of(data: bytes) -> list[str]:
    """The G-code of a binary job, glued as it is stored, without empty lines."""
    text = []
    for one in blocks_of(data):
        if one.kind == 1:
            stream = plain_of(one)
            text.append(stream.decode("latin-1") if one.params == b"\0\0" else unpack(stream))
    return [line for line in "".join(text).split("\n") if line]


def settings_of(data: bytes, kind: int) -> dict[str, str]:
    pairs = {}
    for one in blocks_of(data):
        if one.kind == kind:
            for line in plain_of(one).decode().splitlines():
                assert "=" in line, "a line without = makes the library loop for ever"
                key, _, value = line.partition("=")
                pairs[key] = value
    return pairs
