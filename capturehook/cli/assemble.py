"""`capturehook assemble`: the frames of a shoot to a film."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

FILE = click.Path(path_type=Path)


@click.command("assemble", short_help="Make the film from the frames of a shoot.")
@click.argument("frames", nargs=-1, required=True, type=FILE)
@click.option("--plan", "plan_path", type=FILE, help="The plan.json the shoot was made by.")
@click.option("--job", type=FILE, help="The posed job: its own plan is found and held to it.")
@click.option("-o", "--out", required=True, type=FILE, help="The film: .mp4 .mov .mkv .webm")
@click.option("--fps", help="Frames per second: 25, 30000/1001. From the plan unless given.")
@click.option(
    "--crop",
    type=click.Choice(["keep", "16:9", "1:1", "9:16"]),
    default="keep",
    show_default=True,
    help="Shape of the picture.",
)
@click.option("--width", "width_px", type=click.IntRange(16), help="Of the film, px.")
@click.option(
    "--centre",
    "centre_px",
    nargs=2,
    type=float,
    metavar="X Y",
    help="Place in the original to have in the middle of the crop, px.",
)
@click.option(
    "--fill",
    type=click.Choice(["hold", "blend", "skip"]),
    default="hold",
    show_default=True,
    help="Poses without a fit frame: hold the one before, blend both neighbours, or skip.",
)
@click.option(
    "--align",
    type=click.Choice(["auto", "shift", "turn", "none"]),
    default="auto",
    show_default=True,
    help="Undo movements of the camera: what is there; shifts; turn and scale too; nothing.",
)
@click.option(
    "--even-light",
    is_flag=False,
    flag_value="lamps",
    type=click.Choice(["lamps", "all"]),
    help="Even out light and colour from frame to frame (lamps), or slow daylight too (all).",
)
@click.option(
    "--static",
    "static_px",
    nargs=4,
    type=float,
    metavar="X Y W H",
    help="Part of the picture that never changes, in pixels of the original.",
)
@click.option(
    "--anchor",
    "anchors",
    nargs=2,
    type=(str, int),
    multiple=True,
    metavar="FRAME POSE",
    help="A frame's name and the pose it shows, when the times fit in more than one place.",
)
@click.option("--clock", type=click.Choice(["camera", "file", "order"]), help="Times to go by.")
@click.option("--hold-last", "hold_last_s", type=float, help="Seconds the last frame stays.")
@click.option("--fade", "fade_s", type=float, default=0.0, help="Seconds of fade to black.")
@click.option(
    "--progress-text",
    "text",
    metavar="WORDS",
    help="Write layer, height, time into the picture: layer,height",
)
@click.option("--codec", default="h264", show_default=True, help="h264 h265 vp9 av1 ffv1")
@click.option(
    "--quality",
    type=click.Choice(["small", "good", "fine"]),
    default="good",
    show_default=True,
    help="Small file, good, or fine enough to edit further.",
)
@click.option("--title", help="Title in the file; the job's name unless given.")
@click.option("--list", "list_path", type=FILE, help="Write the chosen frames as CSV too.")
@click.option("--json", "as_json", is_flag=True, help="What was made, for machines.")
def assemble_command(
    frames: tuple[Path, ...],
    plan_path: Path | None,
    job: Path | None,
    out: Path,
    static_px: tuple[float, float, float, float] | None,
    anchors: tuple[tuple[str, int], ...],
    clock: Any,
    text: str | None,
    list_path: Path | None,
    as_json: bool,
    **wishes: Any,
) -> int:
    """Make a film of FRAMES (folders or files; each folder is a card).

    Frames are checked as `capturehook audit` does it; spoilt ones are left out. The originals
    are only read.

    \b
    Example:
      capturehook assemble card1/ --plan plan.json -o lighthouse.mp4 --even-light
    """
    from capturehook.audit.judge import audit_frames
    from capturehook.cli import show
    from capturehook.film.assemble import (
        FilmWishes,
        assemble_film,
        film_json,
        film_lines,
        plan_film,
    )
    from capturehook.frames.listing import load_frames
    from capturehook.hosts.plans import chosen_plan

    words = tuple(word.strip() for word in text.split(",")) if text else ()
    film_wishes = FilmWishes(text=words, **wishes)
    plan = chosen_plan(plan_path, job)
    listed = load_frames(frames, clock=clock)
    with show.progress("Looking at frames", len(listed)) as step:
        audit = audit_frames(
            listed, plan, static_px=static_px, anchors=dict(anchors), progress=step
        )
    total = len(plan_film(audit, film_wishes).chosen)
    with show.progress("Making the film", total) as step:
        film = assemble_film(audit, out, film_wishes, list_path=list_path, progress=step)
    if as_json:
        show.emit_json(film_json(film, audit))
    else:
        for line in film_lines(film, audit):
            show.say(line)
        show.show_findings(film.findings)
    return show.exit_code(film.findings)
