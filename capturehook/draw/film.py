"""What each second of the film shows: the part from the front, as far as it has grown."""

from __future__ import annotations

from math import ceil

import numpy as np

from capturehook.draw.canvas import FAINT, GREY, INK, PALE, Scale, Sheet
from capturehook.report.footprint import Outline, front_outline
from capturehook.report.shoot import Shoot

MOST_CELLS = 30


def draw_film(sheet: Sheet, shoot: Shoot, panel: tuple[float, float, float, float]) -> None:
    """A box for each second (or several) of film, in a panel (x, y, width, height)."""
    left, top, wide, high = panel
    film_s = float(shoot.film_s)
    sheet.words(left, top - 16, "What each second of the film shows, from the front", 14, bold=True)
    if not shoot.poses:
        return
    per_cell_s = max(1, ceil(film_s / MOST_CELLS))
    cells = max(1, ceil(film_s / per_cell_s - 1e-9))
    cell_wide = min(wide / cells, 120.0)
    outline = front_outline(shoot.job.moves, shoot.job.layers, shoot.job.features)
    fps = len(shoot.poses) / max(film_s - shoot.profile.capture.hold_last_s, 1e-9)
    for cell in range(cells):
        x = left + cell * cell_wide
        first = min(int(cell * per_cell_s * fps + 1e-6), len(shoot.poses))
        last = min(int((cell + 1) * per_cell_s * fps + 1e-6), len(shoot.poses))
        shown = range(first, max(last, first + 1)) if first < len(shoot.poses) else range(0)
        _cell(sheet, shoot, outline, shown, (x + 2, top, cell_wide - 4, high))
        end_s = min((cell + 1) * per_cell_s, film_s)
        sheet.words(x + cell_wide / 2, top + high + 15, f"{end_s:.3g} s", 11, "middle")
    unit = "second" if per_cell_s == 1 else f"{per_cell_s} seconds"
    sheet.words(
        left, top + high + 38,
        f"One box for each {unit}: dark is what grows in it, grey was there before, "
        "the line is the finished part; the number is the height reached, mm.", 12,
    )  # fmt: skip


def _cell(
    sheet: Sheet,
    shoot: Shoot,
    outline: Outline,
    shown: range,
    frame: tuple[float, float, float, float],
) -> None:
    """One box: the finished part as a line, what stood before grey, what grows dark."""
    x, y, wide, high = frame
    sheet.box(x, y, wide, high, stroke=GREY, width=0.8)
    left, right = float(outline.low_mm.min()), float(outline.high_mm.max())
    top_mm = float(outline.top_mm.max())
    per_mm = min((wide - 8) / max(right - left, 1e-9), (high - 26) / max(top_mm, 1e-9))
    x_scale = Scale(x + wide / 2 - per_mm * (left + right) / 2, per_mm)
    z_scale = Scale(y + high - 4, -per_mm)
    layers = [pose.layer for pose in shoot.poses]
    reached = layers[shown[-1]] if shown else layers[-1]
    before = (layers[shown[0] - 1] if shown[0] else 0) if shown else reached
    for first, stop, fill, stroke in (
        (0, len(outline.top_mm), None, PALE),
        (0, before, FAINT, PALE),
        (before, reached, INK, None),
    ):
        for corners in outline.areas(first, stop):
            placed = np.column_stack((x_scale.many(corners[:, 0]), z_scale.many(corners[:, 1])))
            sheet.area(placed, fill, stroke, 0.8)
    text = f"{shoot.poses[shown[-1]].z_mm:.1f}" if shown else "held"
    sheet.words(x + wide / 2, y + 13, text, 11 if wide > 40 else 9, "middle")
