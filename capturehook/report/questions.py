"""The questions that make a first profile: each with a default, how to measure it, and a check."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from math import isfinite
from typing import Any

from capturehook.catalog import FIRMWARES
from capturehook.errors import ProfileError
from capturehook.model.shutter import shutter_seconds
from capturehook.profile import build_profile
from capturehook.report.first_profile import Tables, finish_tables, nested

SIDES = {"right": ("x", "+"), "left": ("x", "-"), "back": ("y", "+"), "front": ("y", "-")}
"""Where a switch stands, seen from the front: its axis and the direction of the press."""
MOVES = ("bed-y", "bed-z", "none", "delta")
WAYS = ("button", "pin", "camera", "message", "timer", "hand", "sensor")
CLEAR_OF_END_MM = 6.0
"""Default of the contact from the end of the axis: homing strikes within about 5 mm of it."""
AXES = ("x_mm", "y_mm", "z_mm")


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to ask: how to measure it, and what to make of the answer.

    ``take`` puts an answer into the tables, or raises ValueError with what is wrong;
    ``default`` reads the answer that the tables hold so far.
    """

    keys: tuple[str, ...]
    text: str
    how: str
    take: Callable[[Tables, str], None]
    default: Callable[[Tables], str]


def faults_of(tables: Tables, keys: tuple[str, ...]) -> list[str]:
    """What is wrong with these keys, the other questions answered by their defaults."""
    trial = {name: dict(table) for name, table in tables.items()}
    finish_tables(trial)
    try:
        build_profile(nested(trial), "answer")
    except ProfileError as fault:
        faults = fault.faults
        return [f"{one.found}. {one.advice}" for one in faults if str(one.where.key or "") in keys]
    return []


def questions(tables: Tables) -> list[Question]:
    """What is asked next to have a whole profile; those about the trigger follow its choice."""
    return [*MACHINE, WAY, *BY_WAY.get(_way(tables), ()), *PARK[_way(tables)], *CAMERA]


def _take_moves(tables: Tables, answer: str) -> None:
    machine, chosen = tables["machine"], _chosen(answer, MOVES)
    machine.pop("round", None)
    machine |= {"moves": "none", "round": True} if chosen == "delta" else {"moves": chosen}


def _choice(table: str, key: str, choices: tuple[str, ...]) -> Callable[[Tables, str], None]:
    def take(tables: Tables, answer: str) -> None:
        tables[table][key] = _chosen(answer, choices)

    return take


def _chosen(answer: str, choices: Collection[str]) -> str:
    if answer.lower() not in choices:
        raise ValueError(f"choose from {', '.join(choices)}")
    return answer.lower()


