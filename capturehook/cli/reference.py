"""The page of commands, made from the parser:

    python -m capturehook.cli.reference > docs/reference/cli.md


A test fails when the page is stale. What the parser does not know (the twin in Python, the
page that explains more, what --json holds) stands in the tables here.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator

import click

from capturehook.cli import show
from capturehook.cli.main import COMMANDS, main
from capturehook.cli.options import EVERYWHERE, JSON_HELP

HEAD = """\
# Commands

The same texts as `capturehook COMMAND --help` (there with examples) and `man capturehook`. Every
command takes:

| option | meaning |
|---|---|
| `--json` | one JSON object on standard output, nothing else there: `schema` is its form (1), \
keys carry their unit; an error is `{"schema": 1, "errors": [...]}` |
| `-q`, `--quiet` | warnings, errors and what was asked for alone |
| `-v`, `--verbose` | each step on standard error: profile, files, packages, seconds |
| `-h`, `--help` | what the command takes |

A PROFILE is a path that ends in `.toml`, or a name
([where it is looked for](profile.md#where-it-is-looked-for)). For `apply`, `strip`, `inspect` and
`plan` a JOB of `-` is standard input. A number in brackets is what an option is unless given; one
whose name ends in a unit (`--coil-v`) takes a number. Findings and errors go to standard error,
without colours under `NO_COLOR` or `TERM=dumb`. **Bold** options are required.

| exit code | means |
|---|---|
| 0 | done, nothing to look at |
| 1 | done, with [findings](findings.md); or unsafe poses refused, and nothing written |
| 2 | something you can put right; nothing was changed |
| 3 | a fault of ours; nothing was changed |
| 130, 143 | Ctrl-C, or SIGTERM; [no file is half-written](faults.md) |

The Tab key completes commands, options, files and names of profiles:

| shell | start file | line |
|---|---|---|
| bash 4.4 or newer | `~/.bashrc` | `eval "$(_CAPTUREHOOK_COMPLETE=bash_source capturehook)"` |
| zsh | `~/.zshrc` | `eval "$(_CAPTUREHOOK_COMPLETE=zsh_source capturehook)"` |
| fish | `~/.config/fish/completions/capturehook.fish` | \
`_CAPTUREHOOK_COMPLETE=fish_source capturehook \\| source` |
"""

TWINS = {name: name for name in ("apply", "strip", "inspect", "plan", "audit", "assemble")} | {
    "profile": "load_profile"
}
"""Command -> heading in docs/reference/python_api.md."""

MORE = {
    "apply": "[the pose block](../explain/pose_block.md), [hosts](../howto/hosts.md)",
    "strip": "[fences](../explain/pose_block.md#fences)",
    "inspect": "[firmware and marks](gcode_facts.md)",
    "plan": "[planning](../howto/plan.md), [print time](../explain/time_model.md)",
    "profile": "[profiles](profile.md)",
    "hook": "[hosts](../howto/hosts.md)",
    "snippet": "[hosts](../howto/hosts.md#no-hook-and-no-folder-a-text-at-the-layer-change)",
    "demo": "[tutorial](../tutorial/filament.md), [resin tutorial](../tutorial/resin.md)",
    "optics": "[camera](../howto/camera_and_trigger.md#camera)",
    "bracket": "[brackets](../howto/brackets.md)",
    "trial": "[commissioning](../howto/commissioning.md)",
    "trigger": "[triggers](triggers.md), "
    "[circuits](../howto/camera_and_trigger.md#trigger-a-contact)",
    "resin": "[resin printers](../howto/resin_shoot.md), [its tutorial](../tutorial/resin.md)",
    "rehearse": "[rehearsal](../howto/rehearse.md)",
    "attend": "[watch the shoot](../howto/attend.md)",
    "audit": "[the audit](../howto/audit.md)",
    "assemble": "[the film](../howto/film.md)",
}

JSON = {
    "apply": (
        "`job` (`path`, `lines`, `marks`, `layers`, `print_s`), `poses` (each with `pose`, "
        "`layer`, `z_mm`, `line`, `x_mm`, `y_mm`, `e_retracted_mm`, `added_s`), `added_s`, "
        "`total_s`, `film_s`, `findings`. `line` is the line of JOB, from 1, before which the "
        "block goes."
    ),
    "inspect": (
        "`job`, `marks`, `layers`, `extents` (printed and travelled), `modes`, `filament`, "
        "`times`, `findings`."
    ),
}

TYPE_WORDS = {
    "integer": "N",
    "integer range": "N",
    "float": "NUMBER",
    "float range": "NUMBER",
    "path": "FILE",
    "file": "FILE",
}
_REQUIRED = ". Required."
Option = tuple[str, str]
"""Names and meaning."""


def reference_page() -> str:
    """The whole page."""
    shared = _shared_of({name: list(_rows_of(one)) for name, one in _commands()})
    parts = [HEAD, "## Shared options\n"]
    told: set[Option] = set()
    for of, rows in shared.items():
        if len(of) > 2 or len(rows) > 1:
            parts += [f"{', '.join(f'`{name}`' for name in of)}:\n", *_listed(rows)]
            told |= {*rows}
    for name, command in _commands():
        parts += _section(name, command, told)
    return "\n".join(parts).rstrip() + "\n"


def _commands() -> Iterator[tuple[str, click.Command]]:
    context = click.Context(main, info_name="capturehook")
    for name in COMMANDS:
        command = main.get_command(context, name)
        assert command is not None
        yield name, command


def _rows_of(command: click.Command) -> Iterator[Option]:
    for one in command.commands.values() if isinstance(command, click.Group) else [command]:
        yield from (
            (_UNIT_SAID.sub(r"\1", names_of(option)), meaning(option))
            for option in own_options(one)
        )


_UNIT_SAID = re.compile(r"(-(?:mm|v|k?ohm|ms|s|n|ma|deg|px|hz|w|gb|min|h|cm)`) (?:NUMBER|N)$")
"""A number's option whose name ends in its unit: the head of the page says that once."""


def _shared_of(options: dict[str, list[Option]]) -> dict[tuple[str, ...], list[Option]]:
    """Options that several commands have with the same words, by those commands."""
    found: dict[Option, list[str]] = {}
    for name, rows in options.items():
        for row in dict.fromkeys(rows):
            found.setdefault(row, []).append(name)
    shared: dict[tuple[str, ...], list[Option]] = {}
    for row, names in found.items():
        if len(names) > 1:
            shared.setdefault(tuple(names), []).append(row)
    return shared


def _listed(options: list[Option]) -> Iterator[str]:
    said: dict[tuple[str, str], list[str]] = {}
    for names, text in options:
        name, _, word = names.rpartition("`")
        said.setdefault((word, text), []).append(f"{name}`")
    for names, text in (
        (f"{', '.join(found)}{word}", text) for (word, text), found in said.items()
    ):
        shown = f"**{names}**" if _REQUIRED in text else names
        yield f"- {shown}: {text.replace(_REQUIRED, '.')}"
    yield ""


def _section(name: str, command: click.Command, told: set[Option]) -> Iterator[str]:
    yield f"## {name}\n"
    if isinstance(command, click.Group):
        yield f"{help_of(command)[0]}\n"
        below = _shared_of({sub: list(_rows_of(one)) for sub, one in command.commands.items()})
        rows = [row for rows in below.values() for row in rows if row not in told]
        names = [_long_name(row) for row in rows]
        here = [row for row in rows if names.count(_long_name(row)) == 1]
        everywhere = [row for row in here if row in below.get(tuple(command.commands), ())]
        if everywhere:
            yield from ["Each of these takes:\n", *_listed(everywhere)]
        if some := [row for row in here if row not in everywhere]:
            yield from ["Several take:\n", *_listed(some)]
        for sub_name, sub in command.commands.items():
            yield f"### {name} {sub_name}\n"
            yield from _body(f"{name} {sub_name}", sub, told, {*some}, {*everywhere})
    else:
        yield from _body(name, command, told, set(), set())
    yield from _links(name)


def _long_name(row: Option) -> str:
    return row[0].split(", ")[-1].split()[0]


def _body(
    name: str, command: click.Command, told: set[Option], here: set[Option], above: set[Option]
) -> Iterator[str]:
    """``told`` stands under the shared options, ``here`` and ``above`` at the head of the group."""
    text, _ = help_of(command)
    words = [word_of(one) for one in command.params if isinstance(one, click.Argument)]
    yield f"`{' '.join([name, *words])}`: {text}\n" if words else f"{text}\n"
    options = list(_rows_of(command))
    own = [row for row in options if row not in told | here | above]
    also = [_long_name(row) for row in options if row in here]
    also += ["[shared options](#shared-options)"] if {*options} & told else []
    if own:
        yield from _listed(own)
    if also:
        yield f"Also {', '.join(also)}.\n"


def own_options(command: click.Command) -> list[click.Option]:
    """The options of a command, without those that all have with the same words."""
    options = [one for one in command.params if isinstance(one, click.Option)]
    return [
        one
        for one in options
        if one.name not in EVERYWHERE and not (one.name == "as_json" and one.help == JSON_HELP)
    ]


def _links(name: str) -> Iterator[str]:
    if name in JSON:
        yield f"`--json`: {JSON[name]}\n"
    twin = f"[Python](python_api.md#{TWINS[name]}), " if name in TWINS else ""
    yield f"More: {twin}{MORE[name]}.\n"


def help_of(command: click.Command) -> tuple[str, str]:
    """The words of a command's help, and its example lines."""
    paragraphs = inspect.cleandoc(command.help or "").split("\n\n")
    words, lines = [], []
    for paragraph in paragraphs:
        kept, found = _without_examples(paragraph.removeprefix("\b\n"))
        words += [" ".join(kept)] if kept else []
        lines += found
    return "\n\n".join(words), "\n".join(lines)


def _without_examples(paragraph: str) -> tuple[list[str], list[str]]:
    kept, found = [], []
    for line in paragraph.splitlines():
        before, at, rest = line.partition("capturehook ")
        heading = before.strip().rstrip(":")
        if at and (not heading or before.rstrip().endswith(":")):
            found.append(at + rest)
        elif line.startswith("Example"):
            found += (
                [f"# {line.partition(':')[2].strip()}"] if line.partition(":")[2].strip() else []
            )
        else:
            kept.append(line.strip())
    return kept, found


def word_of(argument: click.Argument) -> str:
    word = argument.metavar if argument.metavar is not None else (argument.name or "").upper()
    if word and argument.nargs == -1:
        word += "..."
    return f"[{word}]" if word and not argument.required else word


def names_of(option: click.Option) -> str:
    word = option.metavar or _type_word(option)
    names = ", ".join(f"`{name}`" for name in option.opts)
    return f"{names} {word}".strip()


def _type_word(option: click.Option) -> str:
    """What has to follow the option; nothing for a flag."""
    if option.is_flag:
        return ""
    if isinstance(option.type, click.Choice):
        return "`" + "|".join(option.type.choices) + "`"
    return TYPE_WORDS.get(option.type.name, "TEXT")


def _value(default: object) -> str:
    if isinstance(default, tuple):
        return " ".join(map(_value, default))
    return f"{default:g}" if isinstance(default, float) else str(default)


def meaning(option: click.Option) -> str:
    parts = [(option.help or "").rstrip(".")]
    if option.required:
        parts.append("Required")
    elif option.show_default and option.default is not None:
        parts[0] += f" ({_value(option.default)})"
    if option.multiple:
        parts.append("Repeatable")
    return ". ".join(filter(None, parts)) + "."


if __name__ == "__main__":
    show.give(reference_page().removesuffix("\n"))
