"""A resin job and its shoot as plain data: what `--json` prints and the text is made of."""

from __future__ import annotations

from itertools import groupby
from typing import Any

import numpy as np

from capturehook.errors import Finding, counted
from capturehook.model.numbers import duration, ordinal
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import PHASES, LightTimeline, ResinJob
from capturehook.resin.light_events import OUTCOMES
from capturehook.resin.shoot import ResinShoot

MOST_RUNS = 5
"""Spans of layers that are told one by one."""
CAUTIONS = (
    "Near-UV at 405 nm: never look into it; keep the cover on, and let in no sun or white light.",
    "Liquid resin makes skin sensitive: gloves, no food near, fresh air; solvents away from "
    "sparks. The maker's manual and local rules come first.",
    "Unplug before opening; mains and the lamp's driver are for licensed hands. Keep hands out of "
    "the plate's way. Never put a voltage on the camera's lines.",
)


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


def full_report(job: ResinJob, shoot: ResinShoot, findings: list[Finding]) -> dict[str, Any]:
    """Everything, as one JSON object of schema 1; seconds to 0.001."""
    timeline = job.timeline
    return {
        "schema": 1,
        "job": {
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
            "bracket_s": None
            if job.bracket_s is None
            else [round(one, 3) for one in job.bracket_s],
            "bracket_why": job.bracket_why,
            "evidence": list(job.evidence),
            "assumed": list(job.assumed),
        },
        "shoot": {
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
        },
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
    return span if step == 1 else f"every {ordinal(step)} frame, {span}"


def visible_words(shoot: ResinShoot, table: ResinTable) -> list[str]:
    """What of the part the frames show, and from when on, in lines."""
    rim = f"the vat's rim at {table.vat_rim_mm:g} mm"
    if shoot.by == "pose":
        return [f"The job holds {shoot.frames_taken} poses of its own"]
    lines = []
    if shoot.false_starts:
        lines.append(f"False starts: {frame_count(shoot.false_starts)} before the first layer")
    first, lifted = shoot.visible_from_layer, shoot.lifted_from_layer
    if not first:
        lines.append(f"No frame shows the plate above {rim}")
    elif shoot.hidden_layers:
        at = duration(shoot.visible_from_s)
        lines.append(
            f"Hidden below {rim}: {shoot.hidden_layers} layers; start the camera before layer "
            f"{first}, {at} after the start"
        )
    else:
        lines.append(f"All frames show the plate above {rim}")
    if lifted and lifted != first:
        lines.append(f"Shot at the top of the lift, layer {lifted} would be the first to show")
    return lines


def frame_count(count: int) -> str:
    return counted(count, "frame")


def layer_span(row: dict[str, Any]) -> str:
    """Layers of a row of :func:`light_report`, in words."""
    names = {0: "before the first", -1: "after the last"}
    first, last = (names.get(row[key], str(row[key])) for key in ("first_layer", "last_layer"))
    return first if first == last else f"{first} to {last}"


def exposure_words(timeline: LightTimeline) -> str:
    """Seconds of light by layers: "1 to 6: 30 s; 7 to 11: 26.1 to 7.1 s; 12 to 400: 2.5 s"."""
    light_s = np.round(timeline.phase_s[:, PHASES.index("light")], 2)
    words, first = [], 1
    runs = np.split(light_s, np.flatnonzero(np.diff(light_s)) + 1)
    for alone, group in groupby(runs, lambda run: len(run) == 1):
        for run in [np.concatenate(list(group))] if alone else group:
            last = first + len(run) - 1
            falls = f" to {run[-1]:g}" if run[0] != run[-1] else ""
            words.append(f"{first if first == last else f'{first} to {last}'}: {run[0]:g}{falls} s")
            first = last + 1
    return "; ".join(words if len(words) <= MOST_RUNS else [*words[: MOST_RUNS - 1], "and so on"])


def phase_words(timeline: LightTimeline) -> str:
    """What the time goes into, most first: "lift 44 %, light 19 %"."""
    sums = timeline.phase_s.sum(axis=0) / max(timeline.total_s, 1e-9)
    order = np.argsort(-sums)
    return ", ".join(
        f"{PHASES[k].replace('_', ' ')} {sums[k]:.0%}" for k in order if sums[k] >= 0.005
    )
