"""`capturehook optics`: where to stand the camera and how to set it."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli import show
from capturehook.cli.options import JSON, option, profile_option, takes
from capturehook.model.shutter import shutter_seconds, shutter_text, true_shutter_s
from capturehook.rig.exposure_advice import LIGHT_EV100

if TYPE_CHECKING:
    from capturehook.rig.advice import Facts
    from capturehook.rig.camera_setup import CameraSetup
    from capturehook.rig.optics_advice import OpticsAdvice


def _shutter(_context: click.Context, _option: click.Parameter, value: str | None) -> float | None:
    """1/60 or 0.5 -> seconds."""
    if value is None:
        return None
    try:
        return shutter_seconds(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is no exposure time; write 1/60 or 0.5") from None


@click.command("optics", short_help="Distance, depth of field, exposure and blur for a subject.")
@profile_option("Profile to start from.")
@takes(
    option("--subject-mm", "What must be in the picture.", float, metavar="WIDE DEEP HIGH"),
    option("--job", "Take the subject from a sliced job.", metavar="JOB"),
    option("--fill", "Largest share of the picture it may take (0.8).", float),
    option("--distance-mm", "Lens to front of subject, instead of a fill.", float),
    option("--tilt-deg", "Camera looks down by this angle.", float),
    option("--upright", "Camera turned by 90 degrees.", bool),
    option("--sensor-mm", "Of the image sensor; see --formats.", float, metavar="WIDE HIGH"),
    option("--pixels", "Size of a full picture, px.", int, metavar="WIDE HIGH"),
    option("--focal-mm", "True focal length, not an equivalent.", float),
    option("--f-number", "Aperture as written on the lens: 8 for f/8.", float),
    option("--iso", "Sensitivity (ISO).", float),
    option("--shutter exposure_s", "As marked: 1/60 or 0.5.", callback=_shutter, metavar="SECONDS"),
    option("--true-times", "Times are what is marked (1/60 is not 1/64).", bool),
    option("--circle-mm", "Blur on the sensor that still counts as sharp.", float),
    option("--ev100", "A light meter's reading at ISO 100.", float),
    option("--light", "Without a meter (room).", " ".join(LIGHT_EV100)),
    option("--mains-hz", "Of the lamps: 50 or 60 (50).", float),
    option("--settle-ms", "Wait between standing still and firing.", float),
    option(
        "--shake shakes",
        "What swings after a stop, perhaps the tripod too.",
        float,
        multiple=True,
        metavar="HZ DAMPING MM",
    ),
    option("--blur-px", "Blur allowed (1).", float),
    option("--formats", "List common sensor sizes and stop.", bool),
)
@JSON
def optics_command(
    profile: str | None,
    subject_mm: tuple[float, float, float] | None,
    job: str | None,
    formats: bool,
    as_json: bool,
    **options: Any,
) -> int:
    """Distance, depth of field, exposure and blur for one camera before one subject.

    Options win over the profile.

    \b
    Example: a lighthouse of 60 x 60 x 120 mm, lens of 35 mm, 60 Hz mains
      capturehook optics --subject-mm 60 60 120 --focal-mm 35 --f-number 11 --mains-hz 60
    """
    from capturehook.profile.load import unnamed_profile
    from capturehook.rig.advice import as_plain
    from capturehook.rig.camera_setup import SubjectBox
    from capturehook.rig.optics_advice import advise_optics

    if formats:
        return _show_formats(as_json)
    if subject_mm is None and job is not None:
        subject_mm = _box_of(job, profile)
    if subject_mm is None:
        raise click.UsageError(
            "What shall be in the picture? Add --subject-mm WIDE DEEP HIGH, or --job JOB."
        )
    wide, deep, high = subject_mm
    subject = SubjectBox(width_mm=wide, depth_mm=deep, height_mm=high)
    known = profile is not None or unnamed_profile() is not None
    advice = advise_optics(_setup(profile, options, known=known), subject)
    if as_json:
        show.emit_json({"schema": 1, **as_plain(advice)})
    else:
        if not known:
            show.say("No profile: capturehook's own camera wherever you gave no option.")
            show.say()
        _show_advice(advice)
        show.show_findings(advice.findings)
    return show.exit_code(advice.findings)


def _box_of(job: str, profile: str | None) -> tuple[float, float, float]:
    from capturehook.cli.job import read_job_file
    from capturehook.profile import load_profile
    from capturehook.read.job import printed_box_mm, read_job

    data, path = read_job_file(job)
    return printed_box_mm(read_job(data, path, load_profile(profile or "heron")))


def _setup(wish: str | None, options: dict[str, Any], *, known: bool) -> CameraSetup:
    """The profile's camera (or the default one), changed by the options that were given."""
    from capturehook.profile import load_profile
    from capturehook.rig.advice import check_number
    from capturehook.rig.camera_setup import CameraSetup, setup_from_profile
    from capturehook.rig.exposure_advice import Shake

    base = setup_from_profile(load_profile(wish)) if known else CameraSetup()
    true_times = options.pop("true_times")
    given = {key: value for key, value in options.items() if value is not None}
    if "exposure_s" in given and not true_times:
        given["exposure_s"] = true_shutter_s(given["exposure_s"])
    given = {key: value for key, value in given.items() if value is not False and value != ()}
    if "shakes" in given:
        given["shakes"] = tuple(Shake(*one) for one in given["shakes"])
    if "settle_ms" in given:
        check_number("settle_ms", given["settle_ms"], 0, 3.6e6)
        given["settle_s"] = given.pop("settle_ms") / 1000
    if "fill" in given and "distance_mm" not in given:
        given["distance_mm"] = None
    return replace(base, **given)


