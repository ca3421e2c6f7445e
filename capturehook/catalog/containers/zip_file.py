"""A resin job's zip container, read with suspicion: nothing is unpacked to disk, ever.

Every fault of the container is one FileError that names the member.
"""

from __future__ import annotations

import re
import stat
import struct
import zipfile
import zlib
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import IO

from capturehook.errors import FileError, Finding, Where, of_the_system
from capturehook.files import Closes

MIB = 1024 * 1024
_NUMBERED = re.compile(r"^(.*?)([0-9]{1,9})\.png$", re.IGNORECASE | re.DOTALL)
STORED, DEFLATED = zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED
ENCRYPTED = 0x1 | 0x40 | 0x2000  # general purpose bits 0, 6 and 13 of APPNOTE 4.4.4
PNG_START = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR"
AGAIN = "Copy the file again, or slice the model again"
MOST_SHOWN = 100
SUSPECT = "Do not use this file; get the job from where it was sliced"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a container may hold. A real job of 20 000 layers stays well inside."""

    members: int = 50_000
    member_bytes: int = 256 * MIB
    total_bytes: int = 16 * 1024 * MIB
    ratio: float = 250.0
    """Unpacked to packed size; text and black images seldom pass 100."""
    ratio_from_bytes: int = 16 * MIB
    """Members smaller than this may be packed as tightly as they like."""
    text_bytes: int = 32 * MIB
    """A run.gcode or a text of settings; 20 000 layers take some 8 MiB."""
    pixels: int = 150_000_000
    """The finest lamp screens have about 100 million."""


class Container(Closes):
    """A checked zip container. Use it in a `with` statement.

    ``file`` is the open container where it has no path of its own.

    Raises
    ------
    FileError
        On opening: not a zip, cut short, damaged, too big, locked, or a name that is a trick.
    """

    def __init__(
        self, path: Path, limits: Limits | None = None, file: IO[bytes] | None = None
    ) -> None:
        self.path = path
        self.limits = limits or Limits()
        self._zip = _open(path, file)
        try:
            infos = self._zip.infolist()
            _check_all(path, infos, self.limits)
            _check_place(path, infos, self._zip.start_dir)
        except BaseException:
            self._zip.close()
            raise
        self._info = {info.filename: info for info in infos if not info.is_dir()}

    def close(self) -> None:
        self._zip.close()

    @property
    def names(self) -> tuple[str, ...]:
        """Members (not folders) in the order of the table of contents."""
        return tuple(self._info)

    def fingerprint(self, name: str) -> tuple[int, int]:
        """(CRC, size) of a member as the table of contents states them."""
        info = self._member(name)
        return info.CRC, info.file_size

    def read(self, name: str) -> bytes:
        """One member, unpacked; its checksum is checked.

        Raises
        ------
        FileError
            No such member, or it is damaged.
        """
        info = self._member(name)
        with _faults_named(self.path, name), self._zip.open(info) as member:
            data = member.read()
        if len(data) != info.file_size:
            raise _bad(self.path, name, "is cut short", AGAIN)
        return data

    def read_text(self, name: str) -> bytes:
        """A member that will be read line by line: refused, before unpacking, if it is too long.

        Raises
        ------
        FileError
            As :meth:`read`, or longer than a resin job's text ever is.
        """
        size = self._member(name).file_size
        if size > self.limits.text_bytes:
            most = self.limits.text_bytes
            raise _bad(self.path, name, f"is a text of {size} bytes, over the limit of {most}")
        return self.read(name)

    def read_image(self, name: str, screen_px: tuple[int, int] = (0, 0)) -> bytes:
        """A PNG member, its size checked before any decoding.

        Parameters
        ----------
        screen_px : pixels of the lamp's screen across and along; 0 unknown

        Raises
        ------
        FileError
            Not a PNG, or more pixels than the screen, or any lamp screen, has.
        """
        where, data = Where(str(self.path), key=shown(name)), self.read(name)
        width, height = png_size(data, where)
        wide, high = screen_px
        limit = wide * high or self.limits.pixels
        if width * height > min(limit, self.limits.pixels):
            known = (
                f"the screen has {wide} x {high}" if wide * high else f"over the limit of {limit}"
            )
            raise FileError(where, f"claims {width} x {height} pixels, {known}", SUSPECT)
        return data

    def _member(self, name: str) -> zipfile.ZipInfo:
        if name not in self._info:
            raise _bad(self.path, name, "is not in the container", AGAIN)
        return self._info[name]


def _bad(path: Path, name: str, found: str, advice: str = SUSPECT) -> FileError:
    """The fault of one member."""
    return FileError(Where(str(path), key=shown(name)), found, advice)


def shown(name: str) -> str:
    """A member's name as a message holds it: a damaged one can be as long as the file."""
    return name if len(name) <= MOST_SHOWN else f"{name[:MOST_SHOWN]}..."


def png_size(data: bytes, where: Where) -> tuple[int, int]:
    """Width and height from the IHDR chunk (PNG specification, section 11.2.2).

    Raises
    ------
    FileError
        The bytes do not begin as a PNG, or a side is 0.
    """
    if not data.startswith(PNG_START) or len(data) < 33:
        raise FileError(where, "is not a PNG image", AGAIN)
    width, height = struct.unpack(">II", data[16:24])
    if width == 0 or height == 0:
        raise FileError(where, f"claims {width} x {height} pixels", AGAIN)
    return width, height


