"""`capturehook profile`: make, list, show and check profiles; their schema for editors."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from capturehook.cli import show
from capturehook.cli.options import FILE, JSON, option, takes


@click.group(short_help="Profiles: one printer, one camera, one way to fire it.", name="profile")
def profile_group() -> None:
    """Profiles: one printer, one camera, one way to fire it.

    \b
    Example:  capturehook profile new mine --from heron
              capturehook profile check mine
    """


@profile_group.command(name="new")
@click.argument("name")
@takes(
    option("--from base", "Copy that one, every key explained.", metavar="NAME|PATH"),
    option("--from-job job", "Fill in what a sliced job states.", metavar="JOB"),
    option("--ask/--no-ask", "Ask questions (default: on a terminal)."),
    option("-o --out", "Write there, not in your own folder.", FILE),
    option("--replace", "Overwrite an existing file.", bool),
)
@JSON
def new_command(
    name: str,
    base: str | None,
    job: str | None,
    ask: bool | None,
    out: Path | None,
    replace: bool,
    as_json: bool,
) -> int:
    """Make a profile: by questions, from a job, or from another one.

    \b
    Example:  capturehook profile new mine
              capturehook profile new mine --from-job lighthouse.gcode
              capturehook profile new mine --from heron
    """
    from capturehook.profile.shelf import new_profile, place_for, write_profile

    if base is not None and (job is not None or ask):
        raise click.UsageError("--from copies a profile: omit --from-job and --ask")
    asks = ask if ask is not None else not as_json and show.is_terminal()
    if base is not None or (job is None and not asks):
        path = new_profile(name, base or "heron", out, replace=replace)
    else:
        path = place_for(name, out, replace=replace)
        write_profile(path, _first_profile(name, job, asks=asks))
    if as_json:
        show.emit_json({"schema": 1, "name": name, "path": str(path)})
        return 0
    show.say(f"{path}: written. Set your own numbers, then: capturehook profile check {path}")
    return 0


def _first_profile(name: str, job: str | None, *, asks: bool) -> str:
    """The text of a profile from a job's statements and a person's answers."""
    from capturehook.report import first_profile as first

    tables = first.start_tables(name)
    if job is not None:
        from capturehook.cli.job import read_job_file

        found = first.job_tables(tables, read_job_file(job)[0])
        for one in found or ["nothing about the printer"]:
            show.note(f"{job} states {one}")
    if asks:
        _ask_all(tables)
    first.finish_tables(tables)
    return first.profile_text(tables)


def _ask_all(tables: dict[str, dict[str, Any]]) -> None:
    """Each question until its answer holds; which are asked depends on those before."""
    from capturehook.report.questions import faults_of, questions

    number = 0
    while number < len(questions(tables)):
        question = questions(tables)[number]
        show.note("")
        show.note(f"{number + 1}. {question.how}")
        before = {table: dict(keys) for table, keys in tables.items()}
        try:
            question.take(tables, show.ask(question.text, question.default(tables)))
            wrong = faults_of(tables, question.keys)
        except ValueError as fault:
            wrong = [str(fault)]
        if not wrong:
            number += 1
            continue
        tables.clear()
        tables.update(before)
        for text in wrong:
            show.note(f"! {text[:1].upper()}{text[1:]}")


@profile_group.command(name="list")
@JSON
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
@JSON
def show_command(name: str | None, as_json: bool) -> int:
    """Every key of a profile with its value, as TOML.

    \b
    `# default` marks keys the file itself does not set. NAME is as after -p.
    Example:  capturehook profile show heron
    """
    from capturehook.profile import load_profile
    from capturehook.profile.text import full_text

    profile = load_profile(name)
    if as_json:
        show.emit_json(profile.model_dump(mode="json", by_alias=True))
    else:
        show.give(full_text(profile).rstrip())
    return 0


@profile_group.command(name="check")
@click.argument("name", required=False)
@JSON
def check_command(name: str | None, as_json: bool) -> int:
    """Report every fault (exit code 2) or warning (1) of a profile at once.

    \b
    NAME is a name or a path, as after -p.
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
@takes(
    option("--markdown", "The keys as tables for people.", bool),
    option("--json as_json", "JSON Schema (what is printed anyway).", bool),
)
def schema_command(markdown: bool, as_json: bool) -> int:
    """JSON Schema of a profile, for editors.

    \b
    Example:  capturehook profile schema > capture.schema.json
    """
    from capturehook.profile.text import key_table, schema

    if markdown and not as_json:
        show.give(key_table().rstrip())
    else:
        show.emit_json(schema())
    return 0