def _show_formats(as_json: bool) -> int:
    from capturehook.rig.camera_setup import SENSOR_FORMATS_MM

    if as_json:
        show.emit_json({"schema": 1, "formats_mm": [list(one) for one in SENSOR_FORMATS_MM]})
        return 0
    rows = [
        (f"{wide:g}", f"{high:g}", f"{(wide**2 + high**2) ** 0.5:.1f}", f"{36 / wide:.2f}")
        for wide, high in SENSOR_FORMATS_MM
    ]
    show.show_table(("wide mm", "high mm", "diagonal mm", "36 mm over width"), rows)
    return 0


def _show_advice(advice: OpticsAdvice) -> None:
    facts = _camera_facts(advice) | _view_facts(advice) | _sharp_facts(advice)
    show.show_facts(facts | _light_facts(advice))
    show.say()
    show.show_table(
        ("steady shutter", "is truly", "lamp pulses", "against meter EV", "or ISO", "or f/"),
        [
            (
                f"{one.marked} s",
                shutter_text(one.exposure_s),
                f"{one.lamp_waves:.2f}",
                f"{one.over_ev:+.2f}",
                f"{one.match_iso:.0f}",
                f"{one.match_f_number:.1f}",
            )
            for one in advice.exposure.choices
        ],
    )
    show.show_list("Take care", (caution.text for caution in advice.cautions))


def _camera_facts(advice: OpticsAdvice) -> Facts:
    setup, seen = advice.setup, advice.view.seen
    held = ", upright" if setup.upright else ""
    tilt = f", seen from {setup.tilt_deg:g} degrees above" if setup.tilt_deg else ""
    return {
        "camera": f"{setup.sensor_mm[0]:g} x {setup.sensor_mm[1]:g} mm, {setup.pixels[0]} x "
        f"{setup.pixels[1]} px{held}; {setup.focal_mm:g} mm, f/{setup.f_number:g}, ISO "
        f"{setup.iso:g}",
        "subject": f"{seen.width_mm:.0f} wide, {seen.depth_mm:.0f} deep, {seen.height_mm:.0f} mm "
        f"high{tilt}",
    }


def _view_facts(advice: OpticsAdvice) -> Facts:
    setup, view = advice.setup, advice.view
    wide, high = view.field_front_mm
    facts = {
        "distance": f"lens to front {view.front_mm:.0f} mm; fills {view.fill[0] * 100:.0f} % of "
        f"the width, {view.fill[1] * 100:.0f} % of the height",
        "focus": f"{view.focus_mm:.0f} mm from the lens, {view.focus_mark_mm:.0f} mm from the "
        "sensor",
        "field": f"{wide:.0f} x {high:.0f} mm at the front",
        "scale": f"{view.front_px_mm:.2f} px/mm at the front, {view.back_px_mm:.2f} at the back",
    }
    if view.turned_front_mm < view.front_mm - 1 and setup.distance_mm is None:
        facts["turned"] = (
            f"{'level' if setup.upright else 'upright'}, the camera could stand at "
            f"{view.turned_front_mm:.0f} mm and show more detail, if the depth is sharp there"
        )
    return facts


def _sharp_facts(advice: OpticsAdvice) -> Facts:
    view, sharp = advice.view, advice.sharpness
    fits = "all of it" if sharp.covers else "NOT all of it"
    return {
        "sharp": f"{sharp.near_mm:.0f} {_to(sharp.far_mm)} at f/{advice.setup.f_number:g}; the "
        f"subject reaches from {view.front_mm:.0f} to {view.back_mm:.0f}: {fits}",
        "hyperfocal": f"{sharp.hyperfocal_mm / 1000:.2f} m (circle {sharp.circle_mm:.4f} mm)",
        "f-number": f"f/{sharp.suggested_f_number:g}: {sharp.reason} (depth needs "
        f"f/{sharp.depth_f_number:.3g}, diffraction shows from f/{sharp.diffraction_f_number:.3g})",
    }


def _to(far_mm: float) -> str:
    return f"to {far_mm:.0f} mm" if isfinite(far_mm) else "mm to infinity"


def _light_facts(advice: OpticsAdvice) -> Facts:
    exposure, blur = advice.exposure, advice.blur
    low, high = exposure.ev100_range
    source = "metered" if exposure.metered else f"{low:g} to {high:g} guessed for the light"
    given = "as given" if exposure.given else "suggested"
    facts = {
        "light": f"EV {exposure.ev100:g} at ISO 100 ({source})",
        "exposure": f"{shutter_text(exposure.metered_s)} by the light "
        f"(f/{exposure.effective_f_number:.2g} felt, {exposure.loss_ev:.2f} EV lost so close); "
        f"{given} {shutter_text(exposure.used_s)}",
    }
    if blur is None:
        facts["blur"] = "not known: measure what swings after a stop and add --shake"
    else:
        facts["blur"] = (
            f"{blur.blur_px:.2f} px after {blur.settle_s * 1000:.0f} ms; for "
            f"{blur.allowed_px:g} px wait {blur.settle_needed_s * 1000:.0f} ms"
        )
    return facts
