"""A command as it was read, and what it does to the machine's state beside the plain modes.

A family of firmware answers a command with effects (`Firmware.changes`); the reader carries
them out. No effect at all means that the command touches nothing a pose block must know.

What is followed, by family and source (read at Klipper 84104bb, RepRapFirmware fc1cd16,
Smoothieware bb41e99, Repetier-Firmware 7cb3741, LinuxCNC 5c41560; Marlin in several versions).
After any command that a family does not know, everything is unknown: Klipper gcode_macro.py,
RepRapFirmware GCodes2.cpp (an unimplemented number runs a file), Repetier Commands.cpp.

- SAVE_GCODE_STATE, RESTORE_GCODE_STATE (Klipper gcode_move.py): modes, G92, offsets, F, factors,
  E's number come back, the place with MOVE=1; a name never saved: refused
- SET_GCODE_OFFSET (the same): the number falls by the change; with MOVE=1 the nozzle moves
  instead
- ACTIVATE_EXTRUDER (the same): E and place unknown
- M120, M121 (RepRapFirmware GCodeMachineState.cpp): stack of F, G90/91, M82/83, units, plane,
  M200; not the place
- M120, M121 (Smoothie Robot.cpp): stack of both F, G90/91, M82/83, units, workplace
- M70, M72 (rs274 (m-code.adoc)): one store of units, plane, G90/91, workplace, F
- M401, M402 (Repetier Printer.cpp): place and F stored; back in X Y Z
- G54 ... G59.3, G10 L2, L20 (RepRapFirmware, Smoothie): numbers change by origins that the job
  sets; else unknown until homing
- G54 ... G59.3, G10 L2, L20 (Marlin, rs274): origin unknown; the one in use before the first
  layer is what the profile counts in
- G53 (all but Klipper, Repetier): as it stands while nothing is shifted, else refused
- E after a relative stroke (RepRapFirmware GCodes.cpp): stays; Repetier Printer.cpp: is 0;
  others: moves along
- M221 (all but rs274: Marlin M221.cpp (by tool), Klipper gcode_move.py, Smoothie Extruder.cpp,
  Repetier Commands.cpp (25 to 200)): every E word is multiplied: blocks divide by it;
  RepRapFirmware GCodes.cpp: only where an axis is named
- M220; M220 B, R (all but rs274; Marlin M220.cpp): times alone; B stores the factor, R brings it
  back
- M200 without a diameter, with G20, or for a tool not in use (where it is): refused
- homing, probing, parking, tools; M18, M84 without S (all): place unknown; homing ends shifts
- if, elif, else with an indented body (RepRapFirmware StringParser.cpp): no block inside; all
  unknown after it; loops refused
- M0 M1 M2; M2 M30 (RepRapFirmware GCodes2.cpp; rs274, Smoothie Robot.cpp): end of the job
  (Smoothie reads on: moves after it are refused)
- M28, M23, M26, M32, M808, SDCARD_PRINT_FILE (where they are): refused: lines would not run in
  order
- M209 S1 (Marlin, Repetier): refused: lone strokes become the firmware's own
- O-words, brackets, #; a line that begins with a small letter or $ (rs274 (o-code.adoc); Smoothie
  GcodeDispatch.cpp): refused
"""

from __future__ import annotations

from dataclasses import dataclass

EVERYTHING = "XYZEFR"
"""What can become unknown: the place, the number for E, the feed, and how far filament is
retracted (R)."""


@dataclass(frozen=True, slots=True)
class Command:
    """One line's command.

    ``code`` is like "G1", "M83", "T0", "G92.1", or a whole name for key=value commands, or
    "" for words without a command (``X1 Y2``). A word without a number has the value None.
    """

    code: str
    words: tuple[tuple[str, float | None], ...]
    text: str = ""

    def get(self, letter: str) -> float | None:
        for key, value in reversed(self.words):
            if key == letter:
                return value
        return None

    def has(self, letter: str) -> bool:
        return any(key == letter for key, _ in self.words)

    @property
    def letters(self) -> str:
        return "".join(letter for letter, _ in self.words)

    def options(self) -> dict[str, str]:
        """KEY=value pairs of an extended command, keys in capitals."""
        text = self.text.partition(";")[0].partition("#")[0]
        pairs = (part.partition("=") for part in text.split())
        return {key.upper(): value for key, equals, value in pairs if equals}


