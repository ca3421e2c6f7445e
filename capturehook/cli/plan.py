"""`plan`: the shoot of one job, before it is printed."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capturehook.cli import show
from capturehook.cli.job import (
    READING,
    Reading,
    film_text,
    read_job_file,
    takes_wishes,
    wished_profile,
)
from capturehook.cli.options import FILE, JSON, PROFILE, bundle, option, page_path, takes

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.model.profile import Profile
    from capturehook.profile.wishes import Wishes
    from capturehook.report.compare import Choice
    from capturehook.report.shoot import Shoot
    from capturehook.report.timer import TimerShoot

ROWS = 12
"""Rows of the timetable that are shown; `--json` and `--save` have all."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Files to write."""

    save: str | None
    picture: str | None
    page: Path | None


@click.command("plan", short_help="Film, added time, timetable and picture, before the print.")
@click.argument("job", metavar="JOB", nargs=-1, required=True)
@PROFILE
@bundle(
    "wanted",
    Wanted,
    option("--save", "Write the plan, for the audit.", metavar="PLAN"),
    option("--picture", "Draw the shoot; a name in .svg or .png.", metavar="PIC"),
    option("--page", "Write the shoot page.", FILE, callback=page_path, metavar="HTML"),
)
@takes(
    option("--compare", "Other rhythms side by side.", multiple=True, metavar="KEY=V,V"),
    option(
        "--limits",
        "Clock by the profile's limits, or by the job's.",
        "profile job",
        "profile",
        show_default=False,
    ),
)
@takes_wishes
@READING
@JSON
def plan_command(
    job: tuple[str, ...],
    profile: str | None,
    wanted: Wanted,
    compare: tuple[str, ...],
    limits: str,
    wishes: Wishes,
    reading: Reading,
    as_json: bool,
) -> int:
    """Plan the shoot of JOB: film, added time, timetable, card and battery. JOB stays as it is.

    \b
    capturehook plan lighthouse.gcode -p heron
    capturehook plan lighthouse.gcode -p heron --save plan.json --page shoot.html
    capturehook plan lighthouse.gcode -p heron --film 4
    capturehook plan lighthouse.gcode -p heron --compare every_layers=1,2,5 film_s=10,20
    """
    from capturehook.api import pose_job
    from capturehook.clock.clocking import job_clocking
    from capturehook.read.job import read_job
    from capturehook.report.compare import compare_choices, read_choices
    from capturehook.report.shoot import plan_shoot

    name, *more = job
    if more and not compare:
        raise click.UsageError(f"Got unexpected extra argument ({more[0]})")
    choices = read_choices((*compare, *more))
    data, path = read_job_file(name, reading.plate)
    chosen = wished_profile(profile, wishes)
    record = read_job(data, path, chosen)
    clocking = job_clocking(chosen, record.source.data) if limits == "job" else None

    def applied_with(other: Profile) -> PosedJob:
        same = record if other is chosen else replace(record, profile=other)
        return pose_job(same, skip_unsafe=reading.skip_unsafe, is_whole=reading.is_whole)

    applied = applied_with(chosen)
    shoot = plan_shoot(applied, clocking)
    others = compare_choices(
        chosen, choices, lambda other: plan_shoot(applied_with(other), clocking)
    )
    if wanted.save is not None:
        shoot.record().save(Path(wanted.save))
    if wanted.picture is not None:
        from capturehook.draw.shoot import draw_plan

        draw_plan(shoot, Path(wanted.picture))
    if wanted.page is not None:
        _write_page(shoot, applied, wanted.page)
    if as_json:
        rows = {"compare": [asdict(one) for one in others]} if others else {}
        show.emit_json({**shoot.as_json(), **rows})
    else:
        _show_shoot(shoot)
        _show_choices(others)
        for target in filter(None, (wanted.save, wanted.picture, wanted.page)):
            show.say(f"Written: {target}")
    show.show_findings(shoot.findings)
    return show.exit_code(shoot.findings)


def _write_page(shoot: Shoot, applied: PosedJob, path: Path) -> None:
    """The shoot page, with the film drawn beforehand."""
    from capturehook.draw.html import save_page
    from capturehook.page.before import shoot_page
    from capturehook.page.stills import chosen, draw_stills

    with show.progress("Drawing the film", len(chosen(len(applied.poses)))) as step:
        stills = draw_stills(applied, step)
    save_page(path, shoot_page(shoot, stills))


