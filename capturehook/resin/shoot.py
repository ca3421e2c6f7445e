"""The shoot of a resin job: which frames there will be, which go into the film, the plan record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from capturehook.errors import Finding
from capturehook.model.plan import PlannedPose, PlanRecord
from capturehook.model.profile import Profile
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import Floats, Ints, LightTimeline, PoseTimes, ResinJob
from capturehook.report.supplies import Supply, camera_supplies, supply_findings
from capturehook.resin.light_events import (
    CAMERA_BUSY,
    FIRES,
    NOT_REARMED,
    OUTCOMES,
    LightEvents,
    judge_flashes,
)
from capturehook.resin.pose import each_kth


@dataclass(frozen=True, slots=True, kw_only=True)
class ResinShoot:
    """What will be shot; F frames are kept for the film.

    Attributes
    ----------
    by : "light" (a sensor fires the camera) or "pose" (the job itself does)
    frames_taken : all that the camera will take
    card_frame : (F,) which of them, from 1, each kept frame is
    hidden_layers : layers whose frame shows nothing yet
    visible_from_layer : first layer that the camera sees; 0 when it never sees one
    visible_from_s : second at which that layer begins
    lifted_from_layer : first layer seen if it were shot at the top of its lift; 0 for none
    supplies : card and battery for all frames that the camera takes
    """

    by: str
    events: LightEvents
    frames_taken: int
    card_frame: Ints
    hidden_layers: int
    visible_from_layer: int
    visible_from_s: float
    lifted_from_layer: int
    plan: PlanRecord
    supplies: tuple[Supply, ...]
    findings: tuple[Finding, ...]

    @property
    def false_starts(self) -> int:
        """Frames that flashes before the first layer take."""
        return int(((self.events.layer_no == 0) & self.events.fires).sum())

    @property
    def frame_layers(self) -> Ints:
        """(F,) layer of each kept frame."""
        return np.array([pose.layer for pose in self.plan.poses], dtype=np.int64)

    @property
    def film_s(self) -> float:
        """Frames / fps, and the last frame held."""
        frames = len(self.plan.poses)
        return float(frames / Fraction(self.plan.fps)) + (self.plan.hold_last_s if frames else 0.0)


def plan_shoot(
    job: ResinJob, profile: Profile, table: ResinTable, every: int | None = None
) -> ResinShoot:
    """The shoot of a job: by its own pose blocks where it has some, else by the light sensor.

    ``every`` keeps each k-th frame; without it [capture] every_layers decides, except for
    pose blocks, which were thinned when they were put in.
    """
    if job.poses is not None:
        return shoot_by_pose(job, job.poses, profile, table, every or 1)
    rhythm = every or profile.capture.every_layers or 1
    return shoot_by_light(job, profile, table, rhythm, profile.capture.first_layer)


def shoot_by_light(
    job: ResinJob, profile: Profile, table: ResinTable, every: int, first_layer: int
) -> ResinShoot:
    """The shoot that a light sensor makes of a job.

    Of every layer the last frame counts; layers below the rim of the vat and before
    ``first_layer`` are left out. Of the N left each k-th is kept, counted back from the
    finished part: ceil(N / k) frames.
    """
    timeline = job.timeline
    events = judge_flashes(timeline, table.sensor, profile.camera)
    fired = np.flatnonzero(events.fires)
    per_layer = fired[_last_of_layer(events.layer_no[fired])]
    visible = events.plate_mm[per_layer] > table.vat_rim_mm
    shown = per_layer[visible & (events.layer_no[per_layer] >= first_layer)]
    kept = shown[each_kth(len(shown), every)]
    layer_no = events.layer_no[kept]
    first = _first(events.layer_no[per_layer[visible]])
    supplies = camera_supplies(profile.camera, len(fired), timeline.total_s)
    return ResinShoot(
        by="light",
        events=events,
        frames_taken=len(fired),
        card_frame=np.searchsorted(fired, kept) + 1,
        hidden_layers=int((~visible).sum()),
        visible_from_layer=first,
        visible_from_s=float(timeline.start_s[first - 1]) if first else 0.0,
        lifted_from_layer=lifted_from_layer(timeline, table.vat_rim_mm),
        plan=_plan(job, profile, layer_no, events.fire_s[kept], events.still_s[kept]),
        supplies=supplies,
        findings=(*_light_findings(job, profile, table, events, kept), *supply_findings(supplies)),
    )


def shoot_by_pose(
    job: ResinJob, poses: PoseTimes, profile: Profile, table: ResinTable, every: int
) -> ResinShoot:
    """The shoot of a job that holds pose blocks: one frame for each, every k-th kept."""
    kept = np.arange(len(poses.layer_no))[each_kth(len(poses.layer_no), every)]
    layer_no = np.clip(poses.layer_no[kept], 1, len(job.timeline))
    visible = poses.plate_mm > table.vat_rim_mm
    first = _first(np.clip(poses.layer_no, 1, len(job.timeline))[visible])
    supplies = camera_supplies(profile.camera, len(poses.layer_no), job.timeline.total_s)
    return ResinShoot(
        by="pose",
        events=judge_flashes(job.timeline, table.sensor, profile.camera),
        frames_taken=len(poses.layer_no),
        card_frame=kept + 1,
        hidden_layers=int((~visible).sum()),
        visible_from_layer=first,
        visible_from_s=float(job.timeline.start_s[first - 1]) if first else 0.0,
        lifted_from_layer=lifted_from_layer(job.timeline, table.vat_rim_mm),
        plan=_plan(job, profile, layer_no, poses.fire_s[kept], poses.still_s[kept]),
        supplies=supplies,
        findings=(
            *_pose_findings(job, table, poses),
            *_press_findings(job, profile, poses),
            *supply_findings(supplies),
        ),
    )


def _pose_findings(job: ResinJob, table: ResinTable, poses: PoseTimes) -> Iterator[Finding]:
    lowest_mm = (
        poses.plate_mm - job.timeline.z_mm[np.clip(poses.layer_no, 1, len(job.timeline)) - 1]
    )
    low = np.flatnonzero(lowest_mm <= table.vat_rim_mm)
    if not len(low):
        return
    text = (
        f"from layer {poses.layer_no[low[0]]} on the newest layers hang below the vat's rim "
        f"at {table.vat_rim_mm:g} mm: raise z_mm of [resin.pose] to "
        f"{table.vat_rim_mm + job.timeline.height_mm:.0f} mm to see all of the part"
    )
    yield Finding("resin-low-pose", job.path, text)


def _press_findings(job: ResinJob, profile: Profile, poses: PoseTimes) -> Iterator[Finding]:
    """A finding when the plate is still moving as the shutter opens, or leaves too early."""
    camera = profile.camera
    opens_s, need_s = camera.lag_ms / 1000.0, (camera.lag_ms + camera.open_ms) / 1000.0
    moves_on_s, still_s = float(poses.moves_on_s.max()), float(poses.still_s.min())
    if moves_on_s > opens_s + 1e-6:
        text = (
            f"the plate moves on for {moves_on_s:.2f} s after its switch closes, but the shutter "
            f"opens after {opens_s:.2f} s (lag): less over_travel_mm, or a faster press"
        )
    elif still_s < need_s - 1e-6:
        text = (
            f"the plate leaves {still_s:.2f} s after the camera is fired, lag and exposure take "
            f"{need_s:.2f} s: pose the job again with this profile"
        )
    else:
        return
    yield Finding("resin-plate-moves", job.path, text)


def lifted_from_layer(timeline: LightTimeline, rim_mm: float) -> int:
    """First layer with z + lift above the rim of the vat; 0 when there is none, or no lift."""
    lifts = timeline.lift_mm > 0
    above = np.flatnonzero(lifts & (timeline.z_mm + timeline.lift_mm > rim_mm))
    return int(above[0]) + 1 if len(above) else 0


def _first(layer_no: Ints) -> int:
    return int(layer_no.min()) if len(layer_no) else 0


def _last_of_layer(layer_no: Ints) -> Ints:
    """Positions of the last frame of each layer; false starts and the end section fall out."""
    later = np.append(layer_no[1:], -2)
    return np.flatnonzero((layer_no > 0) & (layer_no != later))


def _plan(
    job: ResinJob, profile: Profile, layer_no: Ints, fire_s: Floats, still_s: Floats
) -> PlanRecord:
    timeline = job.timeline
    camera, capture = profile.camera, profile.capture
    last = len(timeline)
    rows = zip(layer_no.tolist(), fire_s.tolist(), still_s.tolist(), strict=True)
    poses = tuple(
        PlannedPose(
            pose=number,
            layer=layer,
            z_mm=round(float(timeline.z_mm[layer - 1]), 4),
            t_s=round(fire, 3),
            still_s=round(still, 3),
            finished=layer == last,
        )
        for number, (layer, fire, still) in enumerate(rows, start=1)
    )
    return PlanRecord(
        kind="resin",
        job=job.path,
        profile=profile.name,
        fps=capture.fps,
        hold_last_s=capture.hold_last_s,
        total_s=round(timeline.total_s, 3),
        height_mm=round(timeline.height_mm, 4),
        moves="plate",
        lag_ms=camera.lag_ms,
        exposure_ms=camera.open_ms,
        write_ms=camera.write_ms,
        card_gb=camera.card_gb,
        battery_frames=camera.battery_frames,
        poses=poses,
    )


def _light_findings(
    job: ResinJob, profile: Profile, table: ResinTable, events: LightEvents, kept: Ints
) -> Iterator[Finding]:
    layers = len(job.timeline)
    fired_layers = np.unique(events.layer_no[events.fires])
    without = np.setdiff1d(np.arange(1, layers + 1), fired_layers)
    if len(without):
        text = f"{len(without)} layer(s) get no frame, the first is layer {without[0]}: "
        text += _main_reason(events)
        yield Finding("resin-no-frame", job.path, text)
    need_s = (profile.camera.lag_ms + profile.camera.open_ms) / 1000.0
    lit = int(events.lit[kept].sum())
    if lit:
        cure = "a shorter delay_ms in [resin.sensor]"
        if table.sensor.edge == "light-on":
            cure = 'fire at light-off with a delay ([resin.sensor] edge = "light-off")'
        text = (
            f"the lamp is on in {lit} of {len(kept)} frames and may drown the picture: "
            f"{cure}, or insert poses"
        )
        yield Finding("resin-lamp-in-frame", job.path, text)
    moving = int((events.still_s[kept] < need_s).sum())
    if moving:
        text = (
            f"the plate moves in {moving} of {len(kept)} frames: it must stand still for "
            f"{need_s:.2f} s (lag + exposure); change the delay, or rest at the top of the lift"
        )
        yield Finding("resin-plate-moves", job.path, text)
    if not len(kept):
        text = (
            "no frame shows the part: the plate never rises above the vat's rim when the camera "
            "fires; look from lower down, lift higher, or insert poses"
        )
        yield Finding("resin-nothing-shown", job.path, text)


def _main_reason(events: LightEvents) -> str:
    lost = events.outcome[(events.outcome != FIRES) & (events.layer_no > 0)]
    if not len(lost):
        return "it is never lit"
    reason = int(np.bincount(lost).argmax())
    advice = {
        NOT_REARMED: "; a longer darkness, or a faster sensor",
        CAMERA_BUSY: "; a shorter write time, or a longer layer",
    }
    return OUTCOMES[reason] + advice.get(reason, "")
