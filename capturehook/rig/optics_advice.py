"""Where to stand the camera and how to set it: view, sharpness, exposure and blur.

In: a camera, a subject box, the light and what shakes. Out: OpticsAdvice, whose findings
each say what to change and by how much.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from capturehook.errors import CaptureHookError, Finding
from capturehook.physics import optics
from capturehook.rig.advice import OPTICS, Caution
from capturehook.rig.camera_setup import CameraSetup, SubjectBox
from capturehook.rig.exposure_advice import (
    Blur,
    Exposure,
    blur_findings,
    estimate_blur,
    exposure_findings,
    judge_exposure,
)

STOPS = (
    *(1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0),
    *(5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0),
    *(25.0, 29.0, 32.0, 36.0, 40.0, 45.0, 51.0, 57.0, 64.0, 72.0, 81.0, 90.0),
)
"""Third stops as they are marked (common practice; rounded powers of 2^(1/6))."""

SOFT_WIDE_OPEN = 2.8
"""Most lenses are sharper from here on (common practice, no source)."""
THIRD = 2 ** (1 / 6)
"""A third of a stop: what marks on a lens cannot resolve counts as met."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Distances and scale; pairs are (width, height) of the picture as held."""

    seen: SubjectBox
    front_mm: float
    focus_mm: float
    back_mm: float
    focus_mark_mm: float
    magnification: float
    view_angle_deg: tuple[float, float]
    field_front_mm: tuple[float, float]
    field_back_mm: tuple[float, float]
    fill: tuple[float, float]
    front_px_mm: float
    back_px_mm: float
    turned_front_mm: float
    """Distance for the same fill with the camera turned by 90 degrees."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharpness:
    """What is sharp at the chosen f-number, and which f-number is right."""

    circle_mm: float
    hyperfocal_mm: float
    near_mm: float
    far_mm: float
    covers: bool
    depth_f_number: float
    """Smallest that makes the whole depth sharp."""
    diffraction_f_number: float
    """Largest whose diffraction disk stays within the circle."""
    airy_mm: float
    suggested_f_number: float
    reason: str
    possible: bool
    """An f-number exists that meets both."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpticsAdvice:
    setup: CameraSetup
    subject: SubjectBox
    view: View
    sharpness: Sharpness
    exposure: Exposure
    blur: Blur | None
    findings: tuple[Finding, ...]
    cautions: tuple[Caution, ...] = OPTICS


def advise_optics(setup: CameraSetup, subject: SubjectBox) -> OpticsAdvice:
    """All advice for one camera before one subject.

    Raises
    ------
    CaptureHookError
        The numbers allow no picture (a subject too small for the fill, a camera too close).
    """
    view = find_view(setup, subject)
    sharpness = judge_sharpness(setup, view)
    exposure = judge_exposure(
        f_number=setup.f_number,
        iso=setup.iso,
        magnification=view.magnification,
        mains_hz=setup.mains_hz,
        ev100=setup.ev100,
        light=setup.light,
        exposure_s=setup.exposure_s,
    )
    blur = estimate_blur(
        setup.shakes, setup.settle_s, exposure.used_s, view.front_px_mm, setup.blur_px
    )
    findings = (
        *_view_findings(setup, view),
        *_sharpness_findings(setup, view, sharpness),
        *exposure_findings(exposure),
        *blur_findings(blur),
    )
    return OpticsAdvice(
        setup=setup,
        subject=subject,
        view=view,
        sharpness=sharpness,
        exposure=exposure,
        blur=blur,
        findings=findings,
    )


