"""`capturehook audit`: the frames of a shoot against its plan."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import click

from capturehook.cli.film_options import FramesAs, frames_options
from capturehook.cli.options import FILE, JSON, bundle, option, page_path


@dataclass(frozen=True, slots=True)
class Wanted:
    """Files to write, and what of the film is shown."""

    sheet: Path | None
    timeline: Path | None
    page: Path | None
    film: Path | None
    timeline_px: int


@click.command("audit", short_help="Check the frames of a shoot against its plan.")
@click.argument("frames", nargs=-1, required=True, type=FILE)
@frames_options
@bundle(
    "wanted",
    Wanted,
    option("--sheet", "Draw a contact sheet (PNG).", FILE),
    option("--timeline", "Draw the shoot over time (SVG).", FILE),
    option("--page", "Write the shoot report, HTML.", FILE, callback=page_path),
    option("--film", "With --page: the film to show in it.", FILE),
    option("--timeline-px", "Width of it; 390 suits a phone.", click.IntRange(240, 10_000), 1200),
)
@JSON
def audit_command(
    frames: tuple[Path, ...], frames_as: FramesAs, wanted: Wanted, as_json: bool
) -> int:
    """Match FRAMES (folders or files; each folder is a card) to the plan and judge each one.

    Without --plan they are judged among themselves.

    \b
    Example:
      capturehook audit card1/ card2/ --plan plan.json --page report.html
    """
    from capturehook.audit.judge import audit_frames
    from capturehook.audit.report import audit_json, summary_lines
    from capturehook.audit.sheet import Thumbs, save_sheet
    from capturehook.audit.timeline import timeline_sheet
    from capturehook.cli import show
    from capturehook.files import write_atomically
    from capturehook.frames.listing import load_frames, refuse_over_frames
    from capturehook.hosts.plans import chosen_plan

    if wanted.film is not None and wanted.page is None:
        raise click.UsageError("--film is shown in the report; add --page report.html.")
    plan = chosen_plan(frames_as.plan_path, frames_as.job)
    listed = load_frames(frames, clock=frames_as.clock)
    for out in (wanted.sheet, wanted.timeline, wanted.page):
        if out is not None:
            refuse_over_frames(listed, out, picture=out is wanted.sheet)
    with ExitStack() as stack:
        thumbs = (
            stack.enter_context(Thumbs(len(listed), listed.size_px))
            if wanted.sheet or wanted.page
            else None
        )
        step = stack.enter_context(show.progress("Looking at frames", len(listed)))
        audit = audit_frames(
            listed,
            plan,
            static_px=frames_as.static_px,
            anchors=dict(frames_as.anchors),
            progress=step,
            on_picture=thumbs.keep if thumbs else None,
        )
        if thumbs is not None and wanted.sheet is not None:
            save_sheet(audit, thumbs, wanted.sheet)
        if thumbs is not None and wanted.page is not None:
            from capturehook.page.after import save_audit_page

            save_audit_page(audit, thumbs, wanted.page, wanted.film)
    if wanted.timeline is not None:
        drawn = timeline_sheet(audit, wanted.timeline_px).as_svg()
        write_atomically(wanted.timeline, drawn.encode())
    if as_json:
        show.emit_json(audit_json(audit))
    else:
        for line in summary_lines(audit):
            show.say(line)
        show.show_findings(audit.findings)
    return show.exit_code(audit.findings)
