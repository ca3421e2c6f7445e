"""What to count and to clock on a resin printer before its timeline is believed."""

from __future__ import annotations

from capturehook.errors import CaptureHookError
from capturehook.model.resin_job import LightTimeline
from capturehook.rig.trial_read import TrialReading


def resin_trial(timeline: LightTimeline, layers: tuple[int, int]) -> TrialReading:
    """Where lights come by the timeline, for two layers far apart, and what must not fire.

    Source: two readings of a clock tell one constant of each layer, (seen - told) over the
    layers between (arithmetic); 1 s over 100 layers is 0.01 s.

    Raises
    ------
    CaptureHookError
        The layers are not in the job, or not in order.
    """
    first, last = layers
    if not 1 <= first < last <= len(timeline):
        raise CaptureHookError(
            "layers",
            f"{first} and {last} are not two layers of {len(timeline)} in order",
            "Choose two layers of the job, far apart, the earlier one first",
        )
    on_s = [float(timeline.light_on_s[layer - 1]) for layer in layers]
    facts = (
        ("count", f"layers 1 to 10: one firing each; {len(timeline)} in the whole job"),
        ("count", "at power-up, during the lamp test and at the end: no firing"),
        (
            "clock",
            f"start it with the print; the lamp should come on for layer {first} after "
            f"{_clock(on_s[0])}, for layer {last} after {_clock(on_s[1])}: {on_s[1] - on_s[0]:.1f} "
            "s between them",
        ),
        (
            "then",
            f"capturehook resin JOB --clock {first}=H:MM:SS --clock {last}=H:MM:SS, with what you "
            "read",
        ),
    )
    return TrialReading(
        kind="resin",
        facts=facts,
        profile=(),
        findings=(),
        numbers={"first_s": on_s[0], "last_s": on_s[1]},
    )


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
