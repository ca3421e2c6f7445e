"""`pin`: raise an output for a moment; a relay or opto-isolator closes the shutter contact."""

from __future__ import annotations

from capturehook.errors import Finding
from capturehook.model.block import Role
from capturehook.model.contracts import Fire, Firmware, command_lines, dwell_lines, wait_lines
from capturehook.model.profile import Profile


class PinPulse:
    """Output on, hold, off. docs/gcode_facts.md#pins"""

    name = "pin"

    def check(self, profile: Profile) -> None:
        trigger, family = profile.trigger, profile.machine.firmware
        if family == "smoothie":
            raise ValueError(
                "trigger.by: smoothie switches an output by two codes of its own configuration, "
                'not by a pin; use by = "lines" with those codes'
            )
        if trigger.pin is None:
            raise ValueError("trigger.pin: is missing; add the number or name of the output")
        if isinstance(trigger.pin, str) and not _is_pin_name(trigger.pin):
            raise ValueError(
                f"trigger.pin: {trigger.pin!r} is no name of a pin; use letters, digits and _ only"
            )
        if family != "klipper" and not str(trigger.pin).lstrip("-").isdigit():
            raise ValueError(f"trigger.pin: {family} knows pins by number; give the number")
        if family == "klipper" and trigger.on is not None and trigger.on > 1:
            raise ValueError(
                f"trigger.on: {trigger.on:g} is over full scale; {family} counts from 0 to 1"
            )

    def findings(self, profile: Profile) -> list[Finding]:
        least = profile.camera.min_hold_ms
        if profile.trigger.hold_ms >= least:
            return []
        return [
            Finding(
                "hold-short",
                "[trigger] hold_ms",
                f"the contact closes for {profile.trigger.hold_ms} ms, "
                f"under the {least:g} ms the camera needs; raise hold_ms",
            )
        ]

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        trigger = profile.trigger
        assert trigger.pin is not None
        wait = wait_lines(firmware)
        on = command_lines(Role.FIRE, firmware.set_pin(trigger.pin, trigger.on, True))
        off = command_lines(Role.RELEASE, firmware.set_pin(trigger.pin, trigger.on, False))
        hold = dwell_lines(firmware, trigger.hold_ms)
        return Fire((*wait, *on, *hold, *wait, *off), held_ms=trigger.hold_ms)


def _is_pin_name(name: str) -> bool:
    return name.isascii() and name.replace("_", "").replace("-", "").isalnum()
