"""Options of every command (`--quiet`, `--verbose`), and what a shell may complete.

Both are given to a command when it is asked for, so that no command can lack them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import MISSING, fields
from functools import wraps
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from capturehook.cli import show

_Command = Callable[..., int]
EVERYWHERE = ("quiet", "verbose")
"""Parameters that every command has; the reference tells them once."""
PROFILES = ("profile", "base")
"""Parameters that take the name of a profile or a path."""
FILES = ("job", "out", "save", "picture", "plan_to", "folder", "stl")
"""Parameters that take a path as plain text."""

Takes = Callable[[Any], Any]
"""Gives a command options."""
FILE = click.Path(path_type=Path)
NEW_FILE = click.Path(path_type=Path, dir_okay=False)


def option(
    names: str, help: str, kind: Any = None, default: Any = None, **more: Any
) -> click.Option:
    """One option.

    ``names`` as in "-o --out" or "--plan plan_path"; ``kind``: bool is a flag, a text the words to
    choose from, else what click takes. A flag with its own "no" (`--ask/--no-ask`) is None where
    neither is said. It takes as many values as its ``metavar`` has words. A
    default that is not 0 is told.
    """
    if kind is bool:
        more["is_flag"] = True
    elif kind is not None:
        more["type"] = click.Choice(kind.split()) if isinstance(kind, str) else kind
        more["nargs"] = len(more.get("metavar", "").split()) or 1
    if "/" in names:
        more["default"] = default
    elif default is not None:
        more = {"default": default, "show_default": bool(default), **more}
    return click.Option(names.split(), help=help, **more)


def takes(*options: click.Option) -> Takes:
    """Give a command options, each by its own name."""

    def give(command: Any) -> Any:
        params = getattr(command, "__click_params__", [])
        command.__click_params__ = [*params, *reversed(options)]
        return command

    return give


def bundle(name: str, record: Callable[..., Any], *options: click.Option) -> Takes:
    """Give a command options that belong together; they arrive as one ``record``, ``name``."""

    def give(command: _Command) -> Any:
        @wraps(command)
        def bundled(**given: Any) -> int:
            together = {str(one.name): given.pop(str(one.name)) for one in options}
            return command(**{name: record(**together)}, **given)

        return takes(*options)(bundled)

    return give


def profile_option(help: str) -> Takes:
    return takes(option("-p --profile", help, metavar="PROFILE"))


JSON_HELP = "One JSON object on standard output."
JSON = takes(option("--json as_json", JSON_HELP, bool))
PROFILE = profile_option("A .toml file, or a name of `capturehook profile list`.")


def asked_options(record: type, *, changes: bool = False) -> Takes:
    """An option for each field of a record that a person is asked for (`rig.advice.asked`).

    ``changes``: of what a profile says, so that nothing is given unless a person gives it.
    """
    options = []
    for one in fields(record):
        about, bare = one.metadata, changes or one.default is MISSING
        options.append(
            option(
                f"{about.get('flag', '--' + one.name.replace('_', '-'))} {one.name}",
                about["help"],
                click.Choice(about["choices"]) if "choices" in about else float,
                None if bare else one.default,
                required=bare and not changes,
                show_default=False,
            )
        )
    return takes(*options)


def ends_in(*endings: str, else_say: str) -> Callable[..., Path | None]:
    """A callback that refuses a path with another ending, before anything is drawn."""

    def check(_context: click.Context, _option: click.Parameter, value: Path | None) -> Path | None:
        if value is not None and value.suffix.lower() not in endings:
            raise click.BadParameter(f"{str(value)!r} does not end in {endings[0]}; {else_say}")
        return value

    return check


svg_path = ends_in(".svg", else_say="drawings are SVG")
page_path = ends_in(".html", ".htm", else_say="name it shoot.html")


def complete_profile(
    _context: click.Context, _option: click.Parameter, begun: str
) -> list[CompletionItem]:
    """Names of profiles that begin so, each with its file; else files."""
    from capturehook.profile import list_profiles

    found = [(name, path) for name, path in list_profiles() if name.startswith(begun)]
    return [
        *(CompletionItem(name, help=str(path)) for name, path in found),
        *([] if found and begun else [CompletionItem(begun, type="file")]),
    ]


def complete_file(
    _context: click.Context, _option: click.Parameter, begun: str
) -> list[CompletionItem]:
    return [CompletionItem(begun, type="file")]


def finished(command: click.Command) -> click.Command:
    """The command (or each command of a group) with what all have."""
    for one in _each(command):
        names = {param.name for param in one.params}
        if "quiet" in names:
            continue
        for param in one.params:
            # what click's own `shell_complete` argument does; the parameter is there already
            if param.name in PROFILES:
                param._custom_shell_complete = complete_profile
            elif param.name in FILES and param.type is click.STRING:
                param._custom_shell_complete = complete_file
        one.params += [
            _manner("quiet", "Only warnings and errors, and what was asked for.", show.be_quiet),
            _manner("verbose", "Also tell each step on standard error.", show.be_verbose),
        ]
    return command


def _each(command: click.Command) -> Iterator[click.Command]:
    if isinstance(command, click.Group):
        for one in command.commands.values():
            yield from _each(one)
    else:
        yield command


def _manner(name: str, help: str, be: Callable[[], None]) -> click.Option:
    def take(_context: click.Context, _option: click.Parameter, value: Any) -> None:
        if value:
            be()

    names = f"-{name[0]} --{name}"
    return option(names, help, bool, expose_value=False, is_eager=True, callback=take)
