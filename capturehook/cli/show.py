"""What people and machines read: the only module that prints.

Every command returns its exit code from `emit` or `finish`; JSON goes to standard output,
alone, and errors go to standard error.
"""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from shutil import get_terminal_size
from typing import Any

import click

from capturehook.errors import CaptureHookError, Finding, escaped
from capturehook.hosts.stop import hush as hush
from capturehook.hosts.summary import alike
from capturehook.model.numbers import duration as duration

_RAW = re.compile("[\x7f-\x9f\ud800-\udfff]")
"""What JSON leaves raw and a terminal acts upon, or no encoding holds (names of other systems)."""


Facts = Mapping[str, str] | Iterable[tuple[str, str]]
"""Names, and what is told of each."""
PIPED_WIDTH, GAP = 160, 3
"""Letters in a line of a table where no terminal says; blanks between its columns."""
_QUIET = False


def be_quiet() -> None:
    """Leave the report out; warnings, errors, JSON and what is handed over stay."""
    global _QUIET
    _QUIET = True


def be_verbose() -> None:
    """Tell each step on standard error."""
    from capturehook.steps import LISTENERS, step

    LISTENERS.append(lambda text: note(f"- {text}"))
    step(_who_runs())


def plainly() -> None:
    """Back to the manner of a command without `--quiet` and `--verbose`."""
    global _QUIET
    from capturehook.steps import LISTENERS

    _QUIET = False
    LISTENERS.clear()


def _who_runs() -> str:
    import platform

    from capturehook import __version__

    python = f"Python {platform.python_version()} at {sys.executable}"
    return f"capturehook {__version__}, {python}, {platform.platform()}"


def show_error(fault: CaptureHookError, *, as_json: bool) -> None:
    """One clear error on standard error (and as JSON on standard output when asked)."""
    if as_json:
        click.echo(json.dumps({"schema": 1, "errors": [one.as_json() for one in fault.each()]}))
    for one in fault.each():
        note(str(one))


def emit_json(data: dict[str, Any]) -> None:
    """One JSON object on standard output; its form is `schema` 1 unless it says another."""
    if "schema" not in data and "$schema" not in data:
        data = {"schema": 1, **data}
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    click.echo(_RAW.sub(lambda found: f"\\u{ord(found[0]):04x}", text))


def emit_line(data: dict[str, Any]) -> None:
    """One JSON object on one line of standard output, at once."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False)
    click.echo(_RAW.sub(lambda found: f"\\u{ord(found[0]):04x}", text))
    if sys.stdout is not None:
        sys.stdout.flush()


def say(text: str = "") -> None:
    """A line of the report on standard output."""
    if not _QUIET:
        click.echo(escaped(text))


def give(text: str, *, flush: bool = False) -> None:
    """What the command is there to hand over, on standard output; never left out. It may be of
    many lines. ``flush``: at once, though it goes into a file."""
    click.echo(escaped(text, kept="\n"))
    if flush and sys.stdout is not None:
        sys.stdout.flush()


def status(text: str) -> None:
    """One line on a terminal that the next one takes the place of; "" takes it away."""
    if sys.stderr is not None and sys.stderr.isatty():
        with suppress(OSError):
            click.echo(f"\r\x1b[K{escaped(text)}", err=True, nl=False)


def ring() -> None:
    """The bell of the terminal, where there is one."""
    if sys.stderr is not None and sys.stderr.isatty():
        with suppress(OSError):
            click.echo("\a", err=True, nl=False)


def note(text: str) -> None:
    """A line for people on standard error, so that piped output stays clean."""
    try:
        click.echo(escaped(text), err=True)
    except OSError:  # no reader is left; what was done stays done
        hush(sys.stderr)


def is_terminal() -> bool:
    """A person reads what is printed and can answer."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stderr))


def ask(question: str, default: str) -> str:
    """An answer from the terminal (or what is piped in); the default on a bare return."""
    return str(click.prompt(question, default=default, err=True)).strip()


def show_findings(findings: Iterable[Finding]) -> None:
    """One line each; what is said word for word at many places is said once."""
    for line in alike(findings):
        note(line)


def exit_code(findings: Sequence[Finding]) -> int:
    return 1 if findings else 0


