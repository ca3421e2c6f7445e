"""Reading and replacing files so that the one a person owns is never lost or half-written."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from capturehook.errors import FileError


def read_bytes(path: Path) -> bytes:
    """The whole file.

    Raises
    ------
    FileError
        It is missing, a folder, or may not be read.
    """
    try:
        return path.read_bytes()
    except OSError as fault:
        raise FileError(
            str(path),
            f"cannot be read ({fault.strerror or fault})",
            "Check the path and its rights",
        ) from fault


def write_atomically(path: Path, data: bytes) -> None:
    """Put ``data`` at ``path``: the old file, or the new one whole; never anything between.

    A symbolic link is followed, and the mode (rights) of an existing file is kept.

    Raises
    ------
    FileError
        Any step failed; ``path`` is as it was and no scrap is left beside it.
    """
    write_stream_atomically(path, lambda out: _write_all(out, data))


def _write_all(out: IO[bytes], data: bytes) -> None:
    out.write(data)


def write_stream_atomically(path: Path, produce: Callable[[IO[bytes]], None]) -> None:
    """As :func:`write_atomically`, the bytes written by ``produce`` into an open file."""
    with _scrap_for(path) as (target, handle, scrap):
        with os.fdopen(handle, "wb") as out:
            produce(out)
            out.flush()
            _keep_mode(out.fileno(), target)
            os.fsync(out.fileno())
        os.replace(scrap, target)  # noqa: PTH105 - one step, which tests make fail


@contextmanager
def _scrap_for(path: Path) -> Iterator[tuple[Path, int, Path]]:
    """The file behind a path, and the handle and path of a new file beside it.

    The new file does not outlive the block unless it has taken the other's place.
    """
    target = _plain_target(path)
    scrap: Path | None = None
    try:
        handle, name = tempfile.mkstemp(
            prefix=f".{target.name[:60]}.", suffix=".part", dir=target.parent
        )
        scrap = Path(name)
        yield target, handle, scrap
        scrap = None
        _sync_folder(target.parent)
    except OSError as fault:
        raise FileError(
            str(path),
            f"could not be written ({fault.strerror or fault}); what stood there is unchanged",
            _write_advice(fault),
        ) from fault
    finally:
        if scrap is not None:
            with suppress(OSError):
                scrap.unlink()


def _write_advice(fault: OSError) -> str:
    if isinstance(fault, FileNotFoundError | NotADirectoryError):
        return "Make the folder first, or name another"
    if isinstance(fault, IsADirectoryError):
        return "Name a file, not a folder"
    return "Free some space or check the folder's rights, then run it again"


def _plain_target(path: Path) -> Path:
    """The file behind a link; a device must never be replaced by a file."""
    target = Path(os.path.realpath(path))
    with suppress(OSError):
        mode = path.stat().st_mode  # of what stands there, though it has no path (a pipe)
        if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
            raise FileError(str(path), "is a device, not a file", "Name a file to write to")
    return target


def _keep_mode(handle: int, target: Path) -> None:
    """Give the new file the rights of the old one, or the usual ones of a new file."""
    if not hasattr(os, "fchmod"):  # Windows
        return
    try:
        mode = stat.S_IMODE(target.stat().st_mode)
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        mode = 0o666 & ~mask
    os.fchmod(handle, mode)


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
        os.close(handle)
        yield scrap
        with scrap.open("rb+") as done:
            _keep_mode(done.fileno(), target)
            os.fsync(done.fileno())
        scrap.replace(target)
