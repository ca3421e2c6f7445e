"""The page of commands, made from the parser:

    python -m capturehook.cli.reference > docs/reference/cli.md


A test fails when the page is stale. What the parser does not know (the twin in Python, the
page that explains more, what --json holds) stands in the tables here.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator

import click

from capturehook.cli import show
from capturehook.cli.main import COMMANDS, main
from capturehook.cli.options import EVERYWHERE

HEAD = """\
# Commands

Made from the parser; every text here is what `capturehook COMMAND --help` says too.
The same in Python: [python_api.md](python_api.md).

Every command takes:

| option | meaning |
|---|---|
| `--json` | one JSON object on standard output and nothing else there: `schema` is its form (1), \
keys carry their unit; an error is `{"schema": 1, "errors": [...]}` |
| `-q`, `--quiet` | no report: warnings, errors and what was asked for (JSON, a `snippet`) alone |
| `-v`, `--verbose` | tell each step on standard error: profile, files, packages, seconds |
| `-h`, `--help` | what the command takes |

Findings and errors go to standard error; an error says where, what was found, and what to do.
`NO_COLOR` and `TERM=dumb` keep all escape sequences out ([no-color.org](https://no-color.org)).
`man capturehook` says the same as this page.

| exit code | means |
|---|---|
| 0 | done, nothing to look at |
| 1 | done, with [findings](findings.md); or unsafe poses refused, and nothing written |
| 2 | something you can put right; nothing was changed |
| 3 | a fault of ours; nothing was changed |
| 130, 143 | stopped with Ctrl-C, or by SIGTERM; [no file is half-written](faults.md) |

A PROFILE is a path that ends in `.toml`, or a name
([where it is looked for](profile.md#where-it-is-looked-for)); without `-p` it is `capture.toml`
in the folder, else what the environment variable `CAPTUREHOOK_PROFILE` names.
For `apply`, `strip`, `inspect` and `plan` a JOB of `-` is standard input.

The Tab key completes commands, options, files and names of profiles once the shell is told, in
its start file:

| shell | file | line |
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
    "strip": "`job`, `blocks` taken out, `bytes` left.",
    "inspect": (
        "`job`, `marks`, `layers`, `extents` (printed and travelled), `modes`, `filament`, "
        "`times`, `findings`."
    ),
    "audit": ("the clock, the static area, each frame and each pose with its verdict, `findings`."),
}

TYPE_WORDS = {
    "integer": "N",
    "integer range": "N",
    "float": "NUMBER",
    "float range": "NUMBER",
    "path": "FILE",
    "file": "FILE",
}
NEVER_DOUBTS = ("strip", "hook", "snippet")
"""Commands that have no findings, so never end with 1."""


def reference_page() -> str:
    """The whole page."""
    context = click.Context(main, info_name="capturehook")
    parts = [HEAD, _contents()]
    for name in COMMANDS:
        command = main.get_command(context, name)
        assert command is not None
        parts += _section(f"capturehook {name}", name, command)
    return "\n".join(parts).rstrip() + "\n"


def _contents() -> str:
    return "Commands: " + ", ".join(f"[{name}](#{name})" for name in COMMANDS) + ".\n"


def _section(typed: str, name: str, command: click.Command) -> Iterator[str]:
    text, example = help_of(command)
    yield f"## {name}\n"
    yield f"{text}\n"
    if isinstance(command, click.Group):
        for sub_name, sub in command.commands.items():
            yield from _body(f"{typed} {sub_name}", f"{name} {sub_name}", sub)
    else:
        yield from _usage(typed, command, example)
    yield from _links(name)


def _body(typed: str, name: str, command: click.Command) -> Iterator[str]:
    text, example = help_of(command)
    yield f"### {name}\n"
    yield f"{text}\n"
    yield from _usage(typed, command, example)


def _usage(typed: str, command: click.Command, example: str) -> Iterator[str]:
    words = [word_of(one) for one in command.params if isinstance(one, click.Argument)]
    yield "```\n" + " ".join(filter(None, [typed, *words, "[OPTIONS]"])) + "\n```\n"
    options = own_options(command)
    yield "| option | meaning |\n|---|---|"
    for option in options:
        yield f"| {names_of(option)} | {meaning(option)} |"
    yield ""
    if example:
        yield f"```sh\n{example}\n```\n"


def own_options(command: click.Command) -> list[click.Option]:
    """The options of a command, without those that all have."""
    options = [one for one in command.params if isinstance(one, click.Option)]
    return [one for one in options if one.name not in EVERYWHERE]


def _links(name: str) -> Iterator[str]:
    if name in JSON:
        yield f"`--json`: {JSON[name]}\n"
    codes = "0, 2, 3" if name in NEVER_DOUBTS else "0, 1, 2, 3"
    twin = f"In Python: [`{TWINS[name]}`](python_api.md#{TWINS[name]}). " if name in TWINS else ""
    yield f"Exit codes: {codes}. {twin}More: {MORE[name]}.\n"


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
    return f"{names} {word}".replace("|", "\\|").strip()


def _type_word(option: click.Option) -> str:
    """What has to follow the option; nothing for a flag."""
    if option.is_flag:
        return ""
    if isinstance(option.type, click.Choice):
        return " or ".join(f"`{one}`" for one in option.type.choices)
    return TYPE_WORDS.get(option.type.name, "TEXT")


def meaning(option: click.Option) -> str:
    parts = [(option.help or "").rstrip(".")]
    if option.required:
        parts.append("Must be given")
    elif option.show_default and option.default is not None:
        parts.append(f"Unless given: `{option.default}`")
    if option.multiple:
        parts.append("May be given again")
    return ". ".join(filter(None, parts)).replace("|", "\\|") + "."


if __name__ == "__main__":
    show.give(reference_page().removesuffix("\n"))
