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
Ints = NDArray[np.int64]
WHITE, BLACK = "#ffffff", "#222222"


def contrast(one: str, other: str) -> float:
    """How well two colours ("#rrggbb") stand out from each other, 1 to 21.

    Source: WCAG 2.2, "contrast ratio": (L1 + 0.05) / (L2 + 0.05) of relative luminances.
    """
    codes = [[int(colour[k : k + 2], 16) for k in (1, 3, 5)] for colour in (one, other)]
    low, high = sorted(float(luminance_of_srgb(rgb)) for rgb in codes)
    return (high + 0.05) / (low + 0.05)


@dataclass(frozen=True, slots=True)
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

GOOD = Verdict("good", "G", "dot", GREEN, True, "as planned")
MISSING = Verdict("missing", "X", "octagon", RED, False, "no frame shows this pose")
DOUBLE = Verdict("double", "2", "square", SKY, False, "another frame of the pose is better")
LATE = Verdict("late", "L", "triangle", ORANGE, True, "taken after the pose's stillness")
EARLY = Verdict("early", "E", "triangle", ORANGE, True, "taken before the pose")
TEST_SHOT = Verdict("test shot", "T", "ring", GREY, False, "belongs to no pose")
DARK = Verdict("dark", "D", "square", BLUE, False, "much darker than its neighbours")
OVEREXPOSED = Verdict("overexposed", "O", "square", ORANGE, False, "much brighter or burnt out")
BLURRED = Verdict("blurred", "B", "diamond", PINK, False, "less sharp than its neighbours")
MOVED = Verdict("moved", "M", "diamond", BLUE, True, "the camera was knocked")
NOT_PARKED = Verdict("not parked", "N", "triangle", RED, False, "bed, plate or carriage elsewhere")
UNREADABLE = Verdict("unreadable", "U", "octagon", RED, False, "damaged, or of another shape")
BETWEEN = Verdict("between", "-", "ring", GREY, False, "taken between poses, not needed")

_IN_ORDER = (GOOD, MISSING, DOUBLE, LATE, EARLY, TEST_SHOT, DARK, OVEREXPOSED, BLURRED, MOVED)
VERDICTS = {one.name: one for one in (*_IN_ORDER, NOT_PARKED, UNREADABLE, BETWEEN)}
