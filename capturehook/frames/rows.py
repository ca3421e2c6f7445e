"""Measured frames kept in a file: a run that was stopped, or is made again, decodes them no more.

One line of JSON with what they were measured against, then a record a frame, in order. The
file's name is a digest of the frames and of how they are looked at: with any other, all is
measured anew. A record that does not fit its own digest ends what is read.
"""

from __future__ import annotations

import base64
import hashlib
import json
import zlib
from contextlib import suppress
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import of_the_system
from capturehook.files import Closes
from capturehook.frames.listing import FrameList
from capturehook.frames.static import StaticArea, Tile

FORM = "2"  # to be changed with what measuring does
ENDING = ".rows"
MOST_BYTES = 500_000_000
DIGEST_BYTES = 16
END_BYTES = 65_536  # of each file, at its beginning and end, that tell it from another


@dataclass(frozen=True, slots=True)
class Row:
    """What one frame gave."""

    light: float
    colour: NDArray[np.float64]
    level: float
    top: float
    clipped: float
    sharp: float
    sharp_static: float
    blur_px: float
    dx_px: float
    dy_px: float
    turn_deg: float
    zoom: float
    error_px: float
    peak: float


@dataclass(frozen=True, slots=True)
class Scale:
    """Sizes a frame is looked at in: fine for motion, work for the rest, look for content.

    ``fine`` and ``work`` are (width, height); ``fine_scale`` and ``work_scale`` their pixels
    per pixel of the original.
    """

    fine: tuple[int, int]
    work: tuple[int, int]
    look: tuple[int, int]
    fine_scale: float
    work_scale: float


Looked = tuple[Row, NDArray[np.uint8]]
"""The row of a frame, and its look."""


class RowStore(Closes):
    """Rows of one shoot in a folder, or in one that ends alike beside it."""

    def __init__(self, folder: Path, most_bytes: int = MOST_BYTES) -> None:
        self.folder = folder
        self.most_bytes = most_bytes
        self.kept = 0
        self._file: IO[bytes] | None = None
        self._look_shape: tuple[int, ...] = ()

    def recall(
        self, frames: FrameList, scale: Scale, how: object
    ) -> tuple[tuple[int, StaticArea] | None, list[Looked | None]]:
        """The place of the reference frame and the still part, None where nothing is kept; and
        the first frames as they were measured. What is added goes on from there.

        ``how`` they are looked at, told apart by its `repr`.

        Raises
        ------
        FileError
            The folder cannot be written.
        """
        name = _key(frames, scale, how) + ENDING
        beside = self.folder.parent.glob(f"*{self.folder.suffix}/{name}")
        place = next(iter(sorted(beside)), self.folder / name)
        self._look_shape = (scale.look[1], scale.look[0], 3)
        try:
            place.parent.mkdir(exist_ok=True)
            self._file = place.open("r+b" if place.exists() else "w+b")
            return self._read()
        except OSError as fault:
            advice = "Check the folder's rights, or do without --resume"
            raise of_the_system(fault, "written", place.parent, advice) from fault

    def begin(self, reference: int, area: StaticArea) -> None:
        """A new file: what was there does not hold."""
        packed = zlib.compress(np.packbits(area.mask).tobytes())
        head = {
            "reference": reference,
            "tiles": [asdict(tile) for tile in area.tiles],
            "sure": area.sure,
            "shape": area.mask.shape,
            "mask": base64.b64encode(packed).decode(),
        }
        self._write(_digested(json.dumps(head).encode()).hex().encode() + b"\n", at=0)

    def add(self, looked: Looked | None) -> None:
        """A full disk or store only means that less is kept."""
        if looked is None:
            body = bytes(1) + bytes(8 * _row_floats() + int(np.prod(self._look_shape)))
        else:
            row, look = looked
            values = np.concatenate([np.ravel(getattr(row, one.name)) for one in fields(row)])
            body = b"\1" + values.astype("<f8").tobytes() + look.tobytes()
        self._write(_digested(body))

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def _write(self, data: bytes, at: int | None = None) -> None:
        if self._file is None:
            return
        try:
            if at is not None:
                self._file.seek(at)
                self._file.truncate()
            if self._file.tell() + len(data) <= self.most_bytes:
                self._file.write(data)
        except OSError:
            with suppress(OSError):
                self.close()
            self._file = None

    def _read(self) -> tuple[tuple[int, StaticArea] | None, list[Looked | None]]:
        assert self._file is not None
        head = _head_of(self._file.readline(1 << 24))
        looked: list[Looked | None] = []
        if head is None:
            return None, looked
        size = 1 + 8 * _row_floats() + int(np.prod(self._look_shape)) + DIGEST_BYTES
        end = self._file.tell()
        while (body := _checked(self._file.read(size))) is not None:
            looked.append(self._looked(body))
            end += size
        self._file.seek(end)
        self._file.truncate()
        self.kept = len(looked)
        return head, looked

    def _looked(self, body: bytes) -> Looked | None:
        if not body[0]:
            return None
        split = 1 + 8 * _row_floats()
        values = np.frombuffer(body[1:split], "<f8")
        look = np.frombuffer(body[split:], np.uint8).reshape(self._look_shape)
        return _row_of(values), look


def _row_floats() -> int:
    return len(fields(Row)) + 2  # red, green and blue are three


def _row_of(values: NDArray[np.float64]) -> Row:
    left = iter(values.tolist())
    names = [one.name for one in fields(Row)]
    parts: dict[str, Any] = {
        name: np.array([next(left) for _ in range(3)]) if name == "colour" else next(left)
        for name in names
    }
    return Row(**parts)


def _head_of(line: bytes) -> tuple[int, StaticArea] | None:
    try:
        text = _checked(bytes.fromhex(line.decode().strip()))
        head = json.loads(text or b"null")
    except ValueError:
        return None
    if head is None:
        return None
    high, wide = head["shape"]
    packed = np.frombuffer(zlib.decompress(base64.b64decode(head["mask"])), np.uint8)
    area = StaticArea(
        tiles=tuple(Tile(**tile) for tile in head["tiles"]),
        mask=np.unpackbits(packed, count=high * wide).reshape(high, wide).astype(bool),
        sure=head["sure"],
    )
    return head["reference"], area


def _digested(body: bytes) -> bytes:
    return body + hashlib.blake2b(body, digest_size=DIGEST_BYTES).digest()


def _checked(data: bytes) -> bytes | None:
    body, digest = data[:-DIGEST_BYTES], data[-DIGEST_BYTES:]
    fits = hashlib.blake2b(body, digest_size=DIGEST_BYTES).digest() == digest
    return body if body and fits else None


def _key(frames: FrameList, scale: Scale, how: object) -> str:
    digest = hashlib.blake2b(repr((FORM, frames.size_px, scale, how)).encode(), digest_size=16)
    for frame in frames.frames:
        if not frame.path.is_file():
            continue
        state = frame.path.stat()
        known = (state.st_size, state.st_mtime_ns, frame.orientation, frame.size_px)
        digest.update(repr((*known, frame.fault is None)).encode())
        with frame.path.open("rb") as file:
            digest.update(file.read(END_BYTES))
            file.seek(max(0, state.st_size - END_BYTES))
            digest.update(file.read(END_BYTES))
    return digest.hexdigest()
