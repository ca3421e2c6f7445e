"""What to do about a finding, in one short sentence, by its code (docs/reference/findings.md)."""

from __future__ import annotations

from collections.abc import Sequence

from capturehook.draw.html import Html, tag
from capturehook.errors import Finding

CURES = {
    "e-mode-unsaid": "Have the host's start code say M82 or M83.",
    "last-line-not-run": "Have the host end the last line.",
    "lines-after-end": "Slice the model again without the command that ends the job early.",
    "inch": "Slice the model in millimetres.",
    "line-numbers": "Print from a card, or let the host number the lines.",
    "marks-contradict": "Compare the number of layers with that of the slicing host.",
    "may-be-cut": "Copy the job again, or slice the model again.",
    "other-bed": "Take the right profile, or correct x_mm and y_mm of [machine].",
    "other-height": "Take the right profile, or correct z_mm of [machine].",
    "other-filament": "Correct filament_mm, or slice the model again.",
    "other-firmware": "Slice the model again; if it is meant so, set [machine] sliced_for.",
    "other-limits": "Correct [machine], or clock with plan --limits job.",
    "other-retraction": "Leave out [retract] length_mm.",
    "no-marks": "Compare the number of layers with that of the slicing host.",
    "one-at-a-time": "Measure carriage_mm well, and look at apply --dry-run.",
    "outside-machine": "Take the right profile, or correct its ranges.",
    "park-over-part": "Park beside the part.",
    "park-visited": "Take the original job, or park elsewhere.",
    "pauses": "Be there at the pause: all times after it shift by its length.",
    "tool-changes": "Expect all times after the first change to shift.",
    "strange-codes": "Set the right firmware, or try a few lines in the air.",
    "spiral": "Look at the first stops; a shorter stop marks less.",
    "pose-left-out": "Nothing to do: these layers have no frame.",
    "pose-unsafe": "Move the park point, or see the page on space.",
    "poses-thinned": "Allow more time with added_max_s, or choose fewer frames.",
    "battery-short": "Feed the camera from the mains, or change the battery at a pause.",
    "card-full": "Take a larger card, or smaller frames.",
    "frame-too-soon": "Set [capture] min_gap_s.",
    "hold-short": "Raise hold_ms, or leave it out.",
    "ooze": "Shorten the stand, retract more, or set extra_prime_mm.",
    "timer-too-fast": "Lengthen the timer's interval.",
    "timer-misses": "Stand still longer, or shorten the timer's interval.",
    "button-depth": "Press deeper.",
    "button-fast": "Lower approach_mm_min.",
    "button-inside": "Correct where the contact closes, or the reach in [machine].",
    "button-in-homing-range": "Move the switch, or home to the other end.",
    "button-narrow": "Take a lever switch, or a bracket that yields.",
    "button-slow": "Raise approach_mm_min.",
    "button-stays-closed": "Set start_mm farther from the switch.",
    "exposure-off": "Change the exposure as told.",
    "lamp-flicker": "Take one of the exposure times told.",
    "shake-blur": "Wait longer before firing, or arrive slower.",
    "depth-short": "Close the aperture as told.",
    "diffraction": "Open the aperture as told.",
    "depth-or-diffraction": "Move the camera back, or accept the blur told.",
    "cut-off": "Move the camera back as told.",
    "part-hidden": "Park elsewhere, move the camera, or raise z_mm of [resin.pose].",
    "part-cut-off": "Move the camera back, or let rehearse place it.",
    "already-filmed": "Nothing to do: apply replaces the blocks.",
    "unknown-command": "Slice the model without that command, or skip the layers after it.",
    "resin-height-tag": "Look at the job.",
    "resin-late-start": "Give clock times since the print began.",
    "resin-no-frame": "Do what is said, or accept the layers without a frame.",
    "resin-same-height": "Count frames with care.",
    "resin-calibration": "Expect longer flashes than stated.",
    "resin-dark-layer": "Look at the job.",
    "resin-image-gap": "Slice the model again.",
    "resin-image-missing": "Slice the model again.",
    "resin-lamp-in-frame": "Fire at light-off, or insert poses.",
    "resin-lamp-left-on": "Look at the end of the job.",
    "resin-layer-count": "Slice the model again.",
    "resin-low-pose": "Raise z_mm of [resin.pose].",
    "resin-moves-unknown": "Give lift and retract by flags, or read a clock twice.",
    "resin-nothing-new": "Thin out with --every.",
    "resin-nothing-shown": "Look from lower down, lift higher, or insert poses.",
    "resin-pause": "Be there at the pause: all times after it shift by its length.",
    "resin-plate-moves": "Change the delay, rest at the top of the lift, or press faster.",
    "resin-short-pulse": "Count frames from the layer after.",
    "resin-switch-pressed": "Raise z_mm of [resin.pose], or lower that move.",
    "resin-time-differs": "Read a clock at two layers, and give --clock twice.",
    "resin-two-exposures": "Read a clock at two layers, and give --clock twice.",
    "resin-uneven-lift": "Slice the model again.",
    "missing": "The film holds the frame before it, or bridges the gap.",
    "not-parked": "The film leaves it out; look at it, and at the frames beside it.",
    "alias": "Count the layer of one frame: audit --anchor pict0003.jpg 4.",
    "counts-differ": "Give files that still have their times.",
    "no-static-area": "State one with --static, or hang a pattern behind the printer.",
    "orientation": "Nothing to do: all are turned alike.",
    "clock-jump": "Taken into account; switch off automatic daylight saving.",
    "pause": "Taken into account.",
    "copies": "Nothing to do: the first is used.",
    "blurred": "The film leaves it out; lengthen settle_ms if there are many.",
    "dark": "The film leaves it out; fix the exposure by hand.",
    "moved": "Aligned in the film; take a firmer tripod.",
    "bumped": "Aligned in the film; take a firmer tripod.",
    "creep": "Aligned in the film; check the tripod's clamps.",
    "other-plan": "Name this job's plan with --plan; if it is, taken into account.",
    "sizes-differ": "Keep the picture size and the way the camera is held.",
    "drift": "Taken into account; correct the profile's accelerations.",
    "flicker": "Expose by hand; assemble --even-light.",
    "colour-flicker": "Set the white balance by hand; assemble --even-light.",
    "focus-changed": "Focus by hand, and tape the ring.",
    "settings-changed": "Set the camera to manual.",
    "auto-white-balance": "Set the white balance by hand.",
}


def warnings_list(findings: Sequence[Finding]) -> Html:
    """Each warning and its cure; what is said alike at many places is said once."""
    if not findings:
        return tag("p", "No warnings.", class_="fine")
    places: dict[tuple[str, str], list[str]] = {}
    for one in findings:
        places.setdefault((one.code, one.text), []).append(one.where)
    items = []
    for (code, text), where in places.items():
        more = f" (and {len(where) - 1} more places)" if len(where) > 1 else ""
        cure = CURES.get(code)
        items.append(
            tag("li", tag("p", tag("strong", where[0]), f"{more}: {text}. ", tag("code", code)),
                tag("p", tag("strong", "To do: "), cure) if cure else None)
        )  # fmt: skip
    return tag("ul", items, class_="notes")
