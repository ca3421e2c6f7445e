"""What the press and still trials show: python docs/pictures/trials.py draws trials.svg.

The presses are those that `trial press` writes; which of them fired, and the swing (9 Hz, damping
0.08, a start of 0.6 px), are made up.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1]))

from capturehook.draw.canvas import BLUE, GREY, INK, PAPER, Scale, Sheet, round_marks  # noqa: E402
from capturehook.profile import build_profile  # noqa: E402
from capturehook.rig.trial import press_trial  # noqa: E402

CLOSES_MM, STOP_MM = 226.455, 227.7
FREQUENCY_HZ, DAMPING, START_PX, BLUR_PX = 9.0, 0.08, 0.6, 0.1
TOP, FOOT = 60.0, 330.0
PROFILE = {
    "schema": 1,
    "name": "mine",
    "machine": {"firmware": "marlin", "x_mm": [0, 235], "y_mm": [0, 235], "z_mm": [0, 250]},
    "park": {"x_mm": 212, "y_mm": 200},
    "trigger": {"by": "button", "x_mm": 226.5, "overtravel_mm": 1.2},
    "camera": {"lag_ms": 120, "exposure_ms": 4},
}


def draw_press(sheet: Sheet, left: float, right: float) -> None:
    """Each press as a line from below to its depth; filled where the camera fired."""
    depths = [step.value for step in press_trial(build_profile(PROFILE, "mine"), times=1).steps]
    x = Scale(left, (right - left) / (len(depths) + 1))
    y = Scale(FOOT + 225.8 * 130, -130.0)
    for place, text in ((CLOSES_MM, "here it closes: x_mm"), (STOP_MM, "the switch's stop")):
        sheet.line((left, y(place)), (right, y(place)), dash=(5, 4))
        sheet.label(left + 4, y(place) - 5, text)
    for number, depth in enumerate(depths, 1):
        fired = depth >= CLOSES_MM
        sheet.line((x(number), FOOT), (x(number), y(depth)), stroke=BLUE if fired else GREY)
        sheet.circle(x(number), y(depth), 3, fill=BLUE if fired else PAPER, stroke=INK)
    axes(sheet, left, right, y, (225.8, 227.8))
    sheet.words(
        left, FOOT + 20, f"{len(depths)} presses, each 0.05 mm deeper; filled: a frame came"
    )


def draw_still(sheet: Sheet, left: float, right: float) -> None:
    """Where a target stands in frames at rising delays, and the delay from which it is still."""
    delay_s = np.arange(0, 0.801, 0.025)
    x, y = Scale(left, (right - left) / 0.8), Scale((TOP + FOOT) / 2, -200.0)
    fine_s = np.linspace(0, 0.8, 400)
    sheet.lines([np.column_stack((x.many(fine_s), y.many(swing(fine_s))))], BLUE, 1.2)
    for at_s, place in zip(delay_s, swing(delay_s), strict=True):
        sheet.circle(x(float(at_s)), y(float(place)), 3, fill=PAPER, stroke=INK)
    for place in (BLUR_PX, -BLUR_PX):
        sheet.line((left, y(place)), (right, y(place)), dash=(5, 4))
    settled_s = np.log(START_PX / BLUR_PX) / (2 * np.pi * FREQUENCY_HZ * DAMPING)
    sheet.line((x(settled_s), TOP), (x(settled_s), FOOT), stroke=INK)
    sheet.label(x(settled_s) + 6, TOP + 14, f"still from here: settle_ms = {1000 * settled_s:.0f}")
    axes(sheet, left, right, y, (-0.6, 0.6))
    for mark in round_marks(0, 800, 4):
        sheet.words(x(mark / 1000), FOOT + 20, f"{mark:g}", 11, "middle")
    sheet.words(right, FOOT + 38, "ms from the stop to the frame", 12, "end")


def swing(at_s: np.ndarray) -> np.ndarray:
    """A damped oscillator, px."""
    turn = 2 * np.pi * FREQUENCY_HZ * at_s
    return START_PX * np.exp(-DAMPING * turn) * np.cos(turn)


def axes(sheet: Sheet, left: float, right: float, y: Scale, span: tuple[float, float]) -> None:
    sheet.box(left, TOP, right - left, FOOT - TOP, stroke=INK)
    for mark in round_marks(*span, 5):
        sheet.line((left - 5, y(mark)), (left, y(mark)))
        sheet.words(left - 8, y(mark) + 4, f"{mark:g}", 11, "end")


def main() -> None:
    sheet = Sheet(1000, 390, "What the trials show")
    sheet.words(70, 40, "Press: depth in X, mm", 14, bold=True)
    draw_press(sheet, 70, 470)
    sheet.words(570, 40, "Still: where the target stands, px", 14, bold=True)
    draw_still(sheet, 570, 970)
    (HERE / "trials.svg").write_text(sheet.as_svg(), encoding="utf-8")


if __name__ == "__main__":
    main()
