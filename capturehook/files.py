"""Reading and replacing files so that the one a person owns is never lost or half-written."""

from __future__ import annotations

import os
import re
import stat
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TypeVar

from capturehook.errors import FileError
from capturehook.steps import step

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

PART = ".part"
PIECE = 1 << 20
WINDOWS = os.name == "nt"
HELD_S = (0.05, 0.1, 0.2, 0.4, 0.8)
"""Waits between tries on Windows, where a scanner or the host may hold a file for a moment."""
_DEVICE = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.I)
"""Names that Windows keeps, with any ending. learn.microsoft.com, "Naming Files, Paths, and
Namespaces"."""
LONGEST_WINDOWS_PATH = 259
"""Letters, unless the system is set up for more (same page)."""


Opened = TypeVar("Opened", bound="Closes")


class Closes:
    """An open thing that a `with` statement closes."""

    def close(self) -> None:
        """Let go of what is open."""
        raise NotImplementedError

    def __enter__(self: Opened) -> Opened:
        return self

    def __exit__(self, *fault: object) -> None:
        self.close()


@dataclass(frozen=True, slots=True)
class Look:
    """How a file looked when it was read: another look, another content."""

    device: int
    inode: int
    size: int
    mtime_ns: int


def look_at(found: os.stat_result) -> Look:
    return Look(found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns)


def read_bytes(path: Path) -> bytes:
    """The whole file.

    Raises
    ------
    FileError
        It is missing, a folder, or may not be read.
    """
    return read_and_look(path)[0]


def read_and_look(path: Path) -> tuple[bytes, Look]:
    """The whole file and how it looked, for :func:`write_atomically` to hold it against.

    Raises
    ------
    FileError
        As :func:`read_bytes`, or another program is writing it.
    """
    try:
        with path.open("rb") as file:
            before = os.fstat(file.fileno())
            if stat.S_ISCHR(before.st_mode) or stat.S_ISBLK(before.st_mode):
                raise FileError(str(path), "is a device, not a file", "Name a file")
            data = file.read() if stat.S_ISREG(before.st_mode) else read_pipe(file, str(path))
            after = os.fstat(file.fileno())
    except OSError as fault:
        raise FileError(
            str(path),
            f"cannot be read ({fault.strerror or fault})",
            "Check the path and its rights",
        ) from fault
    if stat.S_ISREG(after.st_mode) and look_at(before) != look_at(after):
        raise FileError(
            str(path), "is being written by another program", "Wait for it, then run this again"
        )
    step(f"read {path}: {len(data)} bytes")
    return data, look_at(after)


def read_pipe(file: IO[bytes], name: str) -> bytes:
    """All that comes, which nothing bounds but this computer's memory.

    Raises
    ------
    FileError
        More than a quarter of the memory came.
    """
    pieces, size, most = [], 0, memory_bytes() / 4
    while piece := file.read(PIECE):
        pieces.append(piece)
        size += len(piece)
        if size > most:
            raise FileError(name, f"gives {size / 1e6:.0f} MB and more", "Name a job's own file")
    return b"".join(pieces)


