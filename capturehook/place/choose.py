"""Which layers get a pose: by number, height or time, or so many that the film has its length."""

from __future__ import annotations

import re
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import PlanError, Where
from capturehook.model.profile import Capture

Array = NDArray[np.float64]
MOST_SLOW = Fraction(1, 10)
"""Lowest [capture] fps."""


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
    fed_mm: Array | None = None,
    stand_s: float = 0.0,
) -> NDArray[np.int64]:
    """Indices of the layers after which a frame is taken, rising.

    Parameters
    ----------
    z_mm, height_mm, object_no : (L,) of the layers
    end_s, fed_mm : (L,) second at which each layer is done, filament laid until then;
        needed for every_s, min_gap_s and spread = "time", and for spread = "volume"
    stand_s : what a pose itself takes at the least; counts towards min_gap_s

    Raises
    ------
    PlanError
        The wishes leave no layer, or cannot be met; with the numbers.
    """
    layers = len(z_mm)
    which = _allowed(capture, layers)
    gap_s = max(0.0, capture.min_gap_s - stand_s)
    chosen = _by_rhythm(capture, which, height_mm, end_s, fed_mm, gap_s)
    if capture.finished and which[-1] == layers - 1 and chosen[-1] != layers - 1:
        chosen = np.append(chosen, layers - 1)
    if gap_s > 0 and capture.film_s is None:
        chosen = _spaced(chosen, _needed(end_s, "min_gap_s"), gap_s)
    if capture.frames_max is not None and len(chosen) > capture.frames_max:
        raise _too_many(capture, len(chosen), len(which))
    return chosen


def _allowed(capture: Capture, layers: int) -> NDArray[np.int64]:
    """Layers that may have a frame at all."""
    allowed = np.zeros(layers, bool)
    allowed[capture.first_layer - 1 :] = True
    if capture.layers is not None:
        allowed &= _named(capture.layers, layers)
    if not capture.finished:
        allowed[-1] = False
    which = np.flatnonzero(allowed)
    if not len(which):
        wishes = f"first_layer is {capture.first_layer}"
        wishes += f", layers is {capture.layers!r}" if capture.layers else ""
        wishes += "" if capture.finished else ", finished is false"
        raise PlanError(
            Where("[capture]"),
            f"none of {layers} layers is left: {wishes}",
            "Lower first_layer or widen layers",
        )
    return which


def _too_many(capture: Capture, wanted: int, layers: int) -> PlanError:
    most = capture.frames_max or 1
    if capture.film_s is not None:
        advice = _nearest_film(capture, most)
        advice = f"{advice[0].lower()}{advice[1:]}"
    else:
        advice = f"take fewer (--every {-(-layers // most)})"
    return PlanError(
        Where("[capture] frames_max"),
        f"{wanted} frames are wanted, {most} are allowed",
        f"Raise frames_max, or {advice}",
    )


def _by_rhythm(
    capture: Capture,
    which: NDArray[np.int64],
    height_mm: Array,
    end_s: Array | None,
    fed_mm: Array | None,
    gap_s: float,
) -> NDArray[np.int64]:
    if capture.every_mm is not None:
        return _each_step(which, np.cumsum(height_mm), capture.every_mm)
    if capture.every_s is not None:
        return _each_step(which, _needed(end_s, "every_s"), capture.every_s)
    wanted = frames_wanted(capture)
    if wanted is None:
        return which[:: capture.every_layers or 1]
    measure = {"height": np.cumsum(height_mm), "time": end_s, "volume": fed_mm}[capture.spread]
    grown = _needed(measure, f"spread = {capture.spread!r}")[which]
    if wanted > len(which):
        raise _film_too_long(capture, len(which), "layers")
    if gap_s <= 0:
        return which[evenly(grown, wanted)]
    second = _needed(end_s, "min_gap_s")[which]
    latest = _latest_apart(second, wanted, gap_s)
    if latest[0] < 0:
        fitting = wanted - int(np.count_nonzero(latest < 0))
        raise _film_too_long(
            capture, fitting, f"layers that are min_gap_s = {capture.min_gap_s:g} apart"
        )
    return which[_evenly_apart(grown, second, gap_s, latest)]


def _film_too_long(capture: Capture, can: int, which: str) -> PlanError:
    fps = float(Fraction(capture.fps))
    at_most = f"at most {_floored(can / fps)} s at {capture.fps} fps"
    return PlanError(
        Where("[capture] film_s"),
        f"{can} {which} give {at_most}, {capture.film_s:g} s are asked for",
        _nearest_film(capture, can),
    )


def _nearest_film(capture: Capture, can: int) -> str:
    """What ``can`` frames allow: the wished length at a lower speed, or less at the same."""
    fps, film_s = Fraction(capture.fps), Fraction(capture.film_s or 0)
    same = f"--film {_floored(can / float(fps))}"
    slower = Fraction(round(can / film_s)) or Fraction(int(100 * can / film_s), 100)
    if not MOST_SLOW <= slower < fps:
        return f"Use {same}"
    fits = film_s * slower <= can
    length = f"{capture.film_s:g}" if fits else _floored(can / float(slower))
    speed = f"{float(slower):g}"
    return f"For {capture.film_s:g} s use --film {length} --fps {speed}, or {same} and slow it down"


