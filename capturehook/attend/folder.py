"""The folder the camera writes to: which pictures have come, whole. Nothing in it is touched.

Looked at from time to time (no service of the system is needed, and network drives have none).
Links are not followed, hidden files and files that are no pictures are left out.
"""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass, field
from math import inf
from pathlib import Path

from capturehook.frames.decode import ENDINGS, RAW_ENDINGS

SETTLE_S = 2.0
"""A file that has not changed for so long is whole, if its end says so too."""
PATIENCE_S = 20.0
"""And without such an end, or as a raw file that a picture may follow, after so long."""
LONGEST_WAY_S = 2 * PATIENCE_S
"""Until then what was seen of a picture counts as one on its way; it may never become whole."""
DEEPEST = 5
MOST_FILES = 50_000
TAIL_BYTES = 65_536
JPEG_ENDINGS = (".jpg", ".jpeg")
GONE_FROM = 3
"""So many pictures that are all gone at once: the card was pulled."""

Look = tuple[int, int]
"""Size and time of change: another look, another content."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A whole picture. ``name`` is its path in the folder; ``first_s`` when it was first seen;
    ``was`` how the file looked when it was taken before, None when it is new."""

    path: Path
    name: str
    look: Look
    first_s: float
    was: Look | None = None


@dataclass
class Folder:
    """What is known of the files; ``taken`` are those that were handed out.

    ``gone`` tells of a folder that cannot be read now, or has lost all its pictures at once;
    ``coming`` of new pictures that are there and not handed out yet.
    """

    root: Path
    taken: dict[str, Look] = field(default_factory=dict)
    gone: str | None = None
    coming: bool = False
    crowded: bool = False
    _waiting: dict[str, tuple[Look, float, float]] = field(default_factory=dict)
    _there: int = 0

    def poll(self, now_s: float) -> list[Arrival]:
        """The pictures that have come to rest since, in the order in which they came."""
        self.coming = False
        try:
            looks = self._looks()
        except OSError as fault:
            self.gone = fault.strerror or str(fault)
            return []
        there = sum(name in looks for name in self.taken)
        if self._there >= GONE_FROM and not there:
            self.gone = "its pictures are gone"
            return []
        self.gone, self._there = None, there
        ripe = []
        plain = {_stem(name) for name in looks if _ending(name) not in RAW_ENDINGS}
        waiting: dict[str, tuple[Look, float, float]] = {}
        for name, look in looks.items():
            if self.taken.get(name) == look:
                continue
            before = self._waiting.get(name)
            first_s = before[2] if before else now_s
            since_s = before[1] if before and before[0] == look else now_s
            if self._is_whole(name, look, now_s - since_s, plain):
                was = self.taken.get(name)
                ripe.append(
                    Arrival(path=self.root / name, name=name, look=look, first_s=first_s, was=was)
                )
            else:
                waiting[name] = (look, since_s, first_s)
        coming_s = self._first_coming_s(waiting, now_s, plain)
        self.coming = coming_s < inf
        held = {one.name: self._waiting[one.name] for one in ripe if one.first_s >= coming_s}
        ripe = [one for one in ripe if one.name not in held]
        self._waiting = waiting | held
        for one in ripe:
            self.taken[one.name] = one.look
        self._there += sum(one.was is None for one in ripe)
        return sorted(ripe, key=lambda one: (one.first_s, one.look[1], one.name))

    def pass_over_all(self) -> int:
        """Take what is there now as known; how many pictures that are.

        Raises
        ------
        OSError
            The folder cannot be read.
        """
        self.taken.update(self._looks())
        self._there = len(self.taken)
        return len(self.taken)

    def _first_coming_s(
        self, waiting: dict[str, tuple[Look, float, float]], now_s: float, plain: set[str]
    ) -> float:
        """When the first of the new pictures on their way was first seen; infinity for none."""
        return min(
            (
                first_s
                for name, (_, _, first_s) in waiting.items()
                if name not in self.taken
                and now_s - first_s < LONGEST_WAY_S
                and (_ending(name) not in RAW_ENDINGS or _stem(name) not in plain)
            ),
            default=inf,
        )

    def _is_whole(self, name: str, look: Look, rest_s: float, plain: set[str]) -> bool:
        if look[0] == 0 or rest_s < SETTLE_S:
            return False
        if _ending(name) not in RAW_ENDINGS:
            return rest_s >= PATIENCE_S or self._has_an_end(name)
        return rest_s >= PATIENCE_S and _stem(name) not in plain  # the picture beside it is enough

    def _has_an_end(self, name: str) -> bool:
        """A JPEG ends with FF D9 (ITU-T T.81, B.1.1.3), a PNG with IEND (ISO/IEC 15948, 11.2.5);
        other kinds do not say."""
        ending = _ending(name)
        end = b"\xff\xd9" if ending in JPEG_ENDINGS else b"IEND"
        if ending not in (*JPEG_ENDINGS, ".png"):
            return False
        with suppress(OSError):
            flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
            handle = os.open(self.root / name, flags | getattr(os, "O_BINARY", 0))
            with os.fdopen(handle, "rb") as file:
                size = file.seek(0, os.SEEK_END)
                file.seek(max(0, size - TAIL_BYTES))
                return end in file.read(TAIL_BYTES)
        return False

    def _looks(self) -> dict[str, Look]:
        """name -> look of every picture file, plain files only."""
        looks: dict[str, Look] = {}
        open_ = [("", 0)]
        self.crowded = False
        while open_:
            below, depth = open_.pop()
            with os.scandir(self.root / below if below else self.root) as entries:
                for entry in entries:
                    if entry.name.startswith("."):
                        continue
                    name = f"{below}/{entry.name}" if below else entry.name
                    if entry.is_dir(follow_symlinks=False):
                        if depth < DEEPEST:
                            open_.append((name, depth + 1))
                    elif _ending(name) in ENDINGS:
                        if not entry.is_file(follow_symlinks=False):
                            continue
                        if len(looks) >= MOST_FILES:
                            self.crowded = True
                            return looks
                        with suppress(FileNotFoundError):
                            found = entry.stat(follow_symlinks=False)
                            looks[name] = (found.st_size, found.st_mtime_ns)
        return looks


def _ending(name: str) -> str:
    return f".{name.rpartition('.')[2].lower()}"


def _stem(name: str) -> str:
    return name.rpartition(".")[0]
