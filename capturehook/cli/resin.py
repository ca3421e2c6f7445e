"""`capturehook resin`: a resin job's light timeline, its frames, and poses in and out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli import show
from capturehook.cli.options import FILE, JSON, PROFILE, bundle, option, page_path, svg_path, takes
from capturehook.cli.resin_numbers import Numbers, numbers, refuse_of_the_job, scene_of
from capturehook.errors import counted

if TYPE_CHECKING:
    from capturehook.draw.resin import LitArea
    from capturehook.errors import Finding
    from capturehook.rehearse.hanging import Scene


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is looked at, and files to write."""

    plan_path: Path | None
    area: bool
    picture: Path | None
    page: Path | None

    @property
    def looks(self) -> bool:
        """At the layer images."""
        return self.area or self.picture is not None


@dataclass(frozen=True, slots=True)
class Posing:
    """Poses into the job's own lines, or out of them."""

    pose: bool
    strip: bool
    out: Path | None


@click.command("resin", short_help="Plan a resin shoot: which flashes fire the camera.")
@click.argument("job", required=False, type=FILE)
@PROFILE
@numbers
@takes(
    option(
        "--every",
        "Keep each K-th frame back from the last.",
        click.IntRange(1, 100_000),
        metavar="K",
    )
)
@bundle(
    "wanted",
    Wanted,
    option("--plan plan_path", "Save the plan for `audit`.", FILE),
    option("--area", "Look at the layer images too.", bool),
    option("--picture", "Draw light area and frames (SVG).", FILE, callback=svg_path),
    option("--page", "Write the shoot page, HTML.", FILE, callback=page_path),
)
@bundle(
    "posing",
    Posing,
    option("--pose", "Put pose blocks into the job's own lines.", bool),
    option("--strip", "Take pose blocks out again.", bool),
    option("-o --out", "Write there, not in place.", FILE),
)
@JSON
def resin_command(
    job: Path | None,
    profile: str | None,
    given: Numbers,
    every: int | None,
    wanted: Wanted,
    posing: Posing,
    as_json: bool,
) -> int:
    """Plan the shoot of a resin job: when the lamp is on, what fires the camera, the film.

    \b
    Without JOB the numbers are those of [resin] and of the flags.

    \b
    Example:  capturehook resin lighthouse.zip -p tern --every 4 --plan plan.json
    By hand:  capturehook resin -p tern --layers 1200 --exposure-s 2.5 --bottom 5x30 --lift 6@60
    Poses:    capturehook resin lighthouse.zip -p tern --pose -o posed.zip --page shoot.html
    """
    _check_words(job, given, every, wanted, posing)
    if job is None or not (posing.pose or posing.strip):
        return _show(scene_of(job, profile, given, draws=wanted.looks or wanted.page is not None,
                              every=every), wanted, as_json)  # fmt: skip
    if posing.strip:
        return _strip(job, posing.out or job, as_json)
    return _pose(job, posing.out or job, profile, every, wanted, as_json)


def _check_words(
    job: Path | None, given: Numbers, every: int | None, wanted: Wanted, posing: Posing
) -> None:
    changes = posing.pose or posing.strip
    if posing.pose and posing.strip:
        raise click.UsageError("--pose and --strip do opposite things; give one of them.")
    if job is None and changes:
        raise click.UsageError("A JOB is needed for --pose and --strip.")
    if posing.out is not None and not changes:
        raise click.UsageError("-o goes with --pose or --strip.")
    if wanted.looks and changes:
        raise click.UsageError("--area and --picture look at a job; run them on their own.")
    if job is not None:
        refuse_of_the_job(given)
    if given and changes:
        raise click.UsageError("--pose and --strip go by the job's own lines; leave numbers out.")
    if posing.strip and (every is not None or wanted.plan_path or wanted.page):
        raise click.UsageError(
            "--strip takes all poses out; --every, --plan and --page do not go with it."
        )


def _strip(job: Path, out: Path, as_json: bool) -> int:
    from capturehook.resin.pose import strip_poses

    changed = strip_poses(job, out)
    if as_json:
        show.emit_json({"schema": 1, "path": str(out), "stripped": changed})
    else:
        show.say(f"{out}: {'poses taken out' if changed else 'held no poses'}")
    return 0


