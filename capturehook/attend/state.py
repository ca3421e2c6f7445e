"""What a watch remembers across a restart: one small file with a checksum, bound to its plan."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from capturehook.errors import FileError
from capturehook.files import read_bytes, write_atomically
from capturehook.model.plan import PlanRecord, sum_of

SCHEMA = 1
ENDING = ".attend.json"
MOST_BYTES = 32_000_000
ADVICE = "Delete it to begin anew (frames that are there already then need --earlier)"


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
