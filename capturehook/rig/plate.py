"""A switch that the resin plate itself presses at the top.

In: where it closes, how the plate comes there, the switch's figures. Out: Wiring: depth, end
stop, and when it closes against when the plate has settled.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from capturehook.errors import Finding
from capturehook.rig.advice import PLATE, Wiring, asked, check_asked
from capturehook.rig.trigger_advice import MEASURE

LEAST_SHARE = 0.7
"""Of the over-travel (switch makers; docs/howto/button.md)."""
SCREW_HOMING_MM = 3.0
"""Kept between the switch's stop and the end of the axis (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """Heights of the plate over the film, in mm."""

    contact_mm: float = asked("Height of the plate at which it closes.", low=1, high=2000)
    top_mm: float = asked("Height of the plate at the top.", low=1)
    axis_mm: float = asked("End of the Z axis.", low=1, high=2000)
    speed_mm_min: float = asked("How fast the plate comes up.", low=1, high=10_000)
    overtravel_mm: float = asked("Over-travel of the switch (1.2, a lever).", 1.2, low=0.05)
    repeat_mm: float = asked("Spread of plate and switch (0.1).", 0.1, high=10)
    settle_s: float = asked("Until the plate is still and has dripped (1).", 1.0, high=600)
    lag_ms: float = asked("The camera's lag (120).", 120.0, high=60_000)
    rise_mm: float = asked("How much higher the last top is than the first (0).", 0.0, high=1000)

    def __post_init__(self) -> None:
        check_asked(self)

    @property
    def depth_mm(self) -> float:
        return self.top_mm - self.contact_mm


def advise_plate(plate: Plate) -> Wiring:
    """Whether a resin plate presses the switch safely, and when it fires."""
    speed_mm_s = plate.speed_mm_min / 60
    early_s = max(0.0, plate.depth_mm) / speed_mm_s
    need_s = early_s + plate.settle_s - plate.lag_ms / 1000
    low_mm = LEAST_SHARE * plate.overtravel_mm
    high_mm = plate.overtravel_mm - plate.repeat_mm
    return Wiring(
        kind="plate",
        facts={
            "press": f"{plate.depth_mm:.2f} mm past the contact; wanted {low_mm:.2f} to "
            f"{high_mm:.2f}",
            "stop": f"the switch's stop is at {plate.contact_mm + plate.overtravel_mm:.2f} mm",
            "closes": f"{early_s:.2f} s before the plate is at the top, "
            f"{early_s + plate.settle_s:.2f} s before it has settled",
            "delay": f"{max(0.0, need_s):.2f} s between switch and camera"
            if need_s > 0
            else "none: the camera's lag is long enough",
        },
        steps=(*MEASURE, *_STEPS),
        findings=tuple(_findings(plate, need_s, low_mm, high_mm)),
        profile=(
            "[resin.pose]",
            f"z_mm = {plate.top_mm:g}",
            f"settle_ms = {round(plate.settle_s * 1000)}",
            "lines = []      # the plate fires",
            "[resin.pose.switch]",
            f"over_travel_mm = {plate.depth_mm:.2f}",
            f"most_over_travel_mm = {max(high_mm, 0.01):.2f}",
            f"repeat_mm = {plate.repeat_mm:g}",
            "[camera]",
            f"lag_ms = {plate.lag_ms:g}    # plus the delay circuit's, if there is one",
        ),
        cautions=PLATE,
        numbers={
            "depth_mm": plate.depth_mm,
            "closes_early_s": early_s,
            "delay_s": max(0.0, need_s),
            "least_depth_mm": low_mm,
            "most_depth_mm": high_mm,
        },
    )


_STEPS = (
    "Switch on the frame, not on the cover; a lever with a roller, pressed by the plate's arm, "
    "beside the vat, so that nothing can fall or drip into it.",
    "Printer cold, vat and plate off. Raise the arm by hand control in 1, 0.1 and 0.05 mm steps "
    "until the contact closes: that height is contact_mm. A screw axis pushes with hundreds of "
    "newtons: never feel for the stop.",
    "Set the top by the pose's height, never by the switch. It must be the same for every frame.",
    "Homing and the end of a print raise the plate too: see how far, before you fix the switch.",
)


def _findings(plate: Plate, need_s: float, low_mm: float, high_mm: float) -> Iterator[Finding]:
    if plate.rise_mm > high_mm - low_mm:
        yield Finding(
            "plate-rises",
            "top",
            f"the top rises by {plate.rise_mm:g} mm over the print, and the switch gives "
            f"{max(0.0, high_mm - low_mm):.2f}: it would not close at first, or break at last. "
            "Insert poses at one height",
        )
    if plate.depth_mm > high_mm:
        yield Finding(
            "plate-deep",
            "press",
            f"{plate.depth_mm:.2f} mm past the contact is past {high_mm:.2f}: lower the top to "
            f"{plate.contact_mm + high_mm:.2f} mm, or raise the switch",
        )
    elif plate.depth_mm < low_mm:
        yield Finding(
            "plate-shallow",
            "press",
            f"{plate.depth_mm:.2f} mm past the contact is short of {low_mm:.2f}: raise the top "
            f"to {plate.contact_mm + low_mm:.2f} mm, or lower the switch",
        )
    end_mm = plate.contact_mm + plate.overtravel_mm
    if end_mm + SCREW_HOMING_MM > plate.axis_mm:
        yield Finding(
            "plate-end",
            "stop",
            f"the switch's stop at {end_mm:.2f} mm is less than {SCREW_HOMING_MM:g} mm from "
            f"the axis end at {plate.axis_mm:g}: the end of a print could break it",
        )
    if need_s > 0:
        yield Finding(
            "plate-early",
            "time",
            f"the frame would come {need_s:.2f} s before the plate has settled: a delay of "
            f"{need_s:.2f} s (trigger light-off has the timer), or slower lifting",
        )
