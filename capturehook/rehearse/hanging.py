"""Frames of a resin print that is still to be made: the part growing downwards from its plate.

At a pose block the plate goes to one height for all frames; where a light sensor fires the
camera, it stands at the top of the lift, and most of the part hangs below the vat's rim.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding
from capturehook.rehearse import vat
from capturehook.rehearse.camera import View
from capturehook.rehearse.canvas import (
    FINE,
    PART,
    UPPER_HALF,
    Box,
    Canvas,
    average,
    grow_box,
    owner_of,
    pack_colour,
    slices,
    snap_box,
)
from capturehook.rehearse.draw import Shot
from capturehook.rehearse.room import PartBox, Wishes, frame_sight, lamp
from capturehook.rehearse.run import (
    MUCH_HIDDEN,
    Asked,
    PoseSight,
    Rehearsal,
    cut_off,
    refuse_asked,
    take_shots,
)
from capturehook.rehearse.slabs import Skin, Slabs, read_slabs, skin_of, underside

if TYPE_CHECKING:
    from capturehook.model.profile import Profile
    from capturehook.model.resin import ResinTable
    from capturehook.model.resin_job import ResinJob
    from capturehook.resin.body import Body
    from capturehook.resin.shoot import ResinShoot

Floats = NDArray[np.float64]
Step = Callable[[int], None]

CURED = np.array((236.0, 206.0, 150.0))
FACING_AWAY = -0.25
"""A line is left out where the surface looks further away from the camera than this cosine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hanging:
    """What is drawn: P poses of a part in a printer.

    Attributes
    ----------
    slabs_done : (P,) how many slabs hang at each pose
    plate_mm : (P,) height of the plate's face above the vat's film
    """

    slabs: Slabs
    printer: vat.Printer
    slabs_done: NDArray[np.int64]
    plate_mm: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A resin job with its shoot, and what of it is drawn.

    Attributes
    ----------
    screen_mm : width of the lamp's screen; None: as the job states
    body : what is cut into layers, for a job without images of its own
    """

    job: ResinJob
    shoot: ResinShoot
    profile: Profile
    table: ResinTable
    screen_mm: float | None = None
    body: Body | None = None

    @property
    def has_shape(self) -> bool:
        """Whether anything tells what the part looks like."""
        return self.body is not None or any(self.job.images)

    @cached_property
    def hanging(self) -> Hanging:
        """The poses, with the plate where it is at each; the images are read once.

        Raises
        ------
        FileError, FrameError
            Layer images that cannot be read, or that light nothing.
        """
        plate_mm = plate_heights(self.job, self.shoot)
        poses = self.shoot.plan.poses
        slabs = read_slabs(self.job, self.screen_mm, len(poses), body=self.body)
        return Hanging(
            slabs=slabs,
            printer=vat.Printer(
                screen_mm=slabs.screen_mm,
                rim_mm=self.table.vat_rim_mm,
                highest_mm=float(plate_mm.max()),
            ),
            slabs_done=np.array([slabs.done(pose.layer) for pose in poses]),
            plate_mm=plate_mm,
        )

    def view(self, wishes: Wishes, size: tuple[int, int]) -> View:
        """The camera of the wishes, in a picture of some pixels; the rest chosen for the part."""
        sight = vat.sight_of(self.hanging.printer, subject_of(self.hanging))
        return frame_sight(sight, self.profile.camera, wishes, size)


def plate_heights(job: ResinJob, shoot: ResinShoot) -> Floats:
    """(P,) height of the plate at each pose of the plan, mm above the vat's film."""
    taken = shoot.card_frame - 1
    if shoot.by == "pose":
        assert job.poses is not None
        return np.asarray(job.poses.plate_mm[taken])
    return np.asarray(shoot.events.plate_mm[np.flatnonzero(shoot.events.fires)[taken]])


