"""What stands round the print: table, wall, frame, plate, keep-out boxes, gantry and head.

All of it is boxes and flat faces with invented colours; the sizes that matter (plate, head,
keep-out boxes) come from the profile. Wall and table have a fine, even grain, so that still
parts of the picture can be told from moving ones and measured.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.rehearse.canvas import BED, HEAD, STILL, Box, Canvas, grow_box

if TYPE_CHECKING:
    from capturehook.model.profile import Carriage, KeepOut, Machine

Floats = NDArray[np.float64]
Shades = NDArray[np.floating]
Texture = Callable[[Floats, Floats, Floats], Shades]
Colour = tuple[float, float, float]
Range = tuple[float, float]

WALL: Colour = (128, 140, 148)
TABLE: Colour = (126, 104, 84)
FRAME: Colour = (62, 68, 76)
PLATE: Colour = (58, 62, 68)
PLATE_LINES: Colour = (84, 90, 98)
BASE: Colour = (70, 74, 80)
GANTRY: Colour = (112, 120, 130)
BODY: Colour = (46, 68, 94)
METAL: Colour = (150, 156, 164)
BRASS: Colour = (206, 164, 78)
BOX: Colour = (196, 130, 44)

BEAM_MM = 34.0
"""Height of the gantry's beam: drawn, not measured."""
TABLE_MM = 70.0
"""Table below the plate."""


@dataclass(frozen=True, slots=True)
class Face:
    """A flat convex face: (n, 3) corners, colour already lit, owner, texture, and the way
    it looks (one that looks away from the camera is not drawn)."""

    corners_mm: Floats
    colour: Colour
    owner: int
    texture: Texture | None = None
    outward: Floats | None = None


def draw_faces(canvas: Canvas, faces: Iterator[Face] | list[Face]) -> Box | None:
    """Draw all faces; the box of pixels they touch."""
    box: Box | None = None
    for face in faces:
        to_eye = canvas.view.eye_mm - face.corners_mm[0]
        if face.outward is not None and face.outward @ to_eye <= 0:
            continue
        colour = np.array(face.colour)
        touched = canvas.fill_face(face.corners_mm, colour, face.owner, face.texture)
        if touched is not None:
            box = grow_box(touched, box)
    return box


def box_faces(
    x: Range,
    y: Range,
    z: Range,
    colour: Colour,
    owner: int,
    light: Floats,
    texture: Texture | None = None,
) -> list[Face]:
    """The six faces of an upright box, lit by Lambert's cosine law."""
    low, high = np.array([x[0], y[0], z[0]]), np.array([x[1], y[1], z[1]])
    faces = []
    for axis in range(3):
        one, two = (axis + 1) % 3, (axis + 2) % 3
        for end, sign in ((low, -1.0), (high, 1.0)):
            corners = np.empty((4, 3))
            corners[:, axis] = end[axis]
            corners[:, one] = (low[one], high[one], high[one], low[one])
            corners[:, two] = (low[two], low[two], high[two], high[two])
            normal = np.zeros(3)
            normal[axis] = sign
            faces.append(Face(corners, lit(colour, normal, light), owner, texture, normal))
    return faces


def disc_faces(
    x: Range,
    y: Range,
    z: Range,
    colour: Colour,
    owner: int,
    light: Floats,
    texture: Texture | None = None,
) -> list[Face]:
    """As :func:`box_faces`, of the disc that fits into the box."""
    turn = np.radians(np.arange(0, 361, 5))
    middle, radius = np.array((sum(x), sum(y))) / 2, np.array((x[1] - x[0], y[1] - y[0])) / 2
    rim = middle + radius * np.column_stack((np.cos(turn), np.sin(turn)))
    faces = []
    for level, sign in ((z[0], -1.0), (z[1], 1.0)):
        corners = np.column_stack((rim[:-1], np.full(len(rim) - 1, level)))
        normal = np.array((0.0, 0.0, sign))
        faces.append(Face(corners, lit(colour, normal, light), owner, texture, normal))
    for (a, b), angle in zip(pairwise(rim), turn + np.radians(2.5), strict=False):
        corners = np.array([(*a, z[0]), (*b, z[0]), (*b, z[1]), (*a, z[1])])
        normal = np.array((np.cos(angle), np.sin(angle), 0.0))
        faces.append(Face(corners, lit(colour, normal, light), owner, texture, normal))
    return faces


