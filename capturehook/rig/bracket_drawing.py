"""A dimensioned drawing of a bracket: seen from above and cut in the middle, its parts below."""

from __future__ import annotations

from typing import Any

import numpy as np

from capturehook.draw.canvas import GREY, INK, Sheet
from capturehook.rig.bracket import Bracket, Size
from capturehook.rig.solid import outline, shadow

WIDTH, VIEW, EDGE, TOP = 740, 330, 90.0, 100.0
LETTERS = 96


def draw_bracket(bracket: Bracket, solid: Any) -> str:
    """SVG: the outline from above and a cut, with their sizes; hardware and order."""
    low, high = (np.array(solid.bounding_box()[at : at + 3]) for at in (0, 3))
    span = high - low
    upright = bracket.cut_x_mm is not None
    widest = max(span[0], span[1] if upright else 0)
    tallest = max(span[1], span[2] if upright else 0)
    scale = min((WIDTH / 2 - 1.5 * EDGE) / widest, (VIEW - EDGE) / tallest, 6.0)
    sheet = Sheet(WIDTH, VIEW + 120, f"Bracket: {bracket.kind}")
    sheet.words(24, 34, f"Bracket: {bracket.kind}", 18, bold=True)
    extents = " x ".join(f"{one:.1f}" for one in span)
    sheet.words(24, 54, f"{extents} mm; {solid.volume() / 1000:.1f} cm3; {scale:.2f} : 1", 12)
    cut = outline(solid, bracket.cut_x_mm)
    axes = (1, 2) if upright else (0, 1)
    cut_at = (low[axes[0]], high[axes[1]])
    name = "cut upright, seen from the side" if upright else "cut at half height"
    views = (
        (EDGE, [*shadow(solid), *_seen_holes(bracket)], (low[0], high[1]), bracket.seen),
        (WIDTH / 2 + EDGE / 2, cut, cut_at, name),
    )
    for in_cut, (left, lines, corner, text) in enumerate(views):
        move = np.array([left - scale * corner[0], TOP + scale * corner[1]])
        for line in lines:
            closed = np.vstack((line, line[:1])) * (scale, -scale) + move
            sheet.lines([closed], INK, 1.6)
        sheet.words(left, TOP + scale * tallest + 36, text, 12)
        _sizes(sheet, [one for one in bracket.sizes if one.in_cut == in_cut], move, scale)
    y = TOP + scale * float(tallest) + 62
    y = _list(sheet, "Hardware", bracket.hardware, y)
    y = _list(sheet, "In this order", bracket.steps, y + 8)
    y = _list(sheet, "Take care", [one.text for one in bracket.cautions], y + 8)
    sheet.height = int(y + 8)
    return sheet.as_svg()


def _seen_holes(bracket: Bracket) -> list[Any]:
    """Holes from above that do not go through, so that the outline does not show them."""
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rim = np.stack((np.cos(turn), np.sin(turn)), axis=1)
    return [
        np.array(hole.centre[:2]) + hole.diameter_mm / 2 * rim
        for hole in bracket.holes
        if hole.axis == "z" and not hole.slide_mm
    ]


def _sizes(sheet: Sheet, sizes: list[Size], move: Any, scale: float) -> None:
    """A thin line with a tick at each end, its text beside its middle, shifted off the part."""
    for size in sizes:
        ends = np.array([size.start, size.end]) * (scale, -scale) + move
        along = ends[1] - ends[0]
        length = float(np.hypot(*along))
        side = np.array([along[1], -along[0]]) / length
        ends = ends + 12.0 * side
        sheet.lines([ends], GREY, 0.9)
        for end in ends:
            sheet.lines([np.array([end - 4 * side, end + 4 * side])], GREY, 0.9)
        middle = ends.mean(axis=0) + side * (6 if abs(along[0]) > abs(along[1]) else 8)
        anchor = "middle" if abs(along[0]) > abs(along[1]) else "end" if side[0] < 0 else "start"
        sheet.words(float(middle[0]), float(middle[1]) + 4, size.text, 11, anchor)  # type: ignore[arg-type]


def _list(sheet: Sheet, title: str, texts: Any, y: float) -> float:
    sheet.words(24, y, title, 13, bold=True)
    return sheet.listed(texts, y + 18, LETTERS, 16)
