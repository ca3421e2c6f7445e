"""Lines in, JobMoves out: the whole reader on a few words, for tests."""

from __future__ import annotations

from typing import Any

from capturehook.catalog import FIRMWARES
from capturehook.read.moves import JobMoves, read_moves
from capturehook.read.source import open_source

PRINTERS = ("marlin", "klipper", "reprapfirmware", "smoothie", "repetier")


def read_lines(*lines: str, firmware: str = "marlin", **options: Any) -> JobMoves:
    """A job of these lines, as that family would carry it out."""
    source = open_source("\n".join([*lines, ""]).encode("latin-1"), "lighthouse.gcode")
    return read_moves(source, FIRMWARES[firmware], **options)
