"""`camera`: the firmware's own camera command. docs/reference/gcode_facts.md#camera-command"""

from __future__ import annotations

from capturehook.errors import Finding
from capturehook.model.block import Role
from capturehook.model.contracts import Fire, Firmware, command_lines, wait_lines
from capturehook.model.profile import Profile


class CameraCommand:
    """M240 where the firmware was built with it; motion is waited for first."""

    name = "camera"

    def check(self, profile: Profile) -> None:
        from capturehook.catalog import FIRMWARES

        FIRMWARES[profile.machine.firmware].camera()

    def findings(self, profile: Profile) -> list[Finding]:
        return []

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        return Fire((*wait_lines(firmware), *command_lines(Role.FIRE, firmware.camera())))
