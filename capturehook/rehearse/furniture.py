"""What stands round the print: table, wall, frame, plate, keep-out boxes, gantry and head.

All of it is boxes and flat faces with invented colours; the sizes that matter (plate, head,
keep-out boxes) come from the profile.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from capturehook.rehearse.canvas import BED, HEAD, STILL
from capturehook.rehearse.faces import (
    FRONT,
    UP,
    Colour,
    Floats,
    Range,
    Scenery,
    Texture,
    brushed,
    moved,
    plaster,
    wood,
)

if TYPE_CHECKING:
    from capturehook.model.profile import Carriage, Machine

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
DARK: Colour = (18, 20, 24)

BEAM_MM = 34.0
"""Height of the gantry's beam: drawn, not measured."""
EVERY_MM = 20.0
"""From one ruled line of the plate to the next."""
TABLE_MM = 70.0
"""Table below the plate."""


def still_faces(machine: Machine, gantry_y_mm: float, light: Floats) -> Scenery:
    """Wall, table and the printer's frame, in room coordinates."""
    made, floor, top = Scenery(light, STILL), -TABLE_MM, machine.z_mm[1] + 70
    left, right = machine.x_mm[0] - 48, machine.x_mm[1] + 48
    back, wide, deep = machine.y_mm[1] + 150, 1600.0, 1400.0
    across = (left - wide, right + wide)
    made.sheet(across, (back, back), (floor, top + wide), FRONT, WALL, plaster)
    made.sheet(across, (back, -deep), (floor, floor), UP, TABLE, wood)
    y, foot_y = (gantry_y_mm - 15, gantry_y_mm + 15), (machine.y_mm[0] + 20, machine.y_mm[1] - 20)
    for x in ((left - 15, left + 15), (right - 15, right + 15)):
        made.box(x, y, (floor, top), FRAME, brushed)
        made.box(x, foot_y, (floor, floor + 30), BASE, brushed)
    made.box((left - 15, right + 15), y, (top, top + 30), FRAME, brushed)
    middle = sum(machine.x_mm) / 2
    rail_x = (middle - 30, middle + 30)
    made.box(rail_x, machine.y_mm, (floor + 12, floor + 42), BASE, brushed)
    return made


def plate_faces(
    machine: Machine, offset_mm: Floats, light: Floats, texture: Texture | None = None
) -> Scenery:
    """The plate and the keep-out boxes (no higher than 120 mm), carried by the offset into the
    room."""
    made = Scenery(light, BED)
    x, y = moved(machine.x_mm, offset_mm[0]), moved(machine.y_mm, offset_mm[1])
    z = float(offset_mm[2])
    slab = made.disc if machine.round else made.box
    slab(x, y, (z - 6, z), PLATE, texture)
    slab((x[0] + 12, x[1] - 12), (y[0] + 12, y[1] - 12), (z - 16, z - 8), BASE)
    for box in machine.keep_out:
        low, high = box.z_mm
        spans = (box.x_mm, box.y_mm, (low, min(high, low + 120.0)))
        x, y, box_z = (moved(span, by) for span, by in zip(spans, offset_mm, strict=True))
        made.box(x, y, box_z, BOX)
    return made


def plate_lines(machine: Machine, offset_mm: Floats) -> tuple[Floats, Floats]:
    """Ends of the ruled lines on the plate, room coordinates."""
    (x0, x1), (y0, y1) = machine.x_mm, machine.y_mm
    across, along = np.arange(x0 + EVERY_MM, x1, EVERY_MM), np.arange(y0 + EVERY_MM, y1, EVERY_MM)
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


def head_faces(machine: Machine, nozzle_mm: Floats, light: Floats) -> Scenery:
    """Nozzle, body and gantry with the nozzle's tip at one point of the room."""
    made = plain_head_faces(machine, nozzle_mm, light)
    spans = body_spans(machine.carriage_mm, nozzle_mm)
    _add_ribs(made, *spans)
    _add_fan(made, *spans)
    return made


