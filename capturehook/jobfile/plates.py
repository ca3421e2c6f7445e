"""Jobs inside a zip container: packed plates (`.gcode.3mf`) and plain zips with a job in them.

Only the texts and the checksums beside them change; of every other member the packed bytes,
the order, the dates and the comments are copied as they are.
"""

from __future__ import annotations

import hashlib
import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Mapping
from pathlib import Path

from capturehook.catalog.containers.zip_file import Container, Limits
from capturehook.errors import FileError, Where
from capturehook.jobfile.record import (
    AGAIN,
    CHANGED,
    MIB,
    Edits,
    JobFile,
    JobText,
    Written,
    apply_edits,
    check_memory,
)
from capturehook.jobfile.squeeze import deflate, inflate, match_deflate
from capturehook.jobfile.zip_raw import Member, packed_bytes, rebuild

MAGIC = b"PK\x03\x04"
SUFFIXES = (".gcode", ".gco", ".g")
SUMS = ("md5", "sha1", "sha256", "sha512")
KEPT = ".kept"
LIMITS = Limits(member_bytes=1024 * MIB, text_bytes=1024 * MIB)
_IMAGE = re.compile(r"(?:^|/)[^/]*\d\.png$", re.IGNORECASE)
_NUMBER = re.compile(r"(\d+)\.\w+$")
STORED = 0


class PlatesJob(JobFile):
    """See the module. Raises FileError where the container is damaged or holds no job."""

    kind = "plates"

    def __init__(self, data: bytes, name: str) -> None:
        self.data, self.name, self.path = data, name, Path(name)
        with Container(self.path, LIMITS, io.BytesIO(data)) as container:
            self.names = container.names
            members = _job_members(self.names, name)
            check_memory(name, sum(container.fingerprint(member)[1] for member in members))
            texts = {member: container.read(member) for member in members}
            self.sums = {
                beside: container.read(beside)
                for member in members
                for beside in (f"{member}.{kind}" for kind in SUMS)
                if beside in self.names
            }
            self.kept = {
                one.removesuffix(KEPT): container.read(one)
                for one in self.names
                if one.endswith(KEPT) and one.removesuffix(KEPT).removesuffix(".md5") in texts
            }
        for beside, text in self.sums.items():
            self._changed_sum(beside, text, texts[beside.rpartition(".")[0]], b"")
        self.jobs = tuple(
            JobText(f"{name}: {member}", texts[member], plate)
            for plate, member in _numbered(members)
        )
        self.members = tuple(member for _, member in _numbered(members))

    def _changed_sum(self, beside: str, text: bytes, old: bytes, new: bytes) -> bytes:
        """The text of a checksum with the new sum in the place of the old, in its own case."""
        job, _, kind = beside.rpartition(".")
        found = re.search(hashlib.new(kind, old).hexdigest().encode(), text, re.IGNORECASE)
        if found is None:
            where = Where(self.name, key=beside)
            raise FileError(where, f"is not the checksum of {job}", AGAIN)
        now = hashlib.new(kind, new).hexdigest().encode()
        now = now.upper() if found[0] == found[0].upper() else now
        return text[: found.start()] + now + text[found.end() :]

    def _new_members(self, edits: Edits) -> dict[str, tuple[bytes, bytes]]:
        """Name -> (old content, new content) of the texts that change and their checksums."""
        changed: dict[str, tuple[bytes, bytes]] = {}
        for at, of_text in edits.items():
            member, old = self.members[at], self.jobs[at].text
            new = apply_edits(old, of_text)
            if new == old:
                continue
            changed[member] = (old, new)
            for beside, text in self.sums.items():
                if beside.rpartition(".")[0] == member:
                    changed[beside] = (text, self._changed_sum(beside, text, old, new))
        return changed

    def posed(self, edits: Edits, added_s: float | None = None) -> Written:
        members: dict[str, Member] = {}
        kept: dict[str, bytes] = {}
        for member, (old, new) in self._new_members(edits).items():
            how, stored = packed_bytes(io.BytesIO(self.data), self.path, member)
            match = (6, 8) if how == STORED else match_deflate(stored, old)
            level, memory = match or (6, 8)
            members[member] = Member(new, None if how == STORED else deflate(new, level, memory))
            if match is None or match != (6, 8):
                kept[member + KEPT] = stored if match is None else bytes(match)
        data = self._rebuilt(members, kept)
        size = sum(map(len, kept.values()))
        note = (
            f"its compressor cannot be matched: {size} bytes of the original are kept in "
            "the file, so that strip can give it back"
        )
        return Written(data, (note,) if size > 4096 else ())

    def stripped(self, edits: Edits) -> Written:
        members: dict[str, Member] = {}
        dropped: list[str] = []
        notes: tuple[str, ...] = ()
        for member, (_, new) in self._new_members(edits).items():
            stored = self.kept.get(member)
            packed = None
            if stored is not None:
                dropped.append(member + KEPT)
                packed = self._as_it_was(member, stored, new)
                notes += () if packed is not None else (CHANGED,)
            members[member] = Member(new, packed)
        data = self._rebuilt(members, {}, dropped) if members else self.data
        return Written(data, notes)

    def _as_it_was(self, member: str, stored: bytes, plain: bytes) -> bytes | None:
        """The packed bytes of a member whose content is ``plain`` again."""
        try:
            if len(stored) == 2:
                return deflate(plain, *stored)
            return stored if inflate(stored, len(plain)) == plain else None
        except (ValueError, zlib.error) as fault:
            where = Where(self.name, key=member + KEPT)
            raise FileError(where, f"is damaged ({fault})", AGAIN) from fault

    def _rebuilt(
        self,
        members: Mapping[str, Member],
        added: Mapping[str, bytes],
        dropped: list[str] | None = None,
    ) -> bytes:
        out = io.BytesIO()
        rebuild(io.BytesIO(self.data), self.path, members, out, added=added, dropped=dropped or ())
        return out.getvalue()


def is_resin_zip(path: Path) -> bool:
    """Whether a file is a zip (APPNOTE 4.3.7) with layer images, or without a filament job."""
    try:
        with path.open("rb") as file:
            if file.read(4) != MAGIC:
                return False
        with zipfile.ZipFile(path) as container:
            names = container.namelist()
    except OSError:
        return False  # who reads it next says what is wrong
    except (zipfile.BadZipFile, ValueError, NotImplementedError):
        return True
    return _layer_images(names) or not any(_is_job(name) for name in names)


def _is_job(name: str) -> bool:
    return name.lower().endswith(SUFFIXES)


def _layer_images(names: Iterable[str]) -> bool:
    images = [name for name in names if _IMAGE.search(name) and not name.startswith("Metadata/")]
    return len(images) > 1


def _job_members(names: tuple[str, ...], path: str) -> list[str]:
    jobs = [name for name in names if _is_job(name)]
    if _layer_images(names):
        raise FileError(
            path, "is a resin job", "Use `capturehook resin JOB` (with --pose to insert poses)"
        )
    if not jobs:
        found = "holds no sliced plate (no member that ends in .gcode)"
        raise FileError(path, found, "Slice the plate, then save the sliced file, not the project")
    return jobs


def _numbered(members: list[str]) -> list[tuple[int, str]]:
    """Plates with their numbers: those of their names where these differ, else by order."""
    found = [_NUMBER.search(member) for member in members]
    numbers = [int(match[1]) for match in found if match]
    if len(set(numbers)) != len(members):
        numbers = list(range(1, len(members) + 1))
    return sorted(zip(numbers, members, strict=True))
