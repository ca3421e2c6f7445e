"""`wait`: nothing is sent; an interval timer, a person or a sensor fires the camera."""

from __future__ import annotations

from capturehook.errors import Finding
from capturehook.model.contracts import Fire, Firmware
from capturehook.model.profile import Profile


class DwellOnly:
    """Stand still long enough for whatever takes the frame."""

    name = "wait"

    def check(self, profile: Profile) -> None:
        """Something must fire the camera all the same."""
        fired = profile.camera.interval_s is not None or profile.trigger.fired_by is not None
        if not fired and profile.resin is None:
            raise ValueError(
                'trigger.by: "wait" sends nothing, and nothing else is said to fire the camera; '
                "set [camera] interval_s (its own interval timer), or fired_by in [trigger] "
                '("hand" or "sensor"), or choose button, pin, camera, message or lines'
            )

    def findings(self, profile: Profile) -> list[Finding]:
        return []

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        return Fire(())
