"""What a dialect, a firmware and a trigger must answer; and how a register is made."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, TypeVar

from capturehook.model.block import BlockLine, Role
from capturehook.model.effects import Changes, Command, Refuse

if TYPE_CHECKING:
    from capturehook.errors import Finding
    from capturehook.model.paths import Floats, Paths
    from capturehook.model.profile import Machine, Profile

Axes = dict[str, float]
"""Letter (or key) to number."""
Limits = dict[str, "float | Axes"]
"""Keys of the profile's [machine] table to a number, or to numbers by axis."""


class Named(Protocol):
    """An entry of the register; it stands under its own name."""

    @property
    def name(self) -> str:
        """Lower-case letters, digits and _; unique in its register."""
        ...


Entry = TypeVar("Entry", bound=Named)


class CornerRule(Protocol):
    """How a family takes the corner between two moves, on K paths."""

    @property
    def cruise_ratio(self) -> float:
        """Share of a burst of speed that must be cruised; 0 for none."""
        ...

    def rest_v2(self, paths: Paths) -> Floats:
        """(K,) mm2/s2, speed a move may jump from rest to, squared."""
        ...

    def meet_v2(self, paths: Paths) -> Floats:
        """(K-1,) mm2/s2, corner between each move and the next, without their top speeds."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Snippet:
    """The parts of a layer-change text, which the family joins by saving and restoring.

    ``retract`` ... hold the lines of each part; modes are relative in ``retract`` and
    ``unretract``, and absolute in ``park``. ``extrusion`` is how the host counts E in its
    jobs: "absolute", "relative", or None where it was not told.
    """

    retract: tuple[str, ...]
    hop: str
    park: tuple[str, ...]
    unretract: tuple[str, ...]
    travel_mm_min: float
    hop_mm_min: float
    extrusion: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnCommand:
    """What a person's own line of one command may hold; docs/reference/triggers.md#lines.

    ``must`` and ``may`` are the words it needs and may have besides (letters, or keys like
    ``VALUE``); ``most`` bounds a word's number. The word ``pin`` must name the output the
    profile states. ``text``: the rest of the line is a message, matched by ``pattern``.
    """

    must: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    most: Mapping[str, float] = field(default_factory=dict)
    pin: str | None = None
    text: bool = False
    pattern: str = r"[^;*]*"


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """What commands of a family leave alone, end or keep.

    capturehook/model/effects.py
    """

    harmless: frozenset[str]
    """Commands that change neither place, numbers, modes, feed nor filament: all others may."""
    ends_job: frozenset[str] = frozenset()
    """Lines after these are not run, or not as the job's author thinks."""
    silent_end: frozenset[str] = frozenset()
    """Those of ``ends_job`` at which nothing moves and no macro of the owner's runs."""
    keep_and_give_back: tuple[str, str] | None = None
    """Two commands that store modes and feed, and give them back."""
    stored_place: tuple[str, str] | None = None
    """Two commands that store the place with the feed, and go back to both."""
    relative_stroke: str = "adds"
    """What a relative E word does to the number for E: adds, stays or zero."""
    small_letters_act: bool = False
    """A line that begins with a small letter is a command to the board itself."""


