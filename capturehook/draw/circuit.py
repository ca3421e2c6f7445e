"""Circuits as plain SVG line drawings: black on white, no colour needed to read them."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from textwrap import wrap

from capturehook.rig.cautions import Caution
from capturehook.rig.light_advice import LightAdvice
from capturehook.rig.trigger_advice import ContactAdvice, OptoAdvice

WIDTH, HEIGHT = 740, 380
LETTERS = 90
"""Of small print on a line; wide letters still fit."""
_TIP_Y, _RING_Y, _SLEEVE_Y, _PLUG_X = 110, 170, 270, 560


class Sheet:
    """A drawing in the making; lengths are SVG units, y grows downwards."""

    def __init__(self, title: str) -> None:
        self._parts: list[str] = []
        self.height = HEIGHT
        self.text(24, 34, title, size=18, weight="bold")
        self._title = title

    def wire(self, *points: tuple[float, float], dashed: bool = False) -> None:
        """A line through points."""
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        style = ' stroke-dasharray="7 5"' if dashed else ""
        self._parts.append(f'<polyline points="{path}"{style}/>')

    def dot(self, x: float, y: float) -> None:
        """Wires that are joined."""
        self._parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="4" fill="#000"/>')

    def ring(self, x: float, y: float, radius: float) -> None:
        self._parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="{radius:g}"/>')

    def box(self, x: float, y: float, width: float, height: float, *, dashed: bool = False) -> None:
        style = ' stroke-dasharray="3 4"' if dashed else ""
        self._parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"{style}/>'
        )

    def arrow(self, x1: float, y1: float, x2: float, y2: float) -> None:
        self._parts.append(
            f'<line x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}" marker-end="url(#tip)"/>'
        )

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: int = 14,
        anchor: str = "start",
        weight: str = "normal",
    ) -> None:
        """Words are escaped; anchor is start, middle or end."""
        self._parts.append(
            f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}" '
            f'font-weight="{weight}">{escape(text)}</text>'
        )

    def finish(self) -> str:
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {self.height}" '
            f'width="{WIDTH}" height="{self.height}" role="img">\n'
            f"<title>{escape(self._title)}</title>\n"
            '<defs><marker id="tip" markerWidth="6" markerHeight="5" refX="5.5" refY="2.5" '
            'orient="auto"><path d="M0,0 L6,2.5 L0,5 z" fill="#000" stroke="none"/></marker>'
            "</defs>\n"
            f'<rect width="{WIDTH}" height="{self.height}" fill="#fff"/>\n'
            '<g fill="none" stroke="#000" stroke-width="2" stroke-linejoin="round">\n'
            + "\n".join(part for part in self._parts if not part.startswith("<text"))
            + '\n</g>\n<g fill="#000" font-family="sans-serif">\n'
            + "\n".join(part for part in self._parts if part.startswith("<text"))
            + "\n</g>\n</svg>\n"
        )


def draw_contact(advice: ContactAdvice) -> str:
    """Switch between sleeve and tip, the ring joined only if need be."""
    sheet = Sheet("Contact switch across the release socket")
    _plug(sheet)
    _switch(sheet, 220, _TIP_Y)
    sheet.wire((250, _TIP_Y), (_PLUG_X, _TIP_Y))
    sheet.wire((190, _TIP_Y), (120, _TIP_Y), (120, _SLEEVE_Y), (_PLUG_X, _SLEEVE_Y))
    sheet.wire((430, _TIP_Y), (430, _RING_Y), (_PLUG_X, _RING_Y), dashed=True)
    sheet.dot(430, _TIP_Y)
    sheet.text(220, _TIP_Y - 34, "normally open, small-load contacts", anchor="middle")
    sheet.text(420, _RING_Y + 5, "only if focus is needed", anchor="end")
    sheet.text(130, _SLEEVE_Y + 22, "common")
    _foot(sheet, f"Hold it closed for {advice.socket.hold_ms:g} ms; put no voltage on any line.")
    _cautions(sheet, advice.cautions)
    return sheet.finish()


def draw_opto(advice: OptoAdvice) -> str:
    """Output, resistor and LED on one side; the transistor as contact on the other."""
    sheet = Sheet("Opto-isolator between an output and the release socket")
    _plug(sheet)
    sheet.text(24, _TIP_Y - 24, f"output, {advice.drive.supply_v:g} V")
    sheet.wire((40, _TIP_Y), (110, _TIP_Y))
    _resistor(sheet, 110, _TIP_Y, 60, f"{_ohm(advice.e12_ohm)}, {advice.rating_w:g} W")
    sheet.wire((170, _TIP_Y), (280, _TIP_Y), (280, 165))
    _led(sheet, 280, 165)
    sheet.wire((280, 215), (280, _SLEEVE_Y), (40, _SLEEVE_Y))
    sheet.text(24, _SLEEVE_Y + 22, "ground of the printer")
    _transistor(sheet, 385, 190)
    sheet.wire((410, 165), (410, _TIP_Y), (_PLUG_X, _TIP_Y))
    sheet.wire((410, 215), (410, _SLEEVE_Y), (_PLUG_X, _SLEEVE_Y))
    sheet.text(420, _TIP_Y - 10, "collector")
    sheet.text(420, _SLEEVE_Y + 22, "emitter")
    sheet.wire((335, 60), (335, 320), dashed=True)
    sheet.text(335, 336, "nothing crosses this line", anchor="middle", size=12)
    sheet.box(245, 140, 190, 100, dashed=True)
    _foot(
        sheet,
        f"LED {advice.led_ma:.1f} mA; the output can sink {advice.sink_ma:.1f} mA, "
        f"the camera gives {advice.line_ma:g} mA.",
    )
    _cautions(sheet, advice.cautions)
    return sheet.finish()


def draw_light(advice: LightAdvice) -> str:
    """Sensor across tip and sleeve, with the resistor that shifts it, if one is advised."""
    sheet = Sheet("Light sensor across the release socket")
    _plug(sheet)
    shift = advice.shift
    series = shift is not None and shift.how == "series"
    sheet.wire((300 if series else _PLUG_X, _TIP_Y), (220, _TIP_Y), (220, 150))
    sheet.wire((220, 230), (220, _SLEEVE_Y), (_PLUG_X, _SLEEVE_Y))
    sheet.box(208, 150, 24, 80)
    sheet.ring(220, 190, 52)
    sheet.arrow(120, 130, 165, 160)
    sheet.arrow(105, 150, 150, 180)
    sheet.text(24, 122, "light of the printer")
    sheet.text(24, 262, f"covered {_ohm(advice.sensor.covered_ohm)}")
    sheet.text(24, 284, f"lit {_ohm(advice.sensor.lit_ohm)} at {advice.sensor.lit_mm:g} mm")
    if shift is not None and series:
        _resistor(sheet, 300, _TIP_Y, 70, f"{_ohm(shift.ohm)} in series")
        sheet.wire((370, _TIP_Y), (_PLUG_X, _TIP_Y))
    elif shift is not None:
        _standing_resistor(sheet, 360, _TIP_Y, f"{_ohm(shift.ohm)} side by side")
    _foot(
        sheet,
        f"Fires at {_ohm(advice.sensor.fires_ohm)} and below, quiet at "
        f"{_ohm(advice.sensor.quiet_ohm)} and above.",
    )
    _cautions(sheet, advice.cautions)
    return sheet.finish()


def _plug(sheet: Sheet) -> None:
    for y, name, use in (
        (_TIP_Y, "tip", "release"),
        (_RING_Y, "ring", "focus"),
        (_SLEEVE_Y, "sleeve", "common"),
    ):
        sheet.ring(_PLUG_X + 6, y, 6)
        sheet.text(_PLUG_X + 20, y + 5, f"{name}: {use}")
    sheet.text(_PLUG_X - 12, 66, "camera's plug", weight="bold")
    sheet.text(_PLUG_X - 12, 84, "(measure first)", size=12)


def _switch(sheet: Sheet, x: float, y: float) -> None:
    sheet.ring(x - 30, y, 4)
    sheet.ring(x + 30, y, 4)
    sheet.wire((x - 27, y - 3), (x + 24, y - 24))


def _resistor(sheet: Sheet, x: float, y: float, length: float, name: str) -> None:
    sheet.wire((x, y), (x, y - 10), (x + length, y - 10), (x + length, y + 10))
    sheet.wire((x + length, y + 10), (x, y + 10), (x, y))
    sheet.text(x + length / 2, y + 30, name, anchor="middle")


def _standing_resistor(sheet: Sheet, x: float, top: float, name: str) -> None:
    sheet.wire((x, top), (x, 150))
    sheet.box(x - 10, 150, 20, 80)
    sheet.wire((x, 230), (x, _SLEEVE_Y))
    sheet.dot(x, top)
    sheet.dot(x, _SLEEVE_Y)
    sheet.text(x + 18, 215, name)


def _led(sheet: Sheet, x: float, y: float) -> None:
    """Anode at (x, y), cathode 50 lower."""
    sheet.wire((x, y), (x, y + 12))
    sheet.wire((x - 16, y + 12), (x + 16, y + 12), (x, y + 38), (x - 16, y + 12))
    sheet.wire((x - 16, y + 38), (x + 16, y + 38))
    sheet.wire((x, y + 38), (x, y + 50))
    sheet.arrow(x + 24, y + 18, x + 50, y + 18)
    sheet.arrow(x + 24, y + 32, x + 50, y + 32)


def _transistor(sheet: Sheet, x: float, y: float) -> None:
    """Collector at (x + 25, y - 25), emitter at (x + 25, y + 25)."""
    sheet.wire((x, y - 22), (x, y + 22))
    sheet.wire((x, y - 8), (x + 25, y - 25))
    sheet.arrow(x, y + 8, x + 25, y + 25)


def _foot(sheet: Sheet, text: str) -> None:
    sheet.text(24, HEIGHT - 18, text)


def _cautions(sheet: Sheet, cautions: Sequence[Caution]) -> None:
    """Below the drawing, since it is the sheet that comes to the workbench."""
    sheet.wire((24, sheet.height + 2), (WIDTH - 24, sheet.height + 2))
    y = sheet.height + 26
    for caution in cautions:
        for row, line in enumerate(wrap(caution.text, LETTERS)):
            sheet.text(24 if row == 0 else 36, y, f"- {line}" if row == 0 else line, size=12)
            y += 18
    sheet.height = y


def _ohm(ohm: float) -> str:
    """1200 -> 1.2 kohm (letters, since not every viewer's font has the sign)."""
    for size, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= size:
            return f"{ohm / size:.3g} {unit}"
    return f"{ohm:.3g} ohm"
