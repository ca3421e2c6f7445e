"""The shoot of a resin job: which frames there will be, which go into the film, the plan record."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from capturehook.errors import Finding
from capturehook.plan.record import PlannedPose, PlanRecord
from capturehook.profile import Profile
from capturehook.resin.job import ResinJob
from capturehook.resin.light_events import (
    CAMERA_BUSY,
    FIRES,
    NOT_REARMED,
    LightEvents,
    judge_flashes,
)
from capturehook.resin.timeline import Floats, Ints, LightTimeline
from capturehook.resin_profile import ResinTable


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
    lifted_from_layer : first layer seen if it were shot at the top of its lift; 0 for none
    """

    by: str
    events: LightEvents
    frames_taken: int
    card_frame: Ints
    hidden_layers: int
    visible_from_layer: int
    lifted_from_layer: int
    plan: PlanRecord
    findings: tuple[Finding, ...]

    @property
    def film_s(self) -> float:
        """Frames / fps, and the last frame held."""
        frames = len(self.plan.poses)
        return float(frames / Fraction(self.plan.fps)) + (self.plan.hold_last_s if frames else 0.0)


def shoot_by_light(
    job: ResinJob, profile: Profile, table: ResinTable, every: int, first_layer: int
) -> ResinShoot:
    """The shoot that a light sensor makes of a job.

    Of every layer the last frame counts; layers below the rim of the vat and before
    ``first_layer`` are left out, then every k-th is kept: ceil(N / k) frames.
    """
    timeline = job.timeline
    events = judge_flashes(timeline, table.sensor, profile.camera)
    fired = np.flatnonzero(events.fires)
    per_layer = fired[_last_of_layer(events.layer_no[fired])]
    visible = events.plate_mm[per_layer] > table.vat_rim_mm
    shown = per_layer[visible & (events.layer_no[per_layer] >= first_layer)]
    kept = shown[::every]
    layer_no = events.layer_no[kept]
    return ResinShoot(
        by="light",
        events=events,
        frames_taken=len(fired),
        card_frame=np.searchsorted(fired, kept) + 1,
        hidden_layers=int((~visible).sum()),
        visible_from_layer=_first(events.layer_no[per_layer[visible]]),
        lifted_from_layer=lifted_from_layer(timeline, table.vat_rim_mm),
        plan=_plan(job, profile, layer_no, events.fire_s[kept], events.still_s[kept]),
        findings=_light_findings(job, profile, events, kept),
    )


def lifted_from_layer(timeline: LightTimeline, rim_mm: float) -> int:
    """First layer with z + lift above the rim of the vat; 0 when there is none."""
    above = np.flatnonzero(timeline.z_mm + timeline.lift_mm > rim_mm)
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
        exposure_ms=camera.exposure_ms,
        write_ms=camera.write_ms,
        poses=poses,
    )


def _light_findings(
    job: ResinJob, profile: Profile, events: LightEvents, kept: Ints
) -> tuple[Finding, ...]:
    found = []
    layers = len(job.timeline)
    fired_layers = np.unique(events.layer_no[events.fires])
    without = np.setdiff1d(np.arange(1, layers + 1), fired_layers)
    if len(without):
        text = f"{len(without)} layer(s) get no frame, the first is layer {without[0]}: "
        text += _main_reason(events)
        found.append(Finding("resin-no-frame", job.path, text))
    need_s = (profile.camera.lag_ms + profile.camera.exposure_ms) / 1000.0
    lit = int(events.lit[kept].sum())
    if lit:
        text = (
            f"the lamp is on in {lit} of {len(kept)} frames and may drown the picture: "
            'fire at light-off with a delay ([resin.sensor] edge = "light-off"), or insert poses'
        )
        found.append(Finding("resin-lamp-in-frame", job.path, text))
    moving = int((events.still_s[kept] < need_s).sum())
    if moving:
        text = (
            f"the plate moves in {moving} of {len(kept)} frames: it must stand still for "
            f"{need_s:.2f} s (lag + exposure); change the delay, or rest at the top of the lift"
        )
        found.append(Finding("resin-plate-moves", job.path, text))
    if not len(kept):
        found.append(Finding("resin-nothing-shown", job.path, "no frame shows the part"))
    return tuple(found)


def _main_reason(events: LightEvents) -> str:
    from capturehook.resin.light_events import OUTCOMES

    lost = events.outcome[(events.outcome != FIRES) & (events.layer_no > 0)]
    if not len(lost):
        return "it is never lit"
    reason = int(np.bincount(lost).argmax())
    advice = {
        NOT_REARMED: "; a longer darkness, or a faster sensor",
        CAMERA_BUSY: "; a shorter write time, or a longer layer",
    }
    return OUTCOMES[reason] + advice.get(reason, "")
