"""The manual page, made from the parser: `python -m capturehook.cli.manual > docs/capturehook.1`.

Its texts are those of the reference (`cli/reference.py`); a test fails when it is stale.
Form: man(7) of groff, which mandoc reads too.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import click

from capturehook.cli import show
from capturehook.cli.main import COMMANDS, main
from capturehook.cli.reference import HEAD, help_of, meaning, names_of, own_options, word_of

START = r"""
.TH CAPTUREHOOK 1 "" "capturehook" "User Commands"
.SH NAME
capturehook \- film your own 3D prints
.SH SYNOPSIS
.B capturehook
.I COMMAND
.RI [ OPTIONS ]
.SH DESCRIPTION
Puts still-camera poses into sliced jobs, proves them harmless, plans the shoot, checks the
frames and makes the film.
The machine moves by itself while it is filmed: heed its manual, and watch the first layers with
a hand on the power switch.
.SH EVERY COMMAND
"""
END = r"""
.SH FILES
.TP
.I capture.toml
The profile of this folder, where none is named.
"""


def manual_page() -> str:
    """The whole page."""
    context = click.Context(main, info_name="capturehook")
    lines = [*START.strip().split("\n"), *_rows_of("option"), ".SH COMMANDS"]
    for name in COMMANDS:
        command = main.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            lines += _paragraph(help_of(command)[0], f"capturehook {name}")
            for sub_name, sub in command.commands.items():
                lines += _command(f"capturehook {name} {sub_name}", sub)
        else:
            lines += _command(f"capturehook {name}", command)
    lines += [".SH EXIT STATUS", *_rows_of("exit code")]
    lines += [".SH ENVIRONMENT", ".TP", ".B CAPTUREHOOK_PROFILE"]
    lines += ["The profile, where none is named and this folder has no capture.toml."]
    lines += [".TP", ".B NO_COLOR", "Set to anything: no escape sequences in any output."]
    return "\n".join([*lines, *END.strip().split("\n")]) + "\n"


def _rows_of(first: str) -> Iterator[str]:
    """The rows of a table of the reference's head, as tagged paragraphs."""
    _, _, rest = HEAD.partition(f"| {first} | ")
    for row in rest.split("\n\n")[0].splitlines()[2:]:
        tag, text = (cell.strip() for cell in row.strip("| ").split(" | "))
        yield from (".TP", f".B {_plain(tag)}", _plain(text))


def _command(typed: str, command: click.Command) -> Iterator[str]:
    text, example = help_of(command)
    words = [word_of(one) for one in command.params if isinstance(one, click.Argument)]
    yield from _paragraph(text, " ".join(filter(None, [typed, *words])))
    for option in own_options(command):
        yield from (".TP", f".B {_plain(names_of(option))}", _plain(meaning(option)))
    if example:
        yield from (".PP", ".nf", ".RS", *map(_plain, example.splitlines()), ".RE", ".fi")


def _paragraph(text: str, heading: str) -> Iterator[str]:
    yield f'.SS "{_plain(heading)}"'
    for number, part in enumerate(text.split("\n\n")):
        yield from ([".PP"] if number else [])
        yield _plain(part)


def _plain(text: str) -> str:
    """Markdown to roff: no backticks and links, nothing that roff takes for its own."""
    text = re.sub(r"\[([^\]]+)\]\([^)]+\)", r"\1", text).replace("\\|", "|").replace("`", "")
    text = " ".join(text.split()).replace("\\", r"\e").replace("-", r"\-").replace('"', r"\(dq")
    text = text.replace("'", r"\(aq").replace("~", r"\(ti").replace("^", r"\(ha")
    return rf"\&{text}" if text[:1] == "." else text


if __name__ == "__main__":
    show.give(manual_page().removesuffix("\n"))