def show_table(
    columns: Sequence[str], rows: Iterable[Sequence[object]], title: str | None = None
) -> None:
    """A table without rules between rows; numbers are right-aligned.

    Where it fits, each row is a line; else rich folds its cells (and takes a millisecond a row).
    """
    if _QUIET or sys.stdout is None:
        return
    cells = [[_cell(value) for value in row] for row in rows]
    is_number = [all(_is_numeric(row[at]) for row in cells) for at in range(len(columns))]
    widths = [max(map(len, column)) for column in zip(columns, *cells, strict=True)]
    room = get_terminal_size().columns if sys.stdout.isatty() else PIPED_WIDTH
    is_plain = all(text.isascii() for row in cells for text in row)  # a letter a column
    if not is_plain or sum(widths) + GAP * len(widths) > room:
        _show_folded(columns, cells, title, is_number)
        return

    def line(row: Sequence[str]) -> str:
        fields = zip(row, widths, is_number, strict=True)
        aligned = (one.rjust(size) if right else one.ljust(size) for one, size, right in fields)
        return " " + (" " * GAP).join(aligned).rstrip()

    dash = "\u2500" if (sys.stdout.encoding or "").lower().startswith("utf") else "-"
    rule = " " + dash * (sum(widths) + GAP * (len(widths) - 1))
    head = line(columns) if _style() else click.style(line(columns), bold=True)
    top = (title, "") if title else ("",)
    click.echo("\n".join((*top, head, rule, *map(line, cells), "")))


def _show_folded(
    columns: Sequence[str], cells: list[list[str]], title: str | None, is_number: list[bool]
) -> None:
    from rich import box
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for name, right in zip(columns, is_number, strict=True):
        table.add_column(name, justify="right" if right else "left", no_wrap=right)
    for row in cells:
        table.add_row(*map(escape, row))

    class Pipe(Console):
        def on_broken_pipe(self) -> None:
            """The command line's own door knows what to do; rich would leave with 1."""
            raise BrokenPipeError

    width = None if sys.stdout.isatty() else PIPED_WIDTH
    Pipe(file=sys.stdout, highlight=False, width=width, **_style()).print(table)


def _style() -> dict[str, Any]:
    """No escape sequences at all where NO_COLOR is set (no-color.org) or the terminal is dumb."""
    return {"color_system": None} if os.environ.get("NO_COLOR") or _is_dumb() else {}


def _is_dumb() -> bool:
    """A terminal that only writes on: terminfo's `dumb`."""
    return os.environ.get("TERM", "") in ("dumb", "unknown")


def show_facts(facts: Facts) -> None:
    """Named facts in two columns; long ones go on under themselves."""
    import textwrap

    rows = list(facts.items() if isinstance(facts, Mapping) else facts)
    indent = max(len(name) for name, _ in rows) + 2
    for name, text in rows:
        lines = textwrap.wrap(escaped(text), width=98 - indent) or [""]
        say(name.ljust(indent) + lines[0])
        for line in lines[1:]:
            say(" " * indent + line)


def show_list(title: str, texts: Iterable[str], *, numbered: bool = False) -> None:
    """A heading and its points, wrapped."""
    import textwrap

    say()
    say(title)
    for number, text in enumerate(texts, 1):
        mark = f"{number:2d}. " if numbered else " -  "
        for line in textwrap.wrap(text, width=98, initial_indent=mark, subsequent_indent="    "):
            say(line)


def show_profile_lines(lines: Iterable[str]) -> None:
    """What to write into the profile, if anything."""
    for number, line in enumerate(lines):
        if not number:
            say()
            say("For the profile")
        say(f"    {line}")


def _cell(value: object) -> str:
    return f"{value:.2f}" if isinstance(value, float) else escaped(str(value))


def _is_numeric(text: str) -> bool:
    return text.replace(".", "", 1).replace("-", "", 1).replace("+", "", 1).isdigit() or text in (
        "",
        "-",
    )


@contextmanager
def progress(title: str, total: int | None) -> Iterator[Any]:
    """Call the yielded function with the count done; a bar on a terminal after one second.

    ``total`` None: how many there will be is not known.
    """
    import time

    from capturehook.steps import step as tell_step

    start = time.monotonic()
    if sys.stderr is None or not sys.stderr.isatty() or _QUIET or _is_dumb():
        yield lambda done: None
        tell_step(f"{title}: {time.monotonic() - start:.2f} s")
        return

    from rich.console import Console
    from rich.progress import Progress

    bar = Progress(console=Console(file=sys.stderr, **_style()), transient=True)
    task = bar.add_task(title, total=total)
    shown = False

    def step(done: int) -> None:
        nonlocal shown
        if not shown and time.monotonic() - start > 1:
            bar.start()
            shown = True
        if shown:
            bar.update(task, completed=done)

    try:
        yield step
    finally:
        if shown:
            bar.stop()
        tell_step(f"{title}: {time.monotonic() - start:.2f} s")