def lit(colour: Colour, normal: Floats, light: Floats) -> Colour:
    """A colour as a face turned so shows it."""
    share = 0.5 + 0.12 * float(normal[2]) + 0.6 * max(float(normal @ light), 0.0)
    red, green, blue = (min(255.0, part * share) for part in colour)
    return red, green, blue


def still_faces(machine: Machine, gantry_y_mm: float, light: Floats) -> list[Face]:
    """Wall, table and the printer's frame, in room coordinates."""
    left, right = machine.x_mm[0] - 48, machine.x_mm[1] + 48
    top = machine.z_mm[1] + 70
    back = machine.y_mm[1] + 150
    floor = -TABLE_MM
    wide, deep = 1600.0, 1400.0
    wall = np.array(
        [
            [left - wide, back, floor],
            [right + wide, back, floor],
            [right + wide, back, top + wide],
            [left - wide, back, top + wide],
        ]
    )
    table = np.array(
        [
            [left - wide, back, floor],
            [right + wide, back, floor],
            [right + wide, -deep, floor],
            [left - wide, -deep, floor],
        ]
    )
    front = np.array((0.0, -1.0, 0.0))
    faces = [
        Face(wall, lit(WALL, front, light), STILL, plaster),
        Face(table, lit(TABLE, np.array((0.0, 0.0, 1.0)), light), STILL, wood),
    ]
    y = (gantry_y_mm - 15, gantry_y_mm + 15)
    for x in ((left - 15, left + 15), (right - 15, right + 15)):
        faces += box_faces(x, y, (floor, top), FRAME, STILL, light, brushed)
        faces += box_faces(
            x,
            (machine.y_mm[0] + 20, machine.y_mm[1] - 20),
            (floor, floor + 30),
            BASE,
            STILL,
            light,
            brushed,
        )
    faces += box_faces((left - 15, right + 15), y, (top, top + 30), FRAME, STILL, light, brushed)
    middle = (machine.x_mm[0] + machine.x_mm[1]) / 2
    faces += box_faces(
        (middle - 30, middle + 30),
        machine.y_mm,
        (floor + 12, floor + 42),
        BASE,
        STILL,
        light,
        brushed,
    )
    return faces


def plate_faces(
    machine: Machine, offset_mm: Floats, light: Floats, texture: Texture | None = None
) -> list[Face]:
    """The plate and the keep-out boxes, carried by the offset into the room."""
    x, y = _moved(machine.x_mm, offset_mm[0]), _moved(machine.y_mm, offset_mm[1])
    z = float(offset_mm[2])
    slab = disc_faces if machine.round else box_faces
    faces = slab(x, y, (z - 6, z), PLATE, BED, light, texture)
    faces += slab((x[0] + 12, x[1] - 12), (y[0] + 12, y[1] - 12), (z - 16, z - 8), BASE, BED, light)
    for box in machine.keep_out:
        faces += keep_out_faces(box, offset_mm, light)
    return faces


def keep_out_faces(box: KeepOut, offset_mm: Floats, light: Floats) -> list[Face]:
    """A keep-out box, not drawn higher than 120 mm."""
    z_plate = (box.z_mm[0], min(box.z_mm[1], box.z_mm[0] + 120.0))
    x, y, z = (
        _moved(span, float(by))
        for span, by in zip((box.x_mm, box.y_mm, z_plate), offset_mm, strict=True)
    )
    return box_faces(x, y, z, BOX, BED, light)


