"""The shoot page's checklist: camera, what fires it, before the print; and the cautions."""

from __future__ import annotations

from collections.abc import Iterator

from capturehook.draw.html import Html, section, tag
from capturehook.errors import CaptureHookError, Finding
from capturehook.model.profile import Profile
from capturehook.model.shutter import shutter_text
from capturehook.read.job import Job, printed_box_mm
from capturehook.rig.advice import CONTACT, FIRST, OPTICS, OPTO, Caution
from capturehook.rig.camera_setup import SubjectBox, setup_from_profile
from capturehook.rig.optics_advice import OpticsAdvice, advise_optics

PRINT_LIST = (
    "Clean lens, fixed tripod, cables tied down; nothing touches the bed's or the head's path.",
    "A rehearsal in the air: nozzle raised, no filament, the first poses watched.",
    "Room light steady, daylight shut out, part fan and lamp as in the print.",
    "Card empty and formatted, battery full or mains supply, camera's sleep switched off.",
    "Spool, bed and first layer as for any print; smoke alarm tested.",
)
CAMERA_CAUTIONS = {"button": CONTACT, "pin": OPTO}


def camera_advice(job: Job) -> OpticsAdvice | None:
    """Camera and distance for this part; None where no picture is possible with them."""
    try:
        wide, deep, high = printed_box_mm(job)
        box = SubjectBox(width_mm=wide, depth_mm=deep, height_mm=high)
        return advise_optics(setup_from_profile(job.profile), box)
    except CaptureHookError:
        return None


def checklist(profile: Profile, advice: OpticsAdvice | None, name: str) -> Html:
    """All lists as boxes to tick, on paper too."""
    groups = (
        ("Camera", list(_camera_steps(profile, advice))),
        ("What fires it", list(_trigger_steps(profile))),
        ("Before the print", [f"Send the posed job to the printer, not {name}.", *PRINT_LIST]),
    )
    lists = []
    for title, steps in groups:
        items = [
            tag("li", tag("label", tag("input", type="checkbox"), tag("span", step)))
            for step in steps
        ]
        lists.append(tag("div", tag("h3", title), tag("ul", items, class_="checks")))
    return section("checklist", "Checklist", lists)


def cautions(profile: Profile) -> Html:
    """What to take care of; the maker's manual first."""
    chosen: dict[Caution, None] = dict.fromkeys(
        (FIRST, *CAMERA_CAUTIONS.get(profile.trigger.by, ()), *OPTICS[1:3])
    )
    items = [tag("li", one.text) for one in chosen]
    return section("cautions", "Take care", tag("ul", items, class_="cautions"))


def camera_findings(advice: OpticsAdvice | None) -> tuple[Finding, ...]:
    """Warnings of the camera's set-up, of what the profile states only."""
    if advice is None:
        return ()
    stated = {"shake-blur"} | ({"lamp-flicker"} if advice.exposure.given else set())
    return tuple(one for one in advice.findings if one.code in stated)


def _camera_steps(profile: Profile, advice: OpticsAdvice | None) -> Iterator[str]:
    camera = profile.camera
    yield (
        f"Manual mode: f/{camera.f_number:g}, ISO {camera.iso:g}, "
        f"{shutter_text(camera.open_ms / 1000)}; white balance fixed, no stabiliser, no flash."
    )
    if advice is not None:
        view, sharp = advice.view, advice.sharpness
        yield (
            f"Lens {camera.focal_mm:g} mm, its front {view.front_mm:.0f} mm from the part: the "
            f"finished part takes {view.fill[0]:.0%} of the width and {view.fill[1]:.0%} of the "
            "height."
        )
        far = "infinity" if sharp.far_mm > 1e6 else f"{sharp.far_mm:.0f} mm"
        yield (
            f"Focus by hand at {view.focus_mm:.0f} mm from the lens, tape the ring; sharp from "
            f"{sharp.near_mm:.0f} mm to {far}."
        )
        if not sharp.covers:
            yield f"The part is deeper than that: use f/{sharp.suggested_f_number:g}."
    megabytes = camera.frame_mb
    yield f"Picture size {camera.pixels[0]} x {camera.pixels[1]} px, about {megabytes:g} MB each."


def _trigger_steps(profile: Profile) -> Iterator[str]:
    trigger, camera = profile.trigger, profile.camera
    if trigger.by == "button":
        place = f"X{trigger.x_mm:g}" if trigger.x_mm is not None else ""
        place += f" Y{trigger.y_mm:g}" if trigger.y_mm is not None else ""
        side = f"{trigger.axis.upper()}{trigger.direction}"
        yield f"Switch fixed at {place.strip()}, pressed towards {side}."
        yield "Sleeve to the switch's common contact, tip to its normally open contact."
        yield "By hand: one press, one picture. Then by a slow move of the head."
    elif trigger.by == "pin":
        yield f"Output {trigger.pin}: to the camera only through an opto-isolator or a relay."
        yield "Collector to tip, emitter to sleeve; no ground joined across the isolator."
        yield f"Switch the output by hand for {profile.contact_ms} ms: one pulse, one picture."
    elif trigger.by == "camera":
        yield "The firmware's camera command is set up on the controller, and fires one picture."
    elif trigger.by == "message":
        yield f"The host or display listens for the text {trigger.text!r} and fires one picture."
    elif trigger.by == "lines":
        yield "Your own lines, sent by hand, fire one picture: " + "; ".join(trigger.lines)
    elif camera.interval_s is not None:
        yield f"Camera's own timer: every {camera.interval_s:g} s, started with the print, no end."
        yield "Try it for ten minutes: no frame missing, no sleep, no auto power off."
    elif trigger.fired_by == "sensor":
        yield "Your sensor sees the parked head: ten moves there by hand, ten pictures."
    else:
        yield "Remote in your hand: you fire each frame yourself while the head is parked."
        yield "Stand clear of the bed; do not touch the tripod when you fire."
    yield f"Ten frames at the print's own pace: ten pictures, lag at most {camera.lag_ms:g} ms."
