"""Lit faces, boxes and discs for what stands round a print, and an even grain on them.

The grain is fine, so that still parts of the picture can be told from moving ones and measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from capturehook.rehearse.canvas import Canvas

Floats = NDArray[np.float64]
Shades = NDArray[np.floating]
Texture = Callable[[Floats, Floats, Floats], Shades]
Colour = tuple[float, float, float]
Range = tuple[float, float]

FRONT, UP = (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Face:
    """A flat convex face: (n, 3) corners, colour already lit, texture, and the way it looks (one
    that looks away from the camera is not drawn)."""

    corners_mm: Floats
    colour: Colour
    texture: Texture | None
    outward: Floats | None


@dataclass(frozen=True, slots=True)
class Scenery:
    """Faces of one owner under one lamp."""

    light: Floats
    owner: int
    faces: list[Face] = field(default_factory=list)

    def draw(self, canvas: Canvas) -> None:
        for face in self.faces:
            to_eye = canvas.view.eye_mm - face.corners_mm[0]
            if face.outward is None or face.outward @ to_eye > 0:
                colour = np.array(face.colour)
                canvas.fill_face(face.corners_mm, colour, self.owner, face.texture)

    def face(
        self,
        corners_mm: ArrayLike,
        normal: ArrayLike,
        colour: Colour,
        texture: Texture | None = None,
        *,
        closed: bool = False,
    ) -> None:
        """Add a face, lit by Lambert's cosine law; ``closed``: it is only seen from outside."""
        outward = np.asarray(normal, dtype=np.float64)
        share = 0.5 + 0.12 * float(outward[2]) + 0.6 * max(float(outward @ self.light), 0.0)
        red, green, blue = (min(255.0, part * share) for part in colour)
        corners = np.asarray(corners_mm, dtype=np.float64)
        shown = outward if closed else None
        self.faces.append(Face(corners, (red, green, blue), texture, shown))

    def sheet(
        self, x: Range, y: Range, z: Range, normal: Colour, colour: Colour,
        texture: Texture | None = None,
    ) -> None:  # fmt: skip
        """Add a rectangle at right angles to its normal, an axis: there the span has no length."""
        self.face(_rectangle(np.array((x, y, z)), normal), normal, colour, texture)

    def box(
        self, x: Range, y: Range, z: Range, colour: Colour, texture: Texture | None = None
    ) -> None:
        """Add the six faces of an upright box."""
        for axis in range(3):
            for end, sign in enumerate((-1.0, 1.0)):
                spans, normal = np.array((x, y, z)), np.zeros(3)
                spans[axis], normal[axis] = spans[axis, end], sign
                self.face(_rectangle(spans, normal), normal, colour, texture, closed=True)

    def disc(
        self, x: Range, y: Range, z: Range, colour: Colour, texture: Texture | None = None
    ) -> None:
        """Add the disc that fits into a box."""
        turn = np.radians(np.arange(0, 361, 5))
        middle, radius = np.array((sum(x), sum(y))) / 2, np.array((x[1] - x[0], y[1] - y[0])) / 2
        rim = middle + radius * np.column_stack((np.cos(turn), np.sin(turn)))
        for level, sign in zip(z, (-1.0, 1.0), strict=True):
            flat = np.column_stack((rim[:-1], np.full(len(rim) - 1, level)))
            self.face(flat, (0.0, 0.0, sign), colour, texture, closed=True)
        for (a, b), angle in zip(pairwise(rim), turn + np.radians(2.5), strict=False):
            side = ((*a, z[0]), (*b, z[0]), (*b, z[1]), (*a, z[1]))
            normal = (np.cos(angle), np.sin(angle), 0.0)
            self.face(side, normal, colour, texture, closed=True)


def _rectangle(spans: Floats, normal: ArrayLike) -> Floats:
    """(4, 3) corners in turn."""
    corners, axis = spans[:, [0] * 4], int(np.argmax(np.abs(normal)))
    one, two = (axis + 1) % 3, (axis + 2) % 3
    corners[one], corners[two] = spans[one, [0, 1, 1, 0]], spans[two, [0, 0, 1, 1]]
    return np.asarray(corners.T)


def moved(span: Range, by: float) -> Range:
    return span[0] + float(by), span[1] + float(by)


def _lattice() -> NDArray[np.float32]:
    """256 x 256 values, with the first row and column once more behind the last."""
    values = np.random.default_rng(20).uniform(-1.0, 1.0, (256, 256))
    return np.pad(values, ((0, 1), (0, 1)), mode="wrap").astype(np.float32)


_GRAIN = _lattice().ravel()


def even_noise(u: Floats, v: Floats) -> NDArray[np.float32]:
    """-1..1 smooth noise with one swing per unit, the same at the same place; any shape.

    Value noise on a lattice, blended bilinearly (textbook).
    """
    left, top = np.floor(u), np.floor(v)
    right_share, down_share = (u - left).astype(np.float32), (v - top).astype(np.float32)
    at = (top.astype(np.int32) & 255) * 257 + (left.astype(np.int32) & 255)
    a, b, c, d = (_GRAIN.take(at + step) for step in (0, 1, 257, 258))
    b -= a
    b *= right_share
    b += a
    d -= c
    d *= right_share
    d += c
    d -= b
    d *= down_share
    d += b
    return np.asarray(d)


def plaster(x: Floats, y: Floats, z: Floats) -> Shades:
    """A rough wall."""
    fine = even_noise(x / 2.3, z / 2.3) + even_noise(x / 5.1 + 40, z / 5.1)
    return 1.0 + 0.055 * fine + 0.05 * even_noise(x / 31 + 9, z / 31)


def wood(x: Floats, y: Floats, z: Floats) -> Shades:
    """Boards with grain along X."""
    board = np.floor(y / 90)
    grain = even_noise(x / 60 + 17 * board, y / 3.1) + 0.6 * even_noise(x / 9, y / 1.7 + 31)
    seam = np.where(np.abs(y / 90 - np.round(y / 90)) < 0.012, 0.55, 1.0)
    return (1.0 + 0.11 * grain + 0.05 * np.sin(2.4 * board)) * seam


def brushed(x: Floats, y: Floats, z: Floats) -> Shades:
    """Metal with a faint grain."""
    return 1.0 + 0.06 * even_noise(x / 1.7 + y / 2.1, z / 14)


def grain(x: Floats, y: Floats, z: Floats) -> Shades:
    """The plate's fine grain; used where the plate stands still in the picture."""
    return 1.0 + 0.05 * even_noise(x / 1.1, y / 1.1)