def _number(text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise ValueError(f"{text!r:.40} is not a number; write a plain number, like 235")
    return value


def _two(table: str, key: str) -> Callable[[Tables, str], None]:
    def take(tables: Tables, answer: str) -> None:
        numbers = [_number(word) for word in answer.replace(" to ", " ").split()]
        if len(numbers) == 1:
            numbers = [0.0, *numbers]
        if len(numbers) != 2 or numbers[0] >= numbers[1]:
            raise ValueError("write lowest and highest, like 0 235")
        tables[table][key] = numbers

    return take


def _one(table: str, key: str, whole: bool = False) -> Callable[[Tables, str], None]:
    def take(tables: Tables, answer: str) -> None:
        value = _number(answer)
        tables[table][key] = round(value) if whole else value

    return take


def _held(table: str, key: str, otherwise: Any = "") -> Callable[[Tables], str]:
    def default(tables: Tables) -> str:
        value = tables[table].get(key, otherwise)
        return " ".join(f"{one:g}" for one in value) if isinstance(value, list) else _plain(value)

    return default


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _way(tables: Tables) -> str:
    trigger = tables["trigger"]
    if trigger["by"] != "wait":
        return str(trigger["by"])
    return str(trigger.get("fired_by", "timer"))


def _take_way(tables: Tables, answer: str) -> None:
    answer = _chosen(answer, WAYS)
    tables["camera"].pop("interval_s", None)
    if answer in ("hand", "sensor"):
        tables["trigger"] = {"by": "wait", "fired_by": answer}
    elif answer == "timer":
        tables["trigger"] = {"by": "wait"}
        tables["camera"]["interval_s"] = 5.0
    else:
        tables["trigger"] = {"by": answer}
    if answer == "button":
        _take_side(tables, "right")
    if answer == "pin":
        tables["trigger"]["pin"] = _default_pin(tables["machine"]["firmware"])


def _default_pin(firmware: str) -> int | str:
    """A name where the family names its outputs, else a number."""
    try:
        FIRMWARES[firmware].check_pin("camera", None)
    except ValueError:
        return 4
    return "camera"


def _take_side(tables: Tables, answer: str) -> None:
    axis, direction = SIDES[_chosen(answer, SIDES)]
    low, high = tables["machine"][f"{axis}_mm"]
    contact = high - CLEAR_OF_END_MM if direction == "+" else low + CLEAR_OF_END_MM
    tables["trigger"] = {
        "by": "button",
        **({"axis": axis} if axis != "x" else {}),
        **({"direction": direction} if direction != "+" else {}),
        f"{axis}_mm": contact,
        "overtravel_mm": 1.2,
    }


def _side(tables: Tables) -> str:
    trigger = tables["trigger"]
    found = (trigger.get("axis", "x"), trigger.get("direction", "+"))
    return next(name for name, one in SIDES.items() if one == found)


def _take_contact(tables: Tables, answer: str) -> None:
    tables["trigger"][_contact_key(tables)] = _number(answer)


def _contact(tables: Tables) -> str:
    return _plain(float(tables["trigger"][_contact_key(tables)]))


def _contact_key(tables: Tables) -> str:
    return f"{tables['trigger'].get('axis', 'x')}_mm"


def _take_pin(tables: Tables, answer: str) -> None:
    tables["trigger"]["pin"] = int(answer) if answer.isdigit() else answer


def _take_exposure(tables: Tables, answer: str) -> None:
    text = answer.removesuffix("ms").strip()
    if "/" not in text and 0 < _number(text) < 1:
        raise ValueError(f"{text} ms is shorter than 1/1000 s; for seconds write 1/4, or 250")
    tables["camera"]["exposure_ms"] = (
        round(1000 * shutter_seconds(text), 3) if "/" in text else _number(text)
    )


def _across(tables: Tables) -> str:
    """The axis of the park point that the switch does not decide."""
    return "x" if tables["trigger"].get("axis") == "y" else "y"


def _take_across(tables: Tables, answer: str) -> None:
    tables["park"][f"{_across(tables)}_mm"] = _number(answer)


def _parked(axis: Callable[[Tables], str]) -> Callable[[Tables], str]:
    def default(tables: Tables) -> str:
        trial = {name: dict(table) for name, table in tables.items()}
        finish_tables(trial)
        return _plain(float(trial["park"][f"{axis(tables)}_mm"]))

    return default


MACHINE = (
    Question(
        ("[machine] firmware",),
        "Firmware of the printer",
        f"One of {', '.join(FIRMWARES.choices)}; its display, its web page or its manual says.",
        _choice("machine", "firmware", tuple(FIRMWARES.choices)),
        _held("machine", "firmware"),
    ),
    *(
        Question(
            (f"[machine] {key}",),
            f"{key[0].upper()} the nozzle can reach, mm (lowest highest)",
            "Jog to both ends, or take the bed size and the limits in the firmware.",
            _two("machine", key),
            _held("machine", key),
        )
        for key in AXES
    ),
    Question(
        ("[machine] moves",),
        "What carries the part",
        "bed-y: the bed moves to and fro; bed-z: it sinks; none: it stands still; delta: it stands "
        "still and is round.",
        _take_moves,
        lambda tables: "delta" if "round" in tables["machine"] else tables["machine"]["moves"],
    ),
)
WAY = Question(
    ("[trigger] by", "[trigger] pin"),
    "What fires the camera",
    "button: the head presses a switch. pin: an output. camera: the firmware's command. message: "
    "a host hears a text. timer: the camera's own interval timer. hand: you (the head "
    "stands still 2 s longer for it). sensor: one of yours.",
    _take_way,
    _way,
)
BY_WAY: dict[str, tuple[Question, ...]] = {
    "button": (
        Question(
            ("[trigger] axis", "[trigger] direction"),
            "Side on which the switch stands",
            "Seen from the front: right, left, back or front.",
            _take_side,
            _side,
        ),
        Question(
            ("[trigger] x_mm", "[trigger] y_mm"),
            "Where the contact closes, mm",
            "Jog towards it by 0.05 mm with a meter on the contact; note the axis at the beep.",
            _take_contact,
            _contact,
        ),
        Question(
            ("[trigger] overtravel_mm", "[trigger] press_share"),
            "Over-travel of the switch, mm",
            "Its data sheet (OT); a small lever switch has about 1.2, a bare plunger 0.4.",
            _one("trigger", "overtravel_mm"),
            _held("trigger", "overtravel_mm", 1.2),
        ),
    ),
    "pin": (
        Question(
            ("[trigger] pin",),
            "Output that closes the contact",
            "Its number; its name where the firmware names outputs. Never a heater.",
            _take_pin,
            _held("trigger", "pin"),
        ),
    ),
    "timer": (
        Question(
            ("[camera] interval_s",),
            "Interval of the timer, s",
            "As set in the camera or the app; each pose then waits a whole interval.",
            _one("camera", "interval_s"),
            _held("camera", "interval_s", 5.0),
        ),
    ),
}
_PARK_X = Question(
    ("[park] x_mm",),
    "Park point X, mm",
    "Beside the part, where the head does not hide it from the camera.",
    _one("park", "x_mm"),
    _parked(lambda _: "x"),
)
_PARK_Y = Question(
    ("[park] y_mm",),
    "Park point Y, mm",
    "On a moving bed: where the bed stands for the frame.",
    _one("park", "y_mm"),
    _parked(lambda _: "y"),
)
_PARK_ACROSS = Question(
    ("[park] x_mm", "[park] y_mm"),
    "Park point on the other axis, mm (in line with the switch)",
    "Where the switch stands; on a moving bed also where the bed stands for the frame.",
    _take_across,
    _parked(_across),
)
PARK: dict[str, tuple[Question, ...]] = {
    way: (_PARK_ACROSS,) if way == "button" else (_PARK_X, _PARK_Y) for way in WAYS
}
CAMERA = (
    Question(
        ("[camera] exposure_ms",),
        "Exposure, ms or like 1/4",
        "As set on the camera, in manual mode.",
        _take_exposure,
        _held("camera", "exposure_ms"),
    ),
    Question(
        ("[camera] lag_ms", "[camera] hold_ms"),
        "Slowest delay from trigger to shutter, ms",
        "Film a running stop-watch through the trigger; about 120 with focus set by hand.",
        _one("camera", "lag_ms"),
        _held("camera", "lag_ms"),
    ),
)
