"""What all advice shares: cautions, checked numbers in, JSON-ready values out.

Each caution's topic is a heading of docs/safety.md.
"""

from __future__ import annotations

import math
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from typing import Any

from capturehook.errors import CaptureHookError, Finding, Where


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution; ``topic`` is its heading in docs/safety.md."""

    topic: str
    text: str


FIRST = Caution(
    "What comes first",
    "The maker's manual and your local codes come before anything said here.",
)
UNPLUG = Caution(
    "Unplug before opening",
    "Switch off, unplug and wait before opening a printer, a lamp or a supply.",
)
LICENSED = Caution(
    "Mains and lamp drivers",
    "Mains wiring and the lamp's driver are for licensed hands; do not tap into either.",
)
CAMERA_LINES = Caution(
    "Never power the camera's lines",
    "Only ever close the camera's contacts; never put a voltage on them. Measure the socket "
    "first: plugs that fit can still be wired differently.",
)
ISOLATE = Caution(
    "Keep the circuits apart",
    "Keep camera and printer electrically apart; join no grounds across the isolator.",
)
HEATERS = Caution(
    "Heaters and fans are no triggers",
    "Never use a heater or hotend-fan output as a trigger; a part-fan output takes cooling away.",
)
UV = Caution(
    "UV and eyes",
    "Do not look into the 405 nm light; keep the cover on and route the cable so that it closes.",
)
RESIN = Caution(
    "Uncured resin and skin",
    "Uncured resin sensitises skin: nitrile gloves, airing, and no sensor where resin can drip.",
)
PINCH = Caution(
    "Pinch points and the hot nozzle",
    "Parked beds and arms move without warning: keep camera, cable and fingers at least 50 mm "
    "from the nozzle and out of every path.",
)
UNATTENDED = Caution(
    "Heaters and machines left alone",
    "Do not leave a heated, moving machine alone without a smoke alarm and clear surroundings.",
)
WHITE_LIGHT = Caution(
    "Light on the vat",
    "No white light or sun on an open vat: resin cures. Keep the coloured cover on.",
)

PHONE_LINES = Caution(
    "Never power the phone's socket",
    "Only ever close the phone's headset line through a resistor; never put a voltage on it.",
)
COIL = Caution(
    "Coils and motors",
    "A coil kicks hundreds of volts without its diode, and a stuck output burns it: fuse the "
    "supply, and keep fingers out of the stroke.",
)

OPTICS = (FIRST, PINCH, UNATTENDED, WHITE_LIGHT)
CONTACT = (FIRST, UNPLUG, CAMERA_LINES, PINCH)
OPTO = (FIRST, UNPLUG, LICENSED, CAMERA_LINES, ISOLATE, HEATERS)
LIGHT = (FIRST, UNPLUG, LICENSED, CAMERA_LINES, UV, RESIN)
PHONE = (FIRST, UNPLUG, PHONE_LINES, PINCH)
REMOTE = (FIRST, UNPLUG, ISOLATE, PINCH)
RELAY = (FIRST, UNPLUG, LICENSED, CAMERA_LINES, ISOLATE, HEATERS, COIL)
FINGER = (FIRST, UNPLUG, LICENSED, HEATERS, COIL, PINCH)
PLATE = (FIRST, UNPLUG, CAMERA_LINES, PINCH, UV, RESIN)
EACH = (OPTICS, CONTACT, OPTO, LIGHT, PHONE, REMOTE, RELAY, FINGER, PLATE)
ALL = tuple(dict.fromkeys(one for few in EACH for one in few))


Facts = dict[str, str]
"""Names and what is told of them, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """How one way of firing is sized and wired, for people and for machines.

    ``profile`` are the lines to write into the profile, ``numbers`` what was computed, by name
    with its unit.
    """

    kind: str
    facts: Facts
    steps: tuple[str, ...]
    findings: tuple[Finding, ...]
    profile: tuple[str, ...]
    cautions: tuple[Caution, ...]
    numbers: dict[str, float]


def asked(
    help: str, default: Any = MISSING, low: float = 0.0, high: float = 1e6, **more: Any
) -> Any:
    """A field that a person is asked for: its help text, range, and perhaps ``choices``."""
    about = {"help": help, "low": low, "high": high, **more}
    return field(default=default, metadata=about)


def check_asked(record: Any) -> None:
    """Every number of a record of asked fields within its range.

    Raises
    ------
    CaptureHookError
        As :func:`check_number`.
    """
    for one in fields(record):
        value, choices = getattr(record, one.name), one.metadata.get("choices")
        if choices and value not in choices:
            raise CaptureHookError(
                Where(one.name), f"{value!r} is not known", f"Choose one of {', '.join(choices)}"
            )
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            name = one.metadata.get("flag", one.name).lstrip("-")
            check_number(name, value, one.metadata["low"], one.metadata["high"])


def as_plain(value: Any) -> Any:
    """Records to nested dicts; what is not finite becomes None (JSON has no infinity)."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: as_plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, dict):
        return {key: as_plain(one) for key, one in value.items()}
    if isinstance(value, (tuple, list)):
        return [as_plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def check_number(name: str, value: float, low: float, high: float) -> None:
    """Refuse a number outside its range, both ends within it.

    Raises
    ------
    CaptureHookError
        Names the number, as the option or profile key is called, and the range.
    """
    if low <= value <= high:
        return
    raise CaptureHookError(
        Where(name),
        f"{value:g} is out of range",
        f"Give a number from {_written(low)} to {_written(high)}",
    )


def _written(value: float) -> str:
    """A bound as people write it: 0.0001 and 1000000, without exponent."""
    return f"{value:.9f}".rstrip("0").rstrip(".")
