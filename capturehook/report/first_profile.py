"""A first profile: from the answers to a dozen questions, and from what a job states.

In: answers as text, a job's bytes. Out: the tables of a profile, written in at most 30 lines;
every other key keeps its default (`capturehook profile show` has all).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from capturehook.catalog import FIRMWARES
from capturehook.catalog.triggers.dwell_only import HAND_MS
from capturehook.clock.limits import limits_from_job, with_job_limits
from capturehook.model.profile import AxisLimits, Machine, Park
from capturehook.profile import build_profile
from capturehook.profile.text import toml_value
from capturehook.read.stated import Stated

Tables = dict[str, dict[str, Any]]
"""Table -> key -> value, as in the file."""

APPROACH_MM = 15.0
"""Default of the park point before the contact."""
ROUND_EDGE = 0.2
"""The park point on a round bed, from the edges of the square around it: 0.85 of the radius."""
MOST_LINES = 30
IN_ONE = ("camera", "retract")
"""Tables that go into one line each where the lines would be too many."""


def start_tables(name: str) -> Tables:
    """What stands in a first profile before anything is asked: a bed-slinger with a switch."""
    return {
        "machine": {
            "firmware": next(iter(FIRMWARES)),
            "x_mm": [0, 235],
            "y_mm": [0, 235],
            "z_mm": [0, 250],
            "moves": "bed-y",
        },
        "park": {},
        "camera": {"lag_ms": 120, "exposure_ms": 250},
        "trigger": {"by": "wait", "fired_by": "hand"},
        "": {"schema": 1, "name": name},
    }


def job_tables(tables: Tables, job: bytes) -> list[str]:
    """Put what a job states into the tables; says what was found, as "key: value"."""
    stated, machine = Stated.of(job), tables["machine"]
    found: dict[str, Any] = {}
    if stated.flavour is not None:
        flavour = stated.flavour.text.strip().lower()
        family = next((name for name, one in FIRMWARES.items() if flavour in one.flavours), None)
        if family is not None:
            found["firmware"] = family
    if stated.bed_mm is not None:
        found["x_mm"], found["y_mm"] = (list(one) for one in stated.bed_mm)
    if stated.bed_form == "round":
        found |= {"round": True, "moves": "none"}
    if stated.height_mm is not None:
        found["z_mm"] = [0, stated.height_mm]
    if stated.filament_mm is not None and stated.filament_mm != 1.75:
        found["filament_mm"] = stated.filament_mm
    if stated.is_volumetric:
        found["volumetric"] = True
    machine.update(found)
    found |= _limits(machine, job)
    machine.update(found)
    told = {f"[machine] {key}": value for key, value in found.items()}
    retract: dict[str, Any] = {}
    if stated.retract_mm_min is not None:
        retract["feed_mm_min"] = min(stated.retract_mm_min, _top_e_mm_min(machine))
    tables["retract"] = retract
    told |= {f"[retract] {key}": value for key, value in retract.items()}
    return [f"{key} = {toml_value(value)}" for key, value in told.items()]


def _limits(machine: Mapping[str, Any], job: bytes) -> dict[str, Any]:
    """Speeds, accelerations and corners as the job states them, all axes filled in."""
    whole = with_job_limits(Machine.model_validate(machine), job)
    found = {}
    for key in limits_from_job(job, str(machine["firmware"])):
        value = getattr(whole, key)
        if key in ("travel_accel_mm_s2", "retract_accel_mm_s2") and value == whole.accel_mm_s2:
            continue  # the default
        found[key] = dict(value) if isinstance(value, AxisLimits) else value
    return found


def _top_e_mm_min(machine: Mapping[str, Any]) -> float:
    top = machine.get("max_mm_min")
    return float(top["e"]) if isinstance(top, dict) else 3600.0


def finish_tables(tables: Tables) -> None:
    """Fill in what follows from the rest: a park point beside the part, a hop the Z axis can do,
    a stop that is long enough for a hand."""
    machine, park, trigger = tables["machine"], tables["park"], tables["trigger"]
    if trigger.get("fired_by") == "hand":
        camera = tables["camera"]
        needs_ms = camera["lag_ms"] + 1.1 * camera["exposure_ms"]
        camera["hold_ms"] = math.ceil(needs_ms) + HAND_MS
    side = trigger.get("axis", "x") if trigger["by"] == "button" else ""
    edge = ROUND_EDGE if machine.get("round") else 0.0
    for axis in "xy":
        low, high = machine[f"{axis}_mm"]
        if axis == side:
            sign = 1 if trigger.get("direction", "+") == "+" else -1
            at = trigger[f"{axis}_mm"] - sign * APPROACH_MM
            park[f"{axis}_mm"] = min(max(at, low), high)
        elif f"{axis}_mm" not in park and side and edge:
            park[f"{axis}_mm"] = (low + high) / 2
        elif f"{axis}_mm" not in park:
            near = low + max(edge, 0.04) * (high - low)
            far = high - max(edge, 0.08) * (high - low)
            park[f"{axis}_mm"] = round(near if axis == "x" else far, 1)
    limits = machine.get("max_mm_min")
    if isinstance(limits, dict):  # slow axes move slower than by default
        fastest = max(limits["x"], limits["y"])
        if fastest < Park.model_fields["travel_mm_min"].default:
            park["travel_mm_min"] = fastest
        if limits["z"] < Park.model_fields["hop_mm_min"].default:
            park["hop_mm_min"] = limits["z"]


def profile_text(tables: Tables) -> str:
    """The tables as TOML.

    Raises
    ------
    ProfileError
        They make no sound profile; with all faults.
    """
    name = str(tables[""]["name"])
    build_profile(nested(tables), f"{name}.toml")
    head = f"# {name}: every other key by default (capturehook profile show has them all)"
    lines = [head, *_lines(tables, in_one=())]
    if len(lines) > MOST_LINES:
        lines = [head, *(line for line in _lines(tables, in_one=IN_ONE) if line)]
    return "\n".join(lines) + "\n"


def _lines(tables: Tables, in_one: tuple[str, ...]) -> Iterator[str]:
    """Lines of TOML; those tables ``in_one`` line each, at the top."""
    for key, value in (
        tables[""] | {name: tables[name] for name in in_one if name in tables}
    ).items():
        yield f"{key} = {toml_value(value)}"
    for name, table in tables.items():
        if name and table and name not in in_one:
            yield from ("", f"[{name}]")
            yield from (f"{key} = {toml_value(value)}" for key, value in table.items())


def nested(tables: Tables) -> dict[str, Any]:
    """The tables as the TOML reader gives them."""
    return {**tables[""], **{name: table for name, table in tables.items() if name and table}}
