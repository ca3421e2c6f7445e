"""What a dialect, a firmware and a trigger must answer: three Protocols, no behaviour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from capturehook.errors import Finding
    from capturehook.profile import Profile


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
    several_commands: str
    reads_inches: bool
    reads_radius_arcs: bool
    reads_relative_arcs: bool
    refuses_short_radius: bool
    bare_g92: str
    reads_volumetric: bool
    waits: bool
    """Has M400 (or waits by itself where it matters)."""

    def dwell(self, ms: int) -> list[str]:
        """Stand still for a time, after all queued motion is done."""
        ...

    def wait(self) -> list[str]:
        """Until all queued motion is done."""
        ...

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """How long `G4` with these words waits."""
        ...

    def set_pin(self, pin: str | int, value: float | None, on: bool) -> list[str]: ...

    def message(self, text: str) -> list[str]: ...

    def camera(self) -> list[str]: ...


@dataclass(frozen=True, slots=True)
class Fire:
    """What a trigger adds at the park point.

    ``lines`` may hold moves when ``moves`` is true; they begin and end at the park point.
    ``held_ms`` is time of the hold that already passes inside ``lines`` after the camera
    was told to fire.
    """

    lines: tuple[str, ...]
    held_ms: float = 0.0
    moves: bool = False


class Trigger(Protocol):
    """One way to fire a camera."""

    name: str

    def check(self, profile: Profile) -> None:
        """Raise ValueError("trigger.key: what; advice") for what this trigger misses."""
        ...

    def findings(self, profile: Profile) -> list[Finding]:
        """Doubts that do not stop the run."""
        ...

    def fire(self, firmware: Firmware, profile: Profile, z_mm: float) -> Fire: ...


class Dialect(Protocol):
    """How one kind of file marks its layers."""

    name: str
    literal: tuple[bytes, ...]
    """Byte strings at least one of which is in every mark: a cheap first look."""

    pattern: bytes
    """Regular expression of a whole mark line; groups `number` and `z` where it has them."""

    number_base: int | None
