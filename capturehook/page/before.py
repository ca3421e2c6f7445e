"""The shoot page of a filament job: what will happen, in figures, pictures and lists."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from capturehook.draw.html import Html, document, facts, section, tag
from capturehook.draw.shoot import bed_sheet, growth_of
from capturehook.model.numbers import duration
from capturehook.page import parts
from capturehook.page.checklist import (
    camera_advice,
    camera_findings,
    filament_cautions,
    filament_checklist,
)
from capturehook.page.cures import warnings_list
from capturehook.page.stills import Still
from capturehook.read.job import printed_box_mm
from capturehook.report.shoot import Shoot


def shoot_page(shoot: Shoot, stills: Sequence[Still]) -> str:
    """The whole page as HTML; without the rehearsal's pictures it has no film."""
    profile, plan = shoot.profile, shoot.record()
    name, frames = Path(plan.job).name, len(plan.poses)
    advice = camera_advice(profile, printed_box_mm(shoot.job))
    findings = [*shoot.findings, *camera_findings(advice)]
    growth, place = parts.growth_drawing(growth_of(shoot))
    bed = parts.drawing("Bed from above, mm", *bed_sheet(shoot))
    layers = (f"{len(shoot.job.layers)} layers", f"{shoot.height_mm:g} mm")
    figures = (
        ("Frames", f"{frames}", ", ".join(layers)),
        parts.film_figure(profile.capture, float(shoot.film_s)),
        *parts.time_figures(shoot.print_s, shoot.added_s, frames),
        *parts.supply_figures(shoot.supplies, profile.camera.frame_mb),
    )
    return document(
        f"Shoot plan: {name}",
        name,
        f"Shoot plan, profile {profile.name}",
        parts.lede(frames, float(shoot.film_s), shoot.total_s, shoot.added_s),
        [
            parts.figures(figures),
            section("warnings", "Warnings", warnings_list(findings), class_="full"),
            parts.film(plan, stills, place),
            parts.drawings(bed, growth),
            tag(
                "div",
                _times(shoot),
                _details(shoot),
                filament_checklist(profile, advice, name),
                filament_cautions(profile),
                class_="lists",
            ),
            parts.profile_used(profile),
        ],
        parts.foot(shoot.digest, "heating and homing are as the profile states"),
    )


def _times(shoot: Shoot) -> Html:
    startup = duration(shoot.profile.machine.startup_s)
    said = (
        f"Heating and homing take {startup}, as the profile says; all times count from the start."
    )
    poses = shoot.planned_poses()
    return parts.times(poses, [said, *parts.be_there(poses, by_hand=shoot.profile.is_by_hand)])


def _details(shoot: Shoot) -> Html:
    rows: dict[str, str] = {"Each pose, s": shoot.part_words()} if shoot.poses else {}
    park = shoot.profile.park
    rows["Park point"] = f"X{park.x_mm:g} Y{park.y_mm:g}, {park.clear_mm:g} mm above the print"
    rows["Part"] = shoot.carried[0].upper() + shoot.carried[1:] + "."
    if shoot.cooling is not None:
        least, more = duration(shoot.cooling.layer_s), duration(shoot.cooling.added_s)
        text = f"Layer {shoot.cooling.layer} has least time: {least}, and {more} more by its stop."
        rows["Cooling"] = text
    if shoot.timer is not None:
        planned = shoot.timer.planned
        rows["Timer"] = (
            f"A frame each {shoot.timer.interval_s:g} s, {shoot.timer.frames_taken} in all; a "
            f"whole exposure in {planned.chance:.0%} of the poses."
        )
    return section("details", "How a frame is taken", facts(rows.items()))