def find_view(setup: CameraSetup, subject: SubjectBox) -> View:
    """Distance for the wanted fill (or the given one), and what is seen from there."""
    seen = subject.seen_from_above(setup.tilt_deg)
    front_mm = setup.distance_mm or _checked_distance_mm(setup, seen)
    back_mm = front_mm + seen.depth_mm
    focus_mm = optics.focus_for_limits_mm(front_mm, back_mm)
    front = _field_mm(setup, focus_mm, front_mm)
    back = _field_mm(setup, focus_mm, back_mm)
    wide, high = setup.held_mm
    return View(
        seen=seen,
        front_mm=front_mm,
        focus_mm=focus_mm,
        back_mm=back_mm,
        focus_mark_mm=optics.focus_mark_mm(setup.focal_mm, focus_mm),
        magnification=optics.magnification(setup.focal_mm, focus_mm),
        view_angle_deg=(
            optics.view_angle_deg(setup.focal_mm, wide),
            optics.view_angle_deg(setup.focal_mm, high),
        ),
        field_front_mm=front,
        field_back_mm=back,
        fill=(seen.width_mm / front[0], seen.height_mm / front[1]),
        front_px_mm=optics.scale_px_mm(setup.held_px[0], front[0]),
        back_px_mm=optics.scale_px_mm(setup.held_px[0], back[0]),
        turned_front_mm=_distance_for_fill_mm(setup, seen, setup.held_mm[::-1]),
    )


def _distance_for_fill_mm(
    setup: CameraSetup, seen: SubjectBox, held_mm: tuple[float, float]
) -> float:
    """The side that needs the larger distance decides."""
    return max(
        optics.distance_for_box_mm(setup.focal_mm, side_mm, extent_mm / setup.fill, seen.depth_mm)
        for side_mm, extent_mm in zip(held_mm, (seen.width_mm, seen.height_mm), strict=True)
    )


def _checked_distance_mm(setup: CameraSetup, seen: SubjectBox) -> float:
    """The distance for the fill, refused where the image would be larger than life."""
    front_mm = _distance_for_fill_mm(setup, seen, setup.held_mm)
    if front_mm <= 2 * setup.focal_mm:
        raise CaptureHookError(
            "subject",
            f"at a fill of {setup.fill:g} it would be drawn larger than life by this lens",
            "Give a smaller fill, or a distance with --distance-mm",
        )
    return front_mm


def _field_mm(setup: CameraSetup, focus_mm: float, plane_mm: float) -> tuple[float, float]:
    wide, high = setup.held_mm
    return (
        optics.field_at_mm(setup.focal_mm, wide, focus_mm, plane_mm),
        optics.field_at_mm(setup.focal_mm, high, focus_mm, plane_mm),
    )


def judge_sharpness(setup: CameraSetup, view: View) -> Sharpness:
    """Depth of field against the subject's depth, diffraction against the circle."""
    circle_mm = setup.sharp_mm
    near_mm, far_mm = optics.depth_of_field_mm(
        setup.focal_mm, setup.f_number, circle_mm, view.focus_mm
    )
    depth = optics.f_number_for_limits(setup.focal_mm, circle_mm, view.front_mm, view.back_mm)
    limit = optics.diffraction_f_number(circle_mm, view.magnification)
    suggested, reason, possible = _suggest_f_number(depth, limit)
    felt = optics.effective_f_number(setup.f_number, view.magnification)
    return Sharpness(
        circle_mm=circle_mm,
        hyperfocal_mm=optics.hyperfocal_mm(setup.focal_mm, setup.f_number, circle_mm),
        near_mm=near_mm,
        far_mm=far_mm,
        covers=setup.f_number * THIRD >= depth,
        depth_f_number=depth,
        diffraction_f_number=limit,
        airy_mm=optics.airy_disk_mm(felt),
        suggested_f_number=suggested,
        reason=reason,
        possible=possible,
    )


def _suggest_f_number(depth: float, limit: float) -> tuple[float, str, bool]:
    """(marked f-number, why, whether it meets depth and diffraction both).

    Where none meets both, defocus (~ 1/N) and diffraction (~ N) are least together at
    N = sqrt(depth limit): the sum of their squares has its minimum where they are equal.
    """
    floor = max(depth, min(SOFT_WIDE_OPEN, limit))
    good = [stop for stop in STOPS if floor <= stop <= limit]
    if good and depth < SOFT_WIDE_OPEN:
        return good[0], "depth would allow wider still, but lenses are softer wide open", True
    if good:
        return good[0], "the widest marked stop that makes all of it sharp", True
    if depth <= limit * THIRD:
        return _nearest_stop(depth), "depth and diffraction just meet there", True
    return _nearest_stop(math.sqrt(depth * limit)), "no stop does both; the least blur", False


