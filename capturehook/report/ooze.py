"""What seeps out of the nozzle while it is away: an estimate from the profile's [ooze] table.

Free ooze falls off after a retraction, so this is an upper bound (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import pi

from capturehook.catalog import FIRMWARES, TRIGGERS
from capturehook.errors import Finding
from capturehook.model.profile import Profile
from capturehook.place.shutter import hold_ms, settle_ms


def away_s(profile: Profile, way_mm: float) -> float:
    """Seconds from leaving the part to being back, without accelerations."""
    firmware = FIRMWARES[profile.machine.firmware]
    fire = TRIGGERS[profile.trigger.by].fire(firmware, profile)
    still_s = (settle_ms(profile) + hold_ms(profile, fire.held_ms) + fire.held_ms) / 1000
    return still_s + 2 * way_mm * 60 / profile.park.travel_mm_min


def ooze_findings(profile: Profile, ways_mm: Sequence[float]) -> Iterator[Finding]:
    """One finding when the longest absence may ooze more than the profile allows."""
    if not ways_mm:
        return
    seconds = away_s(profile, max(ways_mm))
    volume_mm3 = seconds * profile.ooze.rate_mm3_s
    if volume_mm3 <= profile.ooze.limit_mm3:
        return
    filament_mm = volume_mm3 / (pi * profile.machine.filament_mm**2 / 4)
    yield Finding(
        "ooze",
        "[ooze] limit_mm3",
        f"in {seconds:.1f} s away {volume_mm3:.2f} mm3 may ooze "
        f"({filament_mm:.2f} mm of filament), over {profile.ooze.limit_mm3:g}: "
        "shorten the stand, retract more, or prime as much back",
    )
