"""`pin`: raise an output for a moment; a relay or opto-isolator closes the shutter contact."""

from __future__ import annotations

from collections.abc import Iterator

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
        return [*hold_short(profile, profile.contact_ms), *_chopped(profile)]

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        trigger, hold_ms = profile.trigger, profile.contact_ms
        assert trigger.pin is not None
        wait = wait_lines(firmware)
        on = command_lines(Role.FIRE, firmware.set_pin(trigger.pin, trigger.on, True))
        off = command_lines(Role.RELEASE, firmware.set_pin(trigger.pin, trigger.on, False))
        hold = dwell_lines(firmware, hold_ms)
        return Fire((*wait, *on, *hold, *wait, *off), held_ms=hold_ms)


def hold_short(profile: Profile, closed_ms: float) -> Iterator[Finding]:
    """The contact is closed for less than the camera needs."""
    least = profile.camera.min_hold_ms
    if closed_ms < least:
        text = (
            f"the contact closes for {closed_ms:.0f} ms, under the {least:g} ms the camera needs; "
            "raise hold_ms"
        )
        yield Finding("hold-short", "[trigger] hold_ms", text)


def _chopped(profile: Profile) -> Iterator[Finding]:
    """An output below full scale is switched on and off many times a second."""
    full, on = FIRMWARES[profile.machine.firmware].full_on, profile.trigger.on
    if on is not None and on < full:
        text = (
            f"{on:g} of {full:g} is a chopped output: a relay chatters, the camera may fire many "
            f"times; set on = {full:g}, or omit it"
        )
        yield Finding("pin-chopped", "[trigger] on", text)