def _nearest_stop(f_number: float) -> float:
    return min(STOPS, key=lambda stop: abs(math.log(stop / f_number)))


def distance_for_sharpness_mm(setup: CameraSetup, seen: SubjectBox) -> float:
    """Nearest distance to the front at which one f-number meets depth and diffraction both."""

    def short_of(front_mm: float) -> bool:
        back_mm = front_mm + seen.depth_mm
        focus_mm = optics.focus_for_limits_mm(front_mm, back_mm)
        need = optics.f_number_for_limits(setup.focal_mm, setup.sharp_mm, front_mm, back_mm)
        enlarged = optics.magnification(setup.focal_mm, focus_mm)
        return need > optics.diffraction_f_number(setup.sharp_mm, enlarged)

    low_mm, high_mm = 2 * setup.focal_mm, 2 * setup.focal_mm + 1
    while short_of(high_mm):
        low_mm, high_mm = high_mm, high_mm * 2
    for _ in range(50):
        middle_mm = (low_mm + high_mm) / 2
        low_mm, high_mm = (middle_mm, high_mm) if short_of(middle_mm) else (low_mm, middle_mm)
    return high_mm


def _view_findings(setup: CameraSetup, view: View) -> Iterator[Finding]:
    over = max(view.fill)
    if over <= 1:
        return
    side = "width" if over == view.fill[0] else "height"
    fits_mm = _distance_for_fill_mm(setup, view.seen, setup.held_mm)
    turned = (
        f", or turn the camera by 90 degrees and stand at {view.turned_front_mm:.0f} mm"
        if view.turned_front_mm < fits_mm
        else ""
    )
    yield Finding(
        "cut-off",
        "view",
        f"the subject takes {over * 100:.0f} % of the picture's {side}; move back from "
        f"{view.front_mm:.0f} to {fits_mm:.0f} mm (by {fits_mm - view.front_mm:.0f} mm) for a "
        f"fill of {setup.fill * 100:.0f} %{turned}",
    )


def _sharpness_findings(setup: CameraSetup, view: View, sharp: Sharpness) -> Iterator[Finding]:
    if not sharp.possible:
        far_mm = distance_for_sharpness_mm(setup, view.seen)
        yield Finding(
            "depth-or-diffraction",
            "sharpness",
            f"{view.seen.depth_mm:.0f} mm of depth need f/{sharp.depth_f_number:.3g}, but "
            f"diffraction blurs from f/{sharp.diffraction_f_number:.3g} on; f/"
            f"{sharp.suggested_f_number:g} is the least blur. For both: move back by "
            f"{far_mm - view.front_mm:.0f} mm to {far_mm:.0f} mm, or accept a circle of "
            f"{_circle_for_both_mm(sharp):.4f} mm instead of {sharp.circle_mm:.4f} mm",
        )
    elif not sharp.covers:
        yield Finding(
            "depth-short",
            "sharpness",
            f"f/{setup.f_number:g} is sharp from {sharp.near_mm:.0f} to {sharp.far_mm:.0f} mm, "
            f"the subject reaches from {view.front_mm:.0f} to {view.back_mm:.0f} mm; close "
            f"down to f/{sharp.suggested_f_number:g} and focus at {view.focus_mm:.0f} mm",
        )
    if setup.f_number > max(sharp.diffraction_f_number * THIRD, sharp.suggested_f_number):
        yield Finding(
            "diffraction",
            "sharpness",
            f"f/{setup.f_number:g} spreads every point over {sharp.airy_mm:.3f} mm of the "
            f"sensor, more than the {sharp.circle_mm:.3f} mm that count as sharp; open up to "
            f"f/{sharp.suggested_f_number:g}",
        )


def _circle_for_both_mm(sharp: Sharpness) -> float:
    """Depth needs N ~ 1/c, diffraction allows N ~ c: they meet at c sqrt(depth/limit)."""
    return sharp.circle_mm * math.sqrt(sharp.depth_f_number / sharp.diffraction_f_number)
