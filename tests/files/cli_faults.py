"""Commands that write, and faults put into the file operations under them.

A fault is an operation of `capturehook/files.py` (or the reading of a file) that fails as the
system lets it fail: with an errno. `docs/reference/faults.md` is made from here; `python
tests/files/fault_table.py` writes it anew.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import pathlib
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

Words = Callable[[Path], list[object]]


@dataclass(frozen=True)
class Command:
    """A command line in a folder made by `lay_out`; ``first`` are command lines to run before."""

    name: str
    words: Words
    first: tuple[Words, ...] = ()
    fixed: bool = True
    """The same bytes come out each time."""
    adapter: str = ""


def _film_of(folder: Path) -> list[object]:
    words = ["rehearse", folder / "job.gcode", "-p", "heron", "--size", "96x64"]
    return [*words, "--frames", folder / "frames"]


def _plan_of(folder: Path) -> list[object]:
    return ["plan", folder / "job.gcode", "-p", "heron", "--save", folder / "plan.json"]


def _frames(folder: Path) -> list[object]:
    return [folder / "frames", "--plan", folder / "plan.json"]


SHOT = (_film_of, _plan_of)
COMMANDS = (
    Command("apply JOB", lambda f: ["apply", f / "job.gcode", "-p", "heron"]),
    Command("apply -o", lambda f: ["apply", f / "job.gcode", "-p", "heron", "-o", f / "old.gcode"]),
    Command("strip JOB", lambda f: ["strip", f / "posed.gcode"]),
    Command("strip -o", lambda f: ["strip", f / "posed.gcode", "-o", f / "old.gcode"]),
    Command("plan --save", _plan_of),
    Command(
        "plan --picture SVG",
        lambda f: ["plan", f / "job.gcode", "-p", "heron", "--picture", f / "plan.svg"],
    ),
    Command(
        "plan --picture PNG",
        lambda f: ["plan", f / "job.gcode", "-p", "heron", "--picture", f / "plan.png"],
    ),
    Command("profile new", lambda f: ["profile", "new", "mine", "-o", f / "mine.toml"]),
    Command(
        "profile new --replace",
        lambda f: ["profile", "new", "mine", "-o", f / "old.toml", "--replace"],
    ),
    Command(
        "resin --plan",
        lambda f: ["resin", f / "job.zip", "-p", "tern", "--plan", f / "plan.json"],
    ),
    Command(
        "resin --picture",
        lambda f: ["resin", f / "job.zip", "-p", "tern", "--picture", f / "growth.svg"],
    ),
    Command("resin --pose", lambda f: ["resin", f / "job.zip", "-p", "tern", "--pose"]),
    Command(
        "resin --pose -o",
        lambda f: ["resin", f / "job.zip", "-p", "tern", "--pose", "-o", f / "out.zip"],
    ),
    Command(
        "resin --strip",
        lambda f: ["resin", f / "job.zip", "--strip"],
        (lambda f: ["resin", f / "job.zip", "-p", "tern", "--pose"],),
    ),
    Command(
        "audit --sheet",
        lambda f: ["audit", *_frames(f), "--sheet", f / "sheet.png"],
        SHOT,
    ),
    Command(
        "audit --timeline",
        lambda f: ["audit", *_frames(f), "--timeline", f / "time.svg"],
        SHOT,
    ),
    Command(
        "assemble -o --list",
        lambda f: ["assemble", *_frames(f), "-o", f / "film.mp4", "--list", f / "film.csv"],
        SHOT,
        fixed=False,
    ),
    Command(
        "rehearse -o",
        lambda f: [*_film_of(f)[:-2], "-o", f / "film.mp4"],
        fixed=False,
    ),
    Command(
        "rehearse --still",
        lambda f: [*_film_of(f)[:-2], "--still", 1, f / "still.png"],
    ),
    Command("rehearse --frames", _film_of, fixed=False),
    Command("edit_in_place.py", lambda f: ["-p", "heron", f / "job.gcode"], adapter="edit"),
    Command("zip_job.py", lambda f: ["-p", "heron", f / "box.zip"], adapter="edit"),
    Command(
        "zip_job.py -o",
        lambda f: ["-p", "heron", "-o", f / "new.zip", f / "box.zip"],
        adapter="edit",
    ),
    Command(
        "watch_folder.py",
        lambda f: ["-p", "heron", "--once", "--still-s", 0, "--out", f / "out", f / "jobs"],
        adapter="watch",
    ),
)


def lay_out(folder: Path, parts: dict[str, bytes]) -> None:
    """The files that the commands work on; ``parts`` by name."""
    folder.mkdir()
    for name, data in parts.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(data)


def files_in(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def run_command(command: Command, words: list[object]) -> int:
    """The exit code, as a console or a host would get it."""
    from importlib import import_module

    from capturehook.cli.main import run

    texts = [str(word) for word in words]
    if command.adapter:
        return int(import_module(f"capturehook.hosts.{command.adapter}").main(texts))
    with pytest.raises(SystemExit) as left:
        run(texts)
    return int(left.value.code or 0)


# ---- faults ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fault:
    """One operation that fails with one errno, at its ``at``-th call."""

    operation: str
    code: int

    def __str__(self) -> str:
        return f"{self.operation}: {errno.errorcode[self.code]}"


FAULTS = tuple(
    Fault(operation, code)
    for operation, codes in {
        "read": (errno.ENOENT, errno.EACCES, errno.EIO),
        "make the new file": (errno.EROFS, errno.EACCES, errno.ENOSPC, errno.ENOENT, errno.EMFILE),
        "write": (errno.ENOSPC, errno.EIO, errno.EDQUOT, errno.EFBIG),
        "set its rights": (errno.EPERM,),
        "flush to the disk": (errno.EIO, errno.ENOSPC),
        "put it in place": (errno.EACCES, errno.EROFS, errno.ENOSPC, errno.ENOENT),
    }.items()
    for code in codes
)


class Trap:
    """Counts the calls of an operation on files in a folder; the ``at``-th call fails."""

    def __init__(self, folder: Path, fault: Fault, at: int) -> None:
        self.folder, self.fault, self.at, self.calls = folder, fault, at, 0

    @property
    def sprung(self) -> bool:
        return self.calls >= self.at

    def step(self, path: object = None) -> None:
        if path is not None and not self._mine(path):
            return
        self.calls += 1
        if self.calls == self.at:
            raise OSError(self.fault.code, os.strerror(self.fault.code), str(path or "scrap"))

    def _mine(self, path: object) -> bool:
        return isinstance(path, (str, os.PathLike)) and str(self.folder) in os.fspath(path)  # type: ignore[operator]


class FailingFile:
    """An open file whose writes go through a trap."""

    def __init__(self, file: Any, trap: Trap) -> None:
        self._file, self._trap = file, trap

    def __enter__(self) -> FailingFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def write(self, data: bytes) -> int:
        self._file.write(data[: len(data) // 2])
        self._trap.step()
        self._file.write(data[len(data) // 2 :])
        return len(data)

    def writelines(self, pieces: Any) -> None:
        for piece in pieces:
            self.write(piece)


@contextmanager
def trapped(folder: Path, fault: Fault, at: int = 1) -> Iterator[Trap]:
    """Within the block the ``at``-th call of one operation in ``folder`` fails."""
    trap = Trap(folder, fault, at)
    with pytest.MonkeyPatch.context() as patch:
        _SET[fault.operation](patch, trap)
        yield trap


def _read(patch: pytest.MonkeyPatch, trap: Trap) -> None:
    real_io, real_open = io.open, builtins.open

    def opened(real: Any) -> Any:
        def call(file: Any, mode: str = "r", *words: Any, **more: Any) -> Any:
            if "r" in mode and "+" not in mode:
                trap.step(file)
            return real(file, mode, *words, **more)

        return call

    patch.setattr(io, "open", opened(real_io))
    patch.setattr(builtins, "open", opened(real_open))
    if hasattr(pathlib, "_NormalAccessor"):  # Python 3.10 opens by way of it
        patch.setattr(pathlib._NormalAccessor, "open", staticmethod(opened(real_io)))


def _make(patch: pytest.MonkeyPatch, trap: Trap) -> None:
    real = tempfile.mkstemp

    def call(*words: Any, **more: Any) -> Any:
        trap.step(more.get("dir"))
        return real(*words, **more)

    patch.setattr(tempfile, "mkstemp", call)


def _write(patch: pytest.MonkeyPatch, trap: Trap) -> None:
    real = os.fdopen

    def call(handle: int, mode: str = "r", *words: Any, **more: Any) -> Any:
        file = real(handle, mode, *words, **more)
        return FailingFile(file, trap) if "w" in mode else file

    patch.setattr(os, "fdopen", call)


def _by_handle(name: str) -> Callable[[pytest.MonkeyPatch, Trap], None]:
    def setter(patch: pytest.MonkeyPatch, trap: Trap) -> None:
        real = getattr(os, name)

        def call(handle: int, *words: Any) -> Any:
            if stat.S_ISREG(os.fstat(handle).st_mode):  # of a folder it is of no account
                trap.step(None)
            return real(handle, *words)

        patch.setattr(os, name, call)

    return setter


def _replace(patch: pytest.MonkeyPatch, trap: Trap) -> None:
    real_os, real_path = os.replace, Path.replace

    def by_os(source: Any, target: Any) -> None:
        trap.step(target)
        real_os(source, target)

    def by_path(source: Path, target: Any) -> Path:
        trap.step(target)
        return real_path(source, target)

    patch.setattr(os, "replace", by_os)
    patch.setattr(Path, "replace", by_path)


_SET: dict[str, Callable[[pytest.MonkeyPatch, Trap], None]] = {
    "read": _read,
    "make the new file": _make,
    "write": _write,
    "set its rights": _by_handle("fchmod"),
    "flush to the disk": _by_handle("fsync"),
    "put it in place": _replace,
}
