"""One planned stop of a job with its block, and a job with all of its poses."""

from __future__ import annotations

from dataclasses import dataclass

from capturehook.model.block import Block
from capturehook.model.profile import KeepOut
from capturehook.model.route import Route
from capturehook.model.state import State
from capturehook.model.stop import Ending, Halves, Split, Stop


class Purge(KeepOut):
    """Plastic that the job itself pushed out in place; its name is the line that did so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One stop with the machine's state there and its path to the park point."""

    stop: Stop
    state: State
    route: Route
    halves: Halves | None
    """Spirals: the two parts of the job's own line, before and after the block."""
    wipe: tuple[tuple[float, float], ...]
    """X and Y back along what was just printed, before the hop (mm)."""
    ending: Ending | None = None
    """Where the block leaves the head; None: where it found it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """One planned stop of a job, with its block."""

    pose: int
    layer: int
    z_mm: float
    line_no: int
    state: State
    route: Route
    finished: bool
    resume: str
    split: Split | None
    halves: Halves | None
    wipe: tuple[tuple[float, float], ...]
    block: Block
    ending: Ending | None = None
