"""What is told while a print is filmed, and which of it rings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

RINGS = frozenset(
    {
        "missing",
        "double",
        "unreadable",
        "dark",
        "overexposed",
        "blurred",
        "not-parked",
        "knocked",
        "late",
        "card",
        "battery",
        "folder-gone",
        "written-over",
        "other-plan",
    }
)
"""Codes that call a person; the rest is only told."""
QUIET_FRAMES = 5
"""A fault that comes again within so many frames of the last one rings no more."""
SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that was found out. ``rings``: a person is to be called."""

    code: str
    text: str
    pose: int | None = None
    file: str | None = None
    rings: bool = False
    again: bool = False

    def __str__(self) -> str:
        place = [f"pose {self.pose}" if self.pose else "", self.file or ""]
        where = ", ".join(part for part in place if part)
        return f"{where}: {self.text} [{self.code}]" if where else f"{self.text} [{self.code}]"

    def as_json(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "event": self.code,
            "rings": self.rings,
            "again": self.again,
            "pose": self.pose,
            "file": self.file,
            "text": self.text,
        }


@dataclass
class Calls:
    """Who rings: a fault of every frame calls once, and again after some good frames.

    ``last`` is code -> number of the frame at which it was told last; ``counts`` how often.
    """

    last: dict[str, int] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)

    def event(
        self,
        frame: int,
        code: str,
        text: str,
        *,
        pose: int | None = None,
        file: str | None = None,
    ) -> Event:
        """The event, told at the frame of this number."""
        before = self.last.get(code)
        again = code in RINGS and before is not None and frame - before <= QUIET_FRAMES
        self.last[code] = frame
        self.counts[code] = self.counts.get(code, 0) + 1
        rings = code in RINGS and not again
        return Event(code=code, text=text, pose=pose, file=file, rings=rings, again=again)
