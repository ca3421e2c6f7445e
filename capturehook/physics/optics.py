"""Thin-lens optics and exposure for a still camera that looks at a small part.

In: millimetres, seconds, f-numbers. Out: the same. ``distance_mm`` is always from the
lens to the subject; :func:`focus_mark_mm` turns it into what the mark on a camera body
shows. Every function raises ValueError for a number that has
no meaning (a length of zero, a subject inside the focal length).
"""

from __future__ import annotations

import math

from capturehook.physics import positive

GREEN_NM = 550.0
"""Wavelength the eye is most sensitive to by day, rounded (CIE photopic peak 555 nm)."""


def magnification(focal_mm: float, distance_mm: float) -> float:
    """Size of the image over size of the subject.

    Source: thin lens, 1/f = 1/s + 1/s', m = s'/s = f/(s - f); any optics textbook,
    e.g. Hecht, Optics, chapter 5.
    """
    positive(focal_mm=focal_mm)
    if not distance_mm > focal_mm:
        raise ValueError("distance_mm must be more than focal_mm: no real image otherwise")
    return focal_mm / (distance_mm - focal_mm)


def image_distance_mm(focal_mm: float, distance_mm: float) -> float:
    """From the lens to the sharp image. Source: thin lens, s' = f (1 + m)."""
    return focal_mm * (1 + magnification(focal_mm, distance_mm))


def focus_mark_mm(focal_mm: float, distance_mm: float) -> float:
    """From the sensor to the subject: the distance a lens scale or a body mark means.

    Source: thin lens, D = s + s' = f (2 + m + 1/m), least 4 f at m = 1. The gap between
    the principal planes of a real lens is left out.
    """
    return distance_mm + image_distance_mm(focal_mm, distance_mm)


def distance_for_field_mm(focal_mm: float, sensor_mm: float, field_mm: float) -> float:
    """Distance at which one side of the sensor sees ``field_mm``.

    Source: thin lens, s = f (1 + 1/m) with m = sensor/field.
    """
    positive(focal_mm=focal_mm, sensor_mm=sensor_mm, field_mm=field_mm)
    return focal_mm * (1 + field_mm / sensor_mm)


def field_mm(focal_mm: float, sensor_mm: float, distance_mm: float) -> float:
    """What one side of the sensor sees at the focused distance. Source: field = sensor/m."""
    positive(sensor_mm=sensor_mm)
    return sensor_mm / magnification(focal_mm, distance_mm)


def field_at_mm(focal_mm: float, sensor_mm: float, focus_mm: float, plane_mm: float) -> float:
    """What one side of the sensor sees at a plane before or behind the focus.

    Source: rays through the lens centre go straight on: sensor x plane/s' (similar triangles).
    """
    positive(sensor_mm=sensor_mm, plane_mm=plane_mm)
    return sensor_mm * plane_mm / image_distance_mm(focal_mm, focus_mm)


def distance_for_box_mm(
    focal_mm: float, sensor_mm: float, field_mm: float, depth_mm: float
) -> float:
    """Distance to the front of a box of ``depth_mm`` at which its front sees ``field_mm``.

    The focus is as :func:`focus_for_limits_mm` puts it, a little behind the front. With no
    depth this is :func:`distance_for_field_mm`.

    Source: :func:`field_at_mm` with that focus, a quadratic in the distance (algebra).
    """
    plain_mm = distance_for_field_mm(focal_mm, sensor_mm, field_mm)
    inside = (plain_mm + depth_mm) ** 2 - 2 * depth_mm * focal_mm
    return (plain_mm - depth_mm + math.sqrt(inside)) / 2


def view_angle_deg(focal_mm: float, sensor_mm: float) -> float:
    """Angle of view of one side, focused at infinity. Source: 2 atan(w / 2f), textbook."""
    positive(focal_mm=focal_mm, sensor_mm=sensor_mm)
    return math.degrees(2 * math.atan(sensor_mm / (2 * focal_mm)))


def scale_px_mm(pixels: int, field_mm: float) -> float:
    """Pixels that one millimetre of the subject covers. Source: geometry."""
    positive(pixels=pixels, field_mm=field_mm)
    return pixels / field_mm


def effective_f_number(f_number: float, magnification: float) -> float:
    """The f-number the sensor feels close up. Source: bellows factor, N (1 + m), textbook."""
    positive(f_number=f_number)
    return f_number * (1 + magnification)


def bellows_loss_ev(magnification: float) -> float:
    """Light lost close up, in stops. Source: 2 log2(1 + m), textbook."""
    return 2 * math.log2(1 + magnification)


