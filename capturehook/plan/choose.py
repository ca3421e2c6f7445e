"""Which layers get a pose: by number, height or time, or so many that the film has its length."""

from __future__ import annotations

import re
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import PlanError, Where
from capturehook.profile import Capture

Array = NDArray[np.float64]


def frames_wanted(capture: Capture) -> int | None:
    """How many frames `film_s` asks for; None where it is not set."""
    if capture.film_s is None:
        return None
    return max(1, round(capture.film_s * float(Fraction(capture.fps))))


def choose_layers(
    capture: Capture,
    z_mm: Array,
    height_mm: Array,
    object_no: NDArray[np.int32],
    end_s: Array | None = None,
    volume_mm3: Array | None = None,
) -> NDArray[np.int64]:
    """Indices of the layers after which a frame is taken, rising.

    Parameters
    ----------
    z_mm, height_mm, object_no : (L,) of the layers
    end_s, volume_mm3 : (L,) second at which each layer is done, plastic laid until then;
        needed for every_s, min_gap_s and spread = "time", and for spread = "volume"

    Raises
    ------
    PlanError
        The wishes leave no layer, or cannot be met; with the numbers.
    """
    layers = len(z_mm)
    allowed = np.zeros(layers, bool)
    allowed[capture.first_layer - 1 :] = True
    if capture.layers is not None:
        allowed &= _named(capture.layers, layers)
    if not capture.finished:
        allowed[-1] = False
    which = np.flatnonzero(allowed)
    if not len(which):
        raise PlanError(
            Where("[capture]"),
            f"no layer is left of {layers}: first_layer is {capture.first_layer}"
            + (f", layers is {capture.layers!r}" if capture.layers else ""),
            "Lower first_layer or widen layers",
        )
    chosen = _by_rhythm(capture, which, z_mm, height_mm, end_s, volume_mm3)
    if capture.finished and allowed[-1] and (len(chosen) == 0 or chosen[-1] != layers - 1):
        chosen = np.append(chosen, layers - 1)
    if capture.min_gap_s and end_s is not None:
        chosen = _spaced(chosen, end_s, capture.min_gap_s)
    if capture.frames_max is not None and len(chosen) > capture.frames_max:
        raise PlanError(
            Where("[capture] frames_max"),
            f"{len(chosen)} frames are wanted, {capture.frames_max} are allowed",
            f"Raise frames_max, or thin the frames (every_layers = {-(-len(chosen) // capture.frames_max)})",
        )
    return chosen


def _by_rhythm(
    capture: Capture,
    which: NDArray[np.int64],
    z_mm: Array,
    height_mm: Array,
    end_s: Array | None,
    volume_mm3: Array | None,
) -> NDArray[np.int64]:
    if capture.every_mm is not None:
        return _each_step(which, np.cumsum(height_mm), capture.every_mm)
    if capture.every_s is not None:
        return _each_step(which, _needed(end_s, "every_s"), capture.every_s)
    wanted = frames_wanted(capture)
    if wanted is None:
        return which[:: capture.every_layers or 1]
    if wanted > len(which):
        raise PlanError(
            Where("[capture] film_s"),
            f"{capture.film_s:g} s at {capture.fps} frames/s is {wanted} frames, "
            f"but only {len(which)} layers may have one",
            f"Take film_s = {len(which) / float(Fraction(capture.fps)):.2f} or less, or a lower fps",
        )
    measure = {
        "height": np.cumsum(height_mm),
        "time": end_s,
        "volume": volume_mm3,
    }[capture.spread]
    return _evenly(which, _needed(measure, f"spread = {capture.spread!r}"), wanted)


def _needed(measure: Array | None, key: str) -> Array:
    if measure is None:
        raise ValueError(f"{key} needs the print's times or volumes")
    return measure


def _each_step(which: NDArray[np.int64], measure: Array, step: float) -> NDArray[np.int64]:
    """The first layer at or past each whole step, counted from the first allowed layer."""
    grown = measure[which] - measure[which[0]]
    count = np.floor(grown / step + 1e-9)
    return which[np.concatenate(([True], np.diff(count) > 0))]


def _evenly(which: NDArray[np.int64], measure: Array, wanted: int) -> NDArray[np.int64]:
    """Exactly ``wanted`` of the layers, as evenly spread over the measure as layers allow.

    The last is always among them. Each target takes the nearest layer that is still free
    and leaves enough layers for the targets after it.
    """
    grown = measure[which]
    if wanted == 1:
        return which[-1:]
    targets = np.linspace(grown[0], grown[-1], wanted)
    middle = (grown[:-1] + grown[1:]) / 2
    near = np.searchsorted(middle, targets, side="left")
    rank = np.arange(wanted)
    near = np.maximum.accumulate(np.maximum(near, rank) - rank) + rank
    near = np.minimum(near, len(which) - wanted + rank)
    return which[near]


def _spaced(chosen: NDArray[np.int64], end_s: Array, least_s: float) -> NDArray[np.int64]:
    """Leave out frames that would come sooner than the camera can; the last one stays."""
    kept: list[int] = []
    for layer in chosen.tolist():
        if kept and end_s[layer] - end_s[kept[-1]] < least_s:
            if layer == chosen[-1] and len(kept) > 1:
                kept.pop()
            else:
                continue
        kept.append(layer)
    return np.array(kept, np.int64)


def _named(text: str, layers: int) -> NDArray[np.bool_]:
    """"2-40,60,80-" -> (L,) which layers are named (counted from 1)."""
    named = np.zeros(layers, bool)
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\d+)\s*(?:(-)\s*(\d*))?\s*", part)
        if match is None or int(match[1]) < 1:
            raise PlanError(
                Where("[capture] layers"),
                f"{part.strip()!r} is no layer or range of layers",
                'Write it like "2-40,60,80-"',
            )
        first = int(match[1])
        last = first if match[2] is None else int(match[3] or layers)
        named[first - 1 : last] = True
    return named
