"""`capturehook resin`: a resin job's light timeline, its frames, and poses in and out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli import show
from capturehook.cli.options import JSON, PROFILE
from capturehook.cli.resin_numbers import (
    job_and_body,
    numbers,
    refuse_of_the_job,
    table_of,
    taken,
)
from capturehook.cli.svg import svg_path

if TYPE_CHECKING:
    from capturehook.errors import Finding
    from capturehook.model.profile import Profile
    from capturehook.model.resin import ResinTable
    from capturehook.model.resin_job import ResinJob
    from capturehook.resin.body import Body
    from capturehook.resin.clock import Reading
    from capturehook.resin.shoot import ResinShoot


@click.command("resin", short_help="Plan a resin shoot: which flashes fire the camera.")
@click.argument("job", required=False, type=click.Path(path_type=Path))
@PROFILE
@numbers
@click.option(
    "--every",
    type=click.IntRange(1, 100_000),
    help="Keep each K-th frame, back from the last.",
    metavar="K",
)
@click.option(
    "--plan", "plan_path", type=click.Path(path_type=Path), help="Save the plan for `audit`."
)
@click.option("--area", is_flag=True, help="Look at the layer images too (needs Pillow).")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    callback=svg_path,
    help="Draw light area and frames (SVG).",
)
@click.option("--pose", is_flag=True, help="Put pose blocks into the job's own lines.")
@click.option("--strip", is_flag=True, help="Take pose blocks out again.")
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Write there, not in place.")
@JSON
def resin_command(
    job: Path | None,
    profile: str | None,
    every: int | None,
    plan_path: Path | None,
    area: bool,
    picture: Path | None,
    pose: bool,
    strip: bool,
    out: Path | None,
    as_json: bool,
    clock: tuple[Reading, ...],
    stl: str | None,
    **words: Any,
) -> int:
    """Plan the shoot of a resin job: when the lamp is on, what fires the camera, the film.

    \b
    JOB is a binary container or a zip, told by its content (list: docs/howto/resin_shoot.md).
    Without JOB the numbers are those of [resin] and of the flags.

    \b
    Example:  capturehook resin lighthouse.zip -p tern --every 4 --plan plan.json
    By hand:  capturehook resin -p tern --layers 1200 --exposure-s 2.5 --bottom 5x30 --lift 6@60
    Poses:    capturehook resin lighthouse.zip -p tern --pose -o posed.zip
    """
    flags = taken(words)
    _check_words(job, area or picture is not None, pose, strip, out)
    if job is not None:
        refuse_of_the_job(flags, stl)
    if (flags or clock) and (pose or strip):
        raise click.UsageError("--pose and --strip go by the job's own lines; leave numbers out.")
    if strip and (every is not None or plan_path is not None):
        raise click.UsageError("--strip takes all poses out; --every and --plan do not go with it.")
    if strip and job is not None:
        return _strip(job, out or job, as_json)

    from capturehook.resin.job import load_resin_profile

    loaded, table = load_resin_profile(profile)
    table = table_of(table, flags, job is not None)
    if pose and job is not None:
        return _pose(job, out or job, loaded, table, every, plan_path, as_json)
    return _show(job, loaded, table, every, (flags, clock, stl), plan_path, area, picture, as_json)


def _check_words(job: Path | None, looks: bool, pose: bool, strip: bool, out: Path | None) -> None:
    if pose and strip:
        raise click.UsageError("--pose and --strip do opposite things; give one of them.")
    if job is None and (pose or strip):
        raise click.UsageError("A JOB is needed for --pose and --strip.")
    if out is not None and not (pose or strip):
        raise click.UsageError("-o goes with --pose or --strip.")
    if looks and (pose or strip):
        raise click.UsageError("--area and --picture look at a job; run them on their own.")


def _strip(job: Path, out: Path, as_json: bool) -> int:
    from capturehook.resin.pose import strip_poses

    changed = strip_poses(job, out)
    if as_json:
        show.emit_json({"schema": 1, "path": str(out), "stripped": changed})
    else:
        show.say(f"{out}: {'poses taken out' if changed else 'held no poses'}")
    return 0


def _pose(
    job: Path,
    out: Path,
    profile: Profile,
    table: ResinTable,
    every: int | None,
    plan_path: Path | None,
    as_json: bool,
) -> int:
    from capturehook.resin.pose import insert_poses
    from capturehook.resin.report import CAUTIONS, full_report
    from capturehook.resin.shoot import plan_shoot

    posed, added_s = insert_poses(job, out, profile, table, every)
    shoot = plan_shoot(posed, profile, table)
    findings = [*posed.findings, *shoot.findings]
    _save_plan(shoot, plan_path)
    if as_json:
        report = full_report(posed, shoot, findings)
        show.emit_json({**report, "path": str(out), "added_s": round(added_s, 3)})
    else:
        count = len(shoot.plan.poses)
        show.say(
            f"{out}: {count} pose{'s' * (count != 1)}, {show.duration(added_s)} added "
            f"({show.duration(added_s / count)} each), {show.duration(posed.timeline.total_s)} in "
            f"all, film {shoot.film_s:.1f} s"
        )
        show.note("Watch the first poses with an empty vat: the plate moves without warning.")
        for caution in CAUTIONS:
            show.note(caution)
        show.show_findings(findings)
    return show.exit_code(findings)


def _show(
    path: Path | None,
    profile: Profile,
    table: ResinTable,
    every: int | None,
    given: tuple[dict[str, Any], tuple[Reading, ...], str | None],
    plan_path: Path | None,
    area: bool,
    picture: Path | None,
    as_json: bool,
) -> int:
    from capturehook.resin.report import full_report
    from capturehook.resin.shoot import plan_shoot

    looks = area or picture is not None
    flags, clock, stl = given
    job, body = job_and_body(
        path, profile.name, table, flags=flags, clock=clock, stl=stl, draws=looks
    )
    shoot = plan_shoot(job, profile, table, every)
    findings = [*job.findings, *shoot.findings]
    looked: dict[str, Any] = {}
    if looks:
        looked, more = _look(job, body, shoot, picture)
        findings += more
    _save_plan(shoot, plan_path)
    if as_json:
        show.emit_json({**full_report(job, shoot, findings), **looked})
    else:
        _say_all(job, shoot, table)
        if looked:
            show.say(
                f"Light area: {looked['mean_lit']:.2%} of the pixels on average, most in layer "
                f"{looked['most_lit_layer']} ({looked['most_lit']:.2%})"
            )
        for done in (plan_path, picture):
            if done is not None:
                show.say(f"Saved {done}")
        show.show_findings(findings)
    return show.exit_code(findings)


def _save_plan(shoot: ResinShoot, plan_path: Path | None) -> None:
    if plan_path is not None:
        shoot.plan.save(plan_path)


def _look(
    job: ResinJob, body: Body | None, shoot: ResinShoot, picture: Path | None
) -> tuple[dict[str, Any], list[Finding]]:
    """Measure the images, with a bar; draw them when a picture is wanted."""
    from capturehook.draw.resin import Growth, draw_growth
    from capturehook.files import write_atomically
    from capturehook.resin.area import area_report, light_area, still_findings, still_stretches
    from capturehook.resin.body import open_images

    with (
        open_images(job, body) as images,
        show.progress("Layer images", len(job.images)) as step,
    ):
        area = light_area(images, step=step)
    stretches = still_stretches(area, shoot.frame_layers)
    if picture is not None:
        growth = Growth(
            timeline=job.timeline,
            lit=area.lit,
            seen_from_layer=shoot.visible_from_layer,
            frame_layers=shoot.frame_layers,
            alike=stretches,
            film_s=shoot.film_s,
        )
        write_atomically(picture, draw_growth(growth).as_svg().encode())
    return area_report(area, stretches), still_findings(stretches, job.path)


def _say_all(job: ResinJob, shoot: ResinShoot, table: ResinTable) -> None:
    from capturehook.model.resin_job import PHASES
    from capturehook.resin.report import CAUTIONS, card_words, light_report

    timeline = job.timeline
    stated = f" (the job itself says {show.duration(job.stated_s)})" if job.stated_s else ""
    show.say(f"{job.path}: {len(timeline)} layers, {timeline.height_mm:.2f} mm")
    show.say(f"Read from {'; '.join(job.evidence)}")
    for words in job.assumed:
        show.say(f"Assumed: {words}")
    show.say(f"Takes {show.duration(timeline.total_s)}{stated}")
    if job.bracket_s is not None:
        least, most = map(show.duration, job.bracket_s)
        show.say(f"Between {least} and {most}: {job.bracket_why}; two --clock readings tell")
    sums = timeline.phase_s.sum(axis=0)
    rows = [("start-up", timeline.startup_s), *zip(PHASES, sums.tolist(), strict=True)]
    rows.append(("end", timeline.end_s))
    show.show_table(
        ("phase", "seconds", "% of all"),
        [
            (name.replace("_", " "), seconds, f"{seconds / timeline.total_s * 100:.1f}")
            for name, seconds in rows
            if seconds > 0
        ],
    )
    show.show_table(
        ("flashes", "layers", "what becomes of them"),
        [(row["flashes"], _layer_span(row), row["outcome"]) for row in light_report(shoot)],
    )
    for line in _visible_words(shoot, table):
        show.say(line)
    show.say(f"Into the film go {card_words(shoot)}")
    show.say(
        f"Film: {_frames(len(shoot.plan.poses))} at {shoot.plan.fps} fps and "
        f"{shoot.plan.hold_last_s:g} s of hold: {shoot.film_s:.1f} s"
    )
    show.say()
    for caution in CAUTIONS:
        show.say(caution)


def _frames(count: int) -> str:
    return f"{count} frame{'s' * (count != 1)}"


def _layer_span(row: dict[str, Any]) -> str:
    names = {0: "before the first", -1: "after the last"}
    first, last = (names.get(row[key], str(row[key])) for key in ("first_layer", "last_layer"))
    return first if first == last else f"{first} to {last}"


def _visible_words(shoot: ResinShoot, table: ResinTable) -> list[str]:
    """What of the part the frames show, and from when on, in lines."""
    rim = f"the vat's rim at {table.vat_rim_mm:g} mm"
    if shoot.by == "pose":
        return [f"The job holds {shoot.frames_taken} poses of its own"]
    lines = []
    if shoot.false_starts:
        lines.append(f"False starts: {_frames(shoot.false_starts)} before the first layer")
    first, lifted = shoot.visible_from_layer, shoot.lifted_from_layer
    if not first:
        lines.append(f"No frame shows the plate above {rim}")
    elif shoot.hidden_layers:
        at = show.duration(shoot.visible_from_s)
        lines.append(
            f"Hidden below {rim}: {shoot.hidden_layers} layers; start the camera before layer "
            f"{first}, {at} after the start"
        )
    else:
        lines.append(f"All frames show the plate above {rim}")
    if lifted and lifted != first:
        lines.append(f"Shot at the top of the lift, layer {lifted} would be the first to show")
    return lines
