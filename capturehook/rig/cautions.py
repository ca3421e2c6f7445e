"""The cautions printed by the bench commands; each topic is a heading of docs/safety.md."""

from __future__ import annotations

from dataclasses import dataclass


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

OPTICS = (FIRST, PINCH, UNATTENDED, WHITE_LIGHT)
CONTACT = (FIRST, UNPLUG, CAMERA_LINES, PINCH)
OPTO = (FIRST, UNPLUG, LICENSED, CAMERA_LINES, ISOLATE, HEATERS)
LIGHT = (FIRST, UNPLUG, LICENSED, CAMERA_LINES, UV, RESIN)
ALL = tuple(dict.fromkeys((*OPTICS, *CONTACT, *OPTO, *LIGHT)))
