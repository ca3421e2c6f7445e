"""The print's growth as a drawing (SVG): light area by height, frames, hidden and still layers.

Made for black and white print: ink, grey and hatching, no colour.
"""

from __future__ import annotations

from html import escape

import numpy as np

from capturehook.resin.area import LightArea
from capturehook.resin.shoot import ResinShoot
from capturehook.resin.timeline import Floats, LightTimeline

WIDTH, HEIGHT = 860, 420
LEFT, RIGHT, TOP, BOTTOM = 92, 34, 58, 92
PLOT_W, PLOT_H = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
FLOOR = TOP + PLOT_H
MOST_POINTS = 1200


def growth_picture(
    timeline: LightTimeline, area: LightArea, shoot: ResinShoot, stretches: list[tuple[int, int]]
) -> str:
    """An SVG document: share of lit pixels against layer number and height."""
    layers = len(timeline)
    lit = np.nan_to_num(area.lit) * 100.0
    top = _round_up(float(lit.max(initial=0.0)))
    title = f"Light area of each layer: {layers} layers, {timeline.height_mm:.2f} mm"
    parts = [
        _head(title),
        _hidden(shoot, layers),
        _area(lit, layers, top),
        _y_axis(top),
        _x_axis(timeline),
        _stretches(stretches, layers),
        _frames(shoot, layers),
        "</svg>",
    ]
    return "\n".join(part for part in parts if part) + "\n"


def _head(title: str) -> str:
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
            f'width="{WIDTH}" height="{HEIGHT}" role="img">',
            f"<title>{escape(title)}</title>",
            '<defs><pattern id="hidden" width="8" height="8" patternUnits="userSpaceOnUse">'
            '<path d="M0 8 L8 0" stroke="#777" stroke-width="1"/></pattern></defs>',
            f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>',
            _text(LEFT, 24, title, size=16),
        )
    )


def _text(x: float, y: float, words: str, anchor: str = "start", size: int = 13) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-family="sans-serif" font-size="{size}" '
        f'text-anchor="{anchor}" fill="#000">{escape(words)}</text>'
    )


def _x(layer_no: float, layers: int) -> float:
    """Layer numbers stand in the middle of equal columns."""
    return LEFT + (layer_no - 0.5) / layers * PLOT_W


def _hidden(shoot: ResinShoot, layers: int) -> str:
    seen_from = shoot.visible_from_layer or layers + 1
    if seen_from <= 1:
        return ""
    right = _x(seen_from - 0.5, layers)
    words = f"not seen before layer {seen_from}" if seen_from <= layers else "never seen"
    return (
        f'<rect x="{LEFT}" y="{TOP}" width="{right - LEFT:.1f}" height="{PLOT_H}" '
        f'fill="url(#hidden)"/>' + _text(LEFT + 4, TOP - 6, words)
    )


def _area(lit: Floats, layers: int, top: float) -> str:
    """A filled outline; very long jobs are drawn as the highest value of each column."""
    bins = min(layers, MOST_POINTS)
    first = np.linspace(0, layers, bins, endpoint=False).astype(np.int64)
    heights = np.maximum.reduceat(lit, first) / top * PLOT_H
    edges = np.append(first, layers) / layers * PLOT_W + LEFT
    x = np.repeat(edges, 2)[1:-1]
    y = FLOOR - np.repeat(heights, 2)
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
    return (
        f'<polygon points="{LEFT},{FLOOR} {points} {LEFT + PLOT_W},{FLOOR}" '
        'fill="#bbb" fill-opacity="0.75" stroke="#000" stroke-width="1.4"/>'
    )


def _round_up(value: float) -> float:
    """The next of 1, 2, 5 times a power of ten; at least 0.01."""
    power = 10.0 ** np.floor(np.log10(max(value, 0.01)))
    return float(next(step * power for step in (1, 2, 5, 10) if step * power >= value * 0.999))


def _y_axis(top: float) -> str:
    parts = [f'<path d="M{LEFT} {TOP} V{FLOOR} H{LEFT + PLOT_W}" fill="none" stroke="#000"/>']
    for share in (0.0, 0.5, 1.0):
        y = FLOOR - share * PLOT_H
        parts.append(f'<path d="M{LEFT - 5} {y:.1f} h5" stroke="#000"/>')
        parts.append(_text(LEFT - 9, y + 4, f"{top * share:g} %", "end"))
    turned = f'transform="rotate(-90 18 {TOP + PLOT_H / 2})"'
    label = _text(18, TOP + PLOT_H / 2, "lit pixels", "middle")
    return "\n".join([*parts, label.replace("<text ", f"<text {turned} ")])


def _x_axis(timeline: LightTimeline) -> str:
    layers = len(timeline)
    parts = []
    for layer_no in sorted({round(n) for n in np.linspace(1, layers, min(layers, 7))}):
        x = _x(layer_no, layers)
        parts.append(f'<path d="M{x:.1f} {FLOOR} v5" stroke="#000"/>')
        parts.append(_text(x, FLOOR + 19, str(layer_no), "middle"))
        parts.append(_text(x, FLOOR + 35, f"{timeline.z_mm[layer_no - 1]:.2f}", "middle"))
    parts.append(_text(LEFT - 26, FLOOR + 19, "layer", "end"))
    parts.append(_text(LEFT - 26, FLOOR + 35, "mm", "end"))
    return "\n".join(parts)


def _stretches(stretches: list[tuple[int, int]], layers: int) -> str:
    parts = []
    for first, last in stretches:
        left, right = _x(first - 0.5, layers), _x(last + 0.5, layers)
        parts.append(
            f'<path d="M{left:.1f} {FLOOR + 50} v-6 H{right:.1f} v6" fill="none" stroke="#000" '
            'stroke-width="2"/>'
        )
    if stretches:
        parts.append(_text(LEFT - 26, FLOOR + 52, "alike", "end"))
    return "\n".join(parts)


def _frames(shoot: ResinShoot, layers: int) -> str:
    """A tick for each frame; close ones run together into a band, which is true as well."""
    ticks = "".join(f"M{_x(pose.layer, layers):.1f} {FLOOR + 60}v12" for pose in shoot.plan.poses)
    if not ticks:
        return ""
    count = len(shoot.plan.poses)
    words = f"{count} frame{'s' * (count != 1)}, film {shoot.film_s:.1f} s"
    return (
        f'<path d="{ticks}" stroke="#000" stroke-width="1"/>'
        + _text(LEFT - 26, FLOOR + 70, "frames", "end")
        + _text(LEFT + PLOT_W, FLOOR + 87, words, "end")
    )
