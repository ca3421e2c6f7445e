"""`pin`: raise an output for a moment; a relay or opto-isolator closes the shutter contact."""

from __future__ import annotations

from capturehook.catalog.firmware import FIRMWARES
from capturehook.errors import Finding
from capturehook.model.block import Role
from capturehook.model.contracts import Fire, Firmware, command_lines, dwell_lines, wait_lines
from capturehook.model.profile import Profile


class PinPulse:
    """Output on, hold, off. docs/reference/gcode_facts.md#pins"""

    name = "pin"

    def check(self, profile: Profile) -> None:
        FIRMWARES[profile.machine.firmware].check_pin(profile.trigger.pin, profile.trigger.on)

    def findings(self, profile: Profile) -> list[Finding]:
        return [*_short(profile), *_chopped(profile)]

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        trigger, hold_ms = profile.trigger, profile.contact_ms
        assert trigger.pin is not None
        wait = wait_lines(firmware)
        on = command_lines(Role.FIRE, firmware.set_pin(trigger.pin, trigger.on, True))
        off = command_lines(Role.RELEASE, firmware.set_pin(trigger.pin, trigger.on, False))
        hold = dwell_lines(firmware, hold_ms)
        return Fire((*wait, *on, *hold, *wait, *off), held_ms=hold_ms)


def _short(profile: Profile) -> list[Finding]:
    least = profile.camera.min_hold_ms
    if profile.contact_ms >= least:
        return []
    return [
        Finding(
            "hold-short",
            "[trigger] hold_ms",
            f"the contact closes for {profile.contact_ms} ms, "
            f"under the {least:g} ms the camera needs; raise hold_ms",
        )
    ]


def _chopped(profile: Profile) -> list[Finding]:
    """An output below full scale is switched on and off many times a second."""
    full, on = FIRMWARES[profile.machine.firmware].full_on, profile.trigger.on
    if on is None or on >= full:
        return []
    return [
        Finding(
            "pin-chopped",
            "[trigger] on",
            f"{on:g} of {full:g} is a chopped output: a relay chatters, the camera may fire many "
            f"times; set on = {full:g}, or omit it",
        )
    ]
