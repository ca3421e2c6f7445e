"""A resin job and its shoot as plain data: what `--json` prints and the text is made of."""

from __future__ import annotations

from typing import Any

import numpy as np

from capturehook.errors import Finding
from capturehook.model.resin_job import PHASES, ResinJob
from capturehook.resin.light_events import OUTCOMES
from capturehook.resin.shoot import ResinShoot

CAUTIONS = (
    "Near-UV at 405 nm: never look into it; keep the cover on, and let in no sun or white light.",
    "Liquid resin makes skin sensitive: gloves, no food near, fresh air; solvents away from "
    "sparks. The maker's manual and local rules come first.",
    "Unplug before opening; mains and the lamp's driver are for licensed hands. Keep hands out of "
    "the plate's way. Never put a voltage on the camera's lines.",
)


def job_report(job: ResinJob) -> dict[str, Any]:
    """The job and its light timeline; seconds to 0.001."""
    timeline = job.timeline
    return {
        "path": job.path,
        "kind": job.kind,
        "text": job.text_name,
        "layers": len(timeline),
        "height_mm": round(timeline.height_mm, 4),
        "total_s": round(timeline.total_s, 3),
        "stated_s": job.stated_s,
        "startup_s": round(timeline.startup_s, 3),
        "end_s": round(timeline.end_s, 3),
        "phases_s": {
            name: round(float(seconds), 3)
            for name, seconds in zip(PHASES, timeline.phase_s.sum(axis=0), strict=True)
        },
        "bracket_s": None if job.bracket_s is None else [round(one, 3) for one in job.bracket_s],
        "bracket_why": job.bracket_why,
        "evidence": list(job.evidence),
        "assumed": list(job.assumed),
    }


def light_report(shoot: ResinShoot) -> list[dict[str, Any]]:
    """Flashes by what becomes of them: how many, and the first and last layer (0: before)."""
    events = shoot.events
    rows = []
    for outcome, words in enumerate(OUTCOMES):
        layer_no = events.layer_no[events.outcome == outcome]
        if len(layer_no):
            rows.append(
                {
                    "outcome": words,
                    "flashes": len(layer_no),
                    "first_layer": int(layer_no[0]),
                    "last_layer": int(layer_no[-1]),
                }
            )
    return rows


def shoot_report(shoot: ResinShoot) -> dict[str, Any]:
    """Frames and film."""
    return {
        "fired_by": shoot.by,
        "flashes": len(shoot.events),
        "outcomes": light_report(shoot),
        "false_starts": shoot.false_starts,
        "frames_taken": shoot.frames_taken,
        "hidden_layers": shoot.hidden_layers,
        "visible_from_layer": shoot.visible_from_layer,
        "visible_from_s": round(shoot.visible_from_s, 3),
        "lifted_from_layer": shoot.lifted_from_layer,
        "frames": len(shoot.plan.poses),
        "card_frames": shoot.card_frame.tolist(),
        "fps": shoot.plan.fps,
        "film_s": round(shoot.film_s, 3),
    }


def full_report(job: ResinJob, shoot: ResinShoot, findings: list[Finding]) -> dict[str, Any]:
    """Everything, as one JSON object of schema 1."""
    return {
        "schema": 1,
        "job": job_report(job),
        "shoot": shoot_report(shoot),
        "poses": shoot.plan.as_json()["poses"],
        "findings": [finding.as_json() for finding in findings],
        "cautions": list(CAUTIONS),
    }


def card_words(shoot: ResinShoot) -> str:
    """Which frames of the card go into the film, in words."""
    frames, taken = shoot.card_frame, shoot.frames_taken
    if not len(frames):
        return f"none of the {taken} frames on the card"
    if len(frames) == taken:
        return f"all {taken} frames on the card"
    span = f"numbers {frames[0]} to {frames[-1]} of {taken}, from the first flash on"
    steps = np.unique(np.diff(frames))
    if len(steps) > 1:
        return f"{len(frames)} frames among {span} (the plan lists them)"
    step = int(steps[0]) if len(steps) else 1
    return span if step == 1 else f"every {_ordinal(step)} frame, {span}"


def _ordinal(number: int) -> str:
    if number % 100 in (11, 12, 13):
        return f"{number}th"
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th') }"
