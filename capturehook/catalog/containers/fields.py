"""A binary container read with suspicion: every field by its offset, nothing past the end.

No size, count or offset of the file is believed before it is held against the file's length.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog.containers.refused import TWO_WAYS
from capturehook.errors import FileError, Where, of_the_system
from capturehook.files import Closes
from capturehook.model.resin_job import LayerCycles, StoredJob

MOST_LAYERS = 100_000
MOST_BLOB = 256 * 1024 * 1024
"""Bytes of one table or image."""
MOST_CODE_PER_PX = 2
"""Bytes: no two pixels alike, each a run of its own with its grey beside it."""
STEPS = 1 << 18
"""Codes are walked in pieces of so many bytes: a list of Python's takes 36 for each."""
MOST_PIXELS = 150_000_000
LONGEST_EXPOSURE_S, LONGEST_REST_S = 600.0, 3600.0
LONGEST_MM, TALLEST_MM = 500.0, 2000.0
SLOWEST_MM_MIN, FASTEST_MM_MIN = 0.1, 60_000.0
AGAIN = "Copy the file again; if that does not help, give the numbers by flags (see --help)"


class Fields(Closes):
    """An open file and its length. Use it in a `with` statement."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._file = path.open("rb")
            self.size = self._file.seek(0, os.SEEK_END)
        except OSError as fault:
            raise of_the_system(fault, "read", path) from fault

    def close(self) -> None:
        self._file.close()

    def bad(self, what: str, found: str) -> FileError:
        """The fault of one field: what it is, and what stands there."""
        return FileError(Where(str(self.path), key=what), found, AGAIN)

    def unread(self, found: str) -> FileError:
        """A file that may be whole, but is not read."""
        return FileError(str(self.path), found, TWO_WAYS)

    def _past_the_end(self, what: str, at: int, size: int) -> FileError:
        stands = f"would stand at bytes {at} to {at + size}, the file has {self.size}"
        return self.bad(what, stands)

    def raw(self, at: int, size: int, what: str) -> bytes:
        """Bytes of the file.

        Raises
        ------
        FileError
            They would reach past its end, or are more than any container holds.
        """
        if at < 0 or size < 0 or at + size > self.size:
            raise self._past_the_end(what, at, size)
        if size > MOST_BLOB:
            raise self.bad(what, f"would take {size} bytes (at most {MOST_BLOB})")
        self._file.seek(at)
        data = self._file.read(size)
        if len(data) != size:
            raise self.bad(what, "ends early")
        return data

    def take(self, at: int, layout: str, what: str) -> tuple[Any, ...]:
        """Values by a `struct` layout."""
        return struct.unpack(layout, self.raw(at, struct.calcsize(layout), what))

    def table(self, at: int, count: int, layout: np.dtype[Any], what: str) -> NDArray[Any]:
        """(count,) records of one layout, of a table checked to be inside the file."""
        return np.frombuffer(self.raw(at, count * layout.itemsize, what), layout)

    def images(self, at: Any, size: Any) -> tuple[str, ...]:
        """Where the layer images are, as text.

        Raises
        ------
        FileError
            One would reach past the end: the file was cut.
        """
        places = [(int(a), int(s)) for a, s in zip(at, size, strict=True)]
        for layer, (a, s) in enumerate(places, 1):
            if a + s > self.size:
                raise self._past_the_end(f"image of layer {layer}", a, s)
        return tuple(f"{a} {s}" for a, s in places)

    def image(self, job: StoredJob, layer_index: int) -> tuple[NDArray[np.uint8], str]:
        """The coded image of a layer, and how messages name it.

        Raises
        ------
        FileError
            It is larger than any coding of the screen's pixels: it is not even read.
        """
        at, size = map(int, job.images[layer_index].split())
        what, (wide, high) = f"image of layer {layer_index + 1}", job.screen_px
        if size > MOST_CODE_PER_PX * wide * high:
            raise self.bad(what, f"takes {size} bytes, the screen has {wide} x {high} pixels")
        return np.frombuffer(self.raw(at, size, what), np.uint8), what

    def layer_count(self, count: int) -> int:
        if not 1 <= count <= MOST_LAYERS:
            raise self.bad("layer count", f"{count} is no valid count (1 to {MOST_LAYERS})")
        return count

    def screen(self, wide: int, high: int) -> tuple[int, int]:
        if not (0 < wide <= 65_535 and 0 < high <= 65_535 and wide * high <= MOST_PIXELS):
            raise self.bad("screen", f"claims {wide} x {high} pixels")
        return wide, high

    def check(self, cycles: LayerCycles) -> LayerCycles:
        """See :func:`check_cycles`."""
        return check_cycles(cycles, self.bad)


def check_cycles(cycles: LayerCycles, bad: Callable[[str, str], FileError]) -> LayerCycles:
    """The cycles, once every number in them is one a printer can have.

    Raises
    ------
    FileError
        Made by ``bad``: names the layer and the number that cannot be.
    """
    for what, good, shown in _number_checks(cycles):
        wrong = np.flatnonzero(~good)
        if len(wrong):
            raise bad(f"layer {wrong[0] + 1}", f"{what} {shown[wrong[0]]:g} cannot be")
    return cycles


def _number_checks(
    cycles: LayerCycles,
) -> Iterator[tuple[str, NDArray[np.bool_], NDArray[np.float64]]]:
    """(what, (L,) which layers are sound, (L,) value to show)."""
    z_mm, light = cycles.z_mm, cycles.exposure_s
    rises = np.diff(z_mm, prepend=0.0) > -1e-4
    yield "height", rises & np.isfinite(z_mm) & (z_mm < TALLEST_MM), z_mm
    yield "exposure", (light > 0) & (light <= LONGEST_EXPOSURE_S), light
    for name in ("lift", "retract"):
        mm, speed = getattr(cycles, f"{name}_mm"), getattr(cycles, f"{name}_mm_min")
        yield name, _within(mm, LONGEST_MM), mm.max(axis=1)
        sound = (mm == 0) | ((speed > SLOWEST_MM_MIN) & (speed < FASTEST_MM_MIN))
        yield f"{name} speed", sound.all(axis=1), np.where(sound, 0.0, speed).min(axis=1)
    yield "rest", _within(cycles.rest_s, LONGEST_REST_S), cycles.rest_s.max(axis=1)
    off_s = cycles.light_off_s
    yield "light-off time", _within(off_s[:, None], LONGEST_REST_S), off_s


def _within(values: NDArray[np.float64], most: float) -> NDArray[np.bool_]:
    """(L,) all values of a row are finite and from 0 to the most."""
    return np.asarray(((values >= 0) & (values <= most)).all(axis=1))


def stages(*columns: Any) -> NDArray[np.float64]:
    """(L, S) from S columns."""
    return np.column_stack([np.asarray(column, np.float64) for column in columns])


def exposures(
    layers: int, bottom: tuple[int, float], normal_s: float, fade: int, steps: int
) -> NDArray[np.float64]:
    """Exposure of each layer, (layers,) seconds.

    After the bottom layers (count, seconds) it falls linearly over ``fade`` layers, layer k of
    them to t_b - (t_b - t_n) k / steps: in fade + 1 steps all are longer than normal, in fade
    steps the last one is normal (both are common practice).
    """
    count, bottom_s = bottom
    k = np.arange(1, layers + 1, dtype=np.float64) - count
    falling = bottom_s - (bottom_s - normal_s) * k / max(steps, 1)
    return np.where(k <= 0, bottom_s, np.where(k <= fade, falling, normal_s))


# --- layer images


def orbit(step: NDArray[np.uint8]) -> NDArray[np.int64]:
    """The places reached from 0 when each place says how far the next one is: where codes of
    changing length begin. Steps are at least 1."""
    pieces, at = [np.zeros(0, np.int64)], 0
    for start in range(0, len(step), STEPS):
        steps, found, at = step[start : start + STEPS].tolist(), [], at - start
        while at < len(steps):
            found.append(at)
            at += steps[at]
        pieces.append(np.array(found, np.int64) + start)
        at += start
    return np.concatenate(pieces)


def spread(
    fields: Fields,
    grey: NDArray[np.uint8],
    count: NDArray[np.int64],
    screen: tuple[int, int],
    what: str,
) -> NDArray[np.uint8]:
    """(H, W) from runs in raster order.

    Raises
    ------
    FileError
        The runs are not as many pixels as the screen has.
    """
    wide, high = screen
    total = int(count.sum())
    if total != wide * high:
        raise fields.bad(what, f"holds {total} pixels, the screen {wide * high}")
    return np.repeat(grey, count).reshape(high, wide)
