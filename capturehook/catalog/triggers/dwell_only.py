"""`wait`: nothing is sent; a person, an interval timer or another eye fires the camera."""

from __future__ import annotations

from capturehook.errors import Finding
from capturehook.model.contracts import Fire, Firmware
from capturehook.model.profile import Profile


class DwellOnly:
    """Stand still long enough for whatever takes the frame."""

    name = "wait"

    def check(self, profile: Profile) -> None:
        """Nothing is needed."""

    def findings(self, profile: Profile) -> list[Finding]:
        return []

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        return Fire(())
