"""A drawing of lines, boxes and words, written as SVG or (through Pillow) as PNG.

Lengths are units of the sheet, y grows downwards. Ink, greys and one dark blue; lines differ
by dashes and width too, so that nothing is told by colour alone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from html import escape
from io import BytesIO
from math import ceil
from textwrap import wrap
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
"""(K, 2) x and y."""
Anchor = Literal["start", "middle", "end"]

INK, GREY, PALE, FAINT, PAPER = "#1a1a1a", "#6b6b6b", "#b5b5b5", "#dedede", "#ffffff"
BLUE, PALE_BLUE = "#0d4a86", "#9db8d2"
CLASSES = {
    INK: "ink", GREY: "grey", PALE: "pale", FAINT: "faint", PAPER: "paper",
    BLUE: "blue", PALE_BLUE: "pale-blue",
    "#f7f7f7": "paper", "#ececec": "faint", "#e4e4e4": "faint", "#cccccc": "pale",
    "#8a8a8a": "grey", "#888888": "grey", "#5f5f5f": "grey",
}  # fmt: skip
"""Names of the greys and blues in a page, which has its own for light and dark; all other colours
stay: they mean something."""
LETTER = 6.4
"""Width of a letter in words of size 12."""
LARGER = 3
"""PNGs are drawn so many times larger and reduced, for smooth lines."""


@dataclass(frozen=True, slots=True)
class Shape:
    """Runs of points: lines, or areas when ``fill`` is set."""

    runs: tuple[Points, ...]
    stroke: str | None
    width: float
    fill: str | None
    dash: tuple[float, float] | None
    tip: str | None = None
    """What a browser says while the pointer rests on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    x: float
    y: float
    text: str
    size: int
    anchor: Anchor
    bold: bool
    ink: str


@dataclass(frozen=True, slots=True)
class Scale:
    """mm (or s) -> units of the sheet along one axis."""

    zero: float
    per_unit: float

    def __call__(self, value: float) -> float:
        return self.zero + self.per_unit * value

    def many(self, values: Points) -> Points:
        return self.zero + self.per_unit * values


def round_marks(low: float, high: float, about: int) -> list[float]:
    """Round numbers between two values, about so many."""
    if high <= low:
        return [low]
    raw = (high - low) / about
    step = round_step(raw, (1, 2, 2.5, 5, 10))
    first = ceil(low / step - 1e-9)
    return [round(step * n, 9) for n in range(first, int(high / step + 1e-9) + 1)]


def round_step(rough: float, steps: tuple[float, ...] = (1, 2, 5, 10)) -> float:
    """The next of some steps times a power of ten."""
    power = 10.0 ** np.floor(np.log10(rough))
    return float(next(power * n for n in steps if power * n >= rough * 0.999))


def placed(points: Points, x: Scale, y: Scale) -> Points:
    """Points in mm (or s) on the sheet."""
    return np.column_stack((x.many(points[:, 0]), y.many(points[:, 1])))


