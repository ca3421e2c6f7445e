"""A whole rehearsal: film, stills, stand-in frames, and what the head hides."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding, PlanError
from capturehook.files import write_stream_atomically
from capturehook.frames.needs import pillow
from capturehook.rehearse.camera import View
from capturehook.rehearse.draw import Shot, Stage
from capturehook.rehearse.hidden import ParkAdvice, advise_park
from capturehook.rehearse.room import (
    PartBox,
    Wishes,
    nozzle_points,
    part_box,
    place_camera,
    plate_offset,
)
from capturehook.rehearse.stand_in import StandInCamera

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.film.encode import Film
    from capturehook.model.plan import PlannedPose
    from capturehook.model.pose import Pose

SCHEMA = 1
MUCH_HIDDEN = 0.02
"""Share of the part from which hiding is worth a word."""
LARGEST_PX = 4096
Step = Callable[[int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What to make; all of it optional. ``stills`` goes from pose number to file; ``on_frame``
    is called with each pose's number and picture. Without ``advises`` no better park point is
    looked for."""

    size: tuple[int, int] = (960, 540)
    film: Path | None = None
    stills: dict[int, Path] = field(default_factory=dict)
    camera: StandInCamera | None = None
    on_frame: Callable[[int, NDArray[np.uint8]], None] | None = None
    advises: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseSight:
    """One frame in numbers: pixels of the part that would be seen without the head (or the
    vat), and of these what it hides."""

    pose: int
    layer: int
    z_mm: float
    part_px: float
    hidden_px: float

    @property
    def hidden_share(self) -> float:
        return self.hidden_px / self.part_px if self.part_px else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """What came of it; a plate that hangs has no park point."""

    view: View
    sights: list[PoseSight]
    film_s: Fraction
    park: ParkAdvice | None
    findings: list[Finding]

    @property
    def worst(self) -> PoseSight:
        return max(self.sights, key=lambda one: one.hidden_share)

    @property
    def mean_hidden(self) -> float:
        return float(np.mean([one.hidden_share for one in self.sights]))

    def as_json(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "frames": len(self.sights),
            "film_s": round(float(self.film_s), 6),
            "camera": {
                "x_mm": round(float(self.view.eye_mm[0]), 1),
                "y_mm": round(float(self.view.eye_mm[1]), 1),
                "z_mm": round(float(self.view.eye_mm[2]), 1),
                "focal_px": round(self.view.focal_px, 2),
                "width_px": self.view.width_px,
                "height_px": self.view.height_px,
            },
            "hidden": {
                "mean_share": round(self.mean_hidden, 4),
                "most_share": round(self.worst.hidden_share, 4),
                "most_pose": self.worst.pose,
            },
            "poses": [
                {**asdict(one), "hidden_share": round(one.hidden_share, 4)} for one in self.sights
            ],
            "park": None if self.park is None else asdict(self.park),
            "findings": [finding.as_json() for finding in self.findings],
        }


def rehearse(
    applied: PosedJob, wishes: Wishes, asked: Asked, step: Step | None = None
) -> Rehearsal:
    """Draw every pose once; write what is asked for.

    Raises
    ------
    PlanError
        No poses, a still of a pose that is not there, or a camera that cannot stand there.
    FrameError, FileError
        A film or picture that cannot be written; or a library that is missing.
    """
    refuse_asked(applied.job.source.path, len(applied.poses), asked)
    job, capture = applied.job, applied.job.profile.capture
    nozzle, box = nozzle_points(applied), part_box(applied.job)
    view = place_camera(job.profile, box, nozzle[-2:], wishes, asked.size)
    shots, fps = Stage(applied, view).shots(), Fraction(capture.fps)
    sights, film_s = take_shots(
        applied.poses, shots, asked, fps, capture.hold_last_s, job.source.path, step
    )
    made = Rehearsal(
        view=view,
        sights=sights,
        film_s=film_s,
        park=advise_park(applied, view) if asked.advises else None,
        findings=[*applied.findings],
    )
    made.findings.extend(_doubts(made, box, nozzle[-1], applied))
    return made