class Firmware(Protocol):
    """All in which one family of firmware differs from the others."""

    name: str
    flavours: tuple[str, ...]
    """What hosts call G-code for this family, in small letters."""

    # modes and words
    g90_sets_e: bool
    """G90/G91 switch the extruder's mode as well."""
    g91_forces_relative_e: bool
    """E is relative while G91 is on, whatever M82/M83 said."""
    has_e_modes: bool
    """M82 and M83 are commands of the family."""
    inch_scales_e: bool
    """G20 counts E in inches as well."""
    rapid_has_own_feed: bool
    """F of a G0 and F of a G1 are kept apart."""
    rapid_ignores_feed: bool
    """G0 goes as fast as the axes can."""
    modal_motion: bool
    """A line of words alone goes on with the last motion."""
    lone_words: str
    """Letters with which such a line may begin."""
    several_commands: str
    """How a line with more than one command is read; see `read.words.read_commands`."""
    reads_inches: bool
    """G20 switches to inches."""
    reads_radius_arcs: bool
    """Arcs by R."""
    reads_relative_arcs: bool
    """Arcs under G91."""
    bare_g92: str
    """What G92 without words does: nothing, zero (all axes read 0), or clear (no shifts)."""
    has_stored_points: bool
    """G28 and G30 go to places stored before, and words alone may go on with a canned cycle."""
    reads_volumetric: bool
    """M200 D turns E into cubic millimetres."""
    full_on: float
    """The value of an output that is fully on."""
    strange_codes: Mapping[str, str]
    """Commands of other families that change what this one reads, and what they change."""

    suspects: re.Pattern[bytes] | None
    """Starts of lines that ``refuses_text`` must be shown even where they look like motion."""

    # state; docs/reference/gcode_facts.md#state-commands
    pauses: frozenset[str]
    """Commands at which the job waits for a person."""
    parks: Mapping[str, str]
    """Commands that send the head to a park place, and the axes whose place their words state,
    in the machine's own coordinates; of the others only the firmware's settings tell."""
    e_after_relative: str
    """What a relative stroke makes of the absolute number for E: "added", "kept" or "zero"."""
    indented_bodies: bool
    """`if` and its kin rule the deeper indented lines below them."""
    has_named_macros: bool
    """A line may be the name of a macro, or of a command of its own, with words NAME=value."""
    needs_line_end: bool
    """A last line without a line end is not run."""

    # filament
    has_firmware_retract: bool
    """G10/G11 retract and unretract by lengths the firmware keeps itself."""
    retraction_moves_numbers: bool
    """They change the numbers of Z (by a lift that the job need not tell) and of E."""
    retract_code: str | None
    """The command whose S and F set the length and feed of G10."""
    can_prime: bool
    """The number for E can be put back after filament was fed (G92 E)."""

    # time
    speed_percent: tuple[float, float] | None
    """Least and most that M220 S may set; None: the family has no such factor."""
    flow_percent: tuple[float, float] | None
    """As ``speed_percent``, for M221."""
    bare_percent: float | None
    """What M220 and M221 without S set; None: nothing."""
    whole_percents: bool
    """Decimals of M220 and M221 are dropped."""
    factors_spare_filament: bool
    """Moves of filament alone are scaled by neither."""
    flow_tool: str | None
    """Each tool has a flow factor of its own, and this letter of M221 names another than the one
    in use ("": none does); None: one factor for all."""
    limits_hold_for_path: bool
    """Limits of X and Y hold for the path in the plane, not for each axis."""
    default_jerk: tuple[float, float, float, float]
    """mm/s, X Y Z E, where a job states the jerk of some axes only."""
    corner_keys: frozenset[str]
    """Corner rules a settings dump may state: "junction_mm", "jerk_mm_s"."""
    limit_commands: tuple[str, ...]
    """Commands that state limits, accelerations or corner rules."""

    # snippet
    snippet_cautions: tuple[str, ...]
    """What to know before a layer-change text of this family is used."""

    # state
    effects: Effects
    """What commands do to the machine's state; read by the witness of the output."""

    def dwell(self, ms: int) -> list[str]:
        """Stand still for a time, after all queued motion is done."""
        ...

    def wait(self) -> list[str]:
        """Until all queued motion is done."""
        ...

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        """How long `G4` with these words waits."""
        ...

    own_commands: Mapping[str, OwnCommand]
    """Commands a person's own lines may hold without more: they switch pins, servos, light or
    the camera, show a text, or wait."""
    reads_small_letters: bool
    """Commands in small letters are the same as in capitals."""

    def check_pin(self, pin: str | int | None, on: float | None) -> None:
        """Raise ValueError("trigger.key: what; advice") for an output it cannot switch."""
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
        """Whether `G10` with these words retracts (else it sets offsets)."""
        ...

    def retract(self) -> list[str]:
        """Retract by the firmware's own length."""
        ...

    def unretract(self) -> list[str]:
        """Undo :meth:`retract`."""
        ...

    def changes(self, command: Command) -> Changes:
        """What a command does to the state beside the plain modes; a command the family does
        not define loses everything."""
        ...

    def refuses_text(self, text: str) -> Refuse | None:
        """A line, without its comment, whose form alone says that it cannot be followed."""
        ...

    def corner_rule(self, machine: Machine) -> CornerRule:
        """How corners are taken by this machine's [machine] table."""
        ...

    def stated_limits(self, code: str, words: Axes) -> Limits:
        """One of ``limit_commands`` as keys of the profile's [machine] table."""
        ...

    def stated_accel(self, code: str, words: Axes) -> Axes:
        """The accelerations among :meth:`stated_limits`."""
        ...

    def layer_change(self, snippet: Snippet) -> list[str]:
        """A pose whose place the firmware saves and restores; ValueError("what was found")
        where it has no such commands, or does not know enough."""
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
        """Warnings that do not stop the run."""
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
