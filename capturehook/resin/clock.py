"""Two readings of a clock during a print -> the seconds each layer really takes.

One interval fixes one number: a constant of each layer. Exposures are timed by the printer and
never changed; what is found is added to, or taken from, the dark of each layer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from capturehook.errors import CaptureHookError, Finding
from capturehook.model.resin_job import PHASES, Floats, LightTimeline, ResinJob

READ_WITHIN_S = 1.0
"""How well one reading of a clock by eye holds."""
LONG_STARTUP_S = 3600.0
LEAST_DARK = 0.05
"""Share of a layer's reckoned dark that must be left."""
OPTION = "--clock"
Clock = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True)
class Reading:
    """The lamp went on for a layer when the clock, started with the print, showed this."""

    layer_no: int
    clock_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What two readings tell: a constant of each layer with its error, and the start-up."""

    layer_s: float
    within_s: float
    startup_s: float

    def words(self) -> str:
        return (
            f"by the clock {self.layer_s:+.2f} s in each layer (within {self.within_s:.3f} s), "
            f"{self.startup_s:.0f} s before the first layer"
        )


def calibrated(job: ResinJob, first: Reading, second: Reading) -> tuple[ResinJob, Calibration]:
    """The job with the constant of each layer that two readings of a clock tell.

    Raises
    ------
    CaptureHookError
        Readings of one layer, of a layer that is not there, or that contradict the exposures.
    """
    timeline = job.timeline
    first, second = sorted((first, second), key=lambda one: one.layer_no)
    apart = second.layer_no - first.layer_no
    on_s = timeline.light_on_s
    if not (first.layer_no >= 1 and second.layer_no <= len(timeline)) or apart < 1:
        raise CaptureHookError(
            OPTION,
            f"names layers {first.layer_no} and {second.layer_no} of {len(timeline)}",
            "Give two different layers of the job",
        )
    a, b = first.layer_no - 1, second.layer_no - 1
    layer_s = ((second.clock_s - first.clock_s) - float(on_s[b] - on_s[a])) / apart
    if not np.isfinite(layer_s):
        raise CaptureHookError(OPTION, "names a layer that is never lit", "Take another layer")
    found = slowed(timeline, layer_s)
    startup_s = first.clock_s - float(found.light_on_s[a] - timeline.startup_s)
    if startup_s < -READ_WITHIN_S * 2:
        raise CaptureHookError(
            OPTION,
            f"{first.clock_s:.0f} s to layer {first.layer_no} is {-startup_s:.0f} s less than its "
            "layers take from the start of the print",
            "Read the clock from the start of the print on, and check the layer numbers",
        )
    calibration = Calibration(
        layer_s=layer_s,
        within_s=READ_WITHIN_S * 2**0.5 / apart,
        startup_s=max(startup_s, 0.0),
    )
    found = started(found, calibration.startup_s)
    findings = [one for one in job.findings if one.code != "resin-time-differs"]
    if startup_s > LONG_STARTUP_S:
        text = (
            f"{startup_s / 3600:.1f} h would pass before the first layer: give the time since the "
            "print began, not the time of the day"
        )
        findings.append(Finding("resin-late-start", OPTION, text))
    assumed = (*job.assumed, calibration.words())
    job = replace(job, timeline=found, assumed=assumed, findings=tuple(findings))
    return replace(job, bracket_s=None, bracket_why=""), calibration


def slowed(timeline: LightTimeline, layer_s: float) -> LightTimeline:
    """The timeline with a constant added to each layer's dark; exposures stay.

    What is added comes at the end of each layer's cycle. What is taken away is taken from all of
    its dark in proportion, moves included: the plate is then faster than the job states.

    Raises
    ------
    CaptureHookError
        More would be taken than a layer has.
    """
    phase_s = timeline.phase_s.copy()
    wait, light = PHASES.index("wait"), PHASES.index("light")
    if layer_s >= 0:
        phase_s[:, wait] += layer_s
        return _retimed(timeline, phase_s, _later(timeline, layer_s))
    dark_s = phase_s.sum(axis=1) - phase_s[:, light]
    share = (dark_s + layer_s) / np.where(dark_s > 0, dark_s, 1.0)
    short = np.flatnonzero(share < LEAST_DARK)
    if len(short):
        raise CaptureHookError(
            OPTION,
            f"leaves layer {short[0] + 1} {max(dark_s[short[0]] + layer_s, 0):.1f} s of its "
            f"{dark_s[short[0]]:.1f} s of dark: the readings do not fit its exposures",
            "Check both layer numbers and both times",
        )
    dark = [index for index in range(len(PHASES)) if index != light]
    phase_s[:, dark] *= share[:, None]
    return _retimed(timeline, phase_s, _squeezed(timeline, share))


def _later(timeline: LightTimeline, layer_s: float) -> Clock:
    """Second of the timeline -> second once a constant is added to each layer."""
    ends_s = timeline.start_s + timeline.phase_s.sum(axis=1) + 1e-6 - 1e-9
    return lambda t_s: t_s + layer_s * np.searchsorted(ends_s, t_s, side="left")


def _squeezed(timeline: LightTimeline, share: Floats) -> Clock:
    """Second of the timeline -> second once the dark of each layer takes a share of its time;
    nodes at the start of each layer, its light on, its light off and its end."""
    length_s = timeline.phase_s.sum(axis=1)
    light_s = timeline.phase_s[:, PHASES.index("light")]
    on_s = np.nan_to_num(timeline.light_on_s - timeline.start_s)
    parts = np.column_stack([on_s, light_s, length_s - on_s - light_s])
    scaled = parts * np.column_stack([share, np.ones(len(share)), share])
    before_s, after_s = (
        np.concatenate([[0.0], timeline.startup_s + np.concatenate([[0.0], np.cumsum(one)])])
        for one in (parts, scaled)
    )
    return lambda t_s: np.interp(t_s, before_s, after_s) + np.maximum(t_s - before_s[-1], 0.0)


def _retimed(timeline: LightTimeline, phase_s: Floats, when: Clock) -> LightTimeline:
    length_s = phase_s.sum(axis=1)
    start_s = timeline.startup_s + np.concatenate([[0.0], np.cumsum(length_s)[:-1]])
    return replace(
        timeline,
        phase_s=phase_s,
        start_s=start_s,
        flash_on_s=when(timeline.flash_on_s),
        flash_off_s=when(timeline.flash_off_s),
        knot_s=when(timeline.knot_s),
    )


def started(timeline: LightTimeline, startup_s: float) -> LightTimeline:
    """The timeline with another time before the first layer; screen tests stay at its start."""
    by = startup_s - timeline.startup_s
    is_test = timeline.flash_layer_no == 0
    return replace(
        timeline,
        startup_s=startup_s,
        start_s=timeline.start_s + by,
        flash_on_s=timeline.flash_on_s + np.where(is_test, 0.0, by),
        flash_off_s=timeline.flash_off_s + np.where(is_test, 0.0, by),
        knot_s=np.concatenate([timeline.knot_s[:1], timeline.knot_s[1:] + by]),
    )
