"""Two drawings of a resin print: the light area of its layers with frames, hidden and still
ones; and one layer, second by second: lamp, plate, and when the camera is fired."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.draw.canvas import (
    BLUE,
    GREY,
    INK,
    PALE,
    PALE_BLUE,
    Scale,
    Sheet,
    round_marks,
    round_step,
)
from capturehook.errors import counted
from capturehook.model.plan import PlannedPose
from capturehook.model.profile import Camera
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
    top = round_step(max(float(lit.max(initial=0.0)), 0.01))
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
    words = f"{counted(count, 'frame')}, film {lit_area.film_s:.1f} s"
    sheet.words(LABELS, FLOOR + 70, "frames", 13, "end")
    sheet.words(LEFT + PLOT_W, FLOOR + 87, words, 13, "end")


# --- one layer, second by second

CYCLE_PANEL = (40, 24, 344, 300)


def cycle_sheet(
    timeline: LightTimeline, pose: PlannedPose, camera: Camera, rim_mm: float
) -> tuple[Sheet, list[str]]:
    """The layer of one frame, and what is to be said below it.

    Parameters
    ----------
    pose : of the plan, due at ``t_s``
    rim_mm : height below which the camera sees nothing
    """
    opens_s = pose.t_s + camera.lag_ms / 1000
    closes_s = opens_s + camera.open_ms / 1000
    start_s = float(timeline.start_s[pose.layer - 1])
    end_s = timeline.total_s - timeline.end_s
    if pose.layer < len(timeline):
        end_s = float(timeline.start_s[pose.layer])
    end_s = max(end_s, closes_s)
    inside = (timeline.knot_s > start_s) & (timeline.knot_s < end_s)
    at_s = np.concatenate(([start_s], timeline.knot_s[inside], [end_s]))
    plate_mm = timeline.plate_mm(at_s)
    left, top, wide, high = CYCLE_PANEL
    x = Scale(left - start_s * wide / (end_s - start_s), wide / (end_s - start_s))
    most_mm = 1.15 * max(float(plate_mm.max()), rim_mm)
    y = Scale(top + high, -high / most_mm)
    sheet = Sheet(400, 356, f"Layer {pose.layer}: lamp, plate and camera second by second")
    lit_s = _lamp(sheet, timeline, (start_s, end_s), x)
    sheet.box(left, top, wide, high, stroke=INK, width=1.2)
    for mark in round_marks(0, most_mm, 6):
        sheet.line((left - 5, y(mark)), (left, y(mark)))
        sheet.words(left - 8, y(mark) + 4, f"{mark:g}", 11, "end")
    marks = round_marks(0, end_s - start_s, 6)
    for mark in marks:
        px, text = x(start_s + mark), f"{mark:g} s" if mark == marks[-1] else f"{mark:g}"
        sheet.line((px, top + high), (px, top + high + 5))
        sheet.words(px, top + high + 18, text, 11, "middle")
    sheet.line((left, y(rim_mm)), (left + wide, y(rim_mm)), stroke=GREY, dash=(5, 4))
    sheet.lines([np.column_stack((x.many(at_s), y.many(plate_mm)))], INK, 1.8)
    sheet.box(x(opens_s), top, max(x(closes_s) - x(opens_s), 1.5), high, fill=BLUE)
    right = x(pose.t_s) > left + wide / 2
    beside, anchor = (x(opens_s) - 5, "end") if right else (x(closes_s) + 5, "start")
    sheet.label(beside, top + 16, "camera", anchor, ink=BLUE)  # type: ignore[arg-type]
    sheet.label(beside, y(rim_mm) + 4, "vat's rim", anchor, ink=GREY)  # type: ignore[arg-type]
    return sheet, [
        f"Layer {pose.layer}, {end_s - start_s:.1f} s: the line is the plate's height over the "
        f"film, shaded is the lamp ({lit_s:.1f} s), the bar is the exposure.",
        f"The plate stands still for {pose.still_s:.2f} s from the moment the camera is fired.",
    ]


def _lamp(sheet: Sheet, timeline: LightTimeline, span_s: tuple[float, float], x: Scale) -> float:
    """Shade where the lamp is on; for how many seconds."""
    _, top, _, high = CYCLE_PANEL
    on_s = np.clip(timeline.flash_on_s, *span_s)
    off_s = np.clip(timeline.flash_off_s, *span_s)
    for on, off in zip(on_s, off_s, strict=True):
        if off > on:
            sheet.box(x(on), top, x(off) - x(on), high, fill=PALE_BLUE)
    return float((off_s - on_s).sum())
