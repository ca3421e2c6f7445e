"""When to fire and how long to stand still: settle, lag, exposure, margin."""

from __future__ import annotations

import math

from capturehook.profile import Profile


def settle_ms(profile: Profile) -> int:
    """How long to wait after the park move before the camera is fired."""
    settle = profile.park.settle
    if settle is None:
        return profile.park.settle_ms
    from capturehook.physics.settling import settle_time_s

    seconds = settle_time_s(settle.start_mm, settle.still_mm, settle.frequency_hz, settle.damping)
    return math.ceil(1000 * max(seconds, 0.0))


def hold_ms(profile: Profile, already_ms: float) -> int:
    """How long to stand still after the trigger, less what its own hold has used already.

    A free-running interval timer needs a whole interval and a whole exposure
    (docs/time_model.md#interval-timer).
    """
    camera = profile.camera
    need = camera.lag_ms + camera.exposure_ms + camera.margin_ms
    if camera.interval_s is not None and profile.trigger.by == "wait":
        need = 1000 * camera.interval_s + camera.exposure_ms + camera.jitter_ms + camera.margin_ms
    return max(0, math.ceil(need - already_ms))
