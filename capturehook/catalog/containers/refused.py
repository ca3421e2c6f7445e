"""Kinds of container that are known and not read: enciphered, or without a public description."""

from __future__ import annotations

import struct

TWO_WAYS = (
    "Two ways work without reading it: the numbers of the job as flags (`capturehook resin "
    "--layers 1200 --layer-mm 0.05 --exposure-s 2.5 --bottom 5x30 --lift 6@60 --retract 6@150`), "
    "or the same with two readings of a clock during a first print (`--clock 100=0:31:40 --clock "
    "600=1:59:10`), which find what the flags leave out"
)

MARKS: tuple[tuple[bytes, str], ...] = (
    (struct.pack("<I", 0x12FD0107), "a .ctb job whose settings are enciphered"),
    (struct.pack("<I", 0xFF220810), "a .ctb job of a kind without public description"),
    (struct.pack("<I", 0x9FDA83AE), "a .phz job, enciphered"),
    (struct.pack("<I", 0xBD3C7AC8), "a .fdg job, enciphered"),
    (b"\x00\x00\x00\x09CXSW3D", "a .cxdlp job"),
    (b"Longer3D", "a .lgs job"),
    (b"OSLATiCo", "an .osla or .odlp job"),
)
"""How the file begins -> what it is."""
OTHER_GOO = b"\x07\x00\x00\x00DLP\x00"


def known_as(head: bytes) -> str | None:
    """What a file is by its first bytes, of the kinds that are not read."""
    if head[:1] == b"V" and head[4:12] == OTHER_GOO:
        return f"a .goo job of version {head[1:4].decode('ascii', 'replace')} (3.0 is read)"
    return next((what for mark, what in MARKS if head.startswith(mark)), None)


def refusal(head: bytes, members: tuple[str, ...] = ()) -> str:
    """What a file is that no kind reads, by its first bytes and, in a zip, its members."""
    if what := known_as(head):
        return f"is {what}, which is not read"
    if "layers_controller.conf" in members:
        return "is a .pwsz job, which is not read"
    if members:
        return "is a zip without a resin job in it that is known"
    return f"is no resin job that is known (it begins with {head[:8].hex(' ') or 'nothing'})"