def _open(path: Path, file: IO[bytes] | None) -> zipfile.ZipFile:
    """The zip, or what is wrong with it as a whole."""
    try:
        with path.open("rb") if file is None else nullcontext(file) as begun:
            start = begun.read(4)
        return zipfile.ZipFile(path if file is None else file)
    except OSError as fault:
        raise of_the_system(fault, "read", path) from fault
    except (zipfile.BadZipFile, NotImplementedError, struct.error, ValueError) as fault:
        if start[:2] != b"PK":
            raise FileError(
                str(path),
                "is not a zip container",
                "Name a resin job, or give its numbers by flags (see --help)",
            ) from fault
        if "not a zip" in str(fault):
            raise FileError(
                str(path), "is cut short: its table of contents is missing", AGAIN
            ) from fault
        raise FileError(str(path), f"is a damaged zip ({fault})", AGAIN) from fault


@contextmanager
def _faults_named(path: Path, name: str) -> Iterator[None]:
    """Turns what the zip library raises while unpacking into one FileError."""
    try:
        yield
    except (zipfile.BadZipFile, zlib.error, EOFError, struct.error, OSError) as fault:
        what = shown(str(fault)) or "it ends early"
        raise _bad(path, name, f"is damaged ({what})", AGAIN) from fault
    except (NotImplementedError, RuntimeError, ValueError) as fault:
        raise _bad(path, name, f"cannot be unpacked ({shown(str(fault))})", AGAIN) from fault


def _check_all(path: Path, infos: list[zipfile.ZipInfo], limits: Limits) -> None:
    if len(infos) > limits.members:
        raise FileError(
            str(path), f"holds {len(infos)} members, over the limit of {limits.members}", SUSPECT
        )
    total = sum(info.file_size for info in infos)
    if total > limits.total_bytes:
        raise FileError(
            str(path),
            f"would unpack to {total} bytes, over the limit of {limits.total_bytes}",
            SUSPECT,
        )
    for info in infos:
        _check_name(path, info)
        _check_member(path, info, limits)
    for name, times in Counter(info.filename for info in infos).items():
        if times > 1:
            raise _bad(path, name, f"is in the container {times} times")
    _check_overlap(path, infos)


def _check_name(path: Path, info: zipfile.ZipInfo) -> None:
    name = info.orig_filename
    trick = ""
    if not name or any(ord(letter) < 32 for letter in name):
        trick = "has control characters in its name"
    elif "\\" in name:
        trick = "has a backslash in its name"
    elif name.startswith("/") or name[1:2] == ":":
        trick = "has an absolute path for a name"
    elif ".." in name.split("/"):
        trick = "has a name that leads out of the container"
    if trick:
        raise _bad(path, ascii(name), trick)


def _check_member(path: Path, info: zipfile.ZipInfo, limits: Limits) -> None:
    name, size, most = info.filename, info.file_size, limits.member_bytes
    if info.flag_bits & ENCRYPTED:
        advice = "Slice it again without a password"
        raise _bad(path, name, "is locked with a password", advice)
    if stat.S_ISLNK(info.external_attr >> 16):
        raise _bad(path, name, "is a symbolic link")
    if info.compress_type not in (STORED, DEFLATED):
        found = f"is packed by method {info.compress_type}"
        found += "; only stored (0) and deflated (8) are read"
        raise _bad(path, name, found, "Slice the model again, to a plain zip")
    if size > most:
        raise _bad(path, name, f"would unpack to {size} bytes, over the limit of {most}")
    ratio = size / max(info.compress_size, 1)
    if ratio > limits.ratio and size > limits.ratio_from_bytes:
        raise _bad(path, name, f"unpacks to {ratio:.0f} times its size, the mark of a zip bomb")


def _check_place(path: Path, infos: list[zipfile.ZipInfo], table_at: int) -> None:
    """All of a member stands before the table of contents, and a stored one has one size."""
    for info in infos:
        two_sizes = info.compress_type == STORED and info.compress_size != info.file_size
        if info.header_offset < 0:
            early = "is damaged (it would begin before the file does)"
            raise _bad(path, info.filename, early, AGAIN)
        if _least_end(info) > table_at or two_sizes:
            raise _bad(path, info.filename, "does not have the size it states", AGAIN)


def _check_overlap(path: Path, infos: list[zipfile.ZipInfo]) -> None:
    """Members that share bytes unpack the same bytes many times over."""
    for info, after in pairwise(sorted(infos, key=lambda info: info.header_offset)):
        if _least_end(info) > after.header_offset:
            raise _bad(path, after.filename, "shares its bytes with another member")


def _least_end(info: zipfile.ZipInfo) -> int:
    return info.header_offset + 30 + len(info.orig_filename) + info.compress_size


def numbered_images(names: Iterable[str]) -> tuple[list[tuple[int, str]], str]:
    """The layer images, (number, name) in rising number, and the part of the name they share.

    Previews carry numbers too (their size in pixels): the largest family of equal beginnings
    is taken.
    """
    families: dict[str, list[tuple[int, str]]] = defaultdict(list)
    for name in names:
        found = _NUMBERED.match(name)
        if found:
            families[found.group(1)].append((int(found.group(2)), name))
    if not families:
        return [], ""
    stem = max(families, key=lambda key: (len(families[key]), -key.count("/"), -len(key)))
    return sorted(families[stem]), stem


def gaps(images: list[tuple[int, str]], path: str) -> list[Finding]:
    """A finding when numbers are missing between the first and the last image."""
    numbers = sorted({number for number, _ in images})
    holes = [(low + 1, high - low - 1) for low, high in pairwise(numbers) if high > low + 1]
    if not holes:
        return []
    missing = sum(count for _, count in holes)
    text = f"{missing} layer image(s) missing, the first is number {holes[0][0]}"
    return [Finding("resin-image-gap", path, text)]
