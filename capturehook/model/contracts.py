"""What a dialect, a firmware and a trigger must answer: three Protocols, no behaviour."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from capturehook.model.block import BlockLine, Role

if TYPE_CHECKING:
    from capturehook.errors import Finding
    from capturehook.model.profile import Profile


class Named(Protocol):
    """An entry of the register; it stands under its own name."""

    @property
    def name(self) -> str:
        """Lower-case letters, digits and _; unique in its register."""
        ...


class Firmware(Protocol):
    """How one family of firmware reads modes and writes waits, pins and messages."""

    name: str
    g90_sets_e: bool
    """G90/G91 switch the extruder's mode as well."""
    g91_forces_relative_e: bool
    """E is relative while G91 is on, whatever M82/M83 said."""
    inch_scales_e: bool
    """G20 counts E in inches as well."""
    rapid_has_own_feed: bool
    """F of a G0 and F of a G1 are kept apart."""
    has_firmware_retract: bool
    """G10/G11 draw back and push by lengths the firmware keeps itself."""
    modal_motion: bool
    """A line of words alone goes on with the last motion."""
    several_commands: str
    """How a line with more than one command is read; see `gcode.words.read_commands`."""
    reads_inches: bool
    """G20 switches to inches."""
    reads_radius_arcs: bool
    """Arcs by R."""
    reads_relative_arcs: bool
    """Arcs under G91."""
    bare_g92: str
    """What G92 without words does: nothing, zero (all axes read 0), or clear (no shifts)."""
    reads_volumetric: bool
    """M200 D turns E into cubic millimetres."""

    def dwell(self, ms: int) -> list[str]:
        """Stand still for a time, after all queued motion is done."""
        ...

    def wait(self) -> list[str]:
        """Until all queued motion is done."""
        ...

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """How long `G4` with these words waits."""
        ...

    def set_pin(self, pin: str | int, value: float | None, on: bool) -> list[str]:
        """Switch an output, to ``value`` or full on; ``on`` False is always 0."""
        ...

    def message(self, text: str) -> list[str]:
        """A text that reaches the host or the display."""
        ...

    def camera(self) -> list[str]:
        """The family's own camera command; ValueError("trigger.by: ...") where it has none."""
        ...

    def g10_retracts(self, letters: str) -> bool:
        """Whether `G10` with these words draws filament back (else it sets offsets)."""
        ...

    def retract(self) -> list[str]:
        """Draw filament back by the firmware's own length."""
        ...

    def unretract(self) -> list[str]:
        """Push it forward again."""
        ...


@dataclass(frozen=True, slots=True)
class Fire:
    """What a trigger adds at the park point; its own moves begin and end there.

    ``held_ms`` is time of the hold that already passes inside ``lines`` after the camera was
    told to fire. ``shutter_xy_mm`` is where the head stands while the shutter is open, None
    for the park point.
    """

    lines: tuple[BlockLine, ...]
    held_ms: float = 0.0
    shutter_xy_mm: tuple[float, float] | None = None


def command_lines(role: Role, texts: Iterable[str], dwell_s: float = 0.0) -> Iterator[BlockLine]:
    """Commands that do not move, as lines of one role; ``dwell_s`` is the last one's."""
    texts = list(texts)
    for number, text in enumerate(texts, 1):
        yield BlockLine(role, text, dwell_s=dwell_s if number == len(texts) else 0.0)


def wait_lines(firmware: Firmware) -> tuple[BlockLine, ...]:
    """Until all queued motion is done."""
    return tuple(command_lines(Role.WAIT, firmware.wait()))


def dwell_lines(firmware: Firmware, ms: int, role: Role = Role.HOLD) -> tuple[BlockLine, ...]:
    """Stand still for a time."""
    return tuple(command_lines(role, firmware.dwell(ms), ms / 1000))


class Trigger(Protocol):
    """One way to fire a camera."""

    name: str

    def check(self, profile: Profile) -> None:
        """Raise ValueError("trigger.key: what; advice") for what this trigger misses."""
        ...

    def findings(self, profile: Profile) -> list[Finding]:
        """Doubts that do not stop the run."""
        ...

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        """The lines that fire the camera from the park point."""
        ...


class Dialect(Protocol):
    """How one kind of file marks its layers."""

    @property
    def name(self) -> str:
        """Also the folder of its corpus cases."""
        ...

    @property
    def literal(self) -> tuple[bytes, ...]:
        """Byte strings at least one of which is in every mark: a cheap first look."""
        ...

    @property
    def pattern(self) -> bytes:
        """Regular expression of a whole mark line; groups `number` and `z` where it has them."""
        ...

    @property
    def number_base(self) -> int | None:
        """The number of the first layer; None where marks carry none."""
        ...
