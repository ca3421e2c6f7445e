"""The plan record: what was planned, pose by pose, saved as plan.json.

Made from a filament job by `plan/` or from a resin job by `resin/`; read after the print
by `audit/`, which checks the frames against it.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field, fields, replace
from fractions import Fraction
from math import isfinite
from pathlib import Path
from typing import Any

from capturehook.errors import PlanError, Where
from capturehook.files import read_bytes, write_atomically

SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPose:
    """One planned frame.

    ``t_s`` is the predicted second, from the start of the job, at which the camera is told
    to fire; ``still_s`` how long the scene then stays still. ``head_z_mm`` is where the nozzle
    is meanwhile, None where the plan does not tell.
    """

    pose: int
    layer: int
    z_mm: float
    t_s: float
    still_s: float
    finished: bool = False
    head_z_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRecord:
    """Everything the audit needs to know about the shoot.

    ``interval_s`` is set when a free-running interval timer takes the frames (many frames
    for each pose); otherwise one frame for each pose is expected. ``height_mm`` is the
    height of the part. ``moves`` says what carries the part (bed-y, bed-z, none, or
    plate for resin).
    """

    kind: str  # "filament" or "resin"
    job: str
    profile: str
    fps: str  # exact fraction as text: "30", "30000/1001"
    hold_last_s: float
    total_s: float
    height_mm: float
    moves: str
    lag_ms: float
    exposure_ms: float
    write_ms: float
    interval_s: float | None = None
    digest: str = ""
    """Twelve digits that the posed job's first fence carries too; empty for resin jobs."""
    card_gb: float | None = None
    """GB free on the card, and how many frames a battery lasts, as the profile states them."""
    battery_frames: float | None = None
    poses: tuple[PlannedPose, ...] = field(default_factory=tuple)

    def as_json(self) -> dict[str, Any]:
        names = [one.name for one in fields(PlannedPose)]
        poses = [{name: getattr(pose, name) for name in names} for pose in self.poses]
        return {"schema": SCHEMA, **asdict(replace(self, poses=())), "poses": poses}

    def save(self, path: Path) -> None:
        """Write the record as JSON (UTF-8), a pose a line, whole or not at all."""
        record = self.as_json()
        record = {**record, "sum": sum_of(record)}
        poses = ",\n  ".join(map(json.dumps, record.pop("poses")))
        head = json.dumps(record, indent=1).removesuffix("\n}")
        write_atomically(path, f'{head},\n "poses": [\n  {poses}\n ]\n}}\n'.encode())


def sum_of(data: Any) -> str:
    """64 digits that any change of JSON data changes, but not one of its white space."""
    text = json.dumps(data, sort_keys=True, allow_nan=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def load_plan(path: Path) -> PlanRecord:
    """Read a plan record. One without a ``sum`` was written by hand, or by an older version.

    Raises
    ------
    FileError
        The file cannot be read.
    PlanError
        It is not a plan record of a schema we know, or was changed since it was written.
    """
    try:
        raw = json.loads(read_bytes(path).decode())
    except (ValueError, RecursionError) as fault:
        why = str(fault) if isinstance(fault, json.JSONDecodeError) else "no JSON text"
        raise PlanError(
            str(path), f"is not a plan record ({why})", "Give the plan.json that `plan` saved"
        ) from fault
    if not isinstance(raw, dict) or raw.get("schema") != SCHEMA:
        raise PlanError(
            str(path),
            f"is not a plan record of schema {SCHEMA}",
            "Make it anew with `capturehook plan` or `capturehook resin`",
        )
    try:
        stated = raw.pop("sum", None)
        if stated is not None and stated != sum_of(raw):
            raise PlanError(
                str(path),
                "was changed after it was written: its sum does not fit",
                "Make it anew with `capturehook plan` or `capturehook resin`",
            )
        del raw["schema"]
        poses = tuple(PlannedPose(**_checked(PlannedPose, pose)) for pose in raw.pop("poses"))
        record = PlanRecord(**_checked(PlanRecord, raw), poses=poses)
        _refuse_impossible(record)
    except (TypeError, KeyError, ValueError, ZeroDivisionError) as fault:
        raise PlanError(
            Where(str(path)), f"is damaged or of another version ({fault})", "Make the plan anew"
        ) from fault
    return record


MOST = 1e8
"""No shoot lasts so many seconds, and no part is so many mm high."""
BELOW_MM = 0.5
"""The nozzle is never so far below the lowest layer. It may well be below the layer printed last:
beside a finished object, where the next one begins."""


def _refuse_impossible(record: PlanRecord) -> None:
    """Numbers that no plan of ours holds: a ValueError tells which."""
    if record.kind not in ("filament", "resin"):
        raise ValueError(f"kind is {record.kind!r:.40}")
    if record.moves not in ("bed-y", "bed-z", "none", "plate"):
        raise ValueError(f"moves is {record.moves!r:.40}")
    if not 0 < Fraction(record.fps) <= 1000:
        raise ValueError(f"fps is {record.fps!r:.40}")
    for name in ("hold_last_s", "total_s", "height_mm", "lag_ms", "exposure_ms", "write_ms"):
        _refuse_outside(name, getattr(record, name), 0)
    for name in ("interval_s", "card_gb", "battery_frames"):
        value = getattr(record, name)
        if value is not None and not 0 < value < MOST:
            raise ValueError(f"{name} is {value:.6g}")
    number, layer, since_s = 0, -int(MOST), 0.0
    lowest_mm = min((pose.z_mm for pose in record.poses), default=0.0) - BELOW_MM
    for pose in record.poses:
        name = f"pose {pose.pose}: "
        if pose.pose <= number:
            raise ValueError(f"pose {pose.pose} comes after pose {number}")
        _refuse_outside(f"{name}layer", pose.layer, layer)
        _refuse_outside(f"{name}z_mm", pose.z_mm, -MOST)
        _refuse_outside(f"{name}still_s", pose.still_s, 0)
        _refuse_outside(f"{name}t_s", pose.t_s, since_s)
        if pose.head_z_mm is not None:
            _refuse_outside(f"{name}head_z_mm", pose.head_z_mm, lowest_mm)
        number, layer, since_s = pose.pose, pose.layer, pose.t_s


def _refuse_outside(name: str, value: float, least: float) -> None:
    if not least <= value < MOST:
        raise ValueError(f"{name} is {value:.6g}")


_KINDS: dict[str, tuple[type, ...]] = {
    "str": (str,),
    "int": (int,),
    "float": (int, float),
    "bool": (bool,),
    "float | None": (int, float, type(None)),
}


def _checked(record: type, raw: Any) -> dict[str, Any]:
    """The values of a record as they were read, each of the kind that its field states."""
    if not isinstance(raw, dict):
        raise TypeError(f"{raw!r:.40} is no table of values")
    kinds = {one.name: _KINDS.get(str(one.type)) for one in fields(record)}
    for name, value in raw.items():
        wanted = kinds.get(name)
        if wanted is None:
            raise TypeError(f"{name!r:.40} is unknown")
        wrong = not isinstance(value, wanted) or (isinstance(value, bool) and bool not in wanted)
        if wrong or (isinstance(value, float) and not isfinite(value)):
            raise TypeError(f"{name} is {value!r:.40}")
    return raw
