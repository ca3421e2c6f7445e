"""Frames of a film that is still to be shot: one for each pose, the part growing.

The print is drawn once and kept: each frame adds the strands laid since the last one, then
shows the head over it. A plate that sinks is drawn anew for each frame from the strands that
can still be seen.
"""

from __future__ import annotations

from collections.abc import Container, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.rehearse import furniture
from capturehook.rehearse.beads import Beads, Strands, beads_of, make_shadows, make_strands
from capturehook.rehearse.camera import View
from capturehook.rehearse.canvas import (
    BED,
    FINE,
    PART,
    Box,
    Canvas,
    Keys,
    average,
    grow_box,
    owner_of,
    pack_colour,
    slices,
    snap_box,
)
from capturehook.rehearse.faces import grain
from capturehook.rehearse.room import frame_y_mm, lamp, moves_before, plate_offset

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.model.profile import Machine
    from capturehook.read.job import Job

Floats = NDArray[np.float64]

Lines = tuple[Floats, Floats, NDArray[np.uint32]]
"""Starts and ends on the plate (n, 3), and colours (n,)."""

SHADOW = pack_colour(np.array([(24.0, 26.0, 30.0)]), BED)[0]
PLASTIC = np.array((238.0, 142.0, 78.0))
CLOSE = 0.7
"""Strands lie so many pixels apart."""
BATCH = 4000
"""Beads made into strands at a time: bounds the memory."""
CULL_EVERY = 3
CULL_MM = 0.3
"""A strand this far behind the front is taken for hidden for good."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One frame: (H, W, 3) uint8 colours; how much of the part is seen, and how much of that
    the head then hides, in pixels of the picture."""

    rgb: NDArray[np.uint8]
    part_px: float
    hidden_px: float


class Print:
    """The print as one camera sees it, growing; ``canvas`` holds it without the head."""

    def __init__(self, job: Job, view: View, *, shadows: bool = True) -> None:
        self.job, self.view, self.shadows = job, view, shadows
        self.light = lamp(view.heading_deg)
        self.canvas = Canvas(view)
        self.height_mm = float(job.layers.z_mm.max())
        self._pool: list[Lines] = []

    def grow(self, first: int, stop: int, offset_mm: Floats) -> Box | None:
        """Add the printing moves ``first`` to ``stop - 1``; the box of pixels they touch."""
        box: Box | None = None
        for part in self._batches(first, stop):
            spacing = self._spacing_mm(part, offset_mm)
            strands = self._strands(part, offset_mm, spacing)
            ends = strands.a_mm + offset_mm, strands.b_mm + offset_mm
            box = grow_box(self.canvas.draw_lines(*ends, self._colour(strands)), box)
            if self.shadows:
                a, b = make_shadows(part, self.light, 1.5 * spacing)
                stained = self.canvas.stain_lines(a + offset_mm, b + offset_mm, SHADOW)
                box = grow_box(stained, box)
        return box

    def keep(self, first: int, stop: int, offset_mm: Floats) -> None:
        """Remember the strands of some moves (no shadows) for :meth:`draw_kept`."""
        for part in self._batches(first, stop):
            strands = self._strands(part, offset_mm, self._spacing_mm(part, offset_mm))
            self._pool.append((strands.a_mm, strands.b_mm, self._colour(strands)))

    def draw_kept(self, offset_mm: Floats, *, cull: bool) -> Box | None:
        """Draw what is remembered; with ``cull`` forget what is hidden.

        What hides a strand moves with it, and the print only grows in front of it and above
        it while the plate sinks: once hidden is hidden for good. One-at-a-time jobs, where
        the plate rises again, may lose a few strands deep inside a finished part.
        """
        if not self._pool:
            return None
        a, b, colour = (np.concatenate(column) for column in zip(*self._pool, strict=True))
        box = self.canvas.draw_lines(a + offset_mm, b + offset_mm, colour)
        if cull:
            seen = self.canvas.seen_lines(a + offset_mm, b + offset_mm, CULL_MM)
            a, b, colour = a[seen], b[seen], colour[seen]
        self._pool = [(a, b, colour)]
        return box

    def _batches(self, first: int, stop: int) -> Iterator[Beads]:
        beads = beads_of(self.job, first, stop)
        for start in range(0, len(beads), BATCH):
            yield beads.picked(slice(start, start + BATCH))

    def _spacing_mm(self, beads: Beads, offset_mm: Floats) -> float:
        """Less than a pixel at the nearest bead: slanting lines one pixel apart leave gaps
        through which the inside would shine as specks (a diagonal one's rows are 1.41 apart)."""
        ends = np.concatenate([beads.a_mm, beads.b_mm]) + offset_mm
        return CLOSE * max(1.0, float(self.view.to_camera(ends)[:, 2].min())) / self.view.focal_px

    def _strands(self, beads: Beads, offset_mm: Floats, spacing_mm: float) -> Strands:
        middle = (beads.a_mm.mean(axis=0) + beads.b_mm.mean(axis=0)) / 2 + offset_mm
        toward = self.view.eye_mm - middle
        return make_strands(beads, toward / np.linalg.norm(toward), self.light, spacing_mm)

    def _colour(self, strands: Strands) -> NDArray[np.uint32]:
        """A little lighter towards the top, so that heights can be told apart."""
        rise = 0.90 + 0.14 * strands.a_mm[:, 2] / self.height_mm
        return pack_colour(np.outer(strands.shade * rise, PLASTIC), PART)