def _pose(
    job: Path, out: Path, profile: str | None, every: int | None, wanted: Wanted, as_json: bool
) -> int:
    from capturehook.rehearse.hanging import Scene
    from capturehook.resin.job import load_resin_profile
    from capturehook.resin.pose import insert_poses
    from capturehook.resin.report import CAUTIONS, full_report
    from capturehook.resin.shoot import plan_shoot

    loaded, table = load_resin_profile(profile)
    posed, added_s = insert_poses(job, out, loaded, table, every)
    shoot = plan_shoot(posed, loaded, table)
    findings = [*posed.findings, *shoot.findings]
    _save(Scene(job=posed, shoot=shoot, profile=loaded, table=table), wanted)
    if as_json:
        report = full_report(posed, shoot, findings)
        show.emit_json({**report, "path": str(out), "added_s": round(added_s, 3)})
    else:
        count = len(shoot.plan.poses)
        show.say(
            f"{out}: {counted(count, 'pose')}, {show.duration(added_s)} added "
            f"({show.duration(added_s / count)} each), {show.duration(posed.timeline.total_s)} in "
            f"all, film {shoot.film_s:.1f} s"
        )
        _say_saved(wanted)
        show.note("Watch the first poses with an empty vat: the plate moves without warning.")
        for caution in CAUTIONS:
            show.note(caution)
        show.show_findings(findings)
    return show.exit_code(findings)


def _show(scene: Scene, wanted: Wanted, as_json: bool) -> int:
    from capturehook.resin.report import full_report

    job, shoot = scene.job, scene.shoot
    findings = [*job.findings, *shoot.findings]
    looked: dict[str, Any] = {}
    area = None
    if wanted.looks:
        looked, more, area = _look(scene, wanted.picture)
        findings += more
    _save(scene, wanted, area)
    if as_json:
        show.emit_json({**full_report(job, shoot, findings), **looked})
    else:
        _say_all(scene)
        if looked:
            show.say(
                f"Light area: {looked['mean_lit']:.2%} of the pixels on average, most in layer "
                f"{looked['most_lit_layer']} ({looked['most_lit']:.2%})"
            )
        _say_saved(wanted)
        show.show_findings(findings)
    return show.exit_code(findings)


def _save(scene: Scene, wanted: Wanted, area: LitArea | None = None) -> None:
    """The plan; the page, with the film drawn beforehand."""
    if wanted.plan_path is not None:
        scene.shoot.plan.save(wanted.plan_path)
    if wanted.page is None:
        return
    from capturehook.draw.html import save_page
    from capturehook.page.resin import resin_page
    from capturehook.page.stills import chosen, draw_resin_stills

    count = len(chosen(len(scene.shoot.plan.poses)))
    with show.progress("Drawing the film", count) as step:
        stills = draw_resin_stills(scene, step)
    save_page(wanted.page, resin_page(scene, stills, area))


def _say_saved(wanted: Wanted) -> None:
    for done in filter(None, (wanted.plan_path, wanted.picture, wanted.page)):
        show.say(f"Saved {done}")


def _look(scene: Scene, picture: Path | None) -> tuple[dict[str, Any], list[Finding], LitArea]:
    """Measure the images, with a bar; draw them when a picture is wanted."""
    from capturehook.draw.resin import LitArea, draw_lit_area
    from capturehook.files import write_atomically
    from capturehook.resin.area import area_report, light_area, still_findings, still_stretches
    from capturehook.resin.body import open_images

    job, shoot = scene.job, scene.shoot
    with (
        open_images(job, scene.body) as images,
        show.progress("Layer images", len(job.images)) as step,
    ):
        area = light_area(images, step=step)
    stretches = still_stretches(area, shoot.frame_layers)
    drawn = LitArea(
        timeline=job.timeline,
        lit=area.lit,
        seen_from_layer=shoot.visible_from_layer,
        frame_layers=shoot.frame_layers,
        alike=stretches,
        film_s=shoot.film_s,
    )
    if picture is not None:
        write_atomically(picture, draw_lit_area(drawn).as_svg().encode())
    return area_report(area, stretches), still_findings(stretches, job.path), drawn


def _say_all(scene: Scene) -> None:
    from capturehook.model.resin_job import PHASES
    from capturehook.resin.report import (
        CAUTIONS,
        card_words,
        frame_count,
        layer_span,
        light_report,
        visible_words,
    )

    job, shoot, timeline = scene.job, scene.shoot, scene.job.timeline
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
        [(row["flashes"], layer_span(row), row["outcome"]) for row in light_report(shoot)],
    )
    for line in visible_words(shoot, scene.table):
        show.say(line)
    show.say(f"Into the film go {card_words(shoot)}")
    show.say(
        f"Film: {frame_count(len(shoot.plan.poses))} at {shoot.plan.fps} fps and "
        f"{shoot.plan.hold_last_s:g} s of hold: {shoot.film_s:.1f} s"
    )
    show.say()
    for caution in CAUTIONS:
        show.say(caution)