def plate_lines(
    machine: Machine, offset_mm: Floats, every_mm: float = 20.0
) -> tuple[Floats, Floats]:
    """Ends of the ruled lines on the plate, room coordinates."""
    (x0, x1), (y0, y1) = machine.x_mm, machine.y_mm
    across = np.arange(x0 + every_mm, x1, every_mm)
    along = np.arange(y0 + every_mm, y1, every_mm)
    deep, wide = (_chord(machine, at, span) for at, span in ((across, (x0, x1)), (along, (y0, y1))))
    level = 0.05
    ends = []
    for sign in (-1, 1):
        columns = (across, (y0 + y1) / 2 + sign * deep * ((y1 - y0) / 2 - 6))
        rows = ((x0 + x1) / 2 + sign * wide * ((x1 - x0) / 2 - 6), along)
        x, y = (np.concatenate(pair) for pair in zip(columns, rows, strict=True))
        ends.append(np.column_stack((x, y, np.full_like(x, level))) + offset_mm)
    return ends[0], ends[1]


def _chord(machine: Machine, at_mm: Floats, span_mm: Range) -> Floats:
    """Share of the plate's breadth that a line across it at ``at_mm`` has: on a round one a
    chord."""
    if not machine.round:
        return np.ones_like(at_mm)
    off = (2 * at_mm - sum(span_mm)) / (span_mm[1] - span_mm[0])
    return np.sqrt(1 - off**2)


def head_faces(machine: Machine, nozzle_mm: Floats, light: Floats) -> list[Face]:
    """Nozzle, body and gantry with the nozzle's tip at one point of the room."""
    return [
        *nozzle_faces(machine.carriage_mm, nozzle_mm, light),
        *body_faces(machine.carriage_mm, nozzle_mm, light),
        *gantry_faces(machine, nozzle_mm, light),
    ]


def plain_head_faces(machine: Machine, nozzle_mm: Floats) -> list[Face]:
    """As :func:`head_faces`, without what changes no outline."""
    light = np.array((0.0, 0.0, 1.0))
    return [
        *nozzle_faces(machine.carriage_mm, nozzle_mm, light),
        *box_faces(*body_spans(machine.carriage_mm, nozzle_mm), BODY, HEAD, light),
        *gantry_faces(machine, nozzle_mm, light),
    ]


def nozzle_faces(carriage: Carriage, nozzle_mm: Floats, light: Floats) -> list[Face]:
    """A brass tip and a block above it, up to the body."""
    x, y, z = (float(part) for part in nozzle_mm)
    up = carriage.clearance
    tip, rim = 0.6, 2.0
    faces = []
    ring = np.radians(np.arange(0, 361, 45))
    for a, b in pairwise(ring):
        corners = np.array(
            [
                (x + tip * np.cos(a), y + tip * np.sin(a), z),
                (x + tip * np.cos(b), y + tip * np.sin(b), z),
                (x + rim * np.cos(b), y + rim * np.sin(b), z + up),
                (x + rim * np.cos(a), y + rim * np.sin(a), z + up),
            ]
        )
        normal = np.array((np.cos((a + b) / 2), np.sin((a + b) / 2), -0.3))
        faces.append(Face(corners, lit(BRASS, normal, light), HEAD))
    return faces


def body_faces(carriage: Carriage, nozzle_mm: Floats, light: Floats) -> list[Face]:
    """The body round the nozzle: the profile's box, with ribs and a fan on its faces."""
    spans = body_spans(carriage, nozzle_mm)
    return [*box_faces(*spans, BODY, HEAD, light), *_ribs(spans, light), *_fan(spans, light)]


