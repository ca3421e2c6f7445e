"""Stage 7 begins: folders of pictures -> one list of frames in the order they were taken.

In: folders or files (each folder is a card). Out: a FrameList with times and what they are
worth. Only heads of files are read here; names that restart after 9999, clocks set back,
copies on two cards and pictures without times are put right or said aloud.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FileError, Finding, FrameError, counted
from capturehook.frames.decode import ENDINGS, is_raw, read_head, upright_size
from capturehook.frames.exif import Settings, Taken
from capturehook.frames.needs import MissingLibraryError
from capturehook.frames.times import Clock, choose_clock, put_right

LAST_DCF_NUMBER = 9999
NUMBER = re.compile(r"\d+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One picture file; ``card`` counts from 0; ``taken`` is None where it holds no time.

    ``size_px`` is upright; ``orientation`` (Exif) turns the stored picture so.
    """

    path: Path
    card: int
    size_px: tuple[int, int]
    taken: Taken | None
    file_s: float
    file_bytes: int
    orientation: int = 1
    settings: Settings | None = None
    fault: str | None = None

    @property
    def name(self) -> str:
        return self.path.name


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameList:
    """F frames in order of capture.

    Attributes
    ----------
    frames : F of them
    t_s : (F,) float64, capture time in seconds on one clock that never steps back; all NaN
        where only the order is known
    clock : "camera" (Exif), "file" (time of the file) or "order" (names alone)
    step_s : finest difference the times can show
    findings : what was put right or is uncertain
    """

    frames: tuple[Frame, ...]
    t_s: NDArray[np.float64]
    clock: Clock
    step_s: float
    findings: tuple[Finding, ...]

    def __len__(self) -> int:
        return len(self.frames)

    @property
    def size_px(self) -> tuple[int, int]:
        """The size most frames have."""
        sizes = [frame.size_px for frame in self.frames if frame.fault is None]
        return max(set(sizes), key=lambda size: (sizes.count(size), size))


def load_frames(places: Sequence[Path | str], *, clock: Clock | None = None) -> FrameList:
    """Find the pictures in folders (or the files named) and put them in order of capture.

    Parameters
    ----------
    places : each folder is one card; files named singly make one card together
    clock : use this kind of time; None takes the best there is

    Raises
    ------
    FrameError
        No picture at all, or none that can be read.
    FileError
        A place does not exist.
    """
    cards = find_pictures([Path(place) for place in places])
    frames = [[read_frame(path, card) for path in paths] for card, paths in enumerate(cards)]
    if all(frame.fault for card in frames for frame in card):
        raise FrameError(str(places[0]), "holds no readable picture", "Check the folder")
    frames, turned = _one_orientation(frames)
    frames, copies = _without_copies(frames)
    return _timed(frames, clock, [*turned, *copies, *_size_findings(frames)])


def _size_findings(cards: list[list[Frame]]) -> Iterator[Finding]:
    """Pictures of several sizes: settings were changed, or they are of several cameras."""
    sizes = Counter(frame.size_px for card in cards for frame in card if frame.fault is None)
    if len(sizes) > 1:
        told = ", ".join(
            f"{counted(count, 'picture')} of {wide} x {high} px"
            for (wide, high), count in sizes.most_common(4)
        )
        text = (
            f"{told}: those of the first shape are scaled to one size, those of another shape are "
            "not used"
        )
        yield Finding("sizes-differ", "frames", text)


def _one_orientation(cards: list[list[Frame]]) -> tuple[list[list[Frame]], list[Finding]]:
    """A camera that looks down cannot tell which side is up and may change its mind; on a
    tripod it does not turn. All frames stored alike are turned as most of them are."""
    whole = [frame for card in cards for frame in card if frame.fault is None]
    stored = [upright_size(frame.size_px, frame.orientation) for frame in whole]
    turn: dict[tuple[int, int], int] = {}
    for size in set(stored):
        tags = [one.orientation for one, px in zip(whole, stored, strict=True) if px == size]
        turn[size] = max(sorted(set(tags)), key=tags.count)
    others = []

    def turned(frame: Frame) -> Frame:
        size = upright_size(frame.size_px, frame.orientation)
        if frame.fault is not None or turn[size] == frame.orientation:
            return frame
        others.append(frame.name)
        return replace(frame, orientation=turn[size], size_px=upright_size(size, turn[size]))

    cards = [[turned(frame) for frame in card] for card in cards]
    if not others:
        return cards, []
    text = (
        f"{len(others)} picture{'s bear' if len(others) > 1 else ' bears'} another orientation "
        "tag than most; turned like the rest, since a camera on a tripod does not turn"
    )
    return cards, [Finding("orientation", others[0], text)]


def find_pictures(places: Sequence[Path]) -> list[list[Path]]:
    """Paths by card, each card in the order of its names; see :func:`load_frames`."""
    folders = [place for place in places if place.is_dir()]
    files = [place for place in places if not place.is_dir()]
    for place in files:
        if not place.exists():
            raise FileError(str(place), "there is no such file or folder", "Check the path")
    cards = [_pictures_in(folder) for folder in folders]
    cards.append(order_names(_one_of_each(files)))
    cards = [card for card in cards if card]
    if not cards:
        raise FrameError(
            str(places[0]) if places else "FRAMES",
            "holds no picture (JPEG, PNG, TIFF, HEIC or camera raw)",
            "Give the folder the camera's files were copied to",
        )
    return cards