@dataclass(frozen=True, slots=True)
class Lose:
    """Some of EVERYTHING is unknown until the job states it again.

    ``foreign``: the family does not define this command, so an owner's macro may stand behind
    it. ``frame``: numbers mean other places from here on, until the axes are homed.
    """

    items: str = EVERYTHING
    foreign: bool = False
    frame: bool = False


@dataclass(frozen=True, slots=True)
class Refuse:
    """The job cannot be followed from here on."""

    found: str
    advice: str = "Slice the model again without that command"


@dataclass(frozen=True, slots=True)
class Note:
    """A finding that stops nothing.

    ``printing``: told only between the first layer and the last.
    """

    code: str
    text: str
    printing: bool = False


@dataclass(frozen=True, slots=True)
class Push:
    """Some modes and the feed are put on a stack.

    ``clears_volumetric``: E counts length from then on. ``single``: a store, not a stack.
    """

    modes: tuple[str, ...]
    clears_volumetric: bool = False
    single: bool = False


@dataclass(frozen=True, slots=True)
class Pop:
    """The last :class:`Push` is undone; the place stays. ``empty`` is what happens without one;
    with ``keeps`` it may be undone again."""

    empty: Note | Refuse | None = None
    keeps: bool = False


@dataclass(frozen=True, slots=True)
class SaveState:
    """Modes, shifts, offsets, place, number for E and feed are saved under a name."""

    name: str


@dataclass(frozen=True, slots=True)
class RestoreState:
    """What :class:`SaveState` saved is back, except the place; with ``moves`` that too."""

    name: str
    moves: bool = False


@dataclass(frozen=True, slots=True)
class SavePlace:
    """The place and the feed are stored in a slot."""

    slot: str


@dataclass(frozen=True, slots=True)
class ReturnToPlace:
    """Goes back to a stored place on some axes; the feed is that of :class:`SavePlace`."""

    slot: str
    axes: str = "XYZ"


@dataclass(frozen=True, slots=True)
class SetOffset:
    """A lasting offset of an axis: ``value_mm``, or by so much more where ``adds``.

    ``moves``: the machine moves along and the job's number stays.
    """

    axis: str
    value_mm: float
    adds: bool = False
    moves: bool = False


@dataclass(frozen=True, slots=True)
class SetOrigin:
    """The origin of a workplace (0: the one in use) is set for some axes, in units of the job.

    ``here``: so that the place in use gets these numbers, instead of as an origin.
    """

    number: int
    words: tuple[tuple[str, float], ...]
    here: bool = False


@dataclass(frozen=True, slots=True)
class UseWorkplace:
    """Numbers count from another origin from here on; nothing moves."""

    number: int


@dataclass(frozen=True, slots=True)
class SetE:
    """The number for E becomes this, without a stroke."""

    value_mm: float


@dataclass(frozen=True, slots=True)
class SetFactor:
    """What feeds ("speed") or filament ("flow") are multiplied by from here on, in per cent.

    ``keeps`` and ``recalls``: the factor is stored for later, or the stored one comes back.
    ``tool``: the one meant, None for the one in use.
    """

    what: str
    percent: float | None = None
    tool: int | None = None
    keeps: bool = False
    recalls: bool = False


@dataclass(frozen=True, slots=True)
class MachineCoordinates:
    """The words of this line (or of lines from here on) are places of the machine itself."""


@dataclass(frozen=True, slots=True)
class End:
    """The firmware reads no further. ``goes_on``: it does, in a state that is not followed."""

    goes_on: bool = False


Effect = (
    Lose | Refuse | Note | Push | Pop | SaveState | RestoreState | SavePlace | ReturnToPlace
    | SetOffset | SetOrigin | UseWorkplace | SetE | SetFactor | MachineCoordinates | End
)  # fmt: skip
Changes = tuple[Effect, ...]
