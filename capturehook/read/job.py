"""A job that has been read, and how it is read: bytes -> Source -> moves -> layers."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from math import pi
from typing import TYPE_CHECKING

import numpy as np

from capturehook.block.fence import MARK, strip_bytes
from capturehook.catalog import FIRMWARES
from capturehook.model.layers import LayerTable
from capturehook.model.profile import Profile
from capturehook.place.height_map import needs_map
from capturehook.read.features import Features, find_features
from capturehook.read.layers import find_layers
from capturehook.read.marks import Marks, find_marks
from capturehook.read.moves import JobMoves, read_moves
from capturehook.read.near import read_near
from capturehook.read.source import Source, open_source
from capturehook.read.spans import Spans, find_spans

if TYPE_CHECKING:
    from capturehook.clock.seconds import Timetable
    from capturehook.model.moves import MoveTable

NEAR_BYTES = 4_000_000
"""Jobs from this size on may be read around their layer changes only."""


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
    whole: bool = True
    """False where the inside of layers was not read: no times, no extents."""

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
    def features(self) -> Features:
        return find_features(self.source)

    @cached_property
    def times(self) -> Timetable:
        from capturehook.clock.seconds import make_timetable

        return make_timetable(self.moves, self.profile.machine, self.profile.retract)


def filament_per_unit(profile: Profile) -> float:
    """mm of filament for one unit of E."""
    if not profile.machine.volumetric:
        return 1.0
    return 1.0 / (pi * profile.machine.filament_mm**2 / 4)


def read_job(data: bytes, path: str, profile: Profile, *, near_stops: bool = False) -> Job:
    """Bytes -> Job. Blocks of an earlier run are taken out first.

    ``near_stops`` allows to read a large job only around its layer changes, where that is
    all that `apply` needs; poses and bytes come out the same (docs/speed.md).

    Raises
    ------
    GcodeError, LayerError
        The job cannot be read, or lays no plastic.
    """
    source, was_posed = _open_plain(data, path)
    machine = profile.machine
    if near_stops and len(source.data) >= NEAR_BYTES and _needs_no_whole(profile):
        job = _read_near(source, profile)
        if job is not None:
            return job
    read = read_moves(
        source,
        FIRMWARES[machine.firmware],
        extruder_axis=machine.extruder_axis,
        absolute_arc_centres=machine.absolute_arc_centres,
        filament_per_unit=filament_per_unit(profile),
    )
    layers, marks = find_layers(source, read.table)
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


def _needs_no_whole(profile: Profile) -> bool:
    """The profile asks for nothing that only the whole job can tell."""
    capture, machine = profile.capture, profile.machine
    asks = capture.every_s or capture.min_gap_s or capture.added_max_s or capture.spread != "height"
    plain_layers = capture.resume == "as-is" and not profile.retract.wipe_mm
    return not asks and plain_layers and not machine.absolute_arc_centres


def _read_near(source: Source, profile: Profile) -> Job | None:
    marks = find_marks(source)
    if not marks:
        return None
    read = read_near(
        source,
        FIRMWARES[profile.machine.firmware],
        marks[0].line_index.tolist(),
        extruder_axis=profile.machine.extruder_axis,
        filament_per_unit=filament_per_unit(profile),
    )
    if read is None:
        return None
    layers, _ = find_layers(source, read.table, marks)
    if layers.marks != marks[0].name or layers.spiral or needs_map(read.table, layers):
        return None
    return Job(source, read, layers, marks, profile, whole=False)


def printed_box_mm(job: Job) -> tuple[float, float, float]:
    """Width (X), depth (Y) and height of what a job prints in its layers, in mm.

    The same at every pose: where the bed carries the part, the whole box moves with it.
    """
    moves, layers = job.moves, job.layers
    part = slice(int(layers.first_move[0]), int(layers.last_move[-1]) + 1)
    prints = moves.prints[part]
    x, y = moves.x_mm[part][prints], moves.y_mm[part][prints]
    return float(np.ptp(x)), float(np.ptp(y)), float(layers.z_mm.max())
