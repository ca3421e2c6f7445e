"""What stands round a part that hangs in a resin printer, and where a camera sees it from.

The room's origin is the middle of the lamp's screen, on the vat's film; X to the right seen
from the front, Y to the back, Z up. Sizes that no profile states are invented for the drawing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.rehearse.canvas import BED, STILL
from capturehook.rehearse.faces import FRONT, UP, Colour, Scenery, brushed, plaster, wood
from capturehook.rehearse.furniture import BASE, FRAME, METAL, TABLE, WALL
from capturehook.rehearse.room import PartBox, Sight

Floats = NDArray[np.float64]

VAT: Colour = (86, 90, 98)
RESIN: Colour = (196, 178, 138)
PLATE: Colour = (122, 128, 136)
ARM: Colour = (78, 86, 96)

PLATE_MM, BLOCK_MM, ARM_MM = 9.0, 26.0, 16.0
"""Heights of the plate, of the block on it, and of the arm to the column."""
WALL_MM = 4.0
BELOW_MM = 80.0
"""The table lies so far below the film."""
RESIN_SHARE = 0.45
"""The resin stands at this share of the vat's height."""
AZIMUTH_DEG, SLOPE = 24.0, -0.02
SHARE = (0.8, 0.74)
"""Of the picture, that part and plate may take."""
PLATE_SHOWN = 0.6
"""Share of the plate's width that is to be in the picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Printer:
    """The sizes that matter: the screen (width, depth), the vat's rim above its film, mm."""

    screen_mm: tuple[float, float]
    rim_mm: float
    highest_mm: float

    @property
    def back_mm(self) -> float:
        """Y of the column's front."""
        return self.screen_mm[1] / 2 + 42.0


def still_faces(printer: Printer, light: Floats) -> Scenery:
    """Wall, table, base, column, vat and resin."""
    made = Scenery(light, STILL)
    half_x, half_y = (side / 2 for side in printer.screen_mm)
    back, floor, wide = printer.back_mm, -BELOW_MM, 1500.0
    wall_y, top = back + 190, printer.highest_mm + 70
    made.sheet((-wide, wide), (wall_y, wall_y), (floor, wide), FRONT, WALL, plaster)
    made.sheet((-wide, wide), (wall_y, -wide), (floor, floor), UP, TABLE, wood)
    base_x, base_y = (-half_x - 46, half_x + 46), (-half_y - 40, back + 60)
    made.box(base_x, base_y, (floor, -2.0), BASE, brushed)
    made.box((-24, 24), (back, back + 30), (-2, top), FRAME, brushed)
    x, y = (-half_x - 8, half_x + 8), (-half_y - 8, half_y + 8)
    out_x, rim = (x[0] - WALL_MM, x[1] + WALL_MM), (0.0, printer.rim_mm)
    made.box(out_x, (y[0] - WALL_MM, y[0]), rim, VAT, brushed)
    made.box(out_x, (y[1], y[1] + WALL_MM), rim, VAT, brushed)
    made.box((out_x[0], x[0]), y, rim, VAT, brushed)
    made.box((x[1], out_x[1]), y, rim, VAT, brushed)
    made.sheet(x, y, (RESIN_SHARE * printer.rim_mm,) * 2, UP, RESIN)
    return made


def plate_faces(printer: Printer, plate_mm: float, light: Floats) -> Scenery:
    """Plate, block and arm with the plate's lower face at one height."""
    made = Scenery(light, BED)
    half_x, half_y = (side / 2 for side in printer.screen_mm)
    top = plate_mm + PLATE_MM
    high = top + BLOCK_MM
    made.box((-half_x, half_x), (-half_y, half_y), (plate_mm, top), PLATE)
    made.box((-22, 22), (-18, 18), (top, high), METAL)
    made.box((-13, 13), (18, printer.back_mm), (high - ARM_MM, high), ARM)
    return made


def sight_of(printer: Printer, subject: PartBox) -> Sight:
    """How the camera sees the subject (room coordinates): from a little above."""
    return Sight(
        subject=subject,
        azimuth_deg=AZIMUTH_DEG,
        slopes=(SLOPE,),
        fill=SHARE,
        least_mm=printer.screen_mm[1],
    )
