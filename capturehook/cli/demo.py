"""`demo`: the whole main job on the built-in lighthouse, into a folder."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import click

from capturehook.cli import show


@click.command("demo", short_help="Do the main job on a small lighthouse of our own.")
@click.argument("folder", metavar="FOLDER", default="lighthouse")
@click.option(
    "-p", "--profile", metavar="PROFILE", default="heron", help="Instead of the starter heron."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON for machines.")
def demo_command(folder: str, profile: str, as_json: bool) -> int:
    """Do the main job on a small lighthouse, sliced for the occasion, and say what to look at.

    \b
    capturehook demo lighthouse
    """
    from capturehook.demo import make_demo
    from capturehook.profile import load_profile

    with_film = find_spec("av") is not None and find_spec("PIL") is not None
    with show.progress("Drawing the film", None) as step:
        demo = make_demo(Path(folder), load_profile(profile), with_film=with_film, step=step)
    if as_json:
        show.emit_json(demo.as_json())
        return show.exit_code(demo.findings)
    show.say(demo.summary)
    show.say("Look at:")
    show.show_facts([(str(path), text) for path, text in demo.files])
    if not with_film:
        show.say("For the rehearsal film as well: pip install 'capturehook[video]'")
    show.say("Next: `capturehook profile new mine --from heron`, then your own job with -p mine.")
    show.say("Before a real print, read docs/safety.md: the hot head will move by itself.")
    show.show_findings(demo.findings)
    return show.exit_code(demo.findings)
