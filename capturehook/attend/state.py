"""What a watch remembers across a restart: one small file with a checksum, bound to its plan."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capturehook.attend.events import Calls, Event
from capturehook.attend.looks import KEPT
from capturehook.errors import FileError, FrameError, counted
from capturehook.files import read_bytes, write_atomically
from capturehook.frames.listing import read_frame
from capturehook.model.plan import PlanRecord, sum_of

if TYPE_CHECKING:
    from capturehook.attend.watch import Attendant

SCHEMA = 1
ENDING = ".attend.json"
MOST_BYTES = 32_000_000
ADVICE = "Delete it to begin anew (frames that are there already then need --earlier)"


@dataclass(slots=True)
class Taken:
    """One frame that counts. ``pose`` is an index, -1 for none."""

    name: str
    taken_s: float | None
    pose: int
    verdict: str
    file_bytes: int


def state_path(plan: Path) -> Path:
    """Beside the plan: `part.plan.json` -> `part.plan.attend.json`."""
    return plan.with_name(plan.name.removesuffix(".json") + ENDING)


def digest_of(plan: PlanRecord) -> str:
    """64 digits that any change of the plan changes."""
    return sum_of(plan.as_json())


def save_state(path: Path, plan: PlanRecord, body: dict[str, Any]) -> None:
    """Write it whole or not at all.

    Raises
    ------
    FileError
        It cannot be written.
    """
    data = {"schema": SCHEMA, "kind": "attend", "plan": digest_of(plan), "body": body}
    text = json.dumps({**data, "sum": sum_of(data)}, allow_nan=False)
    write_atomically(path, text.encode() + b"\n")


def load_state(path: Path, plan: PlanRecord) -> dict[str, Any] | None:
    """What was saved for this plan; None where nothing is there.

    Raises
    ------
    FileError
        It is damaged, of another plan, or no such file at all.
    """
    if path.is_symlink():
        raise FileError(str(path), "is a link", "Delete it, or name another file with --state")
    if not path.exists():
        return None
    if path.is_file() and path.stat().st_size > MOST_BYTES:
        raise FileError(str(path), "is no state of a watch (far too large)", ADVICE)
    try:
        data = json.loads(read_bytes(path))
        found, kind = data.pop("sum"), data["kind"]
        whole = found == sum_of(data) and isinstance(data["body"], dict)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise FileError(str(path), "is no state of a watch, or damaged", ADVICE) from None
    if not whole or kind != "attend" or data.get("schema") != SCHEMA:
        raise FileError(str(path), "is damaged: its checksum or its version does not fit", ADVICE)
    if data["plan"] != digest_of(plan):
        raise FileError(
            str(path),
            "belongs to the watch of another plan",
            "Name the plan it was begun with, or delete it, or name another file with --state",
        )
    body: dict[str, Any] = data["body"]
    return body


def as_body(watch: Attendant, now_s: float) -> dict[str, Any]:
    """What of a watch is remembered."""
    return {
        "folder": str(watch.root.resolve()),
        "wall_s": watch.wall(),
        "age_s": now_s - watch.began_s,
        "files": {name: list(look) for name, look in watch.folder.taken.items()},
        "taken": [list(astuple(one)) for one in watch.taken],
        "pairing": watch.pairing.as_json(now_s),
        "last": watch.calls.last,
        "counts": watch.calls.counts,
        "told": sorted(watch.told),
        "done": watch.done,
    }


def resume(watch: Attendant, body: dict[str, Any]) -> None:
    """Put back what :func:`as_body` gave, into a watch that has just begun.

    Raises
    ------
    FileError
        It is of another folder, or does not fit the plan.
    """
    if body.get("folder") != str(watch.root.resolve()):
        raise FileError(
            str(watch.state),
            f"belongs to a watch of {str(body.get('folder'))!r}",
            "Name that folder, or delete it to begin anew",
        )
    now_s = watch.now()
    try:
        away_s = max(0.0, watch.wall() - float(body["wall_s"]))
        watch.began_s = now_s - away_s - float(body["age_s"])
        watch.folder.taken = {
            str(name): (int(look[0]), int(look[1])) for name, look in body["files"].items()
        }
        watch.taken = [Taken(*one) for one in body["taken"]]
        watch.pairing.restore(body["pairing"], now_s - away_s)
        watch.calls = Calls(last=dict(body["last"]), counts=dict(body["counts"]))
        watch.told = {str(key) for key in body["told"]}
        watch.done = bool(body["done"])
    except (ValueError, KeyError, TypeError, IndexError, AttributeError) as fault:
        raise FileError(
            str(watch.state), f"does not fit this plan ({fault})", "Delete it to begin anew"
        ) from fault
    _look_again(watch)
    text = f"goes on after a restart, with {counted(len(watch.taken), 'frame')} seen"
    watch.notes.append(Event(code="resumed", text=text))


def _look_again(watch: Attendant) -> None:
    """At the last good frames; what is gone or spoilt is left out."""
    for one in [one for one in watch.taken if one.verdict in ("pose", "moved")][-KEPT:]:
        with suppress(OSError, FrameError):
            frame = read_frame(watch.root / one.name)
            if frame.fault is None:
                watch.looks.add(frame, watch.plan.poses[one.pose].z_mm if one.pose >= 0 else 0.0)
