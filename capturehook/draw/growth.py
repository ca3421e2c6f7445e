"""Height against time: the curve of a part that grows, with a tick for each frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from capturehook.draw.canvas import BLUE, INK, Scale, Sheet, placed, round_marks
from capturehook.model.numbers import ordinal

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]
Place = Callable[[float, float], str]
"""(second, mm) -> "x y" in a drawing."""
MOST_TICKS, MOST_POINTS = 300, 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """What is drawn of P frames.

    Attributes
    ----------
    print_s, total_s : the job without poses, and with them
    startup_s, startup_name : before the first layer, and what it is spent on
    runs : lines through (K, 2) seconds and mm
    frames : (P, 2) second and height of each
    """

    print_s: float
    total_s: float
    startup_s: float
    startup_name: str
    height_mm: float
    runs: list[Floats]
    frames: Floats

    def scales(self, panel: Box) -> tuple[Scale, Scale]:
        """Seconds and mm onto a panel (x, y, width, height)."""
        left, top, wide, high = panel
        return (
            Scale(left, wide / max(self.total_s, 1e-9)),
            Scale(top + high, -high / (max(self.height_mm, 1e-9) * 1.05)),
        )

    @property
    def before_s(self) -> float:
        """How much of the print is start-up."""
        return min(self.startup_s, self.print_s)


def growth_sheet(growth: Growth) -> tuple[Sheet, list[str], Place]:
    """The curve alone, for a page; what is to be said below it; where a frame is on it."""
    panel = (40, 24, 332, 300)
    sheet = Sheet(400, 356, "Height of the part against time, with a tick for each frame")
    lines = draw_growth(sheet, growth, panel)
    t_scale, z_scale = growth.scales(panel)
    return sheet, lines, lambda t_s, z_mm: f"{t_scale(t_s):.1f} {z_scale(z_mm):.1f}"


def draw_growth(sheet: Sheet, growth: Growth, panel: Box) -> list[str]:
    """Draw into a panel (x, y, width, height); lines to be said below it."""
    left, top, wide, high = panel
    t_scale, z_scale = growth.scales(panel)
    hatched = t_scale.per_unit * growth.before_s > 3
    if hatched:
        sheet.hatch(left, top, t_scale.per_unit * growth.before_s, high, 9)
    _axes(sheet, growth, panel)
    sheet.lines([_few(placed(run, t_scale, z_scale)) for run in growth.runs], INK, 1.6)
    count = len(growth.frames)
    fine = 0.9 if count < 150 else 0.5
    each = max(1, ceil(count / MOST_TICKS))
    at_s, at_mm = growth.frames[::each].reshape(-1, 2).T
    foot, side = top + high, left + wide
    sheet.lines([np.array([(x, foot - 14), (x, foot)]) for x in t_scale.many(at_s)], BLUE, fine)
    sheet.lines(
        [np.array([(side + 3, y), (side + 14, y)]) for y in z_scale.many(at_mm)], BLUE, fine
    )
    ticks = f"every {ordinal(each)} of the" if each > 1 else "the"
    takes = f"{minutes(growth.print_s)} without poses, {minutes(growth.total_s)} with them"
    if growth.total_s == growth.print_s:
        takes = f"{minutes(growth.total_s)} in all"
    startup = f"{minutes(growth.startup_s)} of {'' if hatched else 'it '}{growth.startup_name}."
    startup = f"; {'hatched: ' if hatched else ''}{startup}"
    return [
        f"Ticks below and at the right: {ticks} {count} frames.",
        takes + (startup if growth.startup_s else "."),
    ]


def minutes(seconds: float) -> str:
    """Hours and minutes."""
    hours, rest = divmod(round(seconds / 60), 60)
    return f"{hours} h {rest} min" if hours else f"{rest} min"


def _few(run: Floats) -> Floats:
    """A line through at most MOST_POINTS points."""
    kept = np.linspace(0, len(run) - 1, min(len(run), MOST_POINTS))
    return np.asarray(run[np.unique(kept.astype(int))])


def _axes(sheet: Sheet, growth: Growth, panel: Box) -> None:
    left, top, wide, high = panel
    t_scale, z_scale = growth.scales(panel)
    sheet.box(left, top, wide, high, stroke=INK, width=1.2)
    for mark in round_marks(0, growth.height_mm, 6):
        sheet.line((left - 5, z_scale(mark)), (left, z_scale(mark)))
        sheet.words(left - 8, z_scale(mark) + 4, f"{mark:g}", 11, "end")
    per, unit = (3600, "h") if growth.total_s > 3 * 3600 else (60, "min")
    marks = round_marks(0, growth.total_s / per, 6)
    for mark in marks:
        px = t_scale(mark * per)
        sheet.line((px, top + high), (px, top + high + 5))
        text = f"{mark:g} {unit}" if mark == marks[-1] else f"{mark:g}"
        sheet.words(px, top + high + 18, text, 11, "middle")
