"""`capturehook rehearse`: the film before the print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from capturehook.cli import show
from capturehook.cli.job import JSON, PROFILE, read_job_file

if TYPE_CHECKING:
    from capturehook.pipeline import Applied
    from capturehook.rehearse.hidden import ParkAdvice
    from capturehook.rehearse.run import Rehearsal
    from capturehook.rehearse.stand_in import StandInCamera

FILE = click.Path(path_type=Path)


def _size(_context: click.Context, _option: click.Parameter, value: str) -> tuple[int, int]:
    """960x540 -> (960, 540)."""
    wide, _, high = value.lower().partition("x")
    if not (wide.isdecimal() and high.isdecimal()):
        raise click.BadParameter(f"{value!r} is no size; write 960x540")
    return int(wide), int(high)


@click.command("rehearse", short_help="Draw the film before the print.")
@click.argument("job", metavar="JOB")
@PROFILE
@click.option("-o", "--out", type=FILE, help="The film: .mp4 .mov .mkv")
@click.option(
    "--size", callback=_size, default="960x540", show_default=True, metavar="WxH", help="Pixels."
)
@click.option(
    "--still",
    "stills",
    nargs=2,
    type=(int, FILE),
    multiple=True,
    metavar="POSE PNG",
    help="Write one frame as a picture.",
)
@click.option(
    "--frames",
    type=FILE,
    metavar="FOLDER",
    help="Write all frames as a camera would, with times; to try the audit.",
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="KIND=N",
    help="With --frames: missing, double, blurred, dark or restart=POSE; moved=POSE:PX; "
    "pause=POSE:S; flicker=EV; drift=PPM.",
)
@click.option(
    "--azimuth-deg",
    type=float,
    help="Where the camera stands: 0 in front, 90 on the right, -90 on the left.",
)
@click.option("--height-mm", type=float, help="Lens above the plate.")
@click.option("--distance-mm", type=click.FloatRange(min=1), help="Lens to the middle of the part.")
@click.option("--focal-mm", type=click.FloatRange(min=1), help="Instead of the profile's lens.")
@click.option("--skip-unsafe", is_flag=True, help="Leave out poses that cannot be made safely.")
@JSON
def rehearse_command(
    job: str,
    profile: str | None,
    out: Path | None,
    size: tuple[int, int],
    stills: tuple[tuple[int, Path], ...],
    frames: Path | None,
    faults: tuple[str, ...],
    azimuth_deg: float | None,
    height_mm: float | None,
    distance_mm: float | None,
    focal_mm: float | None,
    skip_unsafe: bool,
    as_json: bool,
) -> int:
    """Draw what the camera will see at each pose of JOB; say what the parked head hides.

    JOB stays as it is. What is not said of the camera is chosen so that the part fills the picture.

    \b
    capturehook rehearse lighthouse.gcode -p heron -o rehearsal.mp4
    capturehook rehearse lighthouse.gcode -p heron --still 80 still.png --azimuth-deg -20
    capturehook rehearse lighthouse.gcode -p heron --frames card/ --fault missing=12
    """  # fmt: skip
    from capturehook.pipeline import apply_job, read_job
    from capturehook.profile import load_profile
    from capturehook.rehearse.room import Wishes
    from capturehook.rehearse.run import Asked, rehearse

    if faults and frames is None:
        raise click.UsageError("--fault spoils what --frames writes; add --frames FOLDER.")
    data, path = read_job_file(job)
    applied = apply_job(read_job(data, path, load_profile(profile)), skip_unsafe=skip_unsafe)
    wishes = Wishes(
        azimuth_deg=azimuth_deg, height_mm=height_mm, distance_mm=distance_mm, focal_mm=focal_mm
    )
    camera = _stand_in(applied, frames, faults) if frames is not None else None
    asked = Asked(size=size, film=out, stills=dict(stills), camera=camera)
    with show.progress("Drawing", len(applied.poses)) as step:
        made = rehearse(applied, wishes, asked, step)
    if as_json:
        show.emit_json({"job": path, **made.as_json()})
    else:
        _show(made, path, asked.film)
        if camera is not None:
            show.say(f"{camera.folder}: {camera.saved} frames as the camera would save them")
        show.show_findings(made.findings)
    return show.exit_code(made.findings)


def _stand_in(applied: Applied, folder: Path, faults: tuple[str, ...]) -> StandInCamera:
    from capturehook.plan.shoot import plan_shoot
    from capturehook.rehearse.stand_in import StandInCamera, list_exposures, read_fault

    plan = plan_shoot(applied).record()
    return StandInCamera(folder, list_exposures(plan, [read_fault(text) for text in faults]))


def _show(made: Rehearsal, path: str, film: Path | None) -> None:
    eye, worst = made.view.eye_mm, made.worst
    if film is not None:
        show.say(f"{film}: {len(made.sights)} poses, {float(made.film_s):.2f} s")
    show.show_facts(
        [
            ("job", f"{path}: {len(made.sights)} poses"),
            (
                "camera",
                f"X{eye[0]:.0f} Y{eye[1]:.0f} Z{eye[2]:.0f} mm in the room",
            ),
            (
                "hidden",
                f"the parked head hides {made.mean_hidden:.1%} of the part on average, "
                f"{worst.hidden_share:.1%} at most (pose {worst.pose})",
            ),
            ("park", _park_text(made.park)),
        ]
    )


def _park_text(park: ParkAdvice) -> str:
    now = f"at X{park.now.x_mm:g} Y{park.now.y_mm:g}, {show.duration(park.now.travel_s)} of travel"
    if park.reason:
        return f"{now}; no other point was tried: {park.reason}"
    tried = f"{park.tried} points tried, {park.safe} safe"
    if park.better is None:
        return f"{now}; none better ({tried})"
    better = park.better
    return (
        f"{now}; better would be X{better.x_mm:g} Y{better.y_mm:g}: hides "
        f"{better.hidden_share:.1%} instead of {park.now.hidden_share:.1%}, "
        f"{show.duration(better.travel_s)} of travel ({tried}; `apply` proves it anew)"
    )
