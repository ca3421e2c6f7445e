"""The shoot as one picture over time: poses, frames, sharpness, light, shift, lateness. SVG."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from capturehook.video import verdicts as v
from capturehook.video.audit import Audit
from capturehook.video.faults import BLUR_RATIO_STATIC, FLICKER_EV
from capturehook.video.sheet import CORNERS
from capturehook.video.verdicts import Verdict

WIDTH, LEFT, RIGHT = 1200, 110, 1180
LANE_PX, PLOT_PX, GAP_PX = 34, 90, 16
NICE_MINUTES = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 720, 1440)


@dataclass(frozen=True, slots=True)
class Plot:
    """One curve: its name, unit, values of the frames, and marks drawn across."""

    name: str
    values: NDArray[np.float64]
    marks: tuple[float, ...]
    least_span: float


def timeline_svg(audit: Audit) -> str:
    """The whole picture as SVG text; at a width of 1200 px."""
    frames_x, poses_x, axis = _places(audit)
    parts = []
    top = 46
    if audit.plan is not None:
        parts.append(_pose_lane(audit, poses_x, top))
        top += LANE_PX
    parts.append(_frame_lane(audit, frames_x, top))
    top += LANE_PX + GAP_PX
    for plot in _plots(audit):
        parts.append(_plot(plot, audit, frames_x, top))
        top += PLOT_PX + GAP_PX
    parts.append(_axis(axis, 46, top))
    height = top + 34
    title = f"{audit.plan.job}: " if audit.plan is not None else ""
    counts = ", ".join(f"{count} {name}" for name, count in audit.counts.items())
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" '
        f'height="{height}" font-family="sans-serif" font-size="12" fill="#222">\n'
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>\n'
        f'<text x="12" y="24" font-size="15">{escape(title + counts)}</text>\n'
        + "\n".join(parts)
        + "\n</svg>\n"
    )


def _plots(audit: Audit) -> list[Plot]:
    def column(name: str) -> NDArray[np.float64]:
        return np.array([getattr(one, name) for one in audit.by_frame], dtype=np.float64)

    shift = np.hypot(column("dx_px"), column("dy_px"))
    plots = [
        Plot("sharpness, x usual", column("sharp_ratio"), (1.0, BLUR_RATIO_STATIC), 1.0),
        Plot("light, EV", column("flicker_ev"), (FLICKER_EV, -FLICKER_EV), 0.5),
        Plot("shift, px", shift - np.nanmin(shift, initial=np.inf), (0.0,), 3.0),
        Plot("late, s", column("late_s"), (0.0,), 2.0),
    ]
    return [plot for plot in plots if np.isfinite(plot.values).any()]


Axis = list[tuple[float, str]]


def _places(audit: Audit) -> tuple[NDArray[np.float64], NDArray[np.float64], Axis]:
    """x of frames and poses, and the labels below: clock time, or frame numbers without one."""
    t_s = audit.frames.t_s
    if not np.isfinite(t_s).all():
        count = max(len(t_s), len(audit.by_pose))
        x = LEFT + (RIGHT - LEFT) * (np.arange(count) + 0.5) / count
        step = max(1, round(count / 12))
        labels = [(float(x[k]), str(k + 1)) for k in range(0, count, step)]
        return x[: len(t_s)], x[: len(audit.by_pose)], labels
    every_s = np.concatenate([t_s, audit.expected_s[np.isfinite(audit.expected_s)]])
    low_s, high_s = float(every_s.min()), float(every_s.max())
    scale = (RIGHT - LEFT - 16) / max(high_s - low_s, 1.0)
    frames_x = LEFT + 8 + (t_s - low_s) * scale
    poses_x = LEFT + 8 + (audit.expected_s - low_s) * scale
    return frames_x, poses_x, _time_labels(high_s - low_s, scale)


def _time_labels(span_s: float, scale: float) -> Axis:
    minutes = next((m for m in NICE_MINUTES if span_s / 60 / m <= 12), NICE_MINUTES[-1])
    count = int(span_s // (60 * minutes)) + 1
    return [
        (LEFT + 8 + k * minutes * 60 * scale, f"{k * minutes // 60}:{k * minutes % 60:02d}")
        for k in range(count)
    ]


def _pose_lane(audit: Audit, x: NDArray[np.float64], top: int) -> str:
    middle = top + LANE_PX // 2
    parts = [f'<text x="12" y="{middle + 4}">poses</text>']
    for one, place in zip(audit.by_pose, x, strict=True):
        if not np.isfinite(place):
            continue
        if one.verdict is v.MISSING:
            parts.append(_mark(place, middle, 7, v.MISSING, f"pose {one.pose.pose}: missing"))
        else:
            parts.append(
                f'<path d="M{place:.1f} {middle - 6}v12" stroke="#888">'
                f"<title>pose {one.pose.pose}, layer {one.pose.layer}</title></path>"
            )
    return "\n".join(parts)


def _frame_lane(audit: Audit, x: NDArray[np.float64], top: int) -> str:
    """Good frames first, so that the others lie on top."""
    middle = top + LANE_PX // 2
    parts = [f'<text x="12" y="{middle + 4}">frames</text>']
    for one in sorted(audit.by_frame, key=lambda one: one.verdict not in (v.GOOD, v.BETWEEN)):
        words = f"{one.name}: {one.verdict.name}"
        quiet = one.verdict in (v.GOOD, v.BETWEEN)
        radius = {v.GOOD.name: 2.5, v.BETWEEN.name: 1.0}.get(one.verdict.name, 8)
        parts.append(_mark(x[one.frame_index], middle, radius, one.verdict, words, not quiet))
    return "\n".join(parts)


def _mark(
    x: float, y: float, radius: float, verdict: Verdict, words: str, letter: bool = True
) -> str:
    if verdict.shape in ("dot", "ring"):
        shape = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius}" fill="{verdict.colour}"/>'
    else:
        corners = " ".join(
            f"{x + radius * dx:.1f},{y + radius * dy:.1f}" for dx, dy in CORNERS[verdict.shape]
        )
        shape = f'<polygon points="{corners}" fill="{verdict.colour}"/>'
    label = (
        f'<text x="{x:.1f}" y="{y + 3.5:.1f}" text-anchor="middle" font-size="10" fill="#fff">'
        f"{verdict.letter}</text>"
        if letter
        else ""
    )
    return f"<g><title>{escape(words)}</title>{shape}{label}</g>"


def _plot(plot: Plot, audit: Audit, x: NDArray[np.float64], top: int) -> str:
    low, high = _range(plot)

    def y_of(value: float) -> float:
        return top + PLOT_PX - (value - low) / (high - low) * PLOT_PX

    parts = [
        f'<rect x="{LEFT}" y="{top}" width="{RIGHT - LEFT}" height="{PLOT_PX}" '
        'fill="#f7f7f7" stroke="#ccc"/>',
        f'<text x="12" y="{top + 14}">{escape(plot.name.split(", ")[0])}</text>',
        f'<text x="12" y="{top + 29}" fill="#767676">{escape(plot.name.split(", ")[1])}</text>',
        _scale_label(high, top + 10),
        _scale_label(low, top + PLOT_PX),
    ]
    parts += [
        f'<path d="M{LEFT} {y_of(mark):.1f}H{RIGHT}" stroke="#999" stroke-dasharray="4 4"/>'
        for mark in plot.marks
        if low <= mark <= high
    ]
    parts += _curve(plot.values, audit, x, y_of, low, high)
    return "\n".join(parts)


def _scale_label(value: float, y: float) -> str:
    return f'<text x="{LEFT - 6}" y="{y}" text-anchor="end" font-size="10">{value:.3g}</text>'


def _range(plot: Plot) -> tuple[float, float]:
    known = [*plot.values[np.isfinite(plot.values)], *plot.marks]
    low, high = float(np.min(known)), float(np.max(known))
    spare = max(plot.least_span - (high - low), 0.1 * (high - low)) / 2
    return (low if low == 0 and plot.marks == (0.0,) else low - spare), high + spare


def _curve(
    values: NDArray[np.float64],
    audit: Audit,
    x: NDArray[np.float64],
    y_of: object,
    low: float,
    high: float,
) -> list[str]:
    assert callable(y_of)
    known = np.flatnonzero(np.isfinite(values))
    points = " ".join(f"{x[k]:.1f},{y_of(values[k]):.1f}" for k in known)
    parts = [f'<polyline points="{points}" fill="none" stroke="#0072b2" stroke-width="1.2"/>']
    radius = 2.0 if len(known) < 300 else 1.0
    for k in known:
        one = audit.by_frame[k]
        words = quoteattr(f"{one.name}: {values[k]:.3g}")[1:-1]
        parts.append(
            f'<circle cx="{x[k]:.1f}" cy="{y_of(values[k]):.1f}" r="{radius}" fill="#0072b2">'
            f"<title>{words}</title></circle>"
        )
    return parts


def _axis(labels: Sequence[tuple[float, str]], top: int, bottom: int) -> str:
    parts = [
        f'<path d="M{x:.1f} {top}V{bottom - GAP_PX + 4}" stroke="#000" stroke-opacity="0.08"/>'
        f'<text x="{x:.1f}" y="{bottom + 4}" text-anchor="middle" font-size="11">{label}</text>'
        for x, label in labels
    ]
    unit = "h:min" if any(":" in label for _, label in labels) else "frame"
    parts.append(f'<text x="12" y="{bottom + 4}" fill="#767676">{unit}</text>')
    return "\n".join(parts)