def _floored(seconds: float) -> str:
    """Seconds in tenths (short ones finer), never more than there are."""
    digits = 1 if seconds >= 1 else 2 if seconds >= 0.1 else 4
    return f"{int(seconds * 10**digits + 1e-9) / 10**digits:g}"


def _needed(measure: Array | None, key: str) -> Array:
    if measure is None:
        raise ValueError(f"{key} needs the print's times or volumes")
    return measure


def _each_step(which: NDArray[np.int64], measure: Array, step: float) -> NDArray[np.int64]:
    """The first layer at or past each whole step, counted from the first allowed layer."""
    grown = measure[which] - measure[which[0]]
    count = np.floor(grown / step + 1e-9)
    return which[np.concatenate(([True], np.diff(count) > 0))]


def evenly(grown: Array, wanted: int) -> NDArray[np.int64]:
    """``wanted`` of L places, as evenly over a measure as the places allow.

    The largest distance of any frame from its even target is as small as it can be; within
    that, each takes the nearest place. First and last are among them (the last alone for 1).

    Parameters
    ----------
    grown : (L,) the measure at each place, never falling; 1 <= wanted <= L
    """
    if wanted == 1:
        return np.array([len(grown) - 1])
    targets = np.linspace(grown[0], grown[-1], wanted)
    low, high = 0.0, float(grown[-1] - grown[0])
    for _ in range(50):  # halves the bound each time: past the last bit of a double
        middle = (low + high) / 2
        earliest, latest = _within(grown, targets, middle)
        low, high = (low, middle) if (earliest <= latest).all() else (middle, high)
    earliest, latest = _within(grown, targets, high)
    near = np.searchsorted((grown[:-1] + grown[1:]) / 2, targets, side="left")
    near[-1] = len(grown) - 1  # also where the last layers do not grow the measure
    rank = np.arange(wanted)
    return np.minimum(_rising(np.maximum(near, earliest), rank), latest)


def _within(grown: Array, targets: Array, bound: float) -> tuple[NDArray[np.int64], ...]:
    """Earliest and latest place of each frame when none is farther from its target than that."""
    rank = np.arange(len(targets))
    earliest = _rising(np.searchsorted(grown, targets - bound, side="left"), rank)
    latest = np.searchsorted(grown, targets + bound, side="right") - 1
    latest = len(grown) - 1 - _rising((len(grown) - 1 - latest)[::-1], rank)[::-1]
    return earliest, latest


def _rising(place: NDArray[np.int64], rank: NDArray[np.int64]) -> NDArray[np.int64]:
    """Places moved on as little as makes each come after the one before it."""
    return np.asarray(np.maximum.accumulate(place - rank) + rank, dtype=np.int64)


def _latest_apart(second: Array, wanted: int, gap_s: float) -> NDArray[np.int64]:
    """(wanted,) latest place of each frame so that those after it fit; -1 where none does."""
    latest = np.full(wanted, -1, np.int64)
    place = len(second) - 1
    for rank in range(wanted - 1, -1, -1):  # each depends on the one after it
        if place < 0:
            break
        latest[rank] = place
        place = int(np.searchsorted(second, second[place] - gap_s + 1e-9, side="right")) - 1
    return latest


def _evenly_apart(
    grown: Array, second: Array, gap_s: float, latest: NDArray[np.int64]
) -> NDArray[np.int64]:
    """As :func:`evenly`, but no two sooner than ``gap_s``: each the nearest that still may be."""
    targets = np.linspace(grown[0], grown[-1], len(latest)) if len(latest) > 1 else grown[-1:]
    near = np.searchsorted((grown[:-1] + grown[1:]) / 2, targets, side="left").tolist()
    places: list[int] = []
    soonest = 0
    for place, last in zip(near, latest.tolist(), strict=True):  # each depends on the one before
        places.append(min(max(place, soonest), last))
        soonest = int(np.searchsorted(second, second[places[-1]] + gap_s - 1e-9, side="left"))
    return np.array(places, np.int64)


def _spaced(chosen: NDArray[np.int64], end_s: Array, least_s: float) -> NDArray[np.int64]:
    """Skip frames that would come sooner than the camera can; the last one stays."""
    kept: list[int] = []
    for layer in chosen.tolist():
        while kept and end_s[layer] - end_s[kept[-1]] < least_s - 1e-9:
            if layer != chosen[-1]:
                break
            kept.pop()
        else:
            kept.append(layer)
    return np.array(kept, np.int64)


def _named(text: str, layers: int) -> NDArray[np.bool_]:
    """ "2-40,60,80-" -> (L,) which layers are named (counted from 1)."""
    named = np.zeros(layers, bool)
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\d+)\s*(?:(-)\s*(\d*))?\s*", part)
        if match is None or int(match[1]) < 1:
            raise PlanError(
                Where("[capture] layers"),
                f"{part.strip()!r} is not a layer or a range of layers",
                'Write it like "2-40,60,80-"',
            )
        first = int(match[1])
        last = first if match[2] is None else int(match[3] or max(layers, first))
        if last < first:
            raise PlanError(
                Where("[capture] layers"),
                f"{part.strip()!r} runs backwards",
                f'Write it like "{last}-{first}"',
            )
        named[first - 1 : last] = True
    return named
