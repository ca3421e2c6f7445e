"""Runs the examples of a page as they stand, one after the other in one folder.

Every ``console`` block is a command after `$` and what it prints; `...` on a line of its own
stands for any number of lines. ``python`` blocks run one after the other with shared names.
A comment line right above a block directs it:

    <!-- not run -->          shown only
    <!-- about -->            numbers with a decimal point may differ by a twentieth
    <!-- edits mine.toml -->  a toml block: set these keys in that file; `# key` takes one out
    <!-- refused -->          ends with exit code 2; else it is 0, or 1 where it prints findings
    <!-- needs video -->      left out where that extra is missing (and all that needs it)

To write what the commands print into a page: python -m tests.docs.examples docs/.../PAGE.md
"""

from __future__ import annotations

import contextlib
import functools
import io
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import SequenceMatcher
from importlib.util import find_spec
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
HAS = {
    "video": find_spec("av") is not None and find_spec("PIL") is not None,
    "rig": find_spec("manifold3d") is not None,
}
_BLOCK = re.compile(r"(?:<!-- ([^>]*) -->\n)?```(\w+)\n(.*?)```", re.S)
REFUSED = 2
_NUMBER = re.compile(r"\d+\.\d+")


@dataclass(frozen=True, slots=True)
class Block:
    """One fenced block; ``line_no`` of its first fence, ``span`` of its body in the page."""

    kind: str
    body: str
    wishes: tuple[str, ...]
    line_no: int
    span: tuple[int, int]

    def wants(self, word: str) -> bool:
        return any(wish.split()[:1] == [word] for wish in self.wishes)

    @property
    def is_run(self) -> bool:
        needs = [wish.split()[1] for wish in self.wishes if wish.startswith("needs ")]
        return "not run" not in self.wishes and all(HAS[one] for one in needs)


def blocks_of(text: str) -> list[Block]:
    return [
        Block(
            kind=match[2],
            body=match[3],
            wishes=tuple(wish.strip() for wish in (match[1] or "").split(",")),
            line_no=text.count("\n", 0, match.start(2)) + 1,
            span=match.span(3),
        )
        for match in _BLOCK.finditer(text)
    ]


def commands_of(body: str) -> list[tuple[str, list[str]]]:
    """(command, lines it prints) of a console block."""
    found: list[tuple[str, list[str]]] = []
    for line in body.splitlines():
        if line.startswith("$ "):
            found.append((line[2:], []))
        else:
            found[-1][1].append(line.rstrip())
    return found


def run_command(command: str, folder: Path) -> tuple[int, str]:
    """Exit code and all that is printed, both streams together.

    A command of ours runs in this process, at the head of a pipe too; only the filters behind it
    are others.
    """
    ours, pipe, filters = command.partition(" | ")
    both = ours.endswith(" 2>&1")
    ours = ours.removesuffix(" 2>&1")
    if not ours.startswith("capturehook ") or re.search(r"[|<>;&]", ours):
        return _in_a_shell(command, folder)
    code, out, err = _in_this_process(shlex.split(ours)[1:], folder, both or not pipe)
    if not pipe:
        return code, out
    code, text = _in_a_shell(filters, folder, out)
    return code, err + text


def _in_a_shell(command: str, folder: Path, fed: str = "") -> tuple[int, str]:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["sh", "-c", command],
        cwd=folder,
        env={**os.environ, "PATH": path, "PYTHONPATH": str(ROOT)},
        input=fed.encode(),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    return done.returncode, done.stdout.decode()


def _in_this_process(words: list[str], folder: Path, both: bool) -> tuple[int, str, str]:
    """Exit code, standard output, standard error; all of it in the first where wanted."""
    from capturehook.cli.main import run

    out, err = io.StringIO(), io.StringIO()
    code = 0
    with (
        _chdir(folder),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(out if both else err),
    ):
        try:
            run(words)
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 1
    return code, out.getvalue(), err.getvalue()


@contextlib.contextmanager
def _chdir(folder: Path) -> Iterator[None]:
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def printed_lines(text: str) -> list[str]:
    """Without blanks at the ends of lines, empty lines at the ends, and two of them together."""
    lines = "\n".join(line.rstrip() for line in text.splitlines()).strip("\n").splitlines()
    return [line for at, line in enumerate(lines) if line or (at and lines[at - 1])]


def is_as_shown(shown: list[str], printed: list[str], about: bool) -> bool:
    """The printed lines are the shown ones; `...` in these stands for any lines."""
    if not shown:
        return not printed
    if shown[0] == "...":
        return any(is_as_shown(shown[1:], printed[at:], about) for at in range(len(printed) + 1))
    return (
        bool(printed)
        and _same_line(shown[0], printed[0], about)
        and is_as_shown(shown[1:], printed[1:], about)
    )


def _same_line(shown: str, printed: str, about: bool) -> bool:
    if shown == printed or not about:
        return shown == printed
    one, other = _NUMBER.findall(shown), _NUMBER.findall(printed)
    return _NUMBER.split(shown) == _NUMBER.split(printed) and all(
        abs(float(a) - float(b)) <= 0.05 * abs(float(a)) + 0.02
        for a, b in zip(one, other, strict=True)
    )


