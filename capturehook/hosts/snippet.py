"""A pose as text for a host's layer-change field, for hosts without post-processing.

The text is the same at every layer, so it cannot know where the nozzle is: the firmware must
save the place and go back to it. Families without that are refused. Sources: docs/hosts.md.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from capturehook.block.write import make_kit
from capturehook.catalog import FIRMWARES
from capturehook.errors import PlanError, Where
from capturehook.model.numbers import fixed
from capturehook.model.profile import Profile

EXTRUSIONS = ("absolute", "relative")

LIMITS = (
    "Nothing is proved: the text knows neither the part nor where the nozzle is. Watch the "
    "first layers with a hand on the power switch.",
    "The way to the park point is straight, {clear_mm:g} mm above the layer: anything taller on "
    "that way is hit. Never use it for objects printed one at a time, nor near clips.",
    "It fires at every layer, or as often as the host repeats the field; the profile's [capture] "
    "is not used, nor its extra prime, and there is no frame of the finished part.",
    "Where the stop falls in the layer is the host's choice: a blob or scar at the seam is likely.",
    "Filament is drawn back by the whole length, even if the job has drawn it back already.",
    "The top {clear_mm:g} mm of the Z axis must be left free by the part.",
)
MARLIN_LIMITS = (
    "The firmware must be built with saved positions (G60, G61): send G60 by hand and look for "
    "an unknown-command answer before you use this.",
    "The feed is not put back: the host must state F on its next move.",
    "The place saved in slot 0 is overwritten.",
)
REPRAP_LIMITS = ("Restore point 0 is overwritten.",)


@dataclass(frozen=True, slots=True)
class Snippet:
    lines: tuple[str, ...]
    cautions: tuple[str, ...]


def layer_change_text(profile: Profile, extrusion: str | None = None) -> Snippet:
    """The lines of one pose with the place saved and restored by the firmware.

    Parameters
    ----------
    extrusion : "absolute" or "relative", as the host writes its jobs; needed for marlin

    Raises
    ------
    PlanError
        The firmware cannot save and restore a place, or ``extrusion`` is missing.
    """
    family = profile.machine.firmware
    limits = tuple(one.format(clear_mm=profile.park.clear_mm) for one in LIMITS)
    if family == "klipper":
        return Snippet(tuple(_klipper(profile)), limits)
    if family == "reprapfirmware":
        return Snippet(tuple(_reprapfirmware(profile)), limits + REPRAP_LIMITS)
    if family == "marlin":
        return Snippet(tuple(_marlin(profile, extrusion)), limits + MARLIN_LIMITS)
    raise PlanError(
        Where("[machine] firmware"),
        f"{family} cannot save a place and go back to it, and a text at the layer change does "
        "not know where the nozzle is",
        "Have the host's file edited instead (see `capturehook hook`)",
    )


def _klipper(profile: Profile) -> Iterator[str]:
    """Two saved states, so that the way back is level first and straight down after it."""
    speed = fixed(profile.park.travel_mm_min / 60)
    hop = fixed(profile.park.hop_mm_min / 60)
    yield "SAVE_GCODE_STATE NAME=pose_here"
    yield from _draw_back(profile)
    yield f"G1 Z{fixed(profile.park.clear_mm)} F{fixed(profile.park.hop_mm_min)}"
    yield "SAVE_GCODE_STATE NAME=pose_above"
    yield from _at_park(profile)
    yield f"RESTORE_GCODE_STATE NAME=pose_above MOVE=1 MOVE_SPEED={speed}"
    yield f"RESTORE_GCODE_STATE NAME=pose_here MOVE=1 MOVE_SPEED={hop}"
    yield from _push(profile)
    yield "RESTORE_GCODE_STATE NAME=pose_here"


def _reprapfirmware(profile: Profile) -> Iterator[str]:
    """M120 and M121 keep modes and feed, restore point 0 the place."""
    yield "M120"
    yield "G60 S0"
    yield from _draw_back(profile)
    yield f"G1 Z{fixed(profile.park.clear_mm)} F{fixed(profile.park.hop_mm_min)}"
    yield from _at_park(profile)
    yield f"G1 R0 X0 Y0 F{fixed(profile.park.travel_mm_min)}"
    yield f"G1 R0 Z0 F{fixed(profile.park.hop_mm_min)}"
    yield from _push(profile)
    yield "M121"


def _marlin(profile: Profile, extrusion: str | None) -> Iterator[str]:
    """G60 saves the place; modes cannot be saved, so the host's must be known."""
    if extrusion not in EXTRUSIONS:
        raise PlanError(
            Where("--extrusion"),
            "marlin cannot save whether E counts absolutely",
            "Say --extrusion absolute or --extrusion relative, as the host writes its jobs",
        )
    yield "G60 S0"
    yield from _draw_back(profile)
    yield f"G1 Z{fixed(profile.park.clear_mm)} F{fixed(profile.park.hop_mm_min)}"
    yield from _at_park(profile)
    yield f"G61 X0 Y0 S0 F{fixed(profile.park.travel_mm_min)}"
    yield f"G61 Z0 S0 F{fixed(profile.park.hop_mm_min)}"
    yield from _push(profile)
    yield "G90"
    yield "M82" if extrusion == "absolute" else "M83"


def _draw_back(profile: Profile) -> Iterator[str]:
    """Filament back; relative from here on."""
    yield "G91"
    yield "M83"
    yield from _filament(profile, -profile.retract.length_mm)


def _push(profile: Profile) -> Iterator[str]:
    """Filament forward again by as much."""
    yield "G91"
    yield "M83"
    yield from _filament(profile, profile.retract.length_mm)


def _filament(profile: Profile, step_mm: float) -> Iterator[str]:
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