def subject_of(hanging: Hanging) -> PartBox:
    """The part at all poses, as far as it hangs above the rim, and the middle of the plate, in
    room coordinates."""
    low, high = hanging.slabs.bounds_mm()
    some = vat.PLATE_SHOWN * hanging.printer.screen_mm[0] / 2
    plate, rim = hanging.plate_mm, hanging.printer.rim_mm
    lowest = np.maximum(rim, plate + hanging.slabs.end_mm[hanging.slabs_done]).min()
    return PartBox(
        low_mm=np.array((min(low[0], -some), low[1], min(lowest, plate.min()))),
        high_mm=np.array((max(high[0], some), high[1], plate.max() + vat.PLATE_MM)),
    )


class HangingStage:
    """All frames of one job before one camera."""

    def __init__(self, hanging: Hanging, view: View, fine: int = FINE) -> None:
        self.hanging, self.fine = hanging, fine
        self.still = Canvas(view.scaled(fine))
        self.moving = Canvas(self.still.view)
        self.light = lamp(view.heading_deg)
        self._skins: list[tuple[Floats, Floats, NDArray[np.uint32]]] = []
        self._bounds_mm = hanging.slabs.bounds_mm()
        self._drawn = 0
        self._at_mm = np.nan
        self._part: Box | None = None
        self._shown: NDArray[np.uint8] | None = None
        vat.still_faces(hanging.printer, self.light).draw(self.still)

    def shots(self, only: Container[int] | None = None) -> Iterator[Shot]:
        """One shot for each pose (of the numbers ``only``, from 1), in order."""
        poses = zip(self.hanging.slabs_done, self.hanging.plate_mm, strict=True)
        for number, (done, plate_mm) in enumerate(poses, 1):
            if only is not None and number not in only:
                continue
            offset = np.array((0.0, 0.0, float(plate_mm)))
            if plate_mm != self._at_mm:
                self._move_plate(float(plate_mm))
            yield self._shoot(self._grow(int(done), offset))

    def _move_plate(self, plate_mm: float) -> None:
        self.moving.keys[:] = 0
        vat.plate_faces(self.hanging.printer, plate_mm, self.light).draw(self.moving)
        self._drawn, self._at_mm = 0, plate_mm
        self._part = self._shown = None

    def _grow(self, done: int, offset: Floats) -> Box | None:
        """Slabs not yet drawn at this height of the plate; then the newest one's lower face. The
        box of pixels they touch."""
        slabs, eye = self.hanging.slabs, self.moving.view.eye_mm
        spacing = self._spacing_mm(offset)
        while len(self._skins) < done:
            self._skins.append(self._lines(skin_of(slabs, len(self._skins), spacing), offset))
        shown = self._in_picture(offset)
        fresh = [self._skins[slab] for slab in range(self._drawn, done) if shown[slab]]
        self._drawn = max(self._drawn, done)
        if eye[2] < offset[2] + slabs.end_mm[done]:
            fresh.append(self._lines(underside(slabs, done - 1, spacing), offset))
        if not fresh:
            return None
        a, b, colour = (np.concatenate(column) for column in zip(*fresh, strict=True))
        box = self.moving.draw_lines(a + offset, b + offset, colour)
        return box if box[0] < box[1] else None

    def _in_picture(self, offset: Floats) -> NDArray[np.bool_]:
        """(G,) slabs of which something can be in the picture: the rest need not be drawn."""
        low, high = self._bounds_mm
        x, y, z = np.meshgrid(
            (low[0], high[0]), (low[1], high[1]), self.hanging.slabs.end_mm, indexing="ij"
        )
        view = self.moving.view
        row = view.to_pixels(np.stack([x, y, z], axis=-1) + offset)[..., 1].reshape(4, -1)
        first, last = row.min(axis=0), row.max(axis=0)
        return np.asarray((first[:-1] < view.height_px) & (last[1:] > 0))

    def _spacing_mm(self, offset: Floats) -> float:
        """A little under one pixel at the nearest place of the part."""
        low, high = self._bounds_mm
        corners = PartBox(low_mm=low, high_mm=high).corners() + offset
        nearest = max(1.0, float(self.moving.view.to_camera(corners)[:, 2].min()))
        return 0.9 * nearest / self.moving.view.focal_px

    def _lines(self, skin: Skin, offset: Floats) -> tuple[Floats, Floats, NDArray[np.uint32]]:
        """Lines that can be seen, and their colours.

        Lambert's cosine law, a sky that is brighter above, light that shines through thin
        edges, and a highlight by the half-way vector (Blinn 1977, from memory).
        """
        toward = self.moving.view.eye_mm - offset - skin.a_mm
        toward /= np.linalg.norm(toward, axis=1, keepdims=True)
        facing = (skin.normal * toward).sum(axis=1)
        seen = facing > FACING_AWAY
        normal, toward = skin.normal[seen], toward[seen]
        half = toward + self.light
        half /= np.linalg.norm(half, axis=1, keepdims=True)
        mirror = np.clip((normal * half).sum(axis=1), 0, 1)
        bright = np.clip(normal @ self.light, 0, 1)
        glow = 0.10 * (1 - np.clip(facing[seen], 0, 1)) ** 2
        shade = 0.34 + 0.10 * normal[:, 2] + 0.58 * bright + glow
        rgb = np.outer(shade, CURED) + 70.0 * (mirror**40)[:, None]
        return skin.a_mm[seen], skin.b_mm[seen], pack_colour(rgb, PART)

    def _shoot(self, fresh: Box | None) -> Shot:
        """Still things before and behind; only what is fresh is shown anew."""
        if fresh is not None:
            self._part = grow_box(fresh, self._part)
        if self._shown is None:
            self._shown = average(np.maximum(self.still.keys, self.moving.keys), self.fine)
        elif fresh is not None:
            box = snap_box(fresh, self.fine)
            keys = np.maximum(self.still.keys[slices(box)], self.moving.keys[slices(box)])
            self._shown[slices(box, self.fine)] = average(keys, self.fine)
        part_px, hidden_px = self._sight()
        share = 1.0 / self.fine**2
        return Shot(rgb=self._shown.copy(), part_px=part_px * share, hidden_px=hidden_px * share)

    def _sight(self) -> tuple[int, int]:
        """Pixels of the part, and those of them that something still hides."""
        if self._part is None:
            return 0, 0
        box = slices(self._part)
        still, moving = self.still.keys[box], self.moving.keys[box]
        part = owner_of(moving) == PART
        hidden = part & ((still & UPPER_HALF) > (moving & UPPER_HALF))
        return int(np.count_nonzero(part)), int(np.count_nonzero(hidden))