def plain_head_faces(machine: Machine, nozzle_mm: Floats, light: Floats) -> Scenery:
    """As :func:`head_faces`, without what changes no outline."""
    made = Scenery(light, HEAD)
    _add_nozzle(made, machine.carriage_mm, nozzle_mm)
    made.box(*body_spans(machine.carriage_mm, nozzle_mm), BODY)
    _add_gantry(made, machine, nozzle_mm)
    return made


def _add_nozzle(made: Scenery, carriage: Carriage, nozzle_mm: Floats) -> None:
    """A brass tip and a block above it, up to the body."""
    x, y, z = (float(part) for part in nozzle_mm)
    rims = ((0.6, z), (2.0, z + carriage.clearance))
    for a, b in pairwise(np.radians(np.arange(0, 361, 45))):
        (low_a, low_b), (high_a, high_b) = (
            [(x + size * np.cos(angle), y + size * np.sin(angle), level) for angle in (a, b)]
            for size, level in rims
        )
        normal = (np.cos((a + b) / 2), np.sin((a + b) / 2), -0.3)
        made.face((low_a, low_b, high_b, high_a), normal, BRASS)


def body_spans(carriage: Carriage, nozzle_mm: Floats) -> tuple[Range, Range, Range]:
    """The body's box, with the nozzle's tip at one point."""
    x, y, z = (float(part) for part in nozzle_mm)
    return (
        (x - carriage.left, x + carriage.right),
        (y - carriage.front, y + carriage.back),
        (z + carriage.clearance, z + max(carriage.height, carriage.clearance + 1)),
    )


def _add_gantry(made: Scenery, machine: Machine, nozzle_mm: Floats) -> None:
    """The beam over the whole width, the plate that rides on it, and a lead going up."""
    x, y, z = (float(part) for part in nozzle_mm)
    size = machine.carriage_mm
    low = z + max(size.height, size.clearance + 1)
    high, back = low + BEAM_MM, y + max(size.back, 12.0)
    wide = (machine.x_mm[0] - 40.0, machine.x_mm[1] + 40.0)
    made.box(wide, (back - 26, back), (low, high), GANTRY)
    groove = (low + BEAM_MM * 0.42, low + BEAM_MM * 0.58)
    made.box(wide, (back - 26.4, back - 26), groove, FRAME)
    half = min(size.left, size.right, 26.0)
    made.box((x - half, x + half), (back - 36, back - 26.5), (low, high + 14), METAL)
    made.box((x - 6, x + 6), (back - 26, back - 14), (high, high + 60), BODY)


def _add_ribs(made: Scenery, x: Range, y: Range, z: Range) -> None:
    """Light ribs on the front and both sides, just outside the box's faces."""
    out, rib = 0.3, (z[1] - z[0]) / 11
    (x0, x1), front = x, y[0] - out
    for number in range(5):
        low = z[0] + rib * (2 * number + 1)
        band = (low, low + rib * 0.8)
        made.sheet((x0 + 3, x0 + (x1 - x0) * 0.34), (front, front), band, FRONT, METAL)
        for at, sign in ((x0 - out, -1.0), (x1 + out, 1.0)):
            made.sheet((at, at), (y[0] + 4, y[1] - 4), band, (sign, 0.0, 0.0), METAL)


def _add_fan(made: Scenery, x: Range, y: Range, z: Range) -> None:
    """A fan on the front face: rim, opening and hub, each a little before the other."""
    middle_x, middle_z = x[0] + (x[1] - x[0]) * 0.68, (z[0] + z[1]) / 2
    size = min((z[1] - z[0]) / 2 - 1, (x[1] - x[0]) * 0.29)
    ring = np.radians(np.arange(0, 360, 15))
    for share, out, colour in ((1.0, 0.3, METAL), (0.86, 0.6, DARK), (0.34, 0.9, METAL)):
        across, up = share * size * np.cos(ring), share * size * np.sin(ring)
        level = np.full_like(ring, y[0] - out)
        made.face(np.column_stack((middle_x + across, level, middle_z + up)), FRONT, colour)
