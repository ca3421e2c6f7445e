"""`demo`: the whole main job on the built-in lighthouse, into a folder."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capturehook.cli import show
from capturehook.cli.options import JSON, option, profile_option, takes
from capturehook.extras import install_command

if TYPE_CHECKING:
    from capturehook.demo.lighthouse import Demo, Step


@click.command("demo", short_help="Do the main job on a small lighthouse of our own.")
@click.argument("folder", metavar="FOLDER", default="lighthouse")
@profile_option("Instead of the starter heron (resin: tern).")
@takes(option("--resin", "The same lighthouse for a resin printer.", bool))
@JSON
def demo_command(folder: str, profile: str | None, resin: bool, as_json: bool) -> int:
    """Do the main job on a small lighthouse, and say what to look at.

    \b
    capturehook demo lighthouse
    capturehook demo lighthouse_resin --resin
    """
    with_film = find_spec("av") is not None and find_spec("PIL") is not None
    with show.progress("Drawing the film", None) as step:
        make = _make_resin if resin else _make
        demo = make(Path(folder), profile, with_film, step)
    if as_json:
        show.emit_json(demo.as_json())
        return show.exit_code(demo.findings)
    show.say(demo.summary)
    show.say("Look at:")
    show.show_facts([(str(path), text) for path, text in demo.files])
    if not with_film:
        show.say(f"For the rehearsal film as well: {install_command('video')}")
    start = "--from tern" if resin else "--from-job YOUR_JOB"
    show.say(f"Next: `capturehook profile new mine {start}`, then your own job with -p mine.")
    moves = "plate" if resin else "hot head"
    show.say(f"Before a real print, read docs/safety.md: the {moves} will move by itself.")
    show.show_findings(demo.findings)
    return show.exit_code(demo.findings)


def _make(folder: Path, profile: str | None, with_film: bool, step: Step) -> Demo:
    from capturehook.demo.lighthouse import make_demo
    from capturehook.profile import load_profile

    return make_demo(folder, load_profile(profile or "heron"), with_film=with_film, step=step)


def _make_resin(folder: Path, profile: str | None, with_film: bool, step: Step) -> Demo:
    from capturehook.demo.resin import make_resin_demo
    from capturehook.resin.job import load_resin_profile

    loaded, table = load_resin_profile(profile or "tern")
    return make_resin_demo(folder, loaded, table, with_film=with_film, step=step)
