"""A printable part as figures: boxes joined, boxes and holes cut, hardware, order, profile lines.

`bracket_switch` and `bracket_clips` make them from a few measures, `solid` builds them,
`bracket_drawing` draws them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from capturehook.errors import Finding
from capturehook.rig.advice import FIRST, PINCH, UNPLUG, Caution, Facts

Point = tuple[float, float, float]
CLEARANCE_MM = {"M2": 2.6, "M2.5": 3.1, "M3": 3.6, "M4": 4.7, "M5": 5.7}
"""Printed holes: ISO 273 medium + 0.2, since printed holes come out small (common practice)."""
THREAD_MM = {"M2": 1.7, "M2.5": 2.1, "M3": 2.6, "M4": 3.4}
"""Holes in which a screw cuts its own thread (common practice)."""


@dataclass(frozen=True, slots=True)
class Box:
    """Corner and size, mm."""

    corner: Point
    size: Point


@dataclass(frozen=True, slots=True)
class Hole:
    """A hole along an axis through a point; ``slide_mm`` stretches it along x."""

    centre: Point
    diameter_mm: float
    axis: str
    long_mm: float
    slide_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Size:
    """A dimension for the drawing, between two points of the top view, or of the cut; drawn
    beside the part, to the left of the path from start to end."""

    start: tuple[float, float]
    end: tuple[float, float]
    text: str
    in_cut: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracket:
    """One printable part: boxes joined, then boxes and holes cut.

    ``cut_x_mm`` cuts the drawing's second view there, seen along x, else it is cut at half height;
    ``turn_deg`` lays the part as it is printed, about x, then y.
    """

    kind: str
    boxes: tuple[Box, ...]
    cuts: tuple[Box, ...]
    holes: tuple[Hole, ...]
    sizes: tuple[Size, ...]
    facts: Facts
    hardware: tuple[str, ...]
    steps: tuple[str, ...]
    profile: tuple[str, ...]
    seen: str = "from above"
    cut_x_mm: float | None = None
    turn_deg: tuple[float, float] = (0.0, 0.0)
    findings: tuple[Finding, ...] = ()
    numbers: dict[str, float] = field(default_factory=dict)
    cautions: tuple[Caution, ...] = (FIRST, UNPLUG, PINCH)