def memory_bytes() -> float:
    """The memory of this computer; infinite where the system does not say (POSIX sysconf)."""
    try:
        return float(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    except (AttributeError, OSError, ValueError):
        return float("inf")


def write_atomically(path: Path, data: bytes, was: Look | None = None) -> tuple[str, ...]:
    """Put ``data`` at ``path``: the old file, or the new one whole; never anything between.

    A symbolic link is followed; mode, owner and group of an existing file are kept.

    Parameters
    ----------
    was : how the file looked when it was read; it is not replaced when it looks otherwise

    Returns
    -------
    What could not be kept, a sentence each

    Raises
    ------
    FileError
        Any step failed, the file is read-only, or another program has written it since.
        ``path`` is as it was and no scrap is left beside it.
    """
    return write_stream_atomically(path, lambda out: _write_all(out, data), was)


def _write_all(out: IO[bytes], data: bytes) -> None:
    out.write(data)


def write_stream_atomically(
    path: Path, produce: Callable[[IO[bytes]], None], was: Look | None = None
) -> tuple[str, ...]:
    """As :func:`write_atomically`, the bytes written by ``produce`` into an open file."""
    with _scrap_for(path) as (target, handle, scrap):
        with os.fdopen(handle, "wb") as out:
            lock(out.fileno())
            produce(out)
            out.flush()
            notes = _keep_rights(out.fileno(), target)
            os.fsync(out.fileno())
            if fcntl is not None:  # elsewhere an open file cannot be renamed
                _put_in_place(path, target, scrap, was)
        if fcntl is None:
            _put_in_place(path, target, scrap, was)
    return notes


def _put_in_place(path: Path, target: Path, scrap: Path, was: Look | None) -> None:
    if was is not None:
        try:
            same = _alike(look_at(target.stat()), was)
        except FileNotFoundError:
            same = False
        if not same:
            raise FileError(
                str(path),
                "was written by another program while this ran; it stays as that program wrote it",
                "Run this again on the new file",
            )
    _replace(scrap, target, path)


def _alike(one: Look, other: Look) -> bool:
    """Windows numbers an open file and a named one differently in some versions."""
    if WINDOWS:
        return (one.size, one.mtime_ns) == (other.size, other.mtime_ns)
    return one == other


def _replace(scrap: Path, target: Path, path: Path) -> None:
    """One step; on Windows it fails while another program holds the file, so it is tried again."""
    for wait_s in (*HELD_S, None) if WINDOWS else (None,):
        try:
            os.replace(scrap, target)  # noqa: PTH105 - which tests make fail
            return
        except PermissionError as fault:
            if wait_s is None and WINDOWS and target.is_file():
                raise FileError(
                    str(path),
                    "is held by another program (the slicing host, a viewer, a virus scanner) and "
                    f"could not be replaced in {sum(HELD_S):.1f} s; it is unchanged",
                    "Close it there and run this again, or write to another file with -o",
                ) from fault
            if wait_s is None:
                raise
            time.sleep(wait_s)


@contextmanager
def _scrap_for(path: Path) -> Iterator[tuple[Path, int, Path]]:
    """The file behind a path, and the handle and path of a new file beside it.

    The new file does not outlive the block unless it has taken the other's place.
    """
    target = _plain_target(path)
    _refuse_read_only(path, target)
    scrap: Path | None = None
    begin = f".{_short(target.name)}.capturehook-"
    try:
        _clear_scraps(target.parent, begin)
        handle, name = tempfile.mkstemp(prefix=begin, suffix=PART, dir=target.parent)
        scrap = Path(name)
        yield target, handle, scrap
        scrap = None
        _sync_folder(target.parent)
        step(f"wrote {target}")
    except OSError as fault:
        raise FileError(
            str(path),
            f"could not be written ({fault.strerror or fault}); what stood there is unchanged",
            _write_advice(fault, target),
        ) from fault
    finally:
        if scrap is not None:
            with suppress(OSError):
                scrap.unlink()


def _write_advice(fault: OSError, target: Path) -> str:
    longest = max(len(str(target)), len(str(target.parent)) + 60)
    if WINDOWS and longest > LONGEST_WINDOWS_PATH:
        return f"Use a shorter path: Windows takes {LONGEST_WINDOWS_PATH} letters"
    if isinstance(fault, FileNotFoundError | NotADirectoryError):
        return "Make the folder first, or name another"
    if isinstance(fault, IsADirectoryError):
        return "Name a file, not a folder"
    return "Free some space or check the folder's rights, then run it again"


def _plain_target(path: Path) -> Path:
    """The file behind a link; a device must never be replaced by a file."""
    if WINDOWS and _DEVICE.fullmatch(path.name.rstrip(". ")):
        raise FileError(str(path), "is a name that Windows keeps for a device", "Choose another")
    target = Path(os.path.realpath(path))
    with suppress(OSError):
        mode = path.stat().st_mode  # of what stands there, though it has no path (a pipe)
        if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
            raise FileError(str(path), "is a device, not a file", "Name a file to write to")
    return target


def _refuse_read_only(path: Path, target: Path) -> None:
    with suppress(OSError):
        if target.is_file() and not target.stat().st_mode & 0o222:
            raise FileError(
                str(path), "is read-only", "Make it writable, or write to another file with -o"
            )


def _short(name: str) -> str:
    """A name that leaves room for ours behind it: 255 bytes are the most for a name."""
    return os.fsdecode(os.fsencode(name)[:60]) if len(os.fsencode(name)) > 60 else name


def lock(handle: int) -> None:
    """Mark an open scrap as in use, until it is closed or its program ends."""
    if fcntl is not None:
        with suppress(OSError):  # some network drives know no locks
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _clear_scraps(folder: Path, begin: str) -> None:
    """Take away scraps that a killed run left: of this target, our own, and in no program's use."""
    if fcntl is None:
        return
    names: list[str] = []
    with suppress(OSError), os.scandir(folder) as entries:
        names = [one.path for one in entries if one.name.startswith(begin)]
    for name in (one for one in names if one.endswith(PART)):
        with suppress(OSError):
            _clear(name)


def _clear(name: str) -> None:
    handle = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        found = os.fstat(handle)
        if stat.S_ISREG(found.st_mode) and found.st_uid == os.geteuid():
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)  # fails where it is in use
            os.unlink(name)  # noqa: PTH108
    finally:
        os.close(handle)


def _keep_rights(handle: int, target: Path) -> tuple[str, ...]:
    """Give the new file owner and mode of the old one, or the default ones of a new file."""
    if not hasattr(os, "fchown"):  # Windows
        return ()
    notes = []
    try:
        old = target.stat()
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        os.fchmod(handle, 0o666 & ~mask)
        return ()
    new = os.fstat(handle)
    for what, wanted, given in (
        ("owner", old.st_uid, new.st_uid),
        ("group", old.st_gid, new.st_gid),
    ):
        if wanted == given:
            continue
        try:
            os.fchown(handle, *((wanted, -1) if what == "owner" else (-1, wanted)))
        except OSError as fault:
            notes.append(f"its {what} {wanted} could not be kept ({fault.strerror}); it is {given}")
    os.fchmod(handle, stat.S_IMODE(old.st_mode))
    if old.st_nlink > 1:
        notes.append(
            f"it had {old.st_nlink} names (hard links): the others still name the old content"
        )
    return tuple(notes)


def _sync_folder(folder: Path) -> None:
    """Make the new name last through a power cut, where the system allows it."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A scrap path beside ``path`` for a writer that opens files itself (an encoder).

    Leaving the block well puts the scrap in the place of ``path``; leaving it by any
    exception removes the scrap, and ``path`` is as it was.

    Raises
    ------
    FileError
        The folder cannot be written, or the scrap cannot take its place.
    """
    with _scrap_for(path) as (target, handle, scrap):
        try:
            lock(handle)
            if fcntl is None:
                os.close(handle)
            yield scrap
            with scrap.open("rb+") as done:
                _keep_rights(done.fileno(), target)
                os.fsync(done.fileno())
            _replace(scrap, target, path)
        finally:
            if fcntl is not None:
                with suppress(OSError):  # it held the lock; all bytes went through the other
                    os.close(handle)
