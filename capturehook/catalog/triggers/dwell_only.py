"""`wait`: nothing is sent; an interval timer, a person or a sensor fires the camera."""

from __future__ import annotations

import math

from capturehook.errors import Finding
from capturehook.model.contracts import Fire, Firmware
from capturehook.model.profile import Profile

HAND_MS = 2000
"""For a person to see that the head has stopped, and to press (common practice, no source; the bare
reaction to a light takes about 0.25 s, handbooks of ergonomics)."""


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
        """A person must see the stop and press while it lasts."""
        camera = profile.camera
        if not profile.is_by_hand or profile.resin is not None:
            return []
        stands_ms = camera.hold_ms or math.ceil(camera.frame_ms)
        needs_ms = math.ceil(camera.lag_ms + camera.open_ms + HAND_MS)
        if stands_ms >= needs_ms:
            return []
        text = (
            f"the head stands still for {stands_ms / 1000:.2f} s, too short for a hand to see it "
            f"and press: set hold_ms = {needs_ms}, or let something else fire the camera"
        )
        return [Finding("hold-short", "[camera] hold_ms", text)]

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        return Fire(())
