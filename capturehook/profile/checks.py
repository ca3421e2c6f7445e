"""What no single key of a profile can show: keys that exclude each other, tables that disagree.

A fault is a text "table.key: what was found; what to do".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import ceil
from typing import Any

from capturehook.catalog import FIRMWARES, TRIGGERS
from capturehook.catalog.register import Register
from capturehook.model.profile import Profile
from capturehook.model.tables import FaultsError

CHOICES: dict[str, Register[Any]] = {"firmware": FIRMWARES, "trigger": TRIGGERS}
"""Context of every validation of a profile: what the registers hold, by kind."""


def _park_is_reachable(profile: Profile) -> Iterator[str]:
    for key in ("x_mm", "y_mm"):
        low, high = getattr(profile.machine, key)
        place = getattr(profile.park, key)
        if not low <= place <= high:
            edge = low if place < low else high
            yield (
                f"park.{key}: {place:g} is past the end of the axis at {edge:g} "
                f"(from [machine] {key}); park inside it, or correct the range"
            )


def _round_reach_holds(profile: Profile) -> Iterator[str]:
    """Corners of the square around a round bed are within both axes and out of reach."""
    machine, park = profile.machine, profile.park
    (left, right), (front, back) = machine.x_mm, machine.y_mm
    if machine.round and not machine.reaches(park.x_mm, park.y_mm):
        yield (
            f"park.x_mm: X{park.x_mm:g} Y{park.y_mm:g} is outside the round bed (from [machine] "
            f"round), whose middle is X{(left + right) / 2:g} Y{(front + back) / 2:g}; park "
            "nearer to it"
        )


def _feeds_within_limits(profile: Profile) -> Iterator[str]:
    top, park = profile.machine.max_mm_min, profile.park
    for key, feed, limit in (
        ("park.travel_mm_min", park.travel_mm_min, max(top.x, top.y)),
        ("park.hop_mm_min", park.hop_mm_min, top.z),
        ("retract.feed_mm_min", profile.retract.feed_mm_min, top.e),
    ):
        if feed > limit:
            yield (
                f"{key}: {feed:g} is over the machine's limit of {limit:g} "
                "(from [machine] max_mm_min); slow it down, or correct the limit"
            )


def _retract_is_known(profile: Profile) -> Iterator[str]:
    family = FIRMWARES[profile.machine.firmware]
    if profile.retract.by == "firmware" and not family.has_firmware_retract:
        yield f'retract.by: {family.name} has no retraction of its own; use by = "moves"'
    if profile.retract.extra_prime_mm > 0 and not family.can_prime:
        yield (
            f"retract.extra_prime_mm: {family.name} cannot put the number for the extruder back "
            "after it; set extra_prime_mm = 0"
        )


def _settling_is_known(profile: Profile) -> Iterator[str]:
    camera, settle = profile.camera, profile.park.settle
    if camera.distance_mm is not None:
        if camera.distance_mm <= camera.focal_mm:
            yield (
                f"camera.distance_mm: {camera.distance_mm:g} is not more than focal_mm = "
                f"{camera.focal_mm:g}, so nothing can be sharp; measure from the lens to the part"
            )
        return
    if settle is not None and settle.still_mm is None:
        yield (
            "park.settle.still_mm: is left out, and without [camera] distance_mm it is unknown "
            "how many mm one pixel covers; give one of the two"
        )
    if camera.tripod_hz is not None:
        yield (
            "camera.tripod_hz: how long a tripod swings visibly depends on [camera] distance_mm, "
            "which is left out; measure it from the lens to the part"
        )


def _trigger_has_what_it_needs(profile: Profile) -> Iterator[str]:
    if profile.trigger.options and profile.trigger.by in TRIGGERS.own:
        yield (
            f"trigger.options: {profile.trigger.by} has none; delete it (only triggers of other "
            "packages read it)"
        )
    try:
        TRIGGERS[profile.trigger.by].check(profile)
    except FaultsError as fault:
        yield from fault.texts
    except ValueError as fault:
        yield str(fault)


def _stands_still_for_the_exposure(profile: Profile) -> Iterator[str]:
    """Nothing moves from the trigger until the shutter is closed."""
    camera, trigger = profile.camera, profile.trigger
    open_ms = ceil(camera.open_ms + (0 if profile.is_by_timer else camera.lag_ms))
    what = "exposure_ms" if profile.is_by_timer else "lag_ms and exposure_ms"
    moves = f"so the head moves during the exposure ({open_ms} ms by {what})"
    advice = f"set {open_ms} or more, or leave it out"
    if camera.hold_ms is not None and camera.hold_ms < open_ms:
        yield f"camera.hold_ms: the stand ends after {camera.hold_ms} ms, {moves}; {advice}"
    if trigger.by == "button" and profile.contact_ms < open_ms:
        yield f"trigger.hold_ms: it is let go after {profile.contact_ms} ms, {moves}; {advice}"


CROSS_CHECKS: tuple[tuple[Callable[[Profile], Iterator[str]], tuple[str, ...]], ...] = (
    (_park_is_reachable, ("machine", "park")),
    (_round_reach_holds, ("machine", "park")),
    (_feeds_within_limits, ("machine", "park", "retract")),
    (_retract_is_known, ("machine", "retract")),
    (_settling_is_known, ("park", "camera")),
    (_stands_still_for_the_exposure, ("camera", "trigger")),
    (_trigger_has_what_it_needs, ("machine", "park", "camera", "trigger")),
)
"""What is checked between tables, and the tables it reads."""
