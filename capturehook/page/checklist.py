"""The shoot pages' checklists: camera, what fires it, before the print; and the cautions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from capturehook.draw.html import Html, section, tag
from capturehook.errors import CaptureHookError, Finding, counted
from capturehook.model.profile import Camera, Profile
from capturehook.model.resin import Sensor
from capturehook.model.shutter import shutter_text
from capturehook.resin.report import CAUTIONS
from capturehook.rig.advice import CONTACT, FIRST, OPTICS, OPTO
from capturehook.rig.camera_setup import SubjectBox, setup_from_profile
from capturehook.rig.optics_advice import OpticsAdvice, advise_optics

if TYPE_CHECKING:
    from capturehook.rehearse.hanging import Scene
    from capturehook.resin.shoot import ResinShoot

CARD = "Card empty and formatted, battery full or mains supply, camera's sleep switched off."
PRINT_LIST = (
    "Clean lens, fixed tripod, cables tied down; nothing touches the bed's or the head's path.",
    "A rehearsal in the air: nozzle raised, no filament, the first poses watched.",
    "Room light steady, daylight shut out, part fan and lamp as in the print.",
    CARD,
    "Spool, bed and first layer as for any print; smoke alarm tested.",
)
RESIN_LIST = (
    "Clean lens, fixed tripod, cable tied down; nothing in the plate's path, cover closed.",
    "Steady amber or red light on the part; no sun and no white light on the vat.",
    CARD,
    "Vat, film, resin and plate as for any print; gloves on, room aired.",
)
CAMERA_CAUTIONS = {"button": CONTACT, "pin": OPTO}


def camera_advice(
    profile: Profile, size_mm: tuple[float, float, float] | None
) -> OpticsAdvice | None:
    """Camera and distance for a part of some width, depth and height; None where its size is not
    known, or no picture is possible with them."""
    if size_mm is None:
        return None
    wide, deep, high = size_mm
    try:
        box = SubjectBox(width_mm=wide, depth_mm=deep, height_mm=high)
        return advise_optics(setup_from_profile(profile), box)
    except CaptureHookError:
        return None


def filament_checklist(profile: Profile, advice: OpticsAdvice | None, name: str) -> Html:
    before = (f"Send the posed job to the printer, not {name}.", *PRINT_LIST)
    return _checklist(_camera_steps(profile, advice), _trigger_steps(profile), before)


def resin_checklist(scene: Scene, advice: OpticsAdvice | None) -> Html:
    """For a job that fires the camera at its poses, or for a light sensor."""
    shoot, name = scene.shoot, Path(scene.job.path).name
    first = [f"Send the posed job to the printer: {name}."] if shoot.by == "pose" else []
    return _checklist(
        _camera_steps(scene.profile, advice), _resin_steps(scene), (*first, *RESIN_LIST)
    )


def _checklist(camera: Iterable[str], trigger: Iterable[str], before: Iterable[str]) -> Html:
    """All lists as boxes to tick, on paper too."""
    groups = (("Camera", camera), ("What fires it", trigger), ("Before the print", before))
    lists = []
    for title, steps in groups:
        items = [
            tag("li", tag("label", tag("input", type="checkbox"), tag("span", step)))
            for step in steps
        ]
        lists.append(tag("div", tag("h3", title), tag("ul", items, class_="checks")))
    return section("checklist", "Checklist", lists)


def filament_cautions(profile: Profile) -> Html:
    """What to take care of; the maker's manual first."""
    own = CAMERA_CAUTIONS.get(profile.trigger.by, ())
    return _cautions(dict.fromkeys(one.text for one in (FIRST, *own, *OPTICS[1:3])))


def resin_cautions(shoot: ResinShoot) -> Html:
    moves = ["Watch the first poses with an empty vat: the plate moves without warning."]
    return _cautions([*CAUTIONS, *(moves if shoot.by == "pose" else ())])


def _cautions(texts: Iterable[str]) -> Html:
    items = [tag("li", one) for one in texts]
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
    yield _ten_frames(camera)


def _resin_steps(scene: Scene) -> Iterator[str]:
    pose, sensor, shoot = scene.table.pose, scene.table.sensor, scene.shoot
    if shoot.by == "light":
        yield f"Light sensor at the rim of the lamp's screen: fires {sensor_words(sensor)}."
        yield "Sensor clear of resin and drips; its cable led out so that the cover closes."
        yield "Cover closed, vat empty, three layers: one picture for each, none in between."
        if shoot.false_starts:
            count = shoot.false_starts
            yield f"{counted(count, 'picture')} before the first layer, of the lamp test."
    elif pose.lines:
        yield "The job's own lines, sent by hand, fire one picture: " + "; ".join(pose.lines)
    else:
        yield (
            f"Switch that the plate closes at {pose.contact_mm:g} mm, "
            f"{pose.switch.over_travel_mm:g} mm before it stops at {pose.z_mm:g} mm."
        )
        yield "Sleeve to the switch's common contact, tip to its normally open contact."
        yield "By hand: one press, one picture. Then by a slow move of the plate, vat empty."
    yield _ten_frames(scene.profile.camera)


def sensor_words(sensor: Sensor) -> str:
    """When a light sensor fires the camera."""
    edge = "goes off" if sensor.edge == "light-off" else "goes on"
    after = f"{sensor.delay_ms / 1000:g} s after" if sensor.delay_ms else "as soon as"
    return f"{after} the lamp {edge}"


def _ten_frames(camera: Camera) -> str:
    return f"Ten frames at the print's own pace: ten pictures, lag at most {camera.lag_ms:g} ms."
