"""`capturehook rehearse`: the film before the print."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capturehook.cli import show
from capturehook.cli.job import PLATE, RHYTHM, SKIP_UNSAFE, read_job_file, wished_profile, wishes_of
from capturehook.cli.options import FILE, JSON, PROFILE, bundle, option
from capturehook.cli.resin_numbers import Numbers, numbers, refuse_of_the_job, scene_of

if TYPE_CHECKING:
    from capturehook.model.plan import PlanRecord
    from capturehook.model.profile import Profile
    from capturehook.rehearse.hanging import Scene
    from capturehook.rehearse.hidden import ParkAdvice
    from capturehook.rehearse.room import Wishes as CameraWishes
    from capturehook.rehearse.run import Asked, Rehearsal
    from capturehook.rehearse.stand_in import StandInCamera

MOST_EVERY = 100_000


def _size(_context: click.Context, _option: click.Parameter, value: str) -> tuple[int, int]:
    """960x540 -> (960, 540)."""
    wide, _, high = value.lower().partition("x")
    if not (wide.isdecimal() and high.isdecimal()):
        raise click.BadParameter(f"{value!r} is no size; write 960x540")
    return int(wide), int(high)


@dataclass(frozen=True, slots=True)
class Drawn:
    """What to write, in which size."""

    out: Path | None
    size: tuple[int, int]
    stills: tuple[tuple[int, Path], ...]


@dataclass(frozen=True, slots=True)
class Card:
    """Where the stand-in camera saves its frames, if at all, and what goes wrong."""

    frames: Path | None
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OfKind:
    """What only one kind of job takes: ``screen_mm`` is for resin, all others except ``every`` are
    for filament."""

    skip_unsafe: bool
    plate: int | None
    film_s: float | None
    every: str | None
    fps: str | None
    screen_mm: float | None


DRAWN = (
    option("-o --out", "The film: .mp4 .mov .mkv", FILE),
    option("--size", "Pixels.", None, "960x540", callback=_size, metavar="WxH"),
    option(
        "--still stills",
        "Write one frame as a picture.",
        (int, FILE),
        multiple=True,
        metavar="POSE PNG",
    ),
)
CARD = (
    option(
        "--frames", "Write all frames as a camera would, to try the audit.", FILE, metavar="FOLDER"
    ),
    option(
        "--fault faults",
        "With --frames: missing, double, blurred, dark or restart=POSE; moved=POSE:PX; "
        "pause=POSE:S; flicker=EV; drift=PPM.",
        multiple=True,
        metavar="KIND=N",
    ),
)
CAMERA = (
    option("--azimuth-deg", "Where the camera stands: 0 in front, 90 right, -90 left.", float),
    option("--height-mm", "Lens above the plate, or the vat's film.", float),
    option("--distance-mm", "Lens to the middle of the part.", click.FloatRange(min=1)),
    option("--focal-mm", "Instead of the profile's lens.", click.FloatRange(min=1)),
)
OF_KIND = (
    SKIP_UNSAFE,
    PLATE,
    *RHYTHM,
    option(
        "--screen-mm",
        "Resin: width of the lamp's screen (the job's, or 120).",
        click.FloatRange(min=10, max=1000),
    ),
)


def _camera(**given: float | None) -> CameraWishes:
    from capturehook.rehearse.room import Wishes

    return Wishes(**given)


@click.command("rehearse", short_help="Draw the film before the print.")
@click.argument("job", metavar="JOB", required=False)
@PROFILE
@bundle("drawn", Drawn, *DRAWN)
@bundle("card", Card, *CARD)
@bundle("camera", _camera, *CAMERA)
@bundle("of_kind", OfKind, *OF_KIND)
@numbers
@JSON
def rehearse_command(
    job: str | None,
    profile: str | None,
    drawn: Drawn,
    card: Card,
    camera: CameraWishes,
    of_kind: OfKind,
    given: Numbers,
    as_json: bool,
) -> int:
    """Draw what the camera will see at each pose of JOB; say what the parked head hides.

    A resin job is drawn hanging from its plate; without JOB, from flags and --stl or a plain
    tower. What is not said of the camera is chosen so that the part fills the picture.

    \b
    capturehook rehearse lighthouse.gcode -p heron -o rehearsal.mp4
    capturehook rehearse lighthouse.gcode -p heron --still 80 still.png --azimuth-deg -20
    capturehook rehearse lighthouse.gcode -p heron --frames card/ --fault missing=12
    capturehook rehearse lighthouse_posed.zip -p tern -o rehearsal.mp4
    capturehook rehearse -p tern --layers 1200 --stl part.stl -o rehearsal.mp4
    """  # fmt: skip
    from capturehook.rehearse.run import Asked

    if card.faults and card.frames is None:
        raise click.UsageError("--fault spoils what --frames writes; add --frames FOLDER.")
    asked = Asked(size=drawn.size, film=drawn.out, stills=dict(drawn.stills))
    is_resin = job is None or _is_resin(job)
    every = _refuse_others(is_resin, of_kind, given)
    if job is not None:
        refuse_of_the_job(given)
    if job is None or is_resin:
        scene = scene_of(job, profile, given, draws=True, every=every,
                         screen_mm=of_kind.screen_mm)  # fmt: skip
        made = _resin(scene, camera, asked, card)
    else:
        wishes = wishes_of(film_s=of_kind.film_s, every=of_kind.every, fps=of_kind.fps)
        made = _filament(job, wished_profile(profile, wishes), of_kind, camera, asked, card)
    named = job or "(no job)"
    if as_json:
        show.emit_json({"job": named, **made.as_json()})
    else:
        _show(made, named, asked.film)
        if card.frames is not None:
            saved = len(list(card.frames.iterdir()))
            show.say(f"{card.frames}: {saved} frames as the camera would save them")
        show.show_findings(made.findings)
    return show.exit_code(made.findings)


def _is_resin(job: str) -> bool:
    """Whether it is a zip of layers or a binary resin job. Packed plates are zips too."""
    from capturehook.jobfile.plates import is_resin_zip
    from capturehook.resin.job import is_binary_resin

    return job != "-" and (is_resin_zip(Path(job)) or is_binary_resin(Path(job)))


def _refuse_others(is_resin: bool, of_kind: OfKind, given: Numbers) -> int | None:
    """Refuse what is for the other kind of printer. K, where a resin job takes every K-th frame."""
    if not is_resin:
        if of_kind.screen_mm is not None or given:
            raise click.UsageError("--screen-mm and numbers are for resin; leave them out.")
        return None
    if of_kind.skip_unsafe or (of_kind.film_s, of_kind.fps) != (None, None):
        raise click.UsageError(
            "--skip-unsafe, --film and --fps are for filament jobs; leave them out."
        )
    if of_kind.every is None:
        return None
    if not (of_kind.every.isdecimal() and 0 < int(of_kind.every) <= MOST_EVERY):
        raise click.UsageError(f"--every {of_kind.every}: resin takes each K-th frame; write 2.")
    return int(of_kind.every)


def _filament(
    job: str, profile: Profile, of_kind: OfKind, camera: CameraWishes, asked: Asked, card: Card
) -> Rehearsal:
    from capturehook.api import pose_job
    from capturehook.read.job import read_job
    from capturehook.rehearse.run import rehearse
    from capturehook.report.shoot import plan_shoot

    data, path = read_job_file(job, of_kind.plate)
    record = read_job(data, path, profile)
    applied = pose_job(record, skip_unsafe=of_kind.skip_unsafe)
    if card.frames is not None:
        asked = replace(asked, camera=_stand_in(plan_shoot(applied).record(), card))
    with show.progress("Drawing", len(applied.poses)) as step:
        return rehearse(applied, camera, asked, step)


def _resin(scene: Scene, camera: CameraWishes, asked: Asked, card: Card) -> Rehearsal:
    from capturehook.rehearse.hanging import rehearse_resin

    plan = scene.shoot.plan
    if card.frames is not None:
        asked = replace(asked, camera=_stand_in(plan, card))
    with show.progress("Drawing", len(plan.poses)) as step:
        return rehearse_resin(scene, camera, asked, step)


def _stand_in(plan: PlanRecord, card: Card) -> StandInCamera:
    from capturehook.rehearse.stand_in import StandInCamera, list_exposures, read_fault

    assert card.frames is not None
    faults = [read_fault(text) for text in card.faults]
    return StandInCamera(card.frames, list_exposures(plan, faults))


def _show(made: Rehearsal, path: str, film: Path | None) -> None:
    eye, worst = made.view.eye_mm, made.worst
    if film is not None:
        show.say(f"{film}: {len(made.sights)} poses, {float(made.film_s):.2f} s")
    what, whole = ("the parked head", "part") if made.park else ("the vat's rim", "part in sight")
    facts = {
        "job": f"{path}: {len(made.sights)} poses",
        "camera": f"X{eye[0]:.0f} Y{eye[1]:.0f} Z{eye[2]:.0f} mm in the room",
        "hidden": f"{what} hides {made.mean_hidden:.1%} of the {whole} on average, "
        f"{worst.hidden_share:.1%} at most (pose {worst.pose})",
    }
    if made.park is not None:
        facts["park"] = _park_text(made.park)
    show.show_facts(facts)


def _park_text(park: ParkAdvice) -> str:
    now = f"at X{park.now.x_mm:g} Y{park.now.y_mm:g}, {show.duration(park.now.travel_s)} of travel"
    if park.reason:
        return f"{now}; no other point was tried: {park.reason}"
    tried = f"{park.tried} points tried, {park.safe} safe"
    if park.better is None:
        return f"{now}; none better ({tried})"
    better = park.better
    hides = f"hides {better.hidden_share:.1%} instead of {park.now.hidden_share:.1%}"
    if f"{better.hidden_share:.1%}" == f"{park.now.hidden_share:.1%}":
        hides = "hides no more"
    return (
        f"{now}; better would be X{better.x_mm:g} Y{better.y_mm:g}: {hides}, "
        f"{show.duration(better.travel_s)} of travel ({tried}; `apply` proves it anew)"
    )