def _pictures_in(folder: Path) -> list[Path]:
    """A card's folders (100..., 101...) follow each other by name."""
    found: dict[Path, list[Path]] = {}
    for path in folder.rglob("*"):
        hidden = any(part.startswith(".") for part in path.relative_to(folder).parts)
        if path.suffix.lower() in ENDINGS and not hidden and path.is_file():
            found.setdefault(path.parent, []).append(path)
    return [
        path
        for parent in sorted(found, key=_natural)
        for path in order_names(_one_of_each(found[parent]))
    ]


def _one_of_each(paths: Iterable[Path]) -> list[Path]:
    """Of a raw file and a picture of the same name the picture is enough."""
    paths = list(paths)
    plain = {path.with_suffix("") for path in paths if not is_raw(path)}
    return [path for path in paths if not (is_raw(path) and path.with_suffix("") in plain)]


def order_names(paths: Sequence[Path]) -> list[Path]:
    """Natural order; and where numbers of four digits run over 9999, 0001 comes after it."""
    ordered = sorted(paths, key=_natural)
    numbers = _dcf_numbers(ordered)
    if numbers is None or len(numbers) < 2:
        return ordered
    gaps = np.diff(numbers)
    widest = int(np.argmax(gaps))
    over_the_end = numbers[0] + LAST_DCF_NUMBER - numbers[-1]
    if gaps[widest] > 10 * over_the_end and numbers[-1] > LAST_DCF_NUMBER - 100:
        return ordered[widest + 1 :] + ordered[: widest + 1]
    return ordered


def _natural(path: Path) -> list[object]:
    parts = re.split(r"(\d+)", path.name.lower())
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in parts]


def _dcf_numbers(paths: Sequence[Path]) -> NDArray[np.int64] | None:
    """The four digits at the end of each stem, if all share what stands before them."""
    stems = [path.stem for path in paths]
    if not all(re.search(r"(?<!\d)\d{4}$", stem) for stem in stems):
        return None
    if len({stem[:-4].lower() for stem in stems}) != 1:
        return None
    return np.array([int(stem[-4:]) for stem in stems])


def read_frame(path: Path, card: int = 0) -> Frame:
    """What the head of one file says; ``fault`` is set where it is no picture.

    Raises
    ------
    MissingLibraryError
        A library for this kind of picture is not there.
    OSError
        The file is gone.
    """
    stat = path.stat()
    blank = Frame(
        path=path,
        card=card,
        size_px=(0, 0),
        taken=None,
        file_s=stat.st_mtime_ns / 1e9,
        file_bytes=stat.st_size,
    )
    try:
        head = read_head(path)
    except MissingLibraryError:
        raise
    except FrameError as fault:
        return replace(blank, fault=fault.found)
    return replace(
        blank,
        size_px=upright_size(head.stored_px, head.orientation),
        orientation=head.orientation,
        taken=head.taken,
        settings=head.settings,
    )


def _without_copies(cards: list[list[Frame]]) -> tuple[list[list[Frame]], list[Finding]]:
    """A camera that writes each picture to both cards: keep the first of each pair."""
    seen: dict[tuple[str, int, Taken | None], Frame] = {}
    kept: list[list[Frame]] = []
    dropped = 0
    for card in cards:
        kept.append([])
        for frame in card:
            key = (frame.name.lower(), frame.file_bytes, frame.taken)
            twin = seen.setdefault(key, frame)
            if twin is not frame and twin.card != frame.card and _digest(twin) == _digest(frame):
                dropped += 1
            else:
                kept[-1].append(frame)
    if not dropped:
        return kept, []
    text = f"{counted(dropped, 'picture')} twice, on two cards alike; the first of each is used"
    return [card for card in kept if card], [Finding("copies", "frames", text)]


def _digest(frame: Frame) -> str:
    return hashlib.sha256(frame.path.read_bytes()).hexdigest()


def _timed(cards: list[list[Frame]], wish: Clock | None, findings: list[Finding]) -> FrameList:
    """Choose the clock, correct it card by card, and merge the cards."""
    clock, times, step_s, warned = choose_clock(cards, wish)
    findings = [*findings, *warned]
    if clock == "order":
        flat = tuple(frame for card in cards for frame in card)
        nothing = np.full(len(flat), np.nan)
        return FrameList(
            frames=flat, t_s=nothing, clock=clock, step_s=0.0, findings=tuple(findings)
        )
    frames: list[Frame] = []
    corrected: list[NDArray[np.float64]] = []
    for card, t_s in zip(cards, times, strict=True):
        card_frames, card_t_s, jumps = put_right(card, t_s)
        frames += card_frames
        corrected.append(card_t_s)
        findings += jumps
    t_all = np.concatenate(corrected)
    order = np.argsort(t_all, kind="stable")
    return FrameList(
        frames=tuple(frames[index] for index in order),
        t_s=t_all[order],
        clock=clock,
        step_s=step_s,
        findings=tuple(findings),
    )


def refuse_over_frames(frames: FrameList, out: Path, *, picture: bool = False) -> None:
    """The originals are never written over; and a new picture among them would pass for one.

    Raises
    ------
    FrameError
        ``out`` is one of the frames, or ``picture`` and it lies in a folder of frames.
    """
    target = out.resolve()
    if any(frame.path.resolve() == target for frame in frames.frames):
        raise FrameError(str(out), "is one of the frames", "Give another name")
    if picture and any(frame.path.parent.resolve() == target.parent for frame in frames.frames):
        raise FrameError(
            str(out),
            "would lie among the frames and be taken for one of them next time",
            "Write it to another folder",
        )
