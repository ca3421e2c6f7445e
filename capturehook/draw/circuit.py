"""Symbols of small circuits on a sheet: lengths are units of the sheet, ink on paper only."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from capturehook.draw.canvas import INK, Sheet

WIDTH, HEIGHT = 740, 380
LETTERS = 90
"""Of small print on a line; wide letters still fit."""
TIP_Y, RING_Y, SLEEVE_Y, PLUG_X = 110.0, 170.0, 270.0, 560.0
DASH, DOTS = (7.0, 5.0), (3.0, 4.0)
Point = tuple[float, float]


def new_circuit(title: str) -> Sheet:
    """A sheet with its title; :func:`finish` adds the line below and the cautions."""
    sheet = Sheet(WIDTH, HEIGHT, title)
    sheet.words(24, 34, title, 18, bold=True)
    return sheet


def finish(sheet: Sheet, foot: str, cautions: Sequence[str]) -> str:
    """The circuit as SVG, its cautions below, for the workbench."""
    sheet.words(24, HEIGHT - 18, foot, 14)
    wire(sheet, (24, HEIGHT + 2), (WIDTH - 24, HEIGHT + 2))
    sheet.height = int(sheet.listed(cautions, HEIGHT + 26, LETTERS, 18))
    return sheet.as_svg()


def wire(sheet: Sheet, *points: Point, dash: tuple[float, float] | None = None) -> None:
    """A line through points."""
    sheet.line(*points, width=2.0, dash=dash)


def dot(sheet: Sheet, x: float, y: float) -> None:
    """Wires that are joined."""
    sheet.circle(x, y, 4, fill=INK)


def ring(sheet: Sheet, x: float, y: float, radius: float) -> None:
    sheet.circle(x, y, radius, stroke=INK, width=2.0)


def box(sheet: Sheet, x: float, y: float, wide: float, high: float, name: str = "") -> None:
    """A part drawn as a box, its name in the middle."""
    sheet.box(x, y, wide, high, stroke=INK, width=2.0)
    if name:
        sheet.words(x + wide / 2, y + high / 2 + 5, name, 13, "middle")


def arrow(sheet: Sheet, x1: float, y1: float, x2: float, y2: float) -> None:
    """A line with a filled head at its end."""
    length = np.hypot(x2 - x1, y2 - y1)
    ahead = np.array([x2 - x1, y2 - y1]) / length
    across = np.array([-ahead[1], ahead[0]])
    end = np.array([x2, y2])
    back = end - 10 * ahead
    wire(sheet, (x1, y1), (float(back[0]), float(back[1])))
    sheet.area(np.vstack((end, back + 4 * across, back - 4 * across)), fill=INK)


def text(sheet: Sheet, x: float, y: float, words: str, anchor: str = "start") -> None:
    sheet.words(x, y, words, 14, anchor)  # type: ignore[arg-type]


def plug(sheet: Sheet, *, ring_used: bool = True) -> None:
    """The camera's release plug at the right edge."""
    lines = [(TIP_Y, "tip: release"), (SLEEVE_Y, "sleeve: common")]
    if ring_used:
        lines.insert(1, (RING_Y, "ring: focus"))
    for y, name in lines:
        ring(sheet, PLUG_X + 6, y, 6)
        text(sheet, PLUG_X + 20, y + 5, name)
    sheet.words(PLUG_X - 12, 66, "camera's plug", 14, bold=True)
    sheet.words(PLUG_X - 12, 84, "(measure first)")


def switch(sheet: Sheet, x: float, y: float) -> None:
    """An open contact from (x - 30, y) to (x + 30, y)."""
    ring(sheet, x - 30, y, 4)
    ring(sheet, x + 30, y, 4)
    wire(sheet, (x - 27, y - 3), (x + 24, y - 24))


def resistor(sheet: Sheet, x: float, y: float, length: float, name: str) -> None:
    """Lying, from (x, y) to (x + length, y), its name below."""
    sheet.box(x, y - 10, length, 20, stroke=INK, width=2.0)
    text(sheet, x + length / 2, y + 30, name, "middle")


def standing(sheet: Sheet, x: float, top: float, bottom: float, name: str) -> None:
    """A resistor between two levels, its name to the right."""
    middle = (top + bottom) / 2
    wire(sheet, (x, top), (x, middle - 40))
    sheet.box(x - 10, middle - 40, 20, 80, stroke=INK, width=2.0)
    wire(sheet, (x, middle + 40), (x, bottom))
    text(sheet, x + 18, middle + 25, name)


def diode(sheet: Sheet, x: float, y: float, *, lights: bool = False, up: bool = False) -> None:
    """From (x, y) to (x, y + 50); the bar (cathode) is at the bottom, or at the top."""
    near, far = (y + 38, y + 12) if up else (y + 12, y + 38)
    wire(sheet, (x, y), (x, y + 12))
    wire(sheet, (x, y + 38), (x, y + 50))
    wire(sheet, (x - 16, near), (x + 16, near), (x, far), (x - 16, near))
    wire(sheet, (x - 16, far), (x + 16, far))
    if lights:
        arrow(sheet, x + 24, y + 18, x + 50, y + 18)
        arrow(sheet, x + 24, y + 32, x + 50, y + 32)


def transistor(sheet: Sheet, x: float, y: float) -> None:
    """An output transistor: collector at (x + 25, y - 25), emitter at (x + 25, y + 25)."""
    wire(sheet, (x, y - 22), (x, y + 22))
    wire(sheet, (x, y - 8), (x + 25, y - 25))
    arrow(sheet, x, y + 8, x + 25, y + 25)


def isolation(sheet: Sheet, x: float) -> None:
    """The line between two circuits that share nothing."""
    wire(sheet, (x, 60), (x, 320), dash=DASH)
    sheet.words(x, 336, "nothing crosses this line", 12, "middle")


def ohm_text(ohm: float) -> str:
    """1200 -> 1.2 kohm (letters, since not every viewer's font has the sign)."""
    for size, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= size:
            return f"{ohm / size:.3g} {unit}"
    return f"{ohm:.3g} ohm"
