"""The light area of a resin print by layer and height; frames, hidden and still layers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.draw.canvas import INK, PALE, Sheet
from capturehook.model.resin_job import LightTimeline

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 860, 420
LEFT, RIGHT, TOP, BOTTOM = 92, 34, 58, 92
PLOT_W, PLOT_H = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
FLOOR = TOP + PLOT_H
LABELS = LEFT - 26
MOST_POINTS = 1200


@dataclass(frozen=True, slots=True, kw_only=True)
class LitArea:
    """What is drawn of L layers and F frames.

    Attributes
    ----------
    lit : (L,) share of lit pixels, 0 to 1; NaN where unknown
    seen_from_layer : first layer the camera sees; 0 when it never sees one
    frame_layers : (F,)
    alike : (first, last) layers of stretches of equal images
    film_s : length of the film
    """

    timeline: LightTimeline
    lit: Floats
    seen_from_layer: int
    frame_layers: NDArray[np.int64]
    alike: list[tuple[int, int]]
    film_s: float

    def x(self, layer_no: float) -> float:
        """Layer numbers stand in the middle of equal columns."""
        return LEFT + (layer_no - 0.5) / len(self.timeline) * PLOT_W


def draw_lit_area(lit_area: LitArea) -> Sheet:
    """Share of lit pixels against layer number and height; made for black and white print."""
    timeline = lit_area.timeline
    title = f"Light area of each layer: {len(timeline)} layers, {timeline.height_mm:.2f} mm"
    sheet = Sheet(WIDTH, HEIGHT, title)
    sheet.words(LEFT, 24, title, 16)
    lit = np.nan_to_num(lit_area.lit) * 100.0
    top = _round_up(float(lit.max(initial=0.0)))
    _hidden(sheet, lit_area)
    _area(sheet, lit, top)
    _axes(sheet, lit_area, top)
    for first, last in lit_area.alike:
        left, right, y = lit_area.x(first - 0.5), lit_area.x(last + 0.5), FLOOR + 50
        sheet.line((left, y), (left, y - 6), (right, y - 6), (right, y), width=2.0)
    if lit_area.alike:
        sheet.words(LABELS, FLOOR + 52, "alike", 13, "end")
    _frames(sheet, lit_area)
    return sheet


def _hidden(sheet: Sheet, lit_area: LitArea) -> None:
    layers = len(lit_area.timeline)
    seen_from = lit_area.seen_from_layer or layers + 1
    if seen_from <= 1:
        return
    sheet.hatch(LEFT, TOP, lit_area.x(seen_from - 0.5) - LEFT, PLOT_H, 8.0)
    words = f"not seen before layer {seen_from}" if seen_from <= layers else "never seen"
    sheet.words(LEFT + 4, TOP - 6, words, 13)


def _area(sheet: Sheet, lit: Floats, top: float) -> None:
    """A filled outline; very long jobs are drawn as the highest value of each column."""
    layers = len(lit)
    first = np.linspace(0, layers, min(layers, MOST_POINTS), endpoint=False).astype(np.int64)
    heights = np.maximum.reduceat(lit, first) / top * PLOT_H
    edges = np.append(first, layers) / layers * PLOT_W + LEFT
    outline = np.column_stack([np.repeat(edges, 2)[1:-1], FLOOR - np.repeat(heights, 2)])
    floor = np.array([[LEFT + PLOT_W, FLOOR], [LEFT, FLOOR]], np.float64)
    sheet.area(np.vstack([outline, floor]), PALE, INK, 1.4)


def _round_up(value: float) -> float:
    """The next of 1, 2, 5 times a power of ten; at least 0.01."""
    power = 10.0 ** np.floor(np.log10(max(value, 0.01)))
    return float(next(step * power for step in (1, 2, 5, 10) if step * power >= value * 0.999))


def _axes(sheet: Sheet, lit_area: LitArea, top: float) -> None:
    sheet.line((LEFT, TOP), (LEFT, FLOOR), (LEFT + PLOT_W, FLOOR))
    for share in (0.0, 0.5, 1.0):
        y = FLOOR - share * PLOT_H
        sheet.line((LEFT - 5, y), (LEFT, y))
        sheet.words(LEFT - 9, y + 4, f"{top * share:g} %", 13, "end")
    sheet.words(LEFT - 9, TOP - 14, "lit pixels", 13, "end")
    layers = len(lit_area.timeline)
    for layer_no in sorted({round(n) for n in np.linspace(1, layers, min(layers, 7))}):
        x = lit_area.x(layer_no)
        sheet.line((x, FLOOR), (x, FLOOR + 5))
        sheet.words(x, FLOOR + 19, str(layer_no), 13, "middle")
        height = f"{lit_area.timeline.z_mm[layer_no - 1]:.2f}"
        sheet.words(x, FLOOR + 35, height, 13, "middle")
    sheet.words(LABELS, FLOOR + 19, "layer", 13, "end")
    sheet.words(LABELS, FLOOR + 35, "mm", 13, "end")


def _frames(sheet: Sheet, lit_area: LitArea) -> None:
    """A tick for each frame; close ones run together into a band, which is true as well."""
    count = len(lit_area.frame_layers)
    if not count:
        return
    x = [lit_area.x(layer) for layer in lit_area.frame_layers.tolist()]
    sheet.lines([np.array([[one, FLOOR + 60], [one, FLOOR + 72]], np.float64) for one in x])
    words = f"{count} frame{'s' * (count != 1)}, film {lit_area.film_s:.1f} s"
    sheet.words(LABELS, FLOOR + 70, "frames", 13, "end")
    sheet.words(LEFT + PLOT_W, FLOOR + 87, words, 13, "end")
