"""`capturehook assemble`: the frames of a shoot to a film."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capturehook.cli.film_options import FramesAs, GroupedCommand, film_options
from capturehook.cli.options import FILE

if TYPE_CHECKING:
    from capturehook.film.assemble import FilmOuts
    from capturehook.film.wishes import FilmWishes


@click.command(
    "assemble", cls=GroupedCommand, short_help="Make the film from the frames of a shoot."
)
@click.argument("frames", nargs=-1, required=True, type=FILE)
@film_options
def assemble_command(
    frames: tuple[Path, ...],
    frames_as: FramesAs,
    wishes: FilmWishes,
    out: Path,
    outs: FilmOuts,
    as_json: bool,
) -> int:
    """Make a film of FRAMES (folders or files; each folder is a card).

    Frames are checked as by `audit`; spoilt ones are left out.

    \b
    Example:
      capturehook assemble card1/ --plan plan.json -o lighthouse.mp4 --even-light
    """
    from capturehook.audit.judge import audit_frames
    from capturehook.cli import show
    from capturehook.film.assemble import assemble_film, film_json, film_lines
    from capturehook.film.recipe import plan_film
    from capturehook.film.shelf import work_folder
    from capturehook.film.wishes import check_wishes
    from capturehook.frames.listing import load_frames
    from capturehook.frames.needs import give_memory_back, keep_memory_low
    from capturehook.frames.rows import RowStore
    from capturehook.hosts.plans import chosen_plan

    keep_memory_low()
    plan = chosen_plan(frames_as.plan_path, frames_as.job)
    listed = load_frames(frames, clock=frames_as.clock)
    check_wishes(listed, plan, wishes, out)
    store = RowStore(work_folder(out)) if outs.resume else None
    with show.progress("Looking at frames", len(listed)) as step, store or nullcontext():
        audit = audit_frames(
            listed,
            plan,
            static_px=frames_as.static_px,
            anchors=dict(frames_as.anchors),
            progress=step,
            store=store,
        )
    give_memory_back()
    total = len(plan_film(audit, wishes).chosen)
    with show.progress("Making the film", total) as step:
        film = assemble_film(audit, out, wishes, outs=outs, progress=step)
    if as_json:
        show.emit_json(film_json(film, audit))
    else:
        for line in film_lines(film, audit):
            show.say(line)
        show.show_findings(film.findings)
    return show.exit_code(film.findings)
