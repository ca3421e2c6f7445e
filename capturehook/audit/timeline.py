"""The shoot as one picture over time: poses, frames, sharpness, light, shift, lateness. SVG."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, floor, inf, log10
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from capturehook.audit import verdicts as v
from capturehook.audit.faults import FLICKER_EV
from capturehook.audit.judge import Audit
from capturehook.audit.sheet import CORNERS, LOWER
from capturehook.audit.verdicts import Verdict
from capturehook.frames.robust import running_median

WIDTH, LEFT, RIGHT = 1200, 110, 1180
LANE_PX, PLOT_PX, GAP_PX = 34, 90, 16
PLOT_STEP_PX = PLOT_PX + GAP_PX
CURVE, FAINT = "#0072b2", "#5f5f5f"
MOST_EV = 1.5
"""A dark frame off this scale is shown at its edge, so that flicker can still be seen."""
LONG_GAP, LONG_GAP_PX = 5.0, 40.0
EVENTS = {
    "pause": "pause",
    "clock-jump": "clock set",
    "bumped": "knocked",
    "focus-changed": "focus changed",
}
"""Findings that happen at one moment, and their words in the picture."""
EVENT_PX = 110
NICE_MINUTES = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 720, 1440)


@dataclass(frozen=True, slots=True)
class Plot:
    """One curve: its name, unit, values of the frames, marks drawn across (limits), values the
    scale shows in any case, and ends it never goes beyond."""

    name: str
    unit: str
    values: NDArray[np.float64]
    marks: tuple[float, ...]
    shown: tuple[float, ...]
    ends: tuple[float, float] = (-inf, inf)


def timeline_svg(audit: Audit) -> str:
    """The whole picture as SVG text; at a width of 1200 px."""
    frames_x, poses_x, axis = _places(audit)
    parts = []
    top = 46
    if audit.plan is not None:
        parts.append(_pose_lane(audit, poses_x, top))
        top += LANE_PX
    parts.append(_frame_lane(audit, frames_x, top))
    top += LANE_PX
    events, events_top = _events(audit, frames_x, poses_x), top
    top += (LANE_PX if events else 0) + GAP_PX
    for plot in _plots(audit):
        parts.append(_plot(plot, audit, frames_x, top))
        top += PLOT_STEP_PX
    if events:
        parts.append(_event_lane(events, events_top, top - GAP_PX))
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

    shift = np.hypot(_from_start(column("dx_px")), _from_start(column("dy_px")))
    light, limits = column("flicker_ev"), (FLICKER_EV, -FLICKER_EV)
    plots = [
        Plot("sharpness", "x typical", column("sharp_ratio"), (), (0, 1.2)),
        Plot("light", "EV", light, limits, (-0.5, 0.5), (-MOST_EV, MOST_EV)),
        Plot("shift", "px", shift, (), (0, 3)),
        Plot("late", "s", column("late_s"), (), (-1, 1)),
    ]
    return [plot for plot in plots if np.isfinite(plot.values).any()]


def _from_start(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Counted from the middle one of the first three known values."""
    known = values[np.isfinite(values)]
    return values - np.median(known[:3]) if len(known) else values


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


def _events(
    audit: Audit, frames_x: NDArray[np.float64], poses_x: NDArray[np.float64]
) -> list[tuple[float, str, str]]:
    """(x, words, what was found) of everything that happened at one moment, from left to right."""
    places = {one.name: float(x) for one, x in zip(audit.by_frame, frames_x, strict=True)}
    for one, x in zip(audit.by_pose, poses_x, strict=True):
        places[f"pose {one.pose.pose}"] = float(x)
    return sorted(
        (places[one.where], EVENTS[one.code], f"{one.where}: {one.text}")
        for one in audit.findings
        if one.code in EVENTS and np.isfinite(places.get(one.where, np.nan))
    )


def _event_lane(events: list[tuple[float, str, str]], top: int, bottom: int) -> str:
    """A line down through all curves at each event; words in two rows where they would meet."""
    parts = [f'<text x="12" y="{top + LANE_PX // 2 + 4}">events</text>']
    row_ends = [-inf, -inf]
    for x, words, found in events:
        row = 0 if x >= row_ends[0] or row_ends[0] <= row_ends[1] else 1
        row_ends[row] = x + EVENT_PX
        left = x > RIGHT - EVENT_PX
        y = top + 13 + 15 * row
        parts.append(
            f'<g><title>{escape(found)}</title><path d="M{x:.1f} {top + 4}V{bottom}" '
            f'stroke="#222" stroke-dasharray="2 3"/><text x="{x + (-5 if left else 5):.1f}" '
            f'y="{y}" font-size="11" text-anchor="{"end" if left else "start"}">{words}</text></g>'
        )
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
        f'<text x="{x:.1f}" y="{y + 3.5 + radius * LOWER.get(verdict.shape, 0):.1f}" '
        f'text-anchor="middle" font-size="10" '
        f'fill="{verdict.ink}">{verdict.letter}</text>'
        if letter
        else ""
    )
    return f"<g><title>{escape(words)}</title>{shape}{label}</g>"


