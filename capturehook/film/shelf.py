"""Drawn frames kept beside a film until it is whole, so that a stopped run goes on.

A frame is known by everything it was drawn from: the picture file's size, time and content, and
all that was done to it. What is stale has another name and is never looked at; what is damaged
does not fit its own digest and is drawn again.
"""

from __future__ import annotations

import hashlib
import shutil
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np

from capturehook.errors import of_the_system
from capturehook.film.render import Rgb
from capturehook.frames.needs import opencv

MOST_BYTES = 2_000_000_000
ENDING = ".frame"
FORM = b"2"  # to be changed with what drawing does
DIGEST_BYTES = 32


class Shelf:
    """A folder of drawn frames, at most MOST_BYTES of them; may be used from several threads."""

    def __init__(self, film: Path, most_bytes: int = MOST_BYTES) -> None:
        """``film`` is where the film will be; the folder stands beside it."""
        self.folder = work_folder(film)
        self.most_bytes = most_bytes
        self.reused = 0
        self._lock = threading.Lock()
        try:
            self.folder.mkdir(exist_ok=True)
            there = list(self.folder.glob(f"*{ENDING}"))
            self._bytes = sum(one.stat().st_size for one in there)
            self._of_before = {one.name for one in there}
        except OSError as fault:
            advice = "Check the folder's rights, or do without --resume"
            raise of_the_system(fault, "written", self.folder, advice) from fault

    def drawn(self, source: Path, settings: object, draw: Callable[[], Rgb]) -> Rgb:
        """The frame of a picture file and settings, from the shelf or drawn now.

        ``settings`` are told apart by their `repr`.
        """
        place = self.folder / f"{_key(source, settings)}{ENDING}"
        found = _read(place)
        if found is not None:
            with self._lock:
                self.reused += place.name in self._of_before
                self._of_before.discard(place.name)
            return found
        rgb = draw()
        self._keep(place, rgb)
        return rgb

    def _keep(self, place: Path, rgb: Rgb) -> None:
        """A full disk or shelf only means that less is kept."""
        cv = opencv()
        bgr = cv.cvtColor(rgb, cv.COLOR_RGB2BGR)
        done, data = cv.imencode(".png", bgr, [cv.IMWRITE_PNG_COMPRESSION, 1])
        with self._lock:
            if not done or self._bytes + len(data) + DIGEST_BYTES > self.most_bytes:
                return
            self._bytes += len(data) + DIGEST_BYTES
        body = data.tobytes()
        scrap = place.with_suffix(".part")
        try:
            scrap.write_bytes(hashlib.blake2b(body, digest_size=DIGEST_BYTES).digest() + body)
            scrap.replace(place)
        except OSError:
            scrap.unlink(missing_ok=True)

    def clear(self) -> None:
        """The film is whole: nothing of it is needed any more."""
        for one in [*self.folder.glob(f"*{ENDING}"), *self.folder.glob("*.part")]:
            one.unlink(missing_ok=True)
        if not any(self.folder.iterdir()):
            shutil.rmtree(self.folder, ignore_errors=True)


def work_folder(film: Path) -> Path:
    """Where what a stopped run had done is kept, beside the film."""
    return film.with_name(film.name + ".work")


def _key(source: Path, settings: object) -> str:
    digest = hashlib.blake2b(FORM, digest_size=20)
    state = source.stat()
    digest.update(f"{state.st_size} {state.st_mtime_ns} {settings!r}".encode())
    with source.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _read(place: Path) -> Rgb | None:
    try:
        data = place.read_bytes()
    except OSError:
        return None
    body = data[DIGEST_BYTES:]
    if hashlib.blake2b(body, digest_size=DIGEST_BYTES).digest() != data[:DIGEST_BYTES]:
        return None
    cv = opencv()
    bgr = cv.imdecode(np.frombuffer(body, np.uint8), cv.IMREAD_UNCHANGED)
    return None if bgr is None else np.asarray(cv.cvtColor(bgr, cv.COLOR_BGR2RGB))
