"""The shoot page before the print: what will happen, in figures, pictures and lists."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capturehook.draw.html import (
    Html,
    document,
    facts,
    html_path,
    inside,
    section,
    table,
    tag,
)
from capturehook.draw.shoot import bed_sheet, growth_sheet
from capturehook.files import write_atomically
from capturehook.hosts.summary import duration
from capturehook.model.plan import PlannedPose
from capturehook.page.checklist import camera_advice, camera_findings, cautions, checklist
from capturehook.page.cures import warnings_list
from capturehook.page.stills import KEYS, Still
from capturehook.profile.text import full_text
from capturehook.report.shoot import Shoot

Floats = NDArray[np.float64]
Place = Callable[[float, float], str]
"""(second, mm) -> "x y" in the drawing of the growth."""
ROWS = 12
"""Rows of the timetable."""


def shoot_page(shoot: Shoot, routes: Sequence[Floats], stills: Sequence[Still]) -> str:
    """The whole page as HTML.

    Parameters
    ----------
    routes : (K, 3) mm of each pose, from the print to the park point
    stills : the rehearsal's pictures; without any the page has no film
    """
    name = Path(shoot.job.source.path).name
    advice = camera_advice(shoot.job)
    findings = [*shoot.findings, *camera_findings(advice)]
    bed, bed_lines = bed_sheet(shoot, routes)
    growth, growth_lines, place = growth_sheet(shoot)
    svg = Html(growth.as_themed_svg().replace("</svg>", f"{_mark(shoot, place)}</svg>"))
    drawings = tag(
        "div",
        _drawing("Bed from above, mm", Html(bed.as_themed_svg()), bed_lines),
        _drawing("Height against time, mm", svg, growth_lines),
        class_="two",
    )
    parts = [
        _figures(shoot),
        section("warnings", "Warnings", warnings_list(findings), class_="full"),
        _film(shoot, stills, place),
        section("drawings", "Bed and growth", drawings, class_="full"),
        tag(
            "div",
            _times(shoot),
            _details(shoot),
            checklist(shoot.profile, advice, name),
            cautions(shoot.profile),
            class_="lists",
        ),
        _profile(shoot),
    ]
    return document(
        f"Shoot plan: {name}",
        name,
        f"Shoot plan, profile {shoot.profile.name}",
        _lede(shoot),
        parts,
        _foot(shoot),
    )


def save_shoot_page(
    shoot: Shoot, routes: Sequence[Floats], stills: Sequence[Still], path: Path
) -> None:
    """Write the page, whole or not at all.

    Raises
    ------
    PlanError
        The path does not end in .html or .htm.
    FileError
        It cannot be written.
    """
    write_atomically(html_path(path), shoot_page(shoot, routes, stills).encode())


def _lede(shoot: Shoot) -> str:
    poses = len(shoot.poses)
    if not poses:
        return "No layer gets a frame: there is nothing to film."
    return (
        f"{poses} frame{'s' * (poses != 1)} make {float(shoot.film_s):.1f} s of film. The print "
        f"takes {duration(shoot.total_s)}, {duration(shoot.added_s)} of it for the frames."
    )


def _figures(shoot: Shoot) -> Html:
    capture, poses = shoot.profile.capture, len(shoot.poses)
    share = shoot.added_s / shoot.print_s if shoot.print_s else 0.0
    supplies = {one.name: one for one in shoot.supplies}
    card, battery, hours = (supplies[k] for k in ("card", "battery", "battery hours"))
    gigabytes = card.need * shoot.profile.camera.frame_mb / 1000

    def of(need: float, have: float | None, unit: str) -> str:
        if have is None:
            return "capacity not stated"
        return f"of {have:g} {unit}" + (f", {need / have:.0%}" if have else "")

    rows = (
        ("Frames", f"{poses}", f"{len(shoot.job.layers)} layers, {shoot.height_mm:g} mm"),
        ("Film", f"{float(shoot.film_s):.2f} s",
         f"at {capture.fps} fps, last frame held {capture.hold_last_s:g} s"),
        ("Print with frames", duration(shoot.total_s), f"{duration(shoot.print_s)} without"),
        ("Added", duration(shoot.added_s),
         f"{share:.1%}; {shoot.added_s / max(poses, 1):.2f} s a frame"),
        ("Card", f"{gigabytes:.2f} GB",
         f"{card.need:g} frames, {of(card.need, card.have, 'frames')}"),
        ("Battery", f"{hours.need:.2f} h",
         of(hours.need, hours.have, "h") if hours.have else
         of(battery.need, battery.have, "frames")),
    )  # fmt: skip
    cells = [(name, inside((value, tag("small", note)))) for name, value, note in rows]
    return tag("div", facts(cells, "figures"), class_="full")


def _drawing(title: str, svg: Html, lines: Sequence[str]) -> Html:
    caption = tag("figcaption", " ".join(lines))
    return tag("figure", tag("h3", title), svg, caption, class_="drawing")


def _mark(shoot: Shoot, place: Place) -> Html:
    """The line that the slider moves: from the scale of heights to the scale of times."""
    axes = place(0.0, 0.0)
    return tag("path", id="mark", d="M0 0", class_="s-now", data_axes=axes)


def _film(shoot: Shoot, stills: Sequence[Still], place: Place) -> Html:
    if not stills:
        return section(
            "film", "The film, drawn beforehand", tag("p", "Not drawn."), class_="screen full"
        )
    poses = shoot.planned_poses()
    keys = {stills[round(k)].index for k in np.linspace(0, len(stills) - 1, KEYS)}
    items = []
    for still in stills:
        pose = poses[still.index]
        picture = tag("img", src=still.uri, alt=f"Frame {pose.pose}, drawn", width="640",
                      height="360", decoding="async")  # fmt: skip
        caption = tag("figcaption", f"Layer {pose.layer}, {pose.z_mm:.1f} mm")
        items.append(
            tag("li", tag("figure", picture, caption), data_text=_words(pose, len(poses)),
                data_at=place(pose.t_s, pose.z_mm),
                class_="key" if still.index in keys else None)
        )  # fmt: skip
    last = stills[-1]
    speed_ms = 1000 * len(poses) / len(stills) / _fps(shoot.profile.capture.fps)
    slider = tag("input", type="range", min="0", max=str(len(stills) - 1), value="0",
                 aria_label="Frame of the film", id="frame")  # fmt: skip
    controls = tag("div", tag("button", "Play", type="button"), slider, tag("output", for_="frame"),
                   class_="controls", id="controls", hidden=True,
                   data_ms=f"{max(speed_ms, 40):.0f}")  # fmt: skip
    viewer = tag("div",
                 tag("img", src=last.uri, alt=_words(poses[last.index], len(poses)), id="view",
                     width="640", height="360"), controls, class_="film")  # fmt: skip
    strip = tag("ol", items, class_="strip", id="strip", tabindex="0", role="list",
                aria_label="Frames of the film in order")  # fmt: skip
    return section("film", "The film, drawn beforehand", viewer, strip, class_="full")


def _fps(text: str) -> float:
    from fractions import Fraction

    return float(Fraction(text))


def _words(pose: PlannedPose, count: int) -> str:
    end = ", finished" if pose.finished else ""
    return (
        f"Frame {pose.pose} of {count}: layer {pose.layer}, {pose.z_mm:.2f} mm{end}, "
        f"due {duration(pose.t_s)} after the start"
    )


def _times(shoot: Shoot) -> Html:
    poses = shoot.planned_poses()
    rows = sorted({round(one) for one in np.linspace(0, len(poses) - 1, min(ROWS, len(poses)))})
    cells = [
        (f"{poses[k].pose}{' (finished)' if poses[k].finished else ''}", f"{poses[k].layer}",
         f"{poses[k].z_mm:.2f}", duration(poses[k].t_s), f"{poses[k].still_s:.2f}")
        for k in rows
    ]  # fmt: skip
    columns = ("Frame", "Layer", "Height mm", "Due after start", "Stands still s")
    sentences = [tag("p", one) for one in _be_there(shoot, poses)]
    if not cells:
        return section("times", "When to be there", *sentences)
    caption = f"{len(cells)} of {len(poses)} frames; the plan file has all"
    return section("times", "When to be there", *sentences, table(caption, columns, cells))


def _be_there(shoot: Shoot, poses: Sequence[PlannedPose]) -> list[str]:
    startup = duration(shoot.profile.machine.startup_s)
    said = [
        f"Heating and homing take {startup}, as the profile says; all times count from the start."
    ]
    if not poses:
        return said
    gaps = np.diff([pose.t_s for pose in poses])
    pace = f", then every {gaps.mean():.0f} s on average ({gaps.min():.0f} to {gaps.max():.0f} s)"
    by_hand = shoot.profile.trigger.by == "wait" and shoot.profile.trigger.fired_by == "hand"
    if by_hand:
        said.append(f"You fire every frame: the first after {duration(poses[0].t_s)}"
                    f"{pace if len(gaps) else ''}.")  # fmt: skip
    else:
        third = poses[min(2, len(poses) - 1)]
        said.append(
            f"Stay until frame {third.pose} is on the card ({duration(third.t_s)}), look in again "
            f"after {duration(poses[len(poses) // 2].t_s)}, and be back for the last frame at "
            f"{duration(poses[-1].t_s)}{pace.replace(', then every', '. Frames come every')}."
        )
    return said


def _details(shoot: Shoot) -> Html:
    means = shoot.part_means()
    names = {
        "retract_s": "filament", "hop_s": "hop", "travel_s": "travel out", "settle_s": "settling",
        "hold_s": "hold", "back_s": "travel back", "slowing_s": "slowing of the job's own moves",
    }  # fmt: skip
    rows: list[tuple[str, str]] = []
    if shoot.poses:
        parts = ", ".join(f"{names[key]} {abs(value):.2f}" for key, value in means.items())
        rows.append(("Each pose, s", parts))
    park = shoot.profile.park
    rows.append(
        ("Park point", f"X{park.x_mm:g} Y{park.y_mm:g}, {park.clear_mm:g} mm above the print")
    )
    rows.append(("Part", shoot.carried[0].upper() + shoot.carried[1:] + "."))
    if shoot.cooling is not None:
        least, more = duration(shoot.cooling.layer_s), duration(shoot.cooling.added_s)
        text = f"Layer {shoot.cooling.layer} has least time: {least}, and {more} more by its stop."
        rows.append(("Cooling", text))
    if shoot.timer is not None:
        planned = shoot.timer.planned
        rows.append(
            ("Timer", f"A frame each {shoot.timer.interval_s:g} s, {shoot.timer.frames_taken} in "
             f"all; a whole exposure in {planned.chance:.0%} of the poses.")
        )  # fmt: skip
    return section("details", "How a frame is taken", facts(rows))


def _profile(shoot: Shoot) -> Html:
    inner = tag("details", tag("summary", f"All keys of {shoot.profile.name}"),
                tag("pre", full_text(shoot.profile), tabindex="0"))  # fmt: skip
    return section("profile", "Profile used", inner, class_="screen full")


def _foot(shoot: Shoot) -> str:
    from capturehook import __version__

    digest = f", plan {shoot.digest}" if shoot.digest else ""
    return (
        f"Made by capturehook {__version__}{digest}. Times are computed; heating and homing are "
        "as the profile states. The maker's manual and your local codes come first."
    )
