"""Marlin. docs/gcode_facts.md#marlin"""

from __future__ import annotations

from capturehook.catalog.firmware.common import CommonFirmware


class Marlin(CommonFirmware):
    """G90/G91 switch E too; M42 acts at once, ahead of queued motion."""

    name = "marlin"
    g90_sets_e = True

    def camera(self) -> list[str]:
        return ["M240"]