def refuse_asked(path: str, poses: int, asked: Asked) -> None:
    """Raise PlanError for what cannot be drawn of a job with so many poses."""
    if not poses:
        raise PlanError(path, "gets no pose, so there is nothing to draw", "See `capturehook plan`")
    for number in asked.stills:
        if not 1 <= number <= poses:
            raise PlanError("--still", f"there is no pose {number}", f"{path} has 1 to {poses}")
    if min(asked.size) < 16 or max(asked.size) > LARGEST_PX:
        raise PlanError(
            "--size", f"{asked.size[0]}x{asked.size[1]} is not within 16 to {LARGEST_PX} px",
            "The default is 960x540",
        )  # fmt: skip


def take_shots(
    poses: Sequence[Pose | PlannedPose],
    shots: Iterable[Shot],
    asked: Asked,
    fps: Fraction,
    hold_last_s: float,
    title: str,
    step: Step | None,
) -> tuple[list[PoseSight], Fraction]:
    """Write each shot as asked; every frame in numbers, and the length of the film in s."""
    held = round(fps * Fraction(str(hold_last_s)))
    sights: list[PoseSight] = []
    with _asked_film(asked, fps, title) as film:
        for pose, shot in zip(poses, shots, strict=True):
            _write_shot(pose.pose, shot, asked, film, 1 + held * (pose is poses[-1]))
            sights.append(_sight_of(pose, shot))
            if step is not None:
                step(len(sights))
    return sights, (len(sights) + held) / fps


@contextmanager
def _asked_film(asked: Asked, fps: Fraction, title: str) -> Iterator[Film | None]:
    """The film to add to, or None where none is wanted."""
    if asked.film is None:
        yield None
        return
    from capturehook.film.encode import open_film

    metadata = {"title": f"Rehearsal of {Path(title).name}"}
    with open_film(asked.film, *asked.size, fps, metadata=metadata) as film:
        yield film


def _write_shot(pose: int, shot: Shot, asked: Asked, film: Film | None, times: int) -> None:
    """Into the film so many times, onto the stand-in camera's card, and as a still."""
    if film is not None:
        film.add(shot.rgb, times)
    if asked.camera is not None:
        asked.camera.take(pose, shot.rgb)
    if asked.on_frame is not None:
        asked.on_frame(pose, shot.rgb)
    if pose in asked.stills:
        picture = pillow().fromarray(shot.rgb)
        write_stream_atomically(asked.stills[pose], lambda out: picture.save(out, format="PNG"))


def _sight_of(pose: Pose | PlannedPose, shot: Shot) -> PoseSight:
    """One frame in numbers."""
    return PoseSight(
        pose=pose.pose,
        layer=pose.layer,
        z_mm=round(pose.z_mm, 4),
        part_px=shot.part_px,
        hidden_px=shot.hidden_px,
    )


def _doubts(made: Rehearsal, box: PartBox, nozzle_mm: Any, applied: PosedJob) -> Sequence[Finding]:
    found, worst = [], made.worst
    if worst.hidden_share >= MUCH_HIDDEN:
        text = f"the parked head hides {worst.hidden_share:.0%} of the part from the camera"
        found.append(Finding("part-hidden", f"pose {worst.pose}", text))
    machine = applied.job.profile.machine
    offset = plate_offset(machine, float(nozzle_mm[1]), float(nozzle_mm[2]))
    return [*found, *cut_off(made.view, box.corners() + offset)]


def cut_off(view: View, corners_mm: NDArray[np.float64]) -> Iterator[Finding]:
    """A warning where some of the (n, 3) corners of the finished part are out of the picture."""
    px = view.to_pixels(corners_mm)
    size = np.array((view.width_px, view.height_px))
    if not ((px[:, 2] <= 0).any() or (px[:, :2] < 0).any() or (px[:, :2] > size).any()):
        return
    text = "the finished part is not wholly in the picture: go further away, or aim anew"
    yield Finding("part-cut-off", "camera", text)
