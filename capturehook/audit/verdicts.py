"""The words for what a frame is worth; each with a letter, a shape and a colour of its own.

Shape and letter carry the meaning, since colours alone do not reach everybody.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.physics.colour import luminance_of_srgb

Flags = NDArray[np.bool_]
"""(F,) one flag a frame."""
WHITE, BLACK = "#ffffff", "#222222"


def contrast(one: str, other: str) -> float:
    """How well two colours ("#rrggbb") stand out from each other, 1 to 21.

    Source: WCAG 2.2, "contrast ratio": (L1 + 0.05) / (L2 + 0.05) of relative luminances.
    """
    codes = [[int(colour[k : k + 2], 16) for k in (1, 3, 5)] for colour in (one, other)]
    low, high = sorted(float(luminance_of_srgb(rgb)) for rgb in codes)
    return (high + 0.05) / (low + 0.05)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """``usable``: the picture itself is fit for the film."""

    name: str
    letter: str
    shape: str  # dot, octagon, diamond, triangle, square, ring
    colour: str
    usable: bool
    meaning: str

    @property
    def ink(self) -> str:
        """Colour of the letter on ``colour``: the one that stands out more."""
        return max((WHITE, BLACK), key=lambda ink: contrast(ink, self.colour))

    def __str__(self) -> str:
        return self.name


def _verdict(
    name: str, letter: str, shape: str, colour: str, usable: bool, meaning: str
) -> Verdict:
    return Verdict(
        name=name, letter=letter, shape=shape, colour=colour, usable=usable, meaning=meaning
    )


# Colours of a set that stays apart for most colour-blind eyes (Okabe and Ito, from memory).
GREEN, ORANGE, RED, BLUE, SKY, PINK, GREY = (
    "#009e73",
    "#e69f00",
    "#d55e00",
    "#0072b2",
    "#56b4e9",
    "#cc79a7",
    "#767676",
)

GOOD = _verdict("good", "G", "dot", GREEN, True, "as planned")
MISSING = _verdict("missing", "X", "octagon", RED, False, "no frame shows this pose")
DOUBLE = _verdict("double", "2", "square", SKY, False, "another frame of the pose is better")
LATE = _verdict("late", "L", "triangle", ORANGE, True, "taken after the pose's stillness")
EARLY = _verdict("early", "E", "triangle", ORANGE, True, "taken before the pose")
TEST_SHOT = _verdict("test shot", "T", "ring", GREY, False, "belongs to no pose")
DARK = _verdict("dark", "D", "square", BLUE, False, "much darker than its neighbours")
OVEREXPOSED = _verdict("overexposed", "O", "square", ORANGE, False, "much brighter or burnt out")
BLURRED = _verdict("blurred", "B", "diamond", PINK, False, "less sharp than its neighbours")
MOVED = _verdict("moved", "M", "diamond", BLUE, True, "the camera was knocked")
NOT_PARKED = _verdict("not parked", "N", "triangle", RED, False, "bed, plate or carriage elsewhere")
UNREADABLE = _verdict("unreadable", "U", "octagon", RED, False, "the file is damaged")
BETWEEN = _verdict("between", "-", "ring", GREY, False, "taken between poses, not needed")

VERDICTS = {
    verdict.name: verdict
    for verdict in (
        GOOD,
        MISSING,
        DOUBLE,
        LATE,
        EARLY,
        TEST_SHOT,
        DARK,
        OVEREXPOSED,
        BLURRED,
        MOVED,
        NOT_PARKED,
        UNREADABLE,
        BETWEEN,
    )
}
