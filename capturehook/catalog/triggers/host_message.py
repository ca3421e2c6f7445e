"""`message`: a text to the host, which fires the camera when it reads it."""

from __future__ import annotations

from capturehook.errors import Finding
from capturehook.model.block import Role
from capturehook.model.contracts import Fire, Firmware, command_lines, wait_lines
from capturehook.model.profile import Profile

DEFAULT_TEXT = "capture frame"
MAX_COMMAND = 80
"""Bytes of a command; docs/reference/gcode_facts.md#line-lengths"""


class HostMessage:
    """One line of text, sent after motion has stopped."""

    name = "message"

    def check(self, profile: Profile) -> None:
        text = profile.trigger.text
        if text is None:
            return
        if not text.isascii() or not text.isprintable() or not text.strip() or ";" in text:
            raise ValueError(
                f"trigger.text: {text!r:.60} is not plain printable ASCII without a semicolon; "
                "reword it"
            )
        if len(text) > 70 or len(_line(profile, text)) > MAX_COMMAND:
            raise ValueError(
                f"trigger.text: {len(text)} letters are too many for one line; keep to 70"
            )

    def findings(self, profile: Profile) -> list[Finding]:
        return []

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        text = profile.trigger.text or DEFAULT_TEXT
        sent = command_lines(Role.FIRE, firmware.message(text))
        return Fire((*wait_lines(firmware), *sent))


def _line(profile: Profile, text: str) -> str:
    from capturehook.catalog import FIRMWARES

    return FIRMWARES[profile.machine.firmware].message(text)[0]
