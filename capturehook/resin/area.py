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

from capturehook.errors import CaptureHookError, FileError, Finding, Where
from capturehook.resin.container import Container, Limits
from capturehook.resin.timeline import Floats, Ints

if TYPE_CHECKING:
    from types import ModuleType

    from PIL.Image import Image

ROWS = 512
"""Rows of an image looked at together: what is copied on the way stays small."""
STILL_FRAMES = 3
"""A stretch of fewer alike steps than this is not worth a word."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightArea:
    """L layers of W x H pixels.

    Attributes
    ----------
    lit : (L,) share of pixels that get any light, 0 to 1; NaN where there is no image
    changed : (L,) share of pixels that differ from the layer before; NaN where unknown
    """

    lit: Floats
    changed: Floats


def light_area(
    path: Path,
    images: tuple[str, ...],
    limits: Limits | None = None,
    step: Callable[[int], object] = lambda done: None,
) -> LightArea:
    """Measure the layer images of a container.

    Parameters
    ----------
    images : (L,) member names; "" for a layer without one
    step : called with the count of layers done

    Raises
    ------
    CaptureHookError
        Pillow is not installed.
    FileError
        An image is damaged or too large, or sizes differ.
    """
    _pillow()
    lit = np.full(len(images), np.nan)
    changed = np.full(len(images), np.nan)
    before: NDArray[np.uint8] | None = None
    seen: tuple[int, int] | None = None
    with Container(path, limits) as container:
        # One image at a time: a whole job would not fit into memory.
        for index, name in enumerate(images):
            if not name:
                before = seen = None
                continue
            mark = container.fingerprint(name)
            if mark == seen and index:
                lit[index], changed[index] = lit[index - 1], 0.0
            else:
                pixels = read_pixels(container, name)
                lit[index] = np.count_nonzero(pixels) / pixels.size
                if before is not None:
                    changed[index] = _changed(before, pixels, container, name)
                before, seen = pixels, mark
            step(index + 1)
    return LightArea(lit=lit, changed=changed)


def _pillow() -> ModuleType:
    try:
        from PIL import Image
    except ImportError as fault:
        raise CaptureHookError(
            "layer images",
            "cannot be looked at: Pillow is not installed",
            "Install it with: pip install av pillow",
        ) from fault
    return Image


def read_pixels(container: Container, name: str) -> NDArray[np.uint8]:
    """(H, W) grey, or (H, W, 3) where three pixels of the lamp screen share one of the image.

    Raises
    ------
    CaptureHookError
        Pillow is not installed.
    FileError
        The image is damaged or too large.
    """
    pillow = _pillow()
    data, _, _ = container.read_image(name)
    try:
        with warnings.catch_warnings():
            # The pixel count was checked against our own limit before this.
            warnings.simplefilter("ignore", pillow.DecompressionBombWarning)
            with pillow.open(io.BytesIO(data), formats=["PNG"]) as image:
                return _pixels(image)
    except (OSError, ValueError, SyntaxError, pillow.DecompressionBombError) as fault:
        raise FileError(
            Where(str(container.path), key=name),
            f"is a damaged image ({fault})",
            "Export the job again",
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
    before: NDArray[np.uint8], now: NDArray[np.uint8], container: Container, name: str
) -> float:
    if before.shape[:2] != now.shape[:2]:
        old, new = (f"{shape[1]} x {shape[0]}" for shape in (before.shape, now.shape))
        raise FileError(
            Where(str(container.path), key=name),
            f"is {new} pixels, the layer before {old}",
            "Export the job again",
        )
    if before.shape != now.shape:
        return float("nan")
    differs = sum(
        np.count_nonzero(before[top : top + ROWS] != now[top : top + ROWS])
        for top in range(0, len(now), ROWS)
    )
    return differs / now.size


def still_stretches(area: LightArea, layer_no: Ints) -> list[tuple[int, int]]:
    """(first, last) layers of stretches of frames between which no image changes.

    ``layer_no`` (F,) are the layers of the frames, rising; a step between two frames is
    still when every layer between them is alike, up to and with the later one.
    """
    moved = np.concatenate([[0], np.cumsum(~(area.changed == 0.0))])
    still = [moved[later] == moved[earlier] for earlier, later in pairwise(layer_no.tolist())]
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
    has_any = bool(np.isfinite(area.lit).any())
    return {
        "lit": [round(one, 6) if one == one else None for one in area.lit.tolist()],
        "mean_lit": round(float(np.nanmean(area.lit)), 6) if has_any else 0.0,
        "most_lit_layer": int(known.argmax()) + 1,
        "most_lit": round(float(known.max()), 6),
        "alike": [list(run) for run in stretches],
    }
