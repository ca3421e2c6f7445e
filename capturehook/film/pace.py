"""How long each frame of the film is shown, so that the film has the length asked for.

Of N frames to show and K film frames of movement, film frame k (from 0) shows frame
round(s(u) (N - 1)) with u = k / (K - 1). Even pace is s(u) = u. Eased pace is
s(u) = u^2 (3 - 2u), the cubic Hermite polynomial with no slope at either end (common practice,
no source): the speed is 6u(1 - u), nothing at both ends and half as much again in the middle.
The first and the last frame are always shown.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from capturehook.errors import FrameError
from capturehook.film.choose import Chosen

Pace = Literal["even", "eased"]
PACES: tuple[Pace, ...] = ("even", "eased")
LONGEST_S = 6 * 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Paced:
    """What the length did: of ``frames``, so many are not shown, so many more than once."""

    pace: Pace
    frames: int
    left_out: int
    repeated: int
    most_shown: int

    def text(self) -> str:
        """One line for people."""
        parts = []
        if self.left_out:
            parts.append(f"{self.left_out} of {self.frames} frames left out")
        if self.repeated:
            parts.append(
                f"{self.repeated} of {self.frames} shown more than once "
                f"(at most {self.most_shown} times)"
            )
        return f"{self.pace}; {', '.join(parts) or 'each frame shown once'}"


def position(k: int, count: int, pace: Pace) -> Fraction:
    """Where in the shoot, 0 to 1, film frame ``k`` of ``count`` is."""
    if count < 2:
        return Fraction(0)
    u = Fraction(k, count - 1)
    return u * u * (3 - 2 * u) if pace == "eased" else u


def pace_frames(chosen: list[Chosen], moving: int, pace: Pace) -> tuple[list[Chosen], Paced]:
    """The frames that are shown, each with how long, in ``moving`` film frames together.

    Raises
    ------
    FrameError
        Fewer than two film frames, or one, are left for more than one to show.
    """
    least = min(2, len(chosen))
    if moving < least:
        raise FrameError(
            "--length",
            f"leaves {moving} film frames to show {len(chosen)} frames in",
            "Ask for more seconds, or a shorter --hold-last, --card or --loop",
        )
    last = len(chosen) - 1
    half = Fraction(1, 2)
    shown = Counter(int(position(k, moving, pace) * last + half) for k in range(moving))
    paced = [replace(chosen[index], shown=count) for index, count in sorted(shown.items())]
    return paced, Paced(
        pace=pace,
        frames=len(chosen),
        left_out=len(chosen) - len(shown),
        repeated=sum(count > 1 for count in shown.values()),
        most_shown=max(shown.values()),
    )


def frames_in(length_s: float, fps: Fraction) -> int:
    """Film frames of a length, to the nearest.

    Raises
    ------
    FrameError
        No length for a film.
    """
    if not 0 < length_s <= LONGEST_S:
        raise FrameError("--length", f"{length_s:g} s is outside 0 to {LONGEST_S}", "Give seconds")
    return max(1, int(Fraction(length_s).limit_denominator(1000) * fps + Fraction(1, 2)))
