"""What is written beside the film: an edit list, single pictures, a preview, a poster.

The edit list is of the open form that the trade calls CMX 3600: one event a line, source and
record times as hours:minutes:seconds:frames, non-drop (form from memory of common practice;
what a picture shown longer than one frame needs is the M2 line with a speed of 0).
"""

from __future__ import annotations

import io
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError, of_the_system
from capturehook.files import write_atomically
from capturehook.film.recipe import Recipe
from capturehook.film.render import Rgb, to_8bit, to_16bit
from capturehook.frames.decode import scale_to
from capturehook.frames.needs import opencv, pillow

PREVIEW_ENDINGS = {".gif": "GIF", ".webp": "WEBP"}
PREVIEW_BYTES = 5_000_000
PREVIEW_LONG_PX = 480
PREVIEW_FRAMES = 150
PREVIEW_FPS = 12.5
STILL_ENDINGS = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG"}


class Images:
    """A folder of 16-bit pictures, one for each film frame."""

    def __init__(self, folder: Path, kind: str, stem: str) -> None:
        """Refuses a folder that already holds something."""
        self.folder, self.stem = folder, stem
        self.ending = {"png": ".png", "tiff": ".tif"}[kind]
        self.count = 0
        try:
            folder.mkdir(parents=True, exist_ok=True)
            taken = next(folder.iterdir(), None)
        except OSError as fault:
            raise of_the_system(fault, "written", folder) from fault
        if taken is not None:
            raise FrameError(
                str(folder), f"already holds {taken.name}", "Name a new folder with --images"
            )

    def add(self, rgb: Rgb) -> None:
        self.count += 1
        cv = opencv()
        done, data = cv.imencode(self.ending, cv.cvtColor(to_16bit(rgb), cv.COLOR_RGB2BGR))
        assert done
        write_atomically(self.folder / f"{self.stem}_{self.count:06d}{self.ending}", data.tobytes())

    def save(self) -> None:
        """All are written already."""


class Preview:
    """A small moving picture that plays anywhere, at most PREVIEW_BYTES large."""

    def __init__(self, path: Path, frames: int, fps: Fraction) -> None:
        if path.suffix.lower() not in PREVIEW_ENDINGS:
            raise FrameError(
                str(path), f"{path.suffix or 'no ending'} is no preview", "Use .gif or .webp"
            )
        self.path = path
        wanted = min(PREVIEW_FRAMES, max(1, round(frames / float(fps) * PREVIEW_FPS)), frames)
        self.places = set(np.linspace(0, frames - 1, wanted).round().astype(int).tolist())
        self.each_ms = max(20, round(1000 * frames / float(fps) / wanted))
        self.seen = 0
        self.kept: list[NDArray[np.uint8]] = []

    def add(self, rgb: Rgb) -> None:
        if self.seen in self.places:
            by = min(1.0, PREVIEW_LONG_PX / max(rgb.shape[:2]))
            size = (max(1, round(rgb.shape[1] * by)), max(1, round(rgb.shape[0] * by)))
            self.kept.append(to_8bit(np.asarray(scale_to(rgb, size))))
        self.seen += 1

    def save(self) -> None:
        """Write it, smaller and smaller until it is small enough."""
        by = 1.0
        while True:
            data, size = self._encoded(by)
            if len(data) <= PREVIEW_BYTES or max(size) <= 96:
                write_atomically(self.path, data)
                return
            by *= 0.8

    def _encoded(self, by: float) -> tuple[bytes, tuple[int, int]]:
        high, wide = self.kept[0].shape[:2]
        size = (max(1, round(wide * by)), max(1, round(high * by)))
        images = [pillow().fromarray(scale_to(one, size)) for one in self.kept]
        out = io.BytesIO()
        how: dict[str, Any] = {"save_all": True, "append_images": images[1:], "loop": 0}
        how["duration"] = self.each_ms
        kind = PREVIEW_ENDINGS[self.path.suffix.lower()]
        if kind == "WEBP":
            how |= {"quality": 70, "method": 4}
        images[0].save(out, format=kind, **how)
        return out.getvalue(), size


class Poster:
    """The film frame at ``place`` as a still."""

    def __init__(self, path: Path, place: int) -> None:
        check_still(path)
        self.path, self.place, self.seen = path, place, 0
        self.kept: Rgb | None = None

    def add(self, rgb: Rgb) -> None:
        if self.seen == self.place:
            self.kept = rgb.copy()
        self.seen += 1

    def save(self) -> None:
        assert self.kept is not None
        save_still(self.path, self.kept)


def poster_place(recipe: Recipe) -> int:
    """The film frame that first shows the last pose: whole, and not yet faded."""
    last = max(one.frame_index for one in recipe.chosen)
    at = recipe.card_frames
    for one in recipe.chosen:
        if one.frame_index == last:
            break
        at += one.shown
    return at


def check_still(path: Path) -> None:
    """Refuse an ending that is no still picture."""
    if path.suffix.lower() not in STILL_ENDINGS:
        raise FrameError(
            str(path), f"{path.suffix or 'no ending'} is no still picture", "Use .png or .jpg"
        )


def save_still(path: Path, rgb: Rgb) -> None:
    """One still of the film."""
    out = io.BytesIO()
    pillow().fromarray(to_8bit(rgb)).save(
        out, format=STILL_ENDINGS[path.suffix.lower()], quality=92
    )
    write_atomically(path, out.getvalue())


def edit_list(recipe: Recipe) -> str:
    """The film as an edit list; the shoot's frames in order are the source, one frame each."""
    rate = round(recipe.fps)
    lines = [f"TITLE: {_plain(recipe.title or 'FILM')}", "FCM: NON-DROP FRAME", ""]
    at = 0
    if recipe.card_frames:
        lines += _event(1, "BL", 0, recipe.card_frames, 0, rate)
        at = recipe.card_frames
    for number, one in enumerate(recipe.chosen, 2 if recipe.card_frames else 1):
        lines += _event(number, "AX", one.frame_index, one.shown, at, rate)
        frames = recipe.audit.frames.frames
        lines.append(f"* FROM CLIP NAME: {frames[one.frame_index].name}")
        if one.other_index is not None:
            other = frames[one.other_index].name
            lines.append(f"* {one.kind.upper()}: {one.share:.3f} OF {other}")
        at += one.shown
    return "\n".join(lines) + "\n"


def _event(number: int, reel: str, start: int, shown: int, at: int, rate: int) -> list[str]:
    source = (start, start + (shown if reel == "BL" else 1))
    times = " ".join(_timecode(one, rate) for one in (*source, at, at + shown))
    lines = [f"{number:03d}  {reel:<8} V     C        {times}"]
    if shown > 1 and reel != "BL":
        lines.append(f"M2   {reel:<8} 000.0                {_timecode(start, rate)}")
    return lines


def _timecode(frames: int, rate: int) -> str:
    seconds, left = divmod(frames, rate)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}:{left:02d}"


def _plain(text: str) -> str:
    return "".join(one if one.isprintable() else " " for one in text)[:70]
