"""The shoot: film, times, what each pose takes, when each frame is due, card and battery."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.block.poses import PosedJob
from capturehook.clock.clocking import Clocking, timed_moves, times_of
from capturehook.clock.seconds import Timetable
from capturehook.errors import Finding, counted
from capturehook.model.layers import LayerTable
from capturehook.model.moves import MoveTable
from capturehook.model.plan import PlannedPose, PlanRecord
from capturehook.model.pose import Pose
from capturehook.model.profile import Profile
from capturehook.place.shutter import Settling, settling_of
from capturehook.read.job import Job
from capturehook.report.cost import Costs, pose_costs
from capturehook.report.summary import SCHEMA, film_seconds
from capturehook.report.supplies import Supply, camera_supplies, supply_findings
from capturehook.report.timer import TimerShoot, plan_timer, timer_findings

Floats = NDArray[np.float64]

PARTS = {
    "retract_s": "filament",
    "hop_s": "hop",
    "travel_s": "travel out",
    "settle_s": "settling",
    "hold_s": "hold",
    "back_s": "travel back",
    "slowing_s": "slowing of the job's own moves",
}
"""What a pose's time goes into; see `plan.cost.Costs`."""

CARRIED = {
    "bed-y": "the bed moves in Y and carries the part: every frame is taken with the bed where "
    "Y {y:g} is under the nozzle, so the part stands at the same place in each",
    "bed-z": "the bed sinks layer by layer and carries the part: the layer being printed stays at "
    "one height in the frame, and the foot of the part sinks away",
    "none": "nothing moves the part: it stands at the same place in every frame and grows upwards",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooling:
    """The layer with a pose that takes least time: its number, its time, what the pose adds."""

    layer: int
    layer_s: float
    added_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shoot:
    """Everything `plan` says of one job and profile.

    Attributes
    ----------
    fire_s : (P,) predicted second of each frame, from the start of the job
    times : the job without poses, with the profile's time for heating and homing
    """

    profile: Profile = field(repr=False)
    job: Job = field(repr=False)
    poses: Sequence[Pose] = field(repr=False)
    costs: Costs = field(repr=False)
    fire_s: Floats
    times: Timetable = field(repr=False)
    film_s: Fraction
    settling: Settling
    cooling: Cooling | None
    supplies: tuple[Supply, ...]
    timer: TimerShoot | None
    findings: tuple[Finding, ...]
    digest: str = ""
    """Of the plan, as the job's own fence states it."""

    @property
    def print_s(self) -> float:
        """The job without poses."""
        return self.times.total_s

    @property
    def added_s(self) -> float:
        return float(self.costs.added_s.sum())

    @property
    def total_s(self) -> float:
        return self.print_s + self.added_s

    @property
    def height_mm(self) -> float:
        return float(self.job.layers.z_mm.max())

    @property
    def carried(self) -> str:
        return CARRIED[self.profile.machine.moves].format(y=self.profile.park.y_mm)

    def with_poses_s(self, line_index: NDArray[np.int64]) -> Floats:
        """Second, in the print with poses, at which the machine begins with a line of the job."""
        stops = np.array([pose.line_no - 1 for pose in self.poses], dtype=np.int64)
        added = np.concatenate(([0.0], np.cumsum(self.costs.added_s)))
        return (
            self.times.second_at(line_index)
            + added[np.searchsorted(stops, line_index, side="right")]
        )

    def part_means(self) -> dict[str, float]:
        """Average seconds of a pose by what they are for."""
        return {part: _mean(getattr(self.costs, part)) for part in PARTS}

    def part_words(self) -> str:
        """The same in words: "filament 0.12, hop 0.30, ..."."""
        return ", ".join(
            f"{PARTS[name]} {abs(value) if abs(value) < 0.005 else value:.2f}"
            for name, value in self.part_means().items()
        )

    def record(self) -> PlanRecord:
        """The record that the audit reads after the print."""
        profile, camera = self.profile, self.profile.camera
        return PlanRecord(
            kind="filament",
            job=self.job.source.path,
            profile=profile.name,
            fps=profile.capture.fps,
            hold_last_s=profile.capture.hold_last_s,
            total_s=round(self.total_s, 3),
            height_mm=round(self.height_mm, 4),
            moves=profile.machine.moves,
            lag_ms=camera.lag_ms,
            exposure_ms=camera.open_ms,
            write_ms=camera.write_ms,
            interval_s=camera.interval_s if profile.is_by_timer else None,
            poses=tuple(self.planned_poses()),
            digest=self.digest,
            card_gb=camera.card_gb,
            battery_frames=camera.battery_frames,
        )

    def planned_poses(self) -> list[PlannedPose]:
        return [
            PlannedPose(
                pose=pose.pose,
                layer=pose.layer,
                z_mm=round(pose.z_mm, 4),
                t_s=round(fire_s, 3),
                still_s=round(still_s, 3),
                finished=pose.finished,
                head_z_mm=round(pose.block.shutter_mm[2], 4),
            )
            for pose, fire_s, still_s in zip(
                self.poses, self.fire_s.tolist(), self.costs.still_s.tolist(), strict=True
            )
        ]

    def as_json(self) -> dict[str, Any]:
        capture = self.profile.capture
        added = [round(second, 3) for second in self.costs.added_s.tolist()]
        return {
            "schema": SCHEMA,
            "job": {
                "path": self.job.source.path,
                "layers": len(self.job.layers),
                "marks": self.job.layers.marks,
                "height_mm": round(self.height_mm, 4),
            },
            "film": {
                "frames": len(self.poses),
                "fps": capture.fps,
                "hold_last_s": capture.hold_last_s,
                "film_s": round(float(self.film_s), 6),
            },
            "time": {
                "print_s": round(self.print_s, 3),
                "added_s": round(self.added_s, 3),
                "total_s": round(self.total_s, 3),
                "added_share": round(self.added_s / self.print_s, 5) if self.print_s else 0.0,
                "startup_s": self.profile.machine.startup_s,
            },
            "pose_mean": {name: round(value, 4) for name, value in self.part_means().items()},
            "settling": asdict(self.settling),
            "cooling": None if self.cooling is None else asdict(self.cooling),
            "carried": self.carried,
            "supplies": [{**asdict(one), "lasts": one.lasts} for one in self.supplies],
            "timer": None if self.timer is None else asdict(self.timer),
            "poses": [
                {**asdict(pose), "added_s": second}
                for pose, second in zip(self.planned_poses(), added, strict=True)
            ],
            "findings": [finding.as_json() for finding in self.findings],
        }


def plan_shoot(applied: PosedJob, clocking: Clocking | None = None) -> Shoot:
    """Plan the shoot of a job whose poses are placed.

    ``clocking`` gives other limits than the profile's (see `plan.clocking`).
    """
    job, profile = applied.job, applied.job.profile
    times = times_of(job)
    if clocking is not None:
        moves = timed_moves(job)
        times = clocking.times(moves, clocking.accel(moves))
    costs = pose_costs(job, applied.poses, clocking)
    lines = np.array([pose.line_no - 1 for pose in applied.poses], dtype=np.int64)
    fire_s = times.second_at(lines) + costs.fire_at_s
    total_s = times.total_s + float(costs.added_s.sum())
    timer = None
    if profile.is_by_timer:
        added_s = float(costs.added_s.sum())
        timer = plan_timer(profile.camera, fire_s, costs.still_s, added_s, total_s)
    supplies = camera_supplies(
        profile.camera, timer.frames_taken if timer else len(applied.poses), total_s
    )
    findings = [
        *applied.findings,
        *(timer_findings(profile.camera, timer) if timer else _camera_findings(profile, fire_s)),
        *supply_findings(supplies),
    ]
    return Shoot(
        profile=profile,
        job=job,
        poses=applied.poses,
        costs=costs,
        fire_s=fire_s,
        times=times,
        film_s=film_seconds(profile.capture, len(applied.poses)),
        settling=settling_of(profile),
        cooling=quickest_layer(
            layer_seconds(job.moves, job.layers, times), applied.poses, costs.added_s
        ),
        supplies=supplies,
        timer=timer,
        findings=tuple(findings),
        digest=applied.digest,
    )


def _mean(column: Floats) -> float:
    return float(column.mean()) if len(column) else 0.0


def _camera_findings(profile: Profile, fire_s: Floats) -> Iterator[Finding]:
    camera, gaps = profile.camera, np.diff(fire_s)
    need_s = (camera.lag_ms + camera.open_ms + camera.write_ms) / 1000
    soon = np.flatnonzero(gaps < need_s)
    if len(soon):
        first = int(soon[0])
        text = (
            f"{counted(len(soon), 'frame')} sooner than the camera is ready: {gaps[first]:.2f} s "
            f"after pose {first + 1}, {need_s:.2f} s are needed; set [capture] min_gap_s = "
            f"{need_s:.2f}"
        )
        yield Finding("frame-too-soon", f"pose {first + 2}", text)


def layer_seconds(moves: MoveTable, layers: LayerTable, times: Timetable) -> Floats:
    """(L,) time from the end of the layer before to the end of each; the first is not known."""
    ends = times.second_at(moves.line_index[layers.last_move] + 1)
    return np.concatenate(([np.nan], np.diff(ends)))[: len(layers)]


def quickest_layer(seconds: Floats, poses: Sequence[Pose], added_s: Floats) -> Cooling | None:
    """The quickest layer that is built upon after a pose; None where there is none.

    Parameters
    ----------
    seconds : (L,) time of each layer, NaN where it is not known
    poses, added_s : (P,) poses, and what each adds to the print in s
    """
    known = [
        (float(seconds[pose.layer - 1]), pose.layer, float(added))
        for pose, added in zip(poses, added_s, strict=True)
        if not pose.finished and not np.isnan(seconds[pose.layer - 1])
    ]
    if not known:
        return None
    layer_s, layer, added = min(known)
    return Cooling(layer=layer, layer_s=layer_s, added_s=added)
