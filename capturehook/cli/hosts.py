"""`hook` and `snippet`: how to make another program call us, and what to do where none can."""

from __future__ import annotations

from dataclasses import asdict

import click

from capturehook.cli import show
from capturehook.cli.options import JSON, PROFILE, option, takes


@click.command("hook", short_help="Print the line to paste into a slicing host.")
@PROFILE
@takes(option("--folder", "The folder to watch.", metavar="FOLDER"))
@JSON
def hook_command(profile: str | None, folder: str | None, as_json: bool) -> int:
    """Print the line to paste into a host, for each way hosts call other programs.

    \b
    Example:  capturehook hook -p mine
    """
    from capturehook.hosts.lines import hook_lines
    from capturehook.profile import find_profile, load_profile

    chosen = profile or str(find_profile(None))
    load_profile(chosen)
    lines = hook_lines(chosen, folder)
    if as_json:
        show.emit_json({"schema": 1, "hooks": [asdict(one) for one in lines]})
        return 0
    if profile is None:
        show.say(f"Profile: {chosen} (none was named; name another with -p)")
        show.say()
    for one in lines:
        show.say(f"{one.convention}: {one.goes}")
        show.give(f"    {one.line}")
        show.say(f"    {one.note}")
        show.say()
    show.say("Look at the first job with `capturehook apply JOB --dry-run` before you print it.")
    return 0


@click.command("snippet", short_help="Print a pose as text for a layer-change field.")
@PROFILE
@takes(
    option(
        "--extrusion",
        "How the jobs count E, where firmware cannot save it.",
        "absolute relative",
    )
)
@JSON
def snippet_command(profile: str | None, extrusion: str | None, as_json: bool) -> int:
    """Print a pose as text for a host's layer-change field.

    A last resort, for hosts that can call no program and save into no folder. Read the cautions
    on standard error.

    \b
    Example:  capturehook snippet -p kestrel
              capturehook snippet -p heron --extrusion relative
    """
    from capturehook.hosts.snippet import layer_change_text
    from capturehook.profile import load_profile

    text = layer_change_text(load_profile(profile), extrusion)
    if as_json:
        cautions = list(text.cautions)
        show.emit_json({"schema": 1, "lines": list(text.lines), "cautions": cautions})
        return 0
    show.give("\n".join(text.lines))
    for caution in text.cautions:
        show.note(f"! {caution}")
    return 0
