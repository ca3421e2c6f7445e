"""The shoot page of a resin job: what the lamp, the plate and the camera will do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from capturehook.draw.growth import Growth
from capturehook.draw.html import Html, document, facts, section, tag
from capturehook.draw.resin import LitArea, cycle_sheet, draw_lit_area
from capturehook.model.numbers import duration
from capturehook.model.resin_job import PHASES, ResinJob
from capturehook.page import parts
from capturehook.page.checklist import (
    camera_advice,
    camera_findings,
    resin_cautions,
    resin_checklist,
    sensor_words,
)
from capturehook.page.cures import warnings_list
from capturehook.page.stills import Still
from capturehook.rehearse.hanging import Scene
from capturehook.resin.report import (
    card_words,
    exposure_words,
    layer_span,
    light_report,
    phase_words,
    visible_words,
)
from capturehook.resin.shoot import ResinShoot


def resin_page(scene: Scene, stills: Sequence[Still], lit_area: LitArea | None = None) -> str:
    """The whole page as HTML.

    Parameters
    ----------
    stills : the rehearsal's pictures; without any the page has no film
    lit_area : what the layer images light, where they were looked at
    """
    job, shoot, profile, plan = scene.job, scene.shoot, scene.profile, scene.shoot.plan
    name, frames, timeline = Path(job.path).name, len(plan.poses), job.timeline
    advice = camera_advice(profile, _size_mm(scene))
    findings = [*job.findings, *shoot.findings, *camera_findings(advice)]
    plain_s, added_s = timeline.total_s - _added_s(job), _added_s(job)
    growth, place = parts.growth_drawing(growth_of(job, shoot))
    drawn = [growth]
    if plan.poses:
        sheet, lines = cycle_sheet(
            timeline, plan.poses[frames // 2], profile.camera, scene.table.vat_rim_mm
        )
        drawn.insert(0, parts.drawing("One layer, mm against seconds", sheet, lines))
    area = Html("")
    if lit_area is not None:
        shown = parts.wide("Light area of each layer", draw_lit_area(lit_area))
        area = section("area", "Light area", shown, class_="full")
    size = f"{len(timeline)} layers, {timeline.height_mm:g} mm"
    figures = (
        ("Frames", f"{frames}", size),
        parts.film_figure(profile.capture, shoot.film_s),
        *parts.time_figures(plain_s, added_s, frames),
        *parts.supply_figures(shoot.supplies, profile.camera.frame_mb),
    )
    return document(
        f"Shoot plan: {name}",
        name,
        f"Resin shoot plan, profile {profile.name}",
        parts.lede(frames, shoot.film_s, timeline.total_s, added_s),
        [
            parts.figures(figures),
            section("warnings", "Warnings", warnings_list(findings), class_="full"),
            parts.film(plan, stills, place),
            parts.drawings(*drawn),
            area,
            tag(
                "div",
                _times(scene),
                _details(scene),
                _light(scene),
                resin_cautions(shoot),
                resin_checklist(scene, advice),
                class_="lists",
            ),
            parts.profile_used(profile),
        ],
        parts.foot("", "what the job leaves unsaid is as the profile states"),
    )


def growth_of(job: ResinJob, shoot: ResinShoot) -> Growth:
    """Height against time of a resin job: a step for each layer."""
    timeline = job.timeline
    ends_s = np.append(timeline.start_s[1:], timeline.total_s - timeline.end_s)
    steps = np.column_stack((np.column_stack((timeline.start_s, ends_s)).ravel(),
                             np.repeat(timeline.z_mm, 2)))  # fmt: skip
    frames = [(pose.t_s, pose.z_mm) for pose in shoot.plan.poses]
    return Growth(
        print_s=timeline.total_s - _added_s(job),
        total_s=timeline.total_s,
        startup_s=timeline.startup_s,
        startup_name="homing and the travel down",
        height_mm=timeline.height_mm,
        runs=[steps],
        frames=np.array(frames, np.float64).reshape(-1, 2),
    )


def _added_s(job: ResinJob) -> float:
    """What the job's own pose blocks take."""
    return float(job.timeline.phase_s[:, PHASES.index("pose")].sum())


def _size_mm(scene: Scene) -> tuple[float, float, float] | None:
    """Width, depth and height of the part; None where the job does not show it."""
    if not scene.has_shape or not scene.shoot.plan.poses:
        return None
    wide, deep, high = np.subtract(*scene.hanging.slabs.bounds_mm()[::-1]).tolist()
    return wide, deep, high


def _times(scene: Scene) -> Html:
    poses = scene.shoot.plan.poses
    startup = duration(scene.job.timeline.startup_s)
    said = [f"The start takes {startup}; all times count from it."]
    if scene.job.bracket_s is not None:
        least, most = map(duration, scene.job.bracket_s)
        said.append(f"The print takes {least} to {most}: {scene.job.bracket_why}.")
    return parts.times(poses, [*said, *parts.be_there(poses)])


def _details(scene: Scene) -> Html:
    shoot, pose = scene.shoot, scene.table.pose
    fired = f"a light sensor, {sensor_words(scene.table.sensor)}"
    if shoot.by == "pose":
        by = "its own lines" if pose.lines else "the plate, which presses a switch"
        fired = f"{by}, at {pose.z_mm:g} mm, lamp off"
    rows = [
        ("Fired by", f"{fired[0].upper()}{fired[1:]}."),
        (
            "Poses" if shoot.by == "pose" else "In sight",
            f"{'. '.join(visible_words(shoot, scene.table))}.",
        ),
        ("Film takes", f"{card_words(shoot)}."),
    ]
    if shoot.by == "light":
        said = [f"{row['flashes']}: {row['outcome']} (layers {layer_span(row)})"
                for row in light_report(shoot)]  # fmt: skip
        rows.append(("Flashes", "; ".join(said) or "none"))
    return section("details", "How a frame is taken", facts(rows))


def _light(scene: Scene) -> Html:
    """What the job does with lamp and plate."""
    job = scene.job
    rows = [
        ("Light", f"layers {exposure_words(job.timeline)}"),
        ("Time", phase_words(job.timeline)),
        ("Read from", "; ".join(job.evidence)),
    ]
    if job.assumed:
        rows.append(("Assumed", "; ".join(job.assumed)))
    return section("light", "Lamp and plate", facts(rows))