class Sheet:
    """Shapes and words in the order they are drawn."""

    def __init__(self, width: int, height: int, title: str) -> None:
        self.width, self.height, self.title = width, height, title
        self.parts: list[Shape | Words] = []

    def lines(
        self,
        runs: list[Points],
        stroke: str = INK,
        width: float = 1.0,
        dash: tuple[float, float] | None = None,
        tip: str | None = None,
    ) -> None:
        """Open lines, each through its points."""
        if runs:
            self.parts.append(Shape(tuple(runs), stroke, width, None, dash, tip))

    def line(self, *points: tuple[float, float], **style: Any) -> None:
        self.lines([np.array(points, dtype=np.float64)], **style)

    def area(
        self,
        points: Points,
        fill: str | None,
        stroke: str | None = None,
        width: float = 1.0,
        dash: tuple[float, float] | None = None,
        tip: str | None = None,
    ) -> None:
        """A closed area."""
        closed = np.vstack((points, points[:1]))
        self.parts.append(Shape((closed,), stroke, width, fill, dash, tip))

    def box(self, x: float, y: float, wide: float, high: float, **style: Any) -> None:
        corners = [(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)]
        self.area(np.array(corners, dtype=np.float64), **{"fill": None, **style})

    def hatch(self, x: float, y: float, wide: float, high: float, step: float = 6.0) -> None:
        """A box filled with slanting lines."""
        shifts = np.arange(step / 2, wide + high, step)
        start = np.column_stack((np.minimum(shifts, wide), np.maximum(shifts - wide, 0)))
        end = np.column_stack((np.maximum(shifts - high, 0), np.minimum(shifts, high)))
        corner = np.array([x, y])
        self.lines([np.vstack(ends) + corner for ends in zip(start, end, strict=True)], GREY, 0.8)
        self.box(x, y, wide, high, stroke=INK)

    def circle(self, x: float, y: float, radius: float, **style: Any) -> None:
        turn = np.linspace(0, 2 * np.pi, 33)[:-1]
        ring = np.column_stack((x + radius * np.cos(turn), y + radius * np.sin(turn)))
        self.area(ring, **{"fill": None, **style})

    def words(
        self,
        x: float,
        y: float,
        text: str,
        size: int = 12,
        anchor: Anchor = "start",
        *,
        bold: bool = False,
        ink: str = INK,
    ) -> None:
        """Text on its base line."""
        self.parts.append(Words(x=x, y=y, text=text, size=size, anchor=anchor, bold=bold, ink=ink))

    def label(
        self, x: float, y: float, text: str, anchor: Anchor = "start", *, ink: str = INK
    ) -> None:
        """Words on a patch of paper, so that lines below do not cross them."""
        wide = LETTER * len(text) + 4
        start = {"start": x - 2, "middle": x - wide / 2, "end": x - wide + 2}[anchor]
        self.box(start, y - 11, wide, 15, fill=PAPER)
        self.words(x, y, text, 12, anchor, ink=ink)

    def listed(self, texts: Iterable[str], y: float, letters: int, row: int) -> float:
        """Small print, a dash before each text, in lines of so many letters; where it ends."""
        for text in texts:
            for number, line in enumerate(wrap(text, letters)):
                self.words(36 if number else 24, y, line if number else f"- {line}")
                y += row
        return y

    # --- SVG

    def as_themed_svg(self) -> str:
        """For a page: classes `f-ink`, `s-blue` instead of colours, as wide as its place."""
        body = [_svg(part, _themed) for part in self.parts]
        return "\n".join(
            (
                f'<svg viewBox="0 0 {self.width} {self.height}" role="img" '
                f'aria-label="{escape(self.title)}" stroke-linejoin="round">',
                *body,
                "</svg>",
            )
        )

    def as_svg(self) -> str:
        body = [_svg(part, _coloured) for part in self.parts]
        return "\n".join(
            (
                f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" '
                f'width="{self.width}" height="{self.height}" role="img" '
                'font-family="sans-serif" stroke-linejoin="round">',
                f"<title>{escape(self.title)}</title>",
                f'<rect width="{self.width}" height="{self.height}" fill="{PAPER}"/>',
                *body,
                "</svg>\n",
            )
        )

    # --- PNG

    def as_png(self, image: Any, draw: Any, font: Any) -> bytes:
        """The sheet through Pillow's modules Image, ImageDraw and ImageFont."""
        size = (self.width * LARGER, self.height * LARGER)
        canvas = image.new("RGB", size, PAPER)
        pen = draw.Draw(canvas)
        fonts: dict[int, Any] = {}
        for part in self.parts:
            if isinstance(part, Shape):
                _paint(pen, part)
            else:
                if part.size not in fonts:
                    fonts[part.size] = font.load_default(part.size * LARGER)
                _paint_words(pen, part, fonts[part.size])
        out = BytesIO()
        half = (size[0] * 2 // LARGER, size[1] * 2 // LARGER)
        canvas.resize(half, image.Resampling.LANCZOS).save(out, "PNG", optimize=True)
        return out.getvalue()


Inked = Callable[[str, str], str]
"""(`fill` or `stroke`, colour) -> the attribute that says so."""


def _coloured(what: str, colour: str) -> str:
    return f' {what}="{colour}"'


def _themed(what: str, colour: str) -> str:
    if colour not in CLASSES:
        return _coloured(what, colour)
    return f' class="{what[0]}-{CLASSES[colour]}"'


def _svg(part: Shape | Words, inked: Inked) -> str:
    if isinstance(part, Words):
        anchor = "" if part.anchor == "start" else f' text-anchor="{part.anchor}"'
        weight = ' font-weight="bold"' if part.bold else ""
        inked = _coloured if part.ink == PAPER else inked  # stands on a colour that stays
        return (
            f'<text x="{part.x:.1f}" y="{part.y:.1f}" font-size="{part.size}"{anchor}{weight}'
            f"{inked('fill', part.ink)}>{escape(part.text)}</text>"
        )
    style = ' fill="none"' if part.fill is None else inked("fill", part.fill)
    if part.stroke is not None:
        style += f'{inked("stroke", part.stroke)} stroke-width="{part.width:g}"'
    if part.dash is not None:
        style += f' stroke-dasharray="{part.dash[0]:g} {part.dash[1]:g}"'
    path = f'<path d="{"".join(map(_path, part.runs))}"{style}/>'
    path = path if path.count(" class=") < 2 else _one_class(path)
    if part.tip is not None:
        path = f"{path[:-2]}><title>{escape(part.tip)}</title></path>"
    return path


def _one_class(path: str) -> str:
    """An element has one attribute `class`, with all its names."""
    names = re.findall(r' class="([^"]*)"', path)
    rest = re.sub(r' class="[^"]*"', "", path)
    return f'{rest[:-2]} class="{" ".join(names)}"/>'


def _path(points: Points) -> str:
    """M x y, then steps: short numbers, whose rounding does not add up."""
    tenths = np.rint(points * 10).astype(int)
    steps = np.diff(tenths, axis=0)
    x, y = tenths[0].tolist()
    tail = "l" + " ".join(f"{_tenth(dx)} {_tenth(dy)}" for dx, dy in steps.tolist() if dx or dy)
    return f"M{_tenth(x)} {_tenth(y)}" + (tail if len(tail) > 1 else "h0")


def _tenth(value: int) -> str:
    return f"{value / 10:g}"


def _paint(pen: Any, part: Shape) -> None:
    wide = max(1, round(part.width * LARGER))
    for run in part.runs:
        points = [tuple(point) for point in (run * LARGER).tolist()]
        if part.fill is not None:
            pen.polygon(points, fill=part.fill)
        if part.stroke is None:
            continue
        if part.dash is None:
            pen.line(points, fill=part.stroke, width=wide, joint="curve")
        else:
            for dash in _dashes(run, part.dash):
                pen.line([tuple(p) for p in (dash * LARGER).tolist()], fill=part.stroke, width=wide)


def _dashes(run: Points, dash: tuple[float, float]) -> list[Points]:
    """A line cut into dashes; bends within a dash are cut short."""
    done = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(run, axis=0).T))))
    starts = np.arange(0, done[-1], sum(dash))
    ends = np.minimum(starts + dash[0], done[-1])
    place = [
        np.column_stack([np.interp(at, done, run[:, axis]) for axis in (0, 1)])
        for at in (starts, ends)
    ]
    return [np.vstack(pair) for pair in zip(*place, strict=True)]


def _paint_words(pen: Any, part: Words, font: Any) -> None:
    anchor = {"start": "ls", "middle": "ms", "end": "rs"}[part.anchor]
    pen.text(
        (part.x * LARGER, part.y * LARGER),
        part.text,
        fill=part.ink,
        font=font,
        anchor=anchor,
        stroke_width=LARGER // 2 if part.bold else 0,
        stroke_fill=part.ink,
    )