def _show_shoot(shoot: Shoot) -> None:
    capture, poses = shoot.profile.capture, len(shoot.poses)
    layers = shoot.job.layers
    startup_s = shoot.profile.machine.startup_s
    share = shoot.added_s / shoot.print_s if shoot.print_s else 0.0
    facts = {
        "job": f"{shoot.job.source.path}: {len(layers)} layers, {shoot.height_mm:g} mm high",
        "film": f"{poses} frames at {capture.fps} a second: {film_text(shoot.profile, poses)}",
        "print": f"{show.duration(shoot.print_s)} without poses ({show.duration(startup_s)} of it "
        "for heating and homing, as the profile says)",
        "with poses": f"{show.duration(shoot.total_s)}: {show.duration(shoot.added_s)} more "
        f"({share:.1%})",
        "each pose": _pose_text(shoot),
        "settling": _settling_text(shoot),
        "cooling": _cooling_text(shoot),
        "camera": _supply_text(shoot),
        "part": shoot.carried,
    }
    timer = [("timer", line) for line in _timer_lines(shoot.timer)] if shoot.timer else []
    show.show_facts([*facts.items(), *timer])
    _show_timetable(shoot)
    if shoot.timer:
        _show_catches(shoot.timer)


def _pose_text(shoot: Shoot) -> str:
    if not len(shoot.poses):
        return "none"
    added = shoot.costs.added_s
    span = f"{added.mean():.2f} s on average ({added.min():.2f} to {added.max():.2f})"
    return f"{span}: {shoot.part_words()}"


def _settling_text(shoot: Shoot) -> str:
    settling, camera = shoot.settling, shoot.profile.camera
    if settling.together_ms == 0:
        stated = "as the profile states" if shoot.profile.park.settle is None else "by frequency"
        return f"{settling.printer_ms} ms, {stated}"
    who = "the tripod" if settling.with_tripod else "the printer"
    return (
        f"{max(settling.printer_ms, settling.together_ms)} ms: until {who} smears no more than "
        f"{camera.blur_px:g} px in {camera.open_ms:.4g} ms, at {settling.px_mm:.1f} px/mm"
    )


def _cooling_text(shoot: Shoot) -> str:
    """What the stops do for the layer that has least time to cool."""
    quickest = shoot.cooling
    if quickest is None:
        return "no layer is built upon after a pose"
    takes, more = show.duration(quickest.layer_s), show.duration(quickest.added_s)
    return (
        f"the quickest layer with a pose, {quickest.layer}, takes {takes}; "
        f"its stop gives it {more} more to cool, the fan as the job set it"
    )


def _supply_text(shoot: Shoot) -> str:
    texts = []
    for one in shoot.supplies:
        name = one.name.split()[0]
        if one.have is None:
            if one.name == "card":
                megabytes = one.need * shoot.profile.camera.frame_mb
                texts.append(f"{one.need:g} frames, {megabytes / 1000:.2f} GB")
            continue
        share = f" ({one.need / one.have:.0%})" if one.have else ""
        texts.append(f"{name} {one.need:.4g} of {one.have:g} {one.unit}{share}")
    return "; ".join(texts)


def _timer_lines(timer: TimerShoot) -> list[str]:
    planned = timer.planned
    return [
        f"a frame each {timer.interval_s:g} s whatever the printer does, "
        f"{timer.frames_taken} frames in all; a pose stands still {planned.still_s:.2f} s",
        f"a whole exposure in {planned.chance:.0%} of the poses: {timer.advice}",
    ]


def _show_timetable(shoot: Shoot) -> None:
    poses = shoot.planned_poses()
    if len(poses) <= ROWS:
        rows = list(range(len(poses)))
    else:
        rows = sorted({round(row * (len(poses) - 1) / (ROWS - 1)) for row in range(ROWS)})
    show.show_table(
        ("frame", "layer", "z_mm", "due at", "still_s", "added_s"),
        [
            (
                f"{poses[row].pose}{' (finished)' if poses[row].finished else ''}",
                poses[row].layer,
                poses[row].z_mm,
                show.duration(poses[row].t_s),
                poses[row].still_s,
                float(shoot.costs.added_s[row]),
            )
            for row in rows
        ],
        title=f"Timetable, {len(rows)} of {len(poses)} frames",
    )


def _show_catches(timer: TimerShoot) -> None:
    show.show_table(
        ("stands still", "chance", "frames lost", "in a row", "at worst", "adds"),
        [
            (
                f"{one.still_s:.2f} s",
                f"{one.chance:.0%}",
                f"{one.lost_frames:.0f}",
                f"{one.run:.0f}",
                one.worst_run,
                show.duration(one.added_s),
            )
            for one in timer.choices
        ],
        title="How long to stand still for the timer",
    )


def _show_choices(choices: list[Choice]) -> None:
    if not choices:
        return
    show.show_table(
        ("choice", "frames", "film_s", "adds", "share", "print in all", "findings"),
        [
            (one.choice, "-", "-", "-", "-", "-", one.trouble)
            if one.trouble
            else (
                one.choice,
                one.frames,
                one.film_s,
                show.duration(one.added_s),
                f"{one.added_share:.1%}",
                show.duration(one.total_s),
                one.findings,
            )
            for one in choices
        ],
        title="Choices",
    )
