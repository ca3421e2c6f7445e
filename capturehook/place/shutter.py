"""When to fire and how long to stand still: settle, lag, exposure, margin."""

from __future__ import annotations

import math
from dataclasses import dataclass

from capturehook.model.profile import Camera, Profile


def settle_ms(profile: Profile) -> int:
    """How long to wait after the park move before the camera is fired."""
    settling = settling_of(profile)
    return max(settling.printer_ms, settling.together_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """Where the wait before firing comes from.

    Attributes
    ----------
    printer_ms : as stated, or until the printer swings no more than its own still_mm
    together_ms : until what swings (printer without still_mm, tripod) smears no more than
        [camera] blur_px; 0 where nothing is known of it
    px_mm : pixels that one mm of the part covers; None without [camera] distance_mm
    with_tripod : the tripod counts among them
    """

    printer_ms: int
    together_ms: int
    px_mm: float | None
    with_tripod: bool


def settling_of(profile: Profile) -> Settling:
    """The wait before firing, by its causes. docs/howto/plan.md#settling"""
    camera, settle = profile.camera, profile.park.settle
    px_mm = picture_scale_px_mm(camera)
    shakes: list[tuple[float, float, float]] = []
    printer_ms = profile.park.settle_ms
    if settle is not None:
        printer_ms = 0
        shake = (settle.start_mm, settle.frequency_hz, settle.damping)
        if settle.still_mm is None:
            shakes.append(shake)
        else:
            from capturehook.physics.settling import settle_time_s

            printer_ms = _whole_ms(settle_time_s(shake[0], settle.still_mm, *shake[1:]))
    if camera.tripod_hz is not None:
        shakes.append((camera.tripod_start_mm, camera.tripod_hz, camera.tripod_damping))
    together_ms = 0
    if shakes and px_mm is not None:
        from capturehook.physics.settling import settle_together_s

        allowed_mm = camera.blur_px / px_mm
        together_ms = _whole_ms(settle_together_s(shakes, camera.open_ms / 1000, allowed_mm))
    return Settling(
        printer_ms=printer_ms,
        together_ms=together_ms,
        px_mm=px_mm,
        with_tripod=camera.tripod_hz is not None,
    )


def picture_scale_px_mm(camera: Camera) -> float | None:
    """Pixels that one mm of the part covers; None where the distance is not known."""
    if camera.distance_mm is None:
        return None
    from capturehook.physics.optics import field_mm, scale_px_mm

    width_mm = field_mm(camera.focal_mm, camera.sensor_mm[0], camera.distance_mm)
    return scale_px_mm(camera.pixels[0], width_mm)


def _whole_ms(seconds: float) -> int:
    return math.ceil(1000 * seconds - 1e-6)


def hold_ms(profile: Profile, already_ms: float) -> int:
    """How long to stand still after the trigger, less what its own hold has used already.

    A free-running interval timer needs a whole interval and a whole exposure
    (docs/howto/plan.md#interval-timer).
    """
    camera = profile.camera
    need: float
    if camera.hold_ms is not None:
        need = camera.hold_ms
    elif camera.interval_s is not None and profile.is_by_timer:
        need = 1000 * camera.interval_s + camera.open_ms + camera.jitter_ms + camera.margin_ms
    else:
        need = camera.frame_ms
    return max(0, math.ceil(need - already_ms))
