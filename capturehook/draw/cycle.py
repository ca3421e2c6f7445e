"""One layer of a resin print, second by second: lamp, plate, and when the camera is fired."""

from __future__ import annotations

import numpy as np

from capturehook.draw.canvas import BLUE, GREY, INK, PALE_BLUE, Scale, Sheet, round_marks
from capturehook.model.plan import PlannedPose
from capturehook.model.profile import Camera
from capturehook.model.resin_job import LightTimeline

PANEL = (40, 24, 344, 300)


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
    left, top, wide, high = PANEL
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
    _, top, _, high = PANEL
    on_s = np.clip(timeline.flash_on_s, *span_s)
    off_s = np.clip(timeline.flash_off_s, *span_s)
    for on, off in zip(on_s, off_s, strict=True):
        if off > on:
            sheet.box(x(on), top, x(off) - x(on), high, fill=PALE_BLUE)
    return float((off_s - on_s).sum())
