"""A pose as text for a host's layer-change field, for hosts without post-processing.

The text is the same at every layer, so it cannot know where the nozzle is: the firmware must
save the place and go back to it. Families without that are refused. Sources: docs/howto/hosts.md.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from capturehook.block.write import make_kit
from capturehook.catalog import FIRMWARES
from capturehook.errors import PlanError, Where
from capturehook.model.contracts import Firmware
from capturehook.model.contracts import Snippet as SnippetParts
from capturehook.model.numbers import fixed
from capturehook.model.profile import Profile

EXTRUSIONS = ("absolute", "relative")

LIMITS = (
    "Nothing is proved: the text knows neither the part nor where the nozzle is. Watch the "
    "first layers with a hand on the power switch.",
    "The path to the park point is straight, {clear_mm:g} mm above the layer: anything taller on "
    "it is hit. Never use it for objects printed one at a time, nor near clips.",
    "It fires at every layer, or as often as the host repeats the field; the profile's [capture] "
    "is not used, nor its extra prime, and there is no frame of the finished part.",
    "Where the stop falls in the layer is the host's choice: a blob or scar at the seam is likely.",
    "Filament is retracted by the whole length, even if the job has retracted already.",
    "The top {clear_mm:g} mm of the Z axis must be left free by the part.",
)


@dataclass(frozen=True, slots=True)
class Snippet:
    lines: tuple[str, ...]
    cautions: tuple[str, ...]


def layer_change_text(profile: Profile, extrusion: str | None = None) -> Snippet:
    """The lines of one pose with the place saved and restored by the firmware.

    Parameters
    ----------
    extrusion : "absolute" or "relative", as the host writes its jobs; needed where the
        firmware cannot save it

    Raises
    ------
    PlanError
        The firmware cannot save and restore a place, or ``extrusion`` is missing.
    """
    firmware, park = FIRMWARES[profile.machine.firmware], profile.park
    parts = SnippetParts(
        retract=tuple(_filament(profile, -profile.retract.stroke_mm)),
        hop=f"G1 Z{fixed(park.clear_mm)} F{fixed(park.hop_mm_min)}",
        park=tuple(_at_park(profile)),
        unretract=tuple(_filament(profile, profile.retract.stroke_mm)),
        travel_mm_min=park.travel_mm_min,
        hop_mm_min=park.hop_mm_min,
        extrusion=extrusion if extrusion in EXTRUSIONS else None,
    )
    try:
        lines = firmware.layer_change(parts)
    except ValueError as fault:
        raise _cannot(firmware, str(fault)) from fault
    limits = tuple(one.format(clear_mm=park.clear_mm) for one in LIMITS)
    return Snippet(tuple(lines), limits + firmware.snippet_cautions)


def _cannot(firmware: Firmware, found: str) -> PlanError:
    if firmware.snippet_cautions:  # it can save a place
        return PlanError(
            Where("--extrusion"),
            found,
            "Say --extrusion absolute or --extrusion relative, as the host writes its jobs",
        )
    return PlanError(
        Where("[machine] firmware"),
        found,
        "Have the host's file edited instead (see `capturehook hook`)",
    )


def _filament(profile: Profile, step_mm: float) -> Iterator[str]:
    """Filament back (below 0) or forward; relative from here on."""
    yield "G91"
    yield "M83"
    if profile.retract.by == "firmware":
        firmware = FIRMWARES[profile.machine.firmware]
        yield from firmware.retract() if step_mm < 0 else firmware.unretract()
    elif step_mm:
        yield f"G1 E{fixed(step_mm)} F{fixed(profile.retract.feed_mm_min)}"


def _at_park(profile: Profile) -> Iterator[str]:
    """Go there, settle, fire, hold."""
    park = profile.park
    kit = make_kit(profile, e_letter="E", filament_per_unit=1.0, job_fw_retract=False)
    yield "G90"
    yield f"G1 X{fixed(park.x_mm)} Y{fixed(park.y_mm)} F{fixed(park.travel_mm_min)}"
    for line in kit.standing:
        places = (("X", line.x_mm), ("Y", line.y_mm))
        words = [f"{letter}{fixed(mm)}" for letter, mm in places if mm is not None]
        yield f"G1 {' '.join(words)} F{fixed(line.feed_mm_min)}" if words else line.text