def _plot(plot: Plot, audit: Audit, x: NDArray[np.float64], top: int) -> str:
    low, high, step = _range(plot)

    def y_of(value: float) -> float:
        return top + PLOT_PX - (value - low) / (high - low) * PLOT_PX

    parts = [
        f'<rect x="{LEFT}" y="{top}" width="{RIGHT - LEFT}" height="{PLOT_PX}" '
        'fill="#f7f7f7" stroke="#ccc"/>',
        f'<text x="12" y="{top + 14}">{escape(plot.name)}</text>',
        f'<text x="12" y="{top + 29}" fill="{FAINT}">{escape(plot.unit)}</text>',
    ]
    for tick in np.arange(round(low / step), round(high / step) + 1) * step:
        parts.append(
            f'<path d="M{LEFT} {y_of(tick):.1f}H{RIGHT}" stroke="#e4e4e4"/>'
            f'<text x="{LEFT - 6}" y="{y_of(tick) + 3.5:.1f}" text-anchor="end" font-size="10">'
            f"{tick:.6g}</text>"
        )
    parts += [
        f'<path d="M{LEFT} {y_of(mark):.1f}H{RIGHT}" stroke="#8a8a8a" stroke-dasharray="4 4"/>'
        for mark in plot.marks
        if low <= mark <= high
    ]
    return "\n".join(parts + _curve(plot, audit, x, y_of, (low, high)))


def _range(plot: Plot) -> tuple[float, float, float]:
    """Lower end, upper end, and the step of the scale, which both are multiples of."""
    known = [*plot.values[np.isfinite(plot.values)], *plot.marks, *plot.shown]
    low, high = (float(np.clip(end(known), *plot.ends)) for end in (np.min, np.max))
    step = _nice_step((high - low) / 3)
    return step * floor(low / step + 1e-9), step * ceil(high / step - 1e-9), step


def _nice_step(rough: float) -> float:
    """1, 2 or 5 times a power of ten, not under the rough one."""
    power = 10.0 ** floor(log10(rough))
    return power * next(k for k in (1, 2, 5, 10) if k * power >= rough * (1 - 1e-9))


def _curve(
    plot: Plot,
    audit: Audit,
    x: NDArray[np.float64],
    y_of: Callable[[float], float],
    ends: tuple[float, float],
) -> list[str]:
    """Lines, broken where the shoot paused, and a dot each; triangles for what is off the scale."""
    values, radius = plot.values, 2.0 if len(x) < 300 else 1.0
    known = np.flatnonzero(np.isfinite(values))
    parts = []
    for run in _runs(x, known):
        points = " ".join(f"{x[k]:.1f},{y_of(np.clip(values[k], *ends)):.1f}" for k in run)
        parts.append(f'<polyline points="{points}" fill="none" stroke="{CURVE}"/>')
    for k in known:
        words = quoteattr(f"{audit.by_frame[k].name}: {values[k]:.3g}")[1:-1]
        y = y_of(float(np.clip(values[k], *ends)))
        beyond = int(values[k] > ends[1]) - int(values[k] < ends[0])
        if beyond:
            shape = f'<path d="M{x[k]:.1f} {y:.1f}l-4 {7 * beyond}h8z" fill="{CURVE}">'
        else:
            shape = f'<circle cx="{x[k]:.1f}" cy="{y:.1f}" r="{radius}" fill="{CURVE}">'
        end = "path" if beyond else "circle"
        parts.append(f"{shape}<title>{words}</title></{end}>")
    return parts


def _runs(x: NDArray[np.float64], known: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """The known frames, cut where the way to the next is far longer than the ways around."""
    if len(known) < 3:
        return [known]
    gaps = np.diff(x[known])
    usual = running_median(gaps, 21)
    return np.split(known, np.flatnonzero(gaps > np.maximum(LONG_GAP * usual, LONG_GAP_PX)) + 1)


def _axis(labels: Sequence[tuple[float, str]], top: int, bottom: int) -> str:
    parts = [
        f'<path d="M{x:.1f} {top}V{bottom - GAP_PX + 4}" stroke="#000" stroke-opacity="0.08"/>'
        f'<text x="{x:.1f}" y="{bottom + 4}" text-anchor="middle" font-size="11">{label}</text>'
        for x, label in labels
    ]
    unit = "h:min" if any(":" in label for _, label in labels) else "frame"
    parts.append(f'<text x="12" y="{bottom + 4}" fill="{FAINT}">{unit}</text>')
    return "\n".join(parts)
