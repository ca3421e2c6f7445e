"""Lines in, layers out, for tests of this stage."""

from __future__ import annotations

from capturehook.model.layers import LayerTable
from capturehook.read.layers import find_layers
from capturehook.read.marks import Marks
from capturehook.read.moves import JobMoves
from capturehook.read.source import Source, open_source
from tests.read.reading import read_lines


def source_of(*lines: str, end: str = "\n") -> Source:
    return open_source((end.join(lines) + end).encode("latin-1"), "lighthouse.gcode")


def layers_of(*lines: str) -> tuple[LayerTable, list[Marks], JobMoves]:
    job = read_lines(*lines)
    table, marks = find_layers(source_of(*lines), job.table)
    return table, marks, job


def square(z_mm: float, *, x_mm: float = 100, size_mm: float = 10, e: float = 0.4) -> list[str]:
    """Travel to a corner at a height and lay four sides (E relative)."""
    a, b = x_mm, x_mm + size_mm
    return [
        f"G1 X{a:g} Y50 F9000",
        f"G1 Z{z_mm:g} F600",
        *(f"G1 X{x:g} Y{y:g} E{e:g} F1800" for x, y in ((b, 50), (b, 60), (a, 60), (a, 50))),
    ]