def hyperfocal_mm(focal_mm: float, f_number: float, circle_mm: float) -> float:
    """Nearest focus that keeps infinity acceptably sharp.

    Source: H = f^2/(N c) + f, textbook; the widely published case of 50 mm, f/8,
    circle 0.03 mm gives 10.47 m.
    """
    positive(focal_mm=focal_mm, f_number=f_number, circle_mm=circle_mm)
    return focal_mm**2 / (f_number * circle_mm) + focal_mm


def depth_of_field_mm(
    focal_mm: float, f_number: float, circle_mm: float, distance_mm: float
) -> tuple[float, float]:
    """(nearest, farthest) distance that is acceptably sharp; farthest may be infinite.

    Source: s (H - f)/(H + s - 2 f) and s (H - f)/(H - s), textbook, exact for a thin lens.
    """
    magnification(focal_mm, distance_mm)
    reach_mm = hyperfocal_mm(focal_mm, f_number, circle_mm)
    near_mm = distance_mm * (reach_mm - focal_mm) / (reach_mm + distance_mm - 2 * focal_mm)
    if distance_mm >= reach_mm:
        return near_mm, math.inf
    return near_mm, distance_mm * (reach_mm - focal_mm) / (reach_mm - distance_mm)


def focus_for_limits_mm(near_mm: float, far_mm: float) -> float:
    """Where to focus so that both limits are equally sharp: their harmonic mean.

    Source: the two depth-of-field forms above added, 1/near + 1/far = 2/s (exact).
    """
    positive(near_mm=near_mm, far_mm=far_mm)
    return 2 / (1 / near_mm + 1 / far_mm)


def f_number_for_limits(focal_mm: float, circle_mm: float, near_mm: float, far_mm: float) -> float:
    """Smallest f-number whose depth of field reaches from ``near_mm`` to ``far_mm``.

    Source: the two depth-of-field forms subtracted, with s from :func:`focus_for_limits_mm`:
    N = f^2 s (1/near - 1/far) / (2 c (s - f)) (exact for a thin lens).
    """
    if not focal_mm < near_mm <= far_mm:
        raise ValueError("near_mm must be more than focal_mm and not more than far_mm")
    positive(circle_mm=circle_mm)
    focus_mm = focus_for_limits_mm(near_mm, far_mm)
    spread = 1 / near_mm - 1 / far_mm
    return focal_mm**2 * focus_mm * spread / (2 * circle_mm * (focus_mm - focal_mm))


def airy_disk_mm(effective_f_number: float, wavelength_nm: float = GREEN_NM) -> float:
    """Diameter of the diffraction disk on the sensor, to its first dark ring.

    Source: 2.44 lambda N (Airy); the factor is 2 x 3.8317/pi, from the first zero of the
    Bessel function J1; any optics textbook.
    """
    positive(effective_f_number=effective_f_number, wavelength_nm=wavelength_nm)
    return 2.44 * wavelength_nm * 1e-6 * effective_f_number


def diffraction_f_number(
    circle_mm: float, magnification: float, wavelength_nm: float = GREEN_NM
) -> float:
    """The f-number, as marked on the lens, whose diffraction disk just fills the circle.

    Source: 2.44 lambda N (1 + m) = c, see :func:`airy_disk_mm`.
    """
    positive(circle_mm=circle_mm)
    return circle_mm / (airy_disk_mm(1.0, wavelength_nm) * (1 + magnification))


def exposure_for_s(ev100: float, f_number: float, iso: float) -> float:
    """Exposure time for a metered scene. Source: APEX solved for t."""
    positive(f_number=f_number, iso=iso)
    return f_number**2 / 2**ev100 * 100 / iso


def lamp_waves(exposure_s: float, mains_hz: float) -> float:
    """Light pulses of a mains lamp within an exposure: it flickers at twice the mains.

    Source: light follows power, and sin^2 has twice the frequency (trigonometry). A whole
    number of pulses (t = n/100 s at 50 Hz, n/120 s at 60 Hz) is the same light every time.
    """
    positive(exposure_s=exposure_s, mains_hz=mains_hz)
    return exposure_s * 2 * mains_hz


def flicker_ev(exposure_s: float, mains_hz: float, ripple: float = 1.0) -> float:
    """Darkest to brightest frame, in stops, when shutter and lamp have no common clock.

    ``ripple`` is the lamp's swing over its mean: 1 goes fully dark between pulses.

    Source: the mean of 1 + r cos over a window holds r sin(pi n)/(pi n) of the wave, n =
    pulses in the window (Fourier transform of a rectangle, textbook).
    """
    if not 0 <= ripple <= 1:
        raise ValueError("ripple must be from 0 to 1")
    phase = math.pi * lamp_waves(exposure_s, mains_hz)
    swing = ripple * abs(math.sin(phase) / phase)
    return math.log2((1 + swing) / (1 - swing)) if swing < 1 else math.inf
