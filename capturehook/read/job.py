"""A job that has been read, and how it is read: bytes -> Source -> moves -> layers."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from math import pi
from typing import TYPE_CHECKING, Any

import numpy as np

from capturehook.catalog import FIRMWARES
from capturehook.jobfile.fence import MARK, strip_bytes
from capturehook.model.layers import LayerTable
from capturehook.model.profile import Profile
from capturehook.read.features import Features, find_features
from capturehook.read.layers import find_layers
from capturehook.read.marks import Marks
from capturehook.read.moves import JobMoves, read_moves
from capturehook.read.source import Source, open_source
from capturehook.read.spans import Spans, find_spans
from capturehook.read.stated import Stated
from capturehook.steps import step

if TYPE_CHECKING:
    from capturehook.model.moves import MoveTable


@dataclass(frozen=True)
class Job:
    """A job that has been read: its text, moves and layers."""

    source: Source = field(repr=False)
    read: JobMoves = field(repr=False)
    layers: LayerTable = field(repr=False)
    marks: list[Marks]
    profile: Profile = field(repr=False)
    was_posed: bool = False
    """The file held blocks of an earlier run; they are not in ``source``."""
    known: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)
    """What later stages have found out of this job and keep with it."""

    @property
    def moves(self) -> MoveTable:
        return self.read.table

    @property
    def filament_per_unit(self) -> float:
        return filament_per_unit(self.profile)

    @cached_property
    def spans(self) -> Spans:
        return find_spans(self.source, self.read)

    @cached_property
    def stated(self) -> Stated:
        """What the job states of its own printer and settings."""
        return Stated.of(self.source.data)

    @cached_property
    def features(self) -> Features:
        return find_features(self.source)


def filament_per_unit(profile: Profile) -> float:
    """mm of filament for one unit of E."""
    if not profile.machine.volumetric:
        return 1.0
    return 1.0 / (pi * profile.machine.filament_mm**2 / 4)


def read_job(data: bytes, path: str, profile: Profile) -> Job:
    """Bytes -> Job. Blocks of an earlier run are taken out first.

    Raises
    ------
    GcodeError, LayerError
        The job cannot be read, or lays no plastic.
    """
    source, was_posed = _open_plain(data, path)
    machine = profile.machine
    read = read_moves(
        source,
        FIRMWARES[machine.firmware],
        extruder_axis=machine.extruder_axis,
        absolute_arc_centres=machine.absolute_arc_centres,
        filament_per_unit=filament_per_unit(profile),
    )
    layers, marks = find_layers(source, read.table)
    told = f"{len(read.table)} moves, {len(layers)} layers by {layers.marks}"
    step(f"job {path}, read as {machine.firmware}: {told}")
    return Job(source, read, layers, marks, profile, was_posed=was_posed)


def _open_plain(data: bytes, path: str) -> tuple[Source, bool]:
    """The job without blocks of an earlier run, and whether there were any.

    Their fences begin with a comment, so it is enough to look beside the motion lines.
    """
    source = open_source(data, path)
    if MARK not in source.side.text:
        return source, False
    plain = strip_bytes(data, path)
    return open_source(plain, path), len(plain) != len(data)


def printed_box_mm(job: Job) -> tuple[float, float, float]:
    """Width (X), depth (Y) and height of what a job prints in its layers, in mm.

    The same at every pose: where the bed carries the part, the whole box moves with it.
    """
    moves, layers = job.moves, job.layers
    part = slice(int(layers.first_move[0]), int(layers.last_move[-1]) + 1)
    prints = moves.prints[part]
    x, y = moves.x_mm[part][prints], moves.y_mm[part][prints]
    return float(np.ptp(x)), float(np.ptp(y)), float(layers.z_mm.max())
