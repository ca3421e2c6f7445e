"""How much light each layer gets: the share of lit pixels, and where images are alike."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog.containers import HEAD_BYTES, binary_kind
from capturehook.catalog.containers.fields import Fields
from capturehook.catalog.containers.zip_file import Container, Limits
from capturehook.errors import CaptureHookError, FileError, Finding, Where
from capturehook.extras import install_command
from capturehook.files import Closes
from capturehook.model.resin_job import Floats, Ints, StoredJob

if TYPE_CHECKING:
    from types import ModuleType

    from PIL.Image import Image

    from capturehook.resin.body import BodyImages


ROWS = 512
"""Rows of an image looked at together: what is copied on the way stays small."""
STILL_FRAMES = 3
"""A stretch of fewer alike steps than this is not worth a word."""
HALF_LIT = 128
"""From this grey on a pixel counts as lit: antialiasing makes greys along every edge, which
flicker from layer to layer where the outline stays (common practice, no source)."""
ALIKE = 0.002
"""Share of the lit pixels that may differ between layers that show nothing new."""
DAMAGED = "Copy the file again, or slice the model again"


class LayerImages(Closes):
    """The layer images of a job, one at a time, whatever container they are in.

    Use it in a `with` statement. ``stored`` is the job as its container states it; images of
    zips are members.
    """

    def __init__(
        self,
        path: Path,
        images: tuple[str, ...],
        stored: StoredJob | None = None,
        limits: Limits | None = None,
    ) -> None:
        self.path, self.images, self.stored = path, images, stored
        self._file: Container | Fields
        fields = Fields(path)
        self._kind = binary_kind(fields.raw(0, min(HEAD_BYTES, fields.size), "file"))
        if self._kind is None:
            fields.close()
            _pillow()
            self._file = Container(path, limits)
        else:
            self._file = fields

    def close(self) -> None:
        self._file.close()

    def mark(self, index: int) -> object:
        """Equal for layers whose images are surely the same bytes."""
        name = self.images[index]
        return self._file.fingerprint(name) if isinstance(self._file, Container) else name

    def read(self, index: int) -> NDArray[np.uint8]:
        """(H, W) grey, or (H, W, 3) where three pixels of the lamp screen share one of the image.

        Raises
        ------
        FileError
            The image is damaged or too large.
        """
        if isinstance(self._file, Container):
            screen_px = (0, 0) if self.stored is None else self.stored.screen_px
            return read_pixels(self._file, self.images[index], screen_px)
        assert self._kind is not None
        assert self.stored is not None
        return self._kind.pixels(self._file, self.stored, index)


@dataclass(frozen=True, slots=True, kw_only=True)
class LightArea:
    """L layers of W x H pixels.

    Attributes
    ----------
    lit : (L,) share of pixels lit to half or more, 0 to 1; NaN where there is no image
    changed : (L,) pixels that differ from the layer before, as a share of the lit ones (of the
        layer with more of them); NaN where unknown
    """

    lit: Floats
    changed: Floats


def light_area(
    images: LayerImages | BodyImages, step: Callable[[int], object] = lambda done: None
) -> LightArea:
    """Measure the layer images of a container.

    Parameters
    ----------
    step : called with the count of layers done

    Raises
    ------
    FileError
        An image is damaged or too large, or sizes differ; or no layer has one.
    """
    names = images.images
    if not any(names):
        raise FileError(
            str(images.path),
            "holds no images that belong to its layers",
            "Leave out --area and --picture, or slice the model again",
        )
    lit = np.full(len(names), np.nan)
    changed = np.full(len(names), np.nan)
    before: NDArray[np.bool_] | None = None
    count_before, seen = 0, None
    # One image at a time: a whole job would not fit into memory.
    for index, name in enumerate(names):
        if not name:
            before = seen = None
            continue
        mark = images.mark(index)
        if mark == seen and index:
            lit[index], changed[index] = lit[index - 1], 0.0
        else:
            now = images.read(index) >= HALF_LIT
            count = int(np.count_nonzero(now))
            lit[index] = count / now.size
            if before is not None:
                changed[index] = _changed(before, now, max(count, count_before), images.path, name)
            before, count_before, seen = now, count, mark
        step(index + 1)
    return LightArea(lit=lit, changed=changed)


def _pillow() -> ModuleType:
    try:
        from PIL import Image
    except ImportError as fault:
        raise CaptureHookError(
            "layer images",
            "cannot be looked at: Pillow is not installed",
            f"Install it with: {install_command('video')}",
        ) from fault
    return Image


def read_pixels(
    container: Container, name: str, screen_px: tuple[int, int] = (0, 0)
) -> NDArray[np.uint8]:
    """A PNG member as (H, W) grey or (H, W, 3).

    Raises
    ------
    CaptureHookError
        Pillow is not installed.
    FileError
        The image is damaged or too large.
    """
    pillow = _pillow()
    data = container.read_image(name, screen_px)
    try:
        with warnings.catch_warnings():
            # The pixel count was checked against our own limit before this.
            warnings.simplefilter("ignore", pillow.DecompressionBombWarning)
            with pillow.open(io.BytesIO(data), formats=["PNG"]) as image:
                return _pixels(image)
    except (OSError, ValueError, SyntaxError, pillow.DecompressionBombError) as fault:
        raise FileError(
            Where(str(container.path), key=name), f"is a damaged image ({fault})", DAMAGED
        ) from fault


def _pixels(image: Image) -> NDArray[np.uint8]:
    """(H, W) or (H, W, 3) of a decoded image."""
    grey = image.mode in ("1", "L", "I;16", "LA")
    wide, high = image.size
    pixels = np.empty((high, wide) if grey else (high, wide, 3), np.uint8)
    for top in range(0, high, ROWS):
        rows = image.crop((0, top, wide, min(top + ROWS, high)))
        pixels[top : top + ROWS] = np.asarray(rows.convert("L" if grey else "RGB"))
    return pixels


def _changed(
    before: NDArray[np.bool_], now: NDArray[np.bool_], most: int, path: Path, name: str
) -> float:
    if before.shape[:2] != now.shape[:2]:
        old, new = (f"{shape[1]} x {shape[0]}" for shape in (before.shape, now.shape))
        raise FileError(
            Where(str(path), key=name), f"is {new} pixels, the layer before {old}", DAMAGED
        )
    if before.shape != now.shape:
        return float("nan")
    differs = sum(
        np.count_nonzero(before[top : top + ROWS] != now[top : top + ROWS])
        for top in range(0, len(now), ROWS)
    )
    return differs / max(most, 1)


def still_stretches(area: LightArea, layer_no: Ints) -> list[tuple[int, int]]:
    """(first, last) layers of stretches of frames between which no image changes.

    ``layer_no`` (F,) are the layers of the frames, rising; a step between two frames is
    still when every layer between them is alike, up to and with the later one, and all of
    them together differ by no more than ALIKE.
    """
    moved = np.concatenate([[0], np.cumsum(np.nan_to_num(area.changed, nan=1.0))])
    still = [
        moved[later] - moved[earlier] <= ALIKE for earlier, later in pairwise(layer_no.tolist())
    ]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(np.int8)))
    runs = edges.reshape(-1, 2)
    return [
        (int(layer_no[first]), int(layer_no[last]))
        for first, last in runs.tolist()
        if last - first >= STILL_FRAMES
    ]


def still_findings(stretches: list[tuple[int, int]], path: str) -> list[Finding]:
    """One finding for all stretches in which the film shows nothing new but height."""
    if not stretches:
        return []
    longest = max(stretches, key=lambda run: run[1] - run[0])
    layers = sum(last - first + 1 for first, last in stretches)
    text = (
        f"{layers} layers in {len(stretches)} stretch(es) light the same picture as the layer "
        f"before (longest: layers {longest[0]} to {longest[1]}): only height grows there, "
        "thin out with --every"
    )
    return [Finding("resin-nothing-new", path, text)]


def area_report(area: LightArea, stretches: list[tuple[int, int]]) -> dict[str, object]:
    """The measured areas as plain data; shares from 0 to 1, None where there is no image."""
    known = np.nan_to_num(area.lit)
    return {
        "lit": [round(one, 6) if one == one else None for one in area.lit.tolist()],
        "mean_lit": round(float(np.nanmean(area.lit)), 6),
        "most_lit_layer": int(known.argmax()) + 1,
        "most_lit": round(float(known.max()), 6),
        "alike": [list(run) for run in stretches],
    }