def body_spans(carriage: Carriage, nozzle_mm: Floats) -> tuple[Range, Range, Range]:
    """The body's box, with the nozzle's tip at one point."""
    x, y, z = (float(part) for part in nozzle_mm)
    return (
        (x - carriage.left, x + carriage.right),
        (y - carriage.front, y + carriage.back),
        (z + carriage.clearance, z + max(carriage.height, carriage.clearance + 1)),
    )


def gantry_faces(machine: Machine, nozzle_mm: Floats, light: Floats) -> list[Face]:
    """The beam over the whole width, the plate that rides on it, and a lead going up."""
    x, y, z = (float(part) for part in nozzle_mm)
    size = machine.carriage_mm
    low = z + max(size.height, size.clearance + 1)
    back = max(size.back, 12.0)
    wide = (machine.x_mm[0] - 40.0, machine.x_mm[1] + 40.0)
    beam = box_faces(wide, (y + back - 26, y + back), (low, low + BEAM_MM), GANTRY, HEAD, light)
    groove = (low + BEAM_MM * 0.42, low + BEAM_MM * 0.58)
    beam += box_faces(wide, (y + back - 26.4, y + back - 26), groove, FRAME, HEAD, light)
    half = min(size.left, size.right, 26.0)
    plate = box_faces(
        (x - half, x + half),
        (y + back - 36, y + back - 26.5),
        (low, low + BEAM_MM + 14),
        METAL,
        HEAD,
        light,
    )
    lead = box_faces(
        (x - 6, x + 6),
        (y + back - 26, y + back - 14),
        (low + BEAM_MM, low + BEAM_MM + 60),
        BODY,
        HEAD,
        light,
    )
    return beam + plate + lead


def _ribs(spans: tuple[Range, Range, Range], light: Floats) -> list[Face]:
    """Light ribs on the front and both sides, just outside the box's faces."""
    (x0, x1), (y0, y1), (z0, z1) = spans
    out, rib = 0.3, (z1 - z0) / 11
    faces = []
    for number in range(5):
        low = z0 + rib * (2 * number + 1)
        band = (low, low + rib * 0.8)
        faces += _sheet((x0 + 3, x0 + (x1 - x0) * 0.34), y0 - out, band, METAL, light)
        for x, normal in ((x0 - out, -1.0), (x1 + out, 1.0)):
            corners = np.array(
                [
                    (x, y0 + 4, band[0]),
                    (x, y1 - 4, band[0]),
                    (x, y1 - 4, band[1]),
                    (x, y0 + 4, band[1]),
                ]
            )
            faces.append(Face(corners, lit(METAL, np.array((normal, 0.0, 0.0)), light), HEAD))
    return faces


def _sheet(x: Range, y: float, z: Range, colour: Colour, light: Floats) -> list[Face]:
    corners = np.array([(x[0], y, z[0]), (x[1], y, z[0]), (x[1], y, z[1]), (x[0], y, z[1])])
    return [Face(corners, lit(colour, np.array((0.0, -1.0, 0.0)), light), HEAD)]


def _fan(spans: tuple[Range, Range, Range], light: Floats) -> list[Face]:
    """A fan on the front face: rim, opening and hub, each a little before the other."""
    (x0, x1), (y0, _), (z0, z1) = spans
    middle_x, middle_z = x0 + (x1 - x0) * 0.68, (z0 + z1) / 2
    size = min((z1 - z0) / 2 - 1, (x1 - x0) * 0.29)
    ring = np.radians(np.arange(0, 360, 15))
    faces = []
    for share, out, colour in ((1.0, 0.3, METAL), (0.86, 0.6, (18, 20, 24)), (0.34, 0.9, METAL)):
        disc = np.stack(
            [
                middle_x + share * size * np.cos(ring),
                np.full_like(ring, y0 - out),
                middle_z + share * size * np.sin(ring),
            ],
            axis=1,
        )
        faces.append(Face(disc, lit(colour, np.array((0.0, -1.0, 0.0)), light), HEAD))
    return faces


def _moved(span: Range, by: float) -> Range:
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
