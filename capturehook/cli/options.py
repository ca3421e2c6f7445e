"""Options of every command (`--quiet`, `--verbose`), and what a shell may complete.

Both are given to a command when it is asked for, so that no command can lack them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import wraps
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

JSON_HELP = "One JSON object on standard output."
JSON = click.option("--json", "as_json", is_flag=True, help=JSON_HELP)
PROFILE = click.option(
    "-p",
    "--profile",
    metavar="PROFILE",
    help="A .toml file, or a name of `capturehook profile list`.",
)


def bundle(
    name: str, record: Callable[..., Any], *options: click.Option
) -> Callable[[_Command], _Command]:
    """Give a command options that belong together; they arrive as one ``record``, ``name``."""

    def give(command: _Command) -> _Command:
        @wraps(command)
        def bundled(**given: Any) -> int:
            together = {str(one.name): given.pop(str(one.name)) for one in options}
            return command(**{name: record(**together)}, **given)

        others = getattr(command, "__click_params__", [])
        bundled.__click_params__ = [*others, *reversed(options)]  # type: ignore[attr-defined]
        return bundled

    return give


def single(option: click.Option) -> Callable[[_Command], _Command]:
    """Give a command one option, by its own name."""

    def give(command: _Command) -> _Command:
        params = getattr(command, "__click_params__", [])
        command.__click_params__ = [*params, option]  # type: ignore[attr-defined]
        return command

    return give


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
            if param.name in PROFILES:
                _completes(param, complete_profile)
            elif param.name in FILES and param.type is click.STRING:
                _completes(param, complete_file)
        one.params += [_manner(name) for name in EVERYWHERE]
    return command


def _each(command: click.Command) -> Iterator[click.Command]:
    if isinstance(command, click.Group):
        for one in command.commands.values():
            yield from _each(one)
    else:
        yield command


def _completes(param: click.Parameter, complete: Callable[..., list[CompletionItem]]) -> None:
    """What click's own `shell_complete` argument does; here the parameter is there already."""
    param._custom_shell_complete = complete


def _manner(name: str) -> click.Option:
    words = {
        "quiet": (["-q", "--quiet"], "Only warnings and errors, and what was asked for."),
        "verbose": (["-v", "--verbose"], "Also tell each step on standard error."),
    }
    names, text = words[name]
    return click.Option(
        names, is_flag=True, expose_value=False, is_eager=True, help=text, callback=_take_manner
    )


def _take_manner(context: click.Context, option: click.Parameter, value: Any) -> None:
    if value and option.name == "quiet":
        show.be_quiet()
    elif value:
        show.be_verbose()