class Stage:
    """All frames of one job before one camera.

    Parameters
    ----------
    applied : the job with its poses
    view : at the size of the film
    """

    def __init__(self, applied: PosedJob, view: View, fine: int = FINE) -> None:
        self.applied, self.fine = applied, fine
        self.machine: Machine = applied.job.profile.machine
        self.print = Print(applied.job, view.scaled(fine))
        self.head = Canvas(self.print.view)
        self.box: Box | None = None
        self._shown: NDArray[np.uint8] | None = None
        self._room: NDArray[np.uint64] | None = None

    def shots(self, only: Container[int] | None = None) -> Iterator[Shot]:
        """One shot for each pose (of the numbers ``only``), in order."""
        done, drawn, sinks = 0, 0, self.machine.moves == "bed-z"
        for pose in self.applied.poses:
            if only is not None and pose.pose not in only:
                continue
            nozzle = np.array(pose.block.shutter_mm)
            offset = plate_offset(self.machine, float(nozzle[1]), float(nozzle[2]))
            stop = moves_before(self.applied.job, pose)
            if sinks:
                self._sink(done, stop, offset, cull=drawn % CULL_EVERY == 0)
            else:
                self._add(done, stop, offset, first=drawn == 0)
            done, drawn = stop, drawn + 1
            yield self._shoot(nozzle + offset)

    def _add(self, done: int, stop: int, offset: Floats, *, first: bool) -> None:
        """New strands over what is there; only the pixels they touch are shown anew."""
        canvas = self.print.canvas
        if first:
            self._furnish_room()
            self._furnish_plate(offset)
        touched = self.print.grow(done, stop, offset)
        if self._shown is None:
            self._shown = average(canvas.keys, self.fine)
        elif touched is not None and touched[0] < touched[1]:
            box = snap_box(touched, self.fine)
            self._shown[slices(box, self.fine)] = average(canvas.keys[slices(box)], self.fine)
        if touched is not None:
            self.box = grow_box(touched, self.box)

    def _sink(self, done: int, stop: int, offset: Floats, *, cull: bool) -> None:
        canvas = self.print.canvas
        if self._room is None:
            self._furnish_room()
            self._room = canvas.keys.copy()
        canvas.keys[:] = self._room
        self._furnish_plate(offset)
        self.print.keep(done, stop, offset)
        self.box = self.print.draw_kept(offset, cull=cull)
        self._shown = average(canvas.keys, self.fine)

    def _furnish_room(self) -> None:
        faces = furniture.still_faces(self.machine, frame_y_mm(self.machine), self.print.light)
        faces.draw(self.print.canvas)

    def _furnish_plate(self, offset: Floats) -> None:
        canvas, light = self.print.canvas, self.print.light
        texture = None if self.machine.moves == "bed-z" else grain
        furniture.plate_faces(self.machine, offset, light, texture).draw(canvas)
        a, b = furniture.plate_lines(self.machine, offset)
        rgb = np.broadcast_to(np.array(furniture.PLATE_LINES), (len(a), 3))
        canvas.draw_lines(a, b, pack_colour(rgb, BED))

    def _shoot(self, nozzle_mm: Floats) -> Shot:
        """The head over the print."""
        assert self._shown is not None
        rgb, hidden = self._shown.copy(), 0
        furniture.head_faces(self.machine, nozzle_mm, self.print.light).draw(self.head)
        for box, head in self.head.taken_faces(self.fine):
            behind = self.print.canvas.keys[slices(box)]
            rgb[slices(box, self.fine)] = average(np.maximum(behind, head), self.fine)
            hidden += self._hidden_px(box, head)
        share = 1.0 / self.fine**2
        return Shot(rgb=rgb, part_px=self._part_px() * share, hidden_px=hidden * share)

    def _hidden_px(self, box: Box, head: Keys) -> int:
        """How much of the part lies behind the head within a box."""
        if self.box is None:
            return 0
        top, left = max(box[0], self.box[0]), max(box[2], self.box[2])
        bottom, right = min(box[1], self.box[1]), min(box[3], self.box[3])
        if top >= bottom or left >= right:
            return 0
        behind = self.print.canvas.keys[slices((top, bottom, left, right))]
        before = head[top - box[0] : bottom - box[0], left - box[2] : right - box[2]]
        return int(np.count_nonzero((owner_of(behind) == PART) & (before > behind)))

    def _part_px(self) -> int:
        if self.box is None:
            return 0
        keys = self.print.canvas.keys[slices(self.box)]
        return int(np.count_nonzero(owner_of(keys) == PART))