def rehearse_resin(
    scene: Scene, wishes: Wishes, asked: Asked, step: Step | None = None
) -> Rehearsal:
    """Draw every pose of a resin shoot once; write what is asked for.

    Raises
    ------
    PlanError
        No poses, a still of a pose that is not there, or a camera that cannot stand there.
    FileError, FrameError
        Layer images that cannot be read; a film or picture that cannot be written.
    """
    job, plan = scene.job, scene.shoot.plan
    refuse_asked(job.path, len(plan.poses), asked)
    view = scene.view(wishes, asked.size)
    shots, fps = HangingStage(scene.hanging, view).shots(), Fraction(plan.fps)
    sights, film_s = take_shots(plan.poses, shots, asked, fps, plan.hold_last_s, job.path, step)
    return Rehearsal(
        view=view,
        sights=sights,
        film_s=film_s,
        park=None,
        findings=[*job.findings, *scene.shoot.findings, *_doubts(sights, view, scene.hanging)],
    )


def _doubts(sights: list[PoseSight], view: View, hanging: Hanging) -> list[Finding]:
    """How deep the newest layer hangs is told in mm: what is deep in the vat is out of the
    picture too, so that no pixels can be counted there."""
    found, last = [], sights[-1]
    height_mm = -float(hanging.slabs.end_mm[hanging.slabs_done[-1]])
    deep_mm = hanging.printer.rim_mm - (float(hanging.plate_mm[-1]) - height_mm)
    if deep_mm >= MUCH_HIDDEN * height_mm:
        by_pose = len(set(hanging.plate_mm)) == 1
        advice = "raise z_mm of [resin.pose]" if by_pose else "insert poses with `resin --pose`"
        text = (
            f"{min(deep_mm, height_mm):.0f} mm of the finished part's {height_mm:.0f} mm hang "
            f"below the vat's rim: {advice}"
        )
        found.append(Finding("part-hidden", f"pose {last.pose}", text))
    return [*found, *cut_off(view, subject_of(hanging).corners())]