def run_page(page: Path, folder: Path, names: dict[str, Any] | None = None) -> list[str]:
    """Run a page's blocks in a folder; what is not as it is shown, one text each."""
    names = {} if names is None else names
    wrong: list[str] = []
    for block in blocks_of(page.read_text(encoding="utf-8")):
        where = f"{page.name}:{block.line_no}"
        if not block.is_run:
            continue
        if block.kind == "console":
            wrong += [f"{where}: {text}" for text in _run_console(block, folder)]
        elif block.kind == "python":
            run_python(block, where, folder, names)
        elif block.wants("edits"):
            edit_toml(folder / block.wishes[0].split()[1], block.body)
    return wrong


def _run_console(block: Block, folder: Path) -> Iterator[str]:
    for command, shown in commands_of(block.body):
        code, text = run_command(command, folder)
        printed = printed_lines(text)
        if not is_as_shown(printed_lines("\n".join(shown)), printed, "about" in block.wishes):
            yield f"`{command}` prints\n" + "\n".join(printed)
        doubts = any(line.startswith("! ") for line in printed)
        if code != (REFUSED if block.wants("refused") else int(doubts)) and "|" not in command:
            yield f"`{command}` ends with {code}"


def run_python(block: Block, where: str, folder: Path, names: dict[str, Any]) -> str:
    """Run a block as it stands; what it prints."""
    said = io.StringIO()
    with _chdir(folder), contextlib.redirect_stdout(said):
        exec(compile(block.body, where, "exec"), names)
    return said.getvalue()


def edit_toml(path: Path, body: str) -> None:
    """Set the keys of a toml block in a profile that names each of them, commented or not."""
    table, text = "", path.read_text(encoding="utf-8")
    for line in body.splitlines():
        if line.startswith("["):
            table = line.split("]")[0] + "]"
        elif "=" in line:
            key = line.lstrip("# ").split("=")[0].strip()
            head, tail = text.split(f"\n{table}\n")
            changed, count = re.subn(
                rf"^(# )?{key} =.*$", lambda _, new=line: new, tail, count=1, flags=re.M
            )
            assert count == 1, f"{path.name} has no {table} {key}"
            text = f"{head}\n{table}\n{changed}"
    path.write_text(text, encoding="utf-8")


def fill_page(page: Path, folder: Path) -> None:
    """Write what the commands print into a page, wherever it is not as shown."""
    text, names = page.read_text(encoding="utf-8"), {}
    changes: list[tuple[tuple[int, int], str]] = []
    for block in blocks_of(text):
        if not block.is_run:
            continue
        if block.kind == "console":
            changes.append((block.span, _filled(block, folder)))
        elif block.kind == "python":
            run_python(block, page.name, folder, names)
        elif block.wants("edits"):
            edit_toml(folder / block.wishes[0].split()[1], block.body)
    for (start, end), body in reversed(changes):
        text = text[:start] + body + text[end:]
    page.write_text(text, encoding="utf-8")


def _filled(block: Block, folder: Path) -> str:
    parts = []
    for command, shown in commands_of(block.body):
        printed = printed_lines(run_command(command, folder)[1])
        same = is_as_shown(printed_lines("\n".join(shown)), printed, "about" in block.wishes)
        parts += [f"$ {command}", *(shown if same else _cut_as(shown, printed))]
    return "\n".join(parts) + "\n"


def _cut_as(shown: list[str], printed: list[str]) -> list[str]:
    """The printed lines, cut where the shown ones are: each run between two `...` is looked for
    by likeness, one after the other."""
    if "..." not in shown:
        return printed
    runs = [run.split("\n") for run in "\n".join(shown).split("\n...") if run.strip()]
    kept, at = [], 0
    for run in runs:
        lines = [line for line in run if line]
        places = range(at, max(at, len(printed) - len(lines)) + 1)
        best = max(places, key=lambda place: _likeness(lines, printed[place : place + len(lines)]))
        kept += [*(["..."] if best > at or kept else []), *printed[best : best + len(lines)]]
        at = best + len(lines)
    return [*kept, *(["..."] if at < len(printed) else [])]


def _likeness(shown: list[str], printed: list[str]) -> float:
    return sum(
        SequenceMatcher(None, one, other).ratio()
        for one, other in zip(shown, printed, strict=False)
    )


def prepare(folder: Path) -> None:
    """The built-in lighthouse in both kinds, as `capturehook demo` writes it."""
    for name, data in _demo_jobs().items():
        folder.joinpath(name).write_bytes(data)


@functools.cache
def _demo_jobs() -> dict[str, bytes]:
    from capturehook.demo.lighthouse import lighthouse_job
    from capturehook.demo.resin import resin_lighthouse

    return {"lighthouse.zip": resin_lighthouse(), "lighthouse.gcode": lighthouse_job()}


if __name__ == "__main__":
    import tempfile

    for name in sys.argv[1:]:
        with tempfile.TemporaryDirectory() as made:
            prepare(Path(made))
            fill_page(Path(name), Path(made))
