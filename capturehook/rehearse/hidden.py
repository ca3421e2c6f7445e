"""How much of the print the parked head hides, and where it would hide less.

The camera is taken to follow the part: where a bed moves in Y, another park point shows the
part elsewhere in the room, and the camera goes with it. So everything here is seen in plate
coordinates, in small pictures without shadows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import PoseError
from capturehook.place.height_map import HeightMap, needs_map, printed_tops
from capturehook.place.route import find_route
from capturehook.rehearse import furniture
from capturehook.rehearse.camera import View
from capturehook.rehearse.canvas import PART, Canvas, Keys, owner_of
from capturehook.rehearse.draw import Print
from capturehook.rehearse.faces import UP
from capturehook.rehearse.room import moves_before, part_box, plate_offset

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.model.pose import Pose
    from capturehook.model.profile import Machine
    from capturehook.read.job import Job

Floats = NDArray[np.float64]

STAGES = 6
"""Heights of the print at which a park point is judged."""
WIDTH_PX = 320
COLUMNS, ROWS = 7, 7
"""Park points tried, over the whole reach of the nozzle."""
BESIDE_MM = 5.0
"""A park point is not above the print, nor nearer to it than this: what oozes would land there."""
SAME_SHARE = 0.005
"""Hidden shares closer than this are taken for equal."""
HIGHER_MM = 0.5
"""Points that take a higher hop than the present one are left out: rising is slow."""
WIDEST_BEAD_MM = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """The print at one pose, in a small picture: pixels, camera in plate coordinates, nozzle Z."""

    keys: Keys
    view: View
    nozzle_z_mm: float

    @property
    def part_px(self) -> int:
        return int(np.count_nonzero(owner_of(self.keys) == PART))


@dataclass(frozen=True, slots=True, kw_only=True)
class ParkPoint:
    """A park point, what it hides (0..1 of the part, over all stages), and the seconds that the
    paths there and back take over all poses."""

    x_mm: float
    y_mm: float
    hidden_share: float
    travel_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ParkAdvice:
    """The present park point, a better one where there is one, and how many were tried.

    ``reason`` says why none was looked for.
    """

    now: ParkPoint
    better: ParkPoint | None = None
    tried: int = 0
    safe: int = 0
    reason: str = ""


def advise_park(applied: PosedJob, view: View) -> ParkAdvice:
    """The safe park point that hides least, and of these the nearest.

    It neither hides more nor costs more travel than the present one. Safe is judged by
    `place.route` on the first pose and on the finished print; `apply` judges all poses.
    """
    profile = applied.job.profile
    stages = list(make_stages(applied, view))
    stands = applied.poses[0].block.shutter_mm[:2] if applied.poses else None
    now = _judge(applied, stages, (profile.park.x_mm, profile.park.y_mm), stands)
    if profile.trigger.by == "button":
        return ParkAdvice(now=now, reason="the park point belongs to the button")
    points = park_points(profile.machine)
    paths = _Paths(applied)
    safe = [point for point in points if paths.is_safe(point)]
    judged = [_judge(applied, stages, point) for point in safe]
    return ParkAdvice(now=now, better=best_of(now, judged), tried=len(points), safe=len(safe))


def best_of(now: ParkPoint, others: Sequence[ParkPoint]) -> ParkPoint | None:
    """The point that hides least (then: costs least), if it is better in one and worse in none."""
    steps = round(now.hidden_share / SAME_SHARE)
    fit = [
        one
        for one in others
        if one.hidden_share <= now.hidden_share
        and one.travel_s <= now.travel_s
        and (round(one.hidden_share / SAME_SHARE) < steps or one.travel_s < 0.98 * now.travel_s)
    ]
    return min(
        fit, key=lambda one: (round(one.hidden_share / SAME_SHARE), one.travel_s), default=None
    )


def park_points(machine: Machine) -> list[tuple[float, float]]:
    """A coarse grid over the reach of the nozzle, whole mm, its ends included."""
    x = np.round(np.linspace(*machine.x_mm, COLUMNS))
    y = np.round(np.linspace(*machine.y_mm, ROWS))
    return [(float(a), float(b)) for a in x for b in y if machine.reaches(a, b)]


def make_stages(applied: PosedJob, view: View) -> Iterator[Stage]:
    """The print at STAGES poses spread over the job, the last pose among them."""
    job, poses = applied.job, applied.poses
    chosen = np.unique(np.linspace(0, len(poses) - 1, STAGES + 1).round().astype(int)[1:])
    small = view.scaled(WIDTH_PX / view.width_px)
    drawing, done = None, 0
    for index in chosen:
        nozzle = poses[index].block.shutter_mm
        offset = plate_offset(job.profile.machine, nozzle[1], nozzle[2])
        here = replace(small, eye_mm=small.eye_mm - offset)
        if drawing is None or not np.array_equal(here.eye_mm, drawing.view.eye_mm):
            drawing, done = Print(job, here, shadows=False), 0
        stop = moves_before(job, poses[index])
        drawing.grow(done, stop, np.zeros(3))
        done = stop
        yield Stage(keys=drawing.canvas.keys.copy(), view=here, nozzle_z_mm=nozzle[2])


def hidden_px(stage: Stage, machine: Machine, park_mm: tuple[float, float]) -> int:
    """Pixels of the part that the head at a park point hides from the camera."""
    head = Canvas(stage.view)
    nozzle = np.array((*park_mm, stage.nozzle_z_mm))
    furniture.plain_head_faces(machine, nozzle, np.array(UP)).draw(head)
    return int(np.count_nonzero((owner_of(stage.keys) == PART) & (head.keys > stage.keys)))


def _judge(
    applied: PosedJob,
    stages: Sequence[Stage],
    park_mm: tuple[float, float],
    stands_mm: tuple[float, float] | None = None,
) -> ParkPoint:
    """``stands_mm`` is where the head is during the exposure, if not at the park point."""
    machine = applied.job.profile.machine
    hidden = sum(hidden_px(stage, machine, stands_mm or park_mm) for stage in stages)
    whole = sum(stage.part_px for stage in stages)
    return ParkPoint(
        x_mm=park_mm[0],
        y_mm=park_mm[1],
        hidden_share=hidden / whole if whole else 0.0,
        travel_s=travel_seconds(applied, park_mm),
    )


def travel_seconds(applied: PosedJob, park_mm: tuple[float, float]) -> float:
    """Straight paths from all poses to a point and back at the travel feed, s; speeding up and
    slowing down left out."""
    starts = np.array([pose.route.points[0][:2] for pose in applied.poses]).reshape(-1, 2)
    path_mm = 2 * np.linalg.norm(starts - park_mm, axis=1).sum()
    return float(path_mm / (applied.job.profile.park.travel_mm_min / 60))


class _Paths:
    """Asks `place.route` for paths from the first pose and from the finished print."""

    def __init__(self, applied: PosedJob) -> None:
        job = applied.job
        self.profile, self.box = job.profile, part_box(job)
        self.starts = [applied.poses[0], applied.poses[-1]] if applied.poses else []
        self.tops = printed_tops(job.moves, job.layers)
        self.maps = [_map_at(job, pose, self.tops) for pose in self.starts]

    def is_safe(self, park_mm: tuple[float, float]) -> bool:
        beside = np.maximum(self.box.low_mm[:2] - park_mm, park_mm - self.box.high_mm[:2])
        if beside.max() < BESIDE_MM:
            return False
        try:
            return all(
                self._hop_mm(pose, height_map, park_mm) <= pose.route.hop_z_mm + HIGHER_MM
                for pose, height_map in zip(self.starts, self.maps, strict=True)
            )
        except PoseError:
            return False

    def _hop_mm(
        self, pose: Pose, height_map: HeightMap | None, park_mm: tuple[float, float]
    ) -> float:
        top = float(self.tops[pose.layer - 1])
        return find_route(
            tuple(map(float, pose.route.points[0])),
            park_mm,
            machine=self.profile.machine,
            clear_mm=self.profile.park.clear_mm,
            layer_z_mm=max(pose.state.z_mm, top if height_map is None else 0.0),
            height_map=height_map,
            top_mm=top if height_map is None else None,
        ).hop_z_mm


def _map_at(job: Job, pose: Pose, tops_mm: NDArray[np.float64]) -> HeightMap | None:
    """The height map at one pose, all beads at their widest; None where no map is needed."""
    if not needs_map(job.layers, tops_mm):
        return None
    height_map = HeightMap.for_machine(job.profile.machine)
    stop = moves_before(job, pose)
    edges = [0, *np.flatnonzero(np.diff(job.layers.object_no)) + 1]
    for number, first in enumerate(edges):
        begin = int(job.layers.first_move[first]) if number else 0
        last = edges[number + 1] if number + 1 < len(edges) else None
        end = int(job.layers.first_move[last]) if last is not None else len(job.moves)
        if begin < stop:
            height_map.add_table(
                job.moves, begin, min(end, stop), width_mm=WIDEST_BEAD_MM, object_no=number + 1
            )
    return height_map
