"""`capturehook profile`: make, list, show and check profiles; their schema for editors."""

from __future__ import annotations

from pathlib import Path

import click

from capturehook.cli import show


@click.group(short_help="Profiles: one printer, one camera, one way to fire it.", name="profile")
def profile_group() -> None:
    """Profiles: one printer, one camera, one way to fire it.

    \b
    Example:  capturehook profile new mine --from heron
              capturehook profile check mine
    """


@profile_group.command(name="new")
@click.argument("name")
@click.option(
    "--from", "base", default="heron", show_default=True, metavar="NAME|PATH", help="Start from."
)
@click.option(
    "-o", "--out", type=click.Path(path_type=Path), help="Write there, not in your own folder."
)
@click.option("--replace", is_flag=True, help="Overwrite an existing file.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on standard output.")
def new_command(name: str, base: str, out: Path | None, replace: bool, as_json: bool) -> int:
    """Write a starter with every key explained.

    \b
    Example:  capturehook profile new mine --from heron
    """
    from capturehook.profile.shelf import new_profile

    path = new_profile(name, base, out, replace=replace)
    if as_json:
        show.emit_json({"schema": 1, "name": name, "path": str(path)})
    else:
        show.say(f"{path}: written. Set your own numbers, then: capturehook profile check {path}")
    return 0


@profile_group.command(name="list")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on standard output.")
def list_command(as_json: bool) -> int:
    """All profiles that can be named with -p.

    \b
    Example:  capturehook profile list
    """
    from capturehook.profile.shelf import list_shelf

    shelf = list_shelf()
    if as_json:
        show.emit_json({"schema": 1, "profiles": [one.as_json() for one in shelf]})
        return 0
    show.show_table(
        ("name", "firmware", "trigger", "faults", "path"),
        [(one.name, one.firmware, one.trigger, one.faults or "", one.path) for one in shelf],
    )
    return 0


@profile_group.command(name="show")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on standard output.")
def show_command(name: str | None, as_json: bool) -> int:
    """Every key of a profile with its value, as TOML.

    `# default` marks keys the file itself does not set.

    \b
    NAME is a profile's name or path; without it, ./capture.toml.
    Example:  capturehook profile show heron
    """
    from capturehook.profile import load_profile
    from capturehook.profile.text import full_text

    profile = load_profile(name)
    if as_json:
        show.emit_json(profile.model_dump(mode="json", by_alias=True))
    else:
        show.say(full_text(profile).rstrip())
    return 0


@profile_group.command(name="check")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on standard output.")
def check_command(name: str | None, as_json: bool) -> int:
    """Report every fault of a profile at once.

    Warnings that do not stop a run are shown too.

    \b
    NAME is a profile's name or path; without it, ./capture.toml.
    Exit code 0: sound; 1: warnings; 2: faults.
    Example:  capturehook profile check heron
    """
    from capturehook.profile import find_profile
    from capturehook.profile.shelf import findings_of

    path = find_profile(name)
    findings = findings_of(path)
    if as_json:
        found = [finding.as_json() for finding in findings]
        show.emit_json({"schema": 1, "path": str(path), "errors": [], "findings": found})
        return show.exit_code(findings)
    show.show_findings(findings)
    show.say(f"{path}: no faults" + (f", {len(findings)} to look at" if findings else ""))
    return show.exit_code(findings)


@profile_group.command(name="schema")
@click.option("--markdown", is_flag=True, help="The keys as tables for people.")
@click.option("--json", "as_json", is_flag=True, help="JSON Schema (what is printed anyway).")
def schema_command(markdown: bool, as_json: bool) -> int:
    """JSON Schema of a profile, for editors.

    \b
    Example:  capturehook profile schema > capture.schema.json
    """
    from capturehook.profile.text import key_table, schema

    if markdown and not as_json:
        show.say(key_table().rstrip())
    else:
        show.emit_json(schema())
    return 0
