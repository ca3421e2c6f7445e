"""Wishes for one shoot, told beside the profile: film length, rhythm, layers, film speed.

In: a Profile and what a person asks for. Out: a Profile whose rhythm is the wish.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from capturehook.errors import PlanError, Where
from capturehook.model.profile import Capture, Profile
from capturehook.profile.faults import word_faults

RHYTHMS = ("every_layers", "every_mm", "every_s", "film_s")
"""Keys of [capture] of which one is in force."""
_EVERY = re.compile(r"\s*([0-9]+(?:\.[0-9]*)?|\.[0-9]+)\s*(mm|s|layers?)?\s*")
_EVERY_KEY = {"mm": "every_mm", "s": "every_s"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What is asked for; None leaves the profile's own.

    Attributes
    ----------
    film_s : seconds of film, the held last frame not counted
    every : "2" (layers), "0.4mm" or "30s" from frame to frame
    layers : only these, like "2-40,60,80-"
    fps : frames of film in a second: a number, or a fraction like "30000/1001"
    """

    film_s: float | None = None
    every: str | None = None
    layers: str | None = None
    fps: str | None = None


def with_wishes(profile: Profile, wishes: Wishes) -> Profile:
    """The profile with the wishes instead of its own rhythm.

    Raises
    ------
    PlanError
        A wish that has no sense, or two that exclude each other; names its option.
    """
    capture = profile.capture
    if wishes.film_s is not None and wishes.every is not None:
        advice = "Give the length of the film, or the step from frame to frame"
        raise PlanError(Where("--film"), "--every is given too", advice)
    if wishes.layers is not None:  # each of them, also the first
        table = {**dict.fromkeys(RHYTHMS), "first_layer": 1, "layers": wishes.layers}
        capture = change_capture(capture, table, "--layers")
    if wishes.every is not None:
        capture = with_rhythm(capture, *_read_every(wishes.every), "--every")
    if wishes.film_s is not None:
        capture = with_rhythm(capture, "film_s", wishes.film_s, "--film")
    if wishes.fps is not None:
        capture = change_capture(capture, {"fps": wishes.fps}, "--fps")
    return profile.model_copy(update={"capture": capture})


def with_rhythm(capture: Capture, key: str, value: float, place: str) -> Capture:
    """The same with another rhythm; see :func:`change_capture`."""
    wish: float = int(value) if key == "every_layers" and value.is_integer() else value
    return change_capture(capture, {**dict.fromkeys(RHYTHMS), key: wish}, place)


def change_capture(capture: Capture, changes: dict[str, Any], place: str) -> Capture:
    """[capture] with other values.

    Raises
    ------
    PlanError
        A value that [capture] does not take; ``place`` says where it was given.
    """
    try:
        return Capture.model_validate({**capture.model_dump(), **changes})
    except ValidationError as fault:
        first = word_faults(Capture, place, fault.errors())[0]
        raise PlanError(Where(place), first.found, first.advice) from fault


def _read_every(text: str) -> tuple[str, float]:
    match = _EVERY.fullmatch(text)
    if match is None:
        advice = "Write 2 (layers), 0.4mm (of height) or 30s (of printing)"
        raise PlanError(Where("--every"), f"{text!r:.60} is not a step", advice)
    return _EVERY_KEY.get(match[2] or "", "every_layers"), float(match[1])
