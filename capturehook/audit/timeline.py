"""The shoot as one picture over time: poses, frames, sharpness, light, shift, lateness.

Symbols never lie on one another, however narrow the picture and however many the frames: those of
one place become one symbol, the gravest, with their number below it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, floor, inf

import numpy as np
from numpy.typing import NDArray

from capturehook.audit import verdicts as v
from capturehook.audit.faults import FLICKER_EV
from capturehook.audit.judge import SAID, SAID_SOFTLY, Audit
from capturehook.audit.sheet import CORNERS, LOWER
from capturehook.audit.verdicts import Verdict
from capturehook.draw.canvas import Anchor, Sheet, round_step
from capturehook.frames.robust import running_median

WIDTH, LEFT, RIM = 1200, 60, 14
LEAST_WIDTH = 240
LANE_PX, PLOT_PX, GAP_PX = 36, 90, 16
PLOT_STEP_PX = PLOT_PX + GAP_PX
LINE_PX = 18
CURVE, FAINT_INK = "#0072b2", "#5f5f5f"
MOST_EV = 1.5
"""A dark frame off this scale is shown at its edge, so that flicker can still be seen."""
LONG_GAP, LONG_GAP_PX = 5.0, 40.0
SYMBOL_PX, POSE_SYMBOL_PX = 8.0, 7.0
CORNER = 1.35
"""The widest symbol reaches so many radii from its middle."""
DOT_PX, WEDGE_PX, TICK_APART_PX = 2.5, 4.0, 3.0
LABEL_PX = 56
EVENTS = {
    "pause": "pause",
    "clock-jump": "clock set",
    "bumped": "knocked",
    "focus-changed": "focus changed",
}
"""Findings that happen at one moment, and their words in the picture."""
EVENT_PX = 92
NICE_MINUTES = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 720, 1440)
QUIET = (v.GOOD, v.BETWEEN)
START: Anchor = "start"
END: Anchor = "end"


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


@dataclass(frozen=True, slots=True)
class Mark:
    """A symbol to be drawn at x; ``words`` say what it is."""

    x: float
    verdict: Verdict
    words: str


Axis = list[tuple[float, str]]


def timeline_sheet(audit: Audit, width: int = WIDTH) -> Sheet:
    """The whole picture, so many px wide (240 and more)."""
    return _Timeline(audit, max(LEAST_WIDTH, width)).sheet


class _Timeline:
    def __init__(self, audit: Audit, width: int) -> None:
        self.audit, self.right = audit, width - RIM
        self.frames_x, self.poses_x, axis = self._places()
        title = f"{audit.plan.job}: " if audit.plan is not None else ""
        title += ", ".join(f"{count} {name}" for name, count in audit.counts.items())
        lines = textwrap.wrap(title, max(20, (width - 2 * RIM) // 8)) or [""]
        top = first = 10 + LINE_PX * len(lines) + 8
        events, plots = self._events(), self._plots()
        lanes = 1 + (audit.plan is not None) + bool(events)
        height = top + lanes * LANE_PX + GAP_PX + len(plots) * PLOT_STEP_PX + 34
        self.sheet = Sheet(width, height, title)
        self._axis(axis, first, height - 34)
        for row, line in enumerate(lines):
            self.sheet.words(12, 10 + LINE_PX * (row + 1) - 4, line, size=15)
        if audit.plan is not None:
            self._pose_lane(top)
            top += LANE_PX
        self._frame_lane(top)
        top += LANE_PX
        events_top = top
        top += (LANE_PX if events else 0) + GAP_PX
        for plot in plots:
            self._plot(plot, top)
            top += PLOT_STEP_PX
        if events:
            self._event_lane(events, events_top, top - GAP_PX)

    # --- where things are

    def _places(self) -> tuple[NDArray[np.float64], NDArray[np.float64], Axis]:
        """x of frames and poses, and the labels below: clock time, or frame numbers without."""
        audit, wide = self.audit, self.right - LEFT
        t_s = audit.frames.t_s
        if not np.isfinite(t_s).all():
            count = max(len(t_s), len(audit.by_pose))
            x = LEFT + wide * (np.arange(count) + 0.5) / count
            step = max(1, ceil(count * LABEL_PX / wide))
            labels = [(float(x[k]), str(k + 1)) for k in range(0, count, step)]
            return x[: len(t_s)], x[: len(audit.by_pose)], labels
        every_s = np.concatenate([t_s, audit.expected_s[np.isfinite(audit.expected_s)]])
        low_s, high_s = float(every_s.min()), float(every_s.max())
        scale = (wide - 16) / max(high_s - low_s, 1.0)
        return (
            LEFT + 8 + (t_s - low_s) * scale,
            LEFT + 8 + (audit.expected_s - low_s) * scale,
            _time_labels(high_s - low_s, scale),
        )

    def _events(self) -> list[tuple[float, str, str]]:
        """(x, words, what was found) of all that happened at one moment, from left to right."""
        audit = self.audit
        places = {one.name: float(x) for one, x in zip(audit.by_frame, self.frames_x, strict=True)}
        for one, x in zip(audit.by_pose, self.poses_x, strict=True):
            places[f"pose {one.pose.pose}"] = float(x)
        return sorted(
            (places[one.where], EVENTS[one.code], f"{one.where}: {one.text}")
            for one in audit.findings
            if one.code in EVENTS and np.isfinite(places.get(one.where, np.nan))
        )

    def _plots(self) -> list[Plot]:
        def column(name: str) -> NDArray[np.float64]:
            values = [getattr(one, name) for one in self.audit.by_frame]
            return np.array(values, dtype=np.float64)

        shift = np.hypot(_from_start(column("dx_px")), _from_start(column("dy_px")))
        light, limits = column("flicker_ev"), (FLICKER_EV, -FLICKER_EV)
        plots = [
            Plot("sharpness", "x typical", column("sharp_ratio"), (), (0, 1.2)),
            Plot("light", "EV", light, limits, (-0.5, 0.5), (-MOST_EV, MOST_EV)),
            Plot("shift", "px", shift, (), (0, 3)),
            Plot("late", "s", column("late_s"), (), (-1, 1)),
        ]
        return [plot for plot in plots if np.isfinite(plot.values).any()]

    # --- lanes

    def _pose_lane(self, top: int) -> None:
        middle = top + LANE_PX / 2 - 3
        self.sheet.words(12, middle + 4, "poses")
        poses = [
            (float(x), one)
            for x, one in zip(self.poses_x, self.audit.by_pose, strict=True)
            if np.isfinite(x)
        ]
        missing = [
            Mark(x, v.MISSING, f"pose {one.pose.pose}: missing")
            for x, one in poses
            if one.verdict is v.MISSING
        ]
        taken = self._symbols(missing, middle, POSE_SYMBOL_PX)
        last = -inf
        for x, one in poses:
            if one.verdict is v.MISSING or x - last < TICK_APART_PX or _covers(taken, x, 1.0):
                continue
            last = x
            tick = np.array([(x, middle - 6), (x, middle + 6)])
            tip = f"pose {one.pose.pose}, layer {one.pose.layer}"
            self.sheet.lines([tick], stroke="#888888", tip=tip)

    def _frame_lane(self, top: int) -> None:
        middle = top + LANE_PX / 2 - 3
        self.sheet.words(12, middle + 4, "frames")
        marks = [
            Mark(float(self.frames_x[one.frame_index]), one.verdict, f"{one.name}: {one.verdict}")
            for one in self.audit.by_frame
        ]
        loud = [mark for mark in marks if mark.verdict not in QUIET]
        taken = self._symbols(loud, middle, SYMBOL_PX)
        last = -inf
        for mark in sorted((m for m in marks if m.verdict in QUIET), key=lambda mark: mark.x):
            radius = DOT_PX if mark.verdict is v.GOOD else 1.0
            if mark.x - last < 2 * radius or _covers(taken, mark.x, radius):
                continue
            last = mark.x + (radius - 1.0)
            colour = mark.verdict.colour
            self.sheet.circle(mark.x, middle, radius, fill=colour, tip=mark.words)

    def _symbols(self, marks: list[Mark], y: float, radius: float) -> list[tuple[float, float]]:
        """One symbol for all marks of a place; (x, reach) of each that was drawn."""
        reach = CORNER * radius
        groups: list[list[Mark]] = []
        for mark in sorted(marks, key=lambda one: one.x):
            if groups and mark.x - groups[-1][0].x < 2 * reach + 1:
                groups[-1].append(mark)
            else:
                groups.append([mark])
        for group in groups:
            worst = min(group, key=lambda one: GRAVEST.index(one.verdict))
            self._symbol(group[0].x, y, radius, worst.verdict, _told(group))
            if len(group) > 1:
                below = y + reach + 8
                self.sheet.words(group[0].x, below, str(len(group)), size=9, anchor="middle")
        return [(group[0].x, reach) for group in groups]

    def _symbol(self, x: float, y: float, radius: float, verdict: Verdict, tip: str) -> None:
        if verdict.shape in ("dot", "ring"):
            self.sheet.circle(x, y, radius, fill=verdict.colour, tip=tip)
        else:
            corners = np.array((x, y)) + radius * np.array(CORNERS[verdict.shape])
            self.sheet.area(corners, verdict.colour, tip=tip)
        lower = y + 3.5 + radius * LOWER.get(verdict.shape, 0)
        self.sheet.words(x, lower, verdict.letter, size=10, anchor="middle", ink=verdict.ink)

    def _event_lane(self, events: list[tuple[float, str, str]], top: int, bottom: int) -> None:
        """A line down through all curves at each event; words where there is room for them."""
        self.sheet.words(12, top + LANE_PX / 2 + 4, "events")
        row_ends = [-inf, -inf]
        for x, words, found in events:
            line = np.array([(x, top + 4), (x, bottom)])
            self.sheet.lines([line], dash=(2, 3), tip=found)
            left = x > self.right - EVENT_PX
            start = x - EVENT_PX if left else x
            row = next((k for k, end in enumerate(row_ends) if start >= end), None)
            if row is None:
                continue
            row_ends[row] = start + EVENT_PX
            place, anchor = (x - 5, END) if left else (x + 5, START)
            self.sheet.words(place, top + 13 + 15 * row, words, size=11, anchor=anchor)

    # --- curves

    def _plot(self, plot: Plot, top: int) -> None:
        low, high, step = _range(plot)

        def y_of(value: float) -> float:
            return top + PLOT_PX - (value - low) / (high - low) * PLOT_PX

        sheet = self.sheet
        sheet.box(LEFT, top, self.right - LEFT, PLOT_PX, fill="#f7f7f7", stroke="#cccccc")
        for tick in np.arange(round(low / step), round(high / step) + 1) * step:
            y = y_of(float(tick))
            sheet.line((LEFT, y), (self.right, y), stroke="#e4e4e4")
            sheet.words(LEFT - 6, y + 3.5, f"{tick:.6g}", size=10, anchor="end")
        for mark in plot.marks:
            if low <= mark <= high:
                y = y_of(mark)
                sheet.line((LEFT, y), (self.right, y), stroke="#8a8a8a", dash=(4, 4))
        self._curve(plot, y_of, (low, high))
        sheet.words(LEFT + 5, top + 13, f"{plot.name}, {plot.unit}", size=11, ink=FAINT_INK)

    def _curve(self, plot: Plot, y_of: Callable[[float], float], ends: tuple[float, float]) -> None:
        """Lines, broken where the shoot paused, dots where there is room, triangles for what is
        off the scale."""
        x, values = self.frames_x, plot.values
        known = np.flatnonzero(np.isfinite(values))
        y = np.array([y_of(float(one)) for one in np.clip(values, *ends)])
        for run in _runs(x, known):
            if len(run) > 1:
                line = np.column_stack((x[run], y[run]))
                self.sheet.lines([line], stroke=CURVE)
        beyond = (values > ends[1]).astype(int) - (values < ends[0])
        wedges: list[tuple[float, float]] = []
        for side in (1, -1):
            last = -inf
            for k in np.flatnonzero(beyond == side).tolist():
                if x[k] - last > 2 * WEDGE_PX:
                    last = float(x[k])
                    wedges.append((last, WEDGE_PX))
                    flat = np.array([(0, 0), (-WEDGE_PX, 7 * side), (WEDGE_PX, 7 * side)])
                    corners = flat + np.array((x[k], y[k]))
                    self.sheet.area(corners, CURVE, tip=self._value(k, values))
        last = -inf
        for k in known[beyond[known] == 0].tolist():
            if x[k] - last > 2 * DOT_PX and not _covers(wedges, float(x[k]), DOT_PX):
                last = float(x[k])
                tip = self._value(k, values)
                self.sheet.circle(last, float(y[k]), 2.0, fill=CURVE, tip=tip)

    def _value(self, k: int, values: NDArray[np.float64]) -> str:
        return f"{self.audit.by_frame[k].name}: {values[k]:.3g}"

    def _axis(self, labels: Sequence[tuple[float, str]], top: int, bottom: int) -> None:
        last = -inf
        for x, label in labels:
            if x - last < LABEL_PX - 1:
                continue
            last = x
            self.sheet.line((x, top), (x, bottom - GAP_PX + 4), stroke="#ececec")
            self.sheet.words(x, bottom + 4, label, size=11, anchor="middle")
        unit = "h:min" if any(":" in label for _, label in labels) else "frame"
        self.sheet.words(12, bottom + 4, unit, ink=FAINT_INK)


GRAVEST = (*SAID, *SAID_SOFTLY, v.BETWEEN, v.GOOD)


def _told(group: list[Mark]) -> str:
    words = [mark.words for mark in group]
    return "; ".join(words[:6]) + (f" and {len(words) - 6} more" if len(words) > 6 else "")


def _covers(taken: list[tuple[float, float]], x: float, radius: float) -> bool:
    return any(abs(x - middle) < reach + radius + 1 for middle, reach in taken)


def _from_start(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Counted from the middle one of the first three known values."""
    known = values[np.isfinite(values)]
    return values - np.median(known[:3]) if len(known) else values


def _time_labels(span_s: float, scale: float) -> Axis:
    nice = (m for m in NICE_MINUTES if 60 * m * scale >= LABEL_PX)
    minutes = next(nice, NICE_MINUTES[-1])
    count = int(span_s // (60 * minutes)) + 1
    return [
        (LEFT + 8 + k * minutes * 60 * scale, f"{k * minutes // 60}:{k * minutes % 60:02d}")
        for k in range(count)
    ]


def _range(plot: Plot) -> tuple[float, float, float]:
    """Lower end, upper end, and the step of the scale, which both are multiples of."""
    known = [*plot.values[np.isfinite(plot.values)], *plot.marks, *plot.shown]
    low, high = (float(np.clip(end(known), *plot.ends)) for end in (np.min, np.max))
    step = round_step((high - low) / 3)
    return step * floor(low / step + 1e-9), step * ceil(high / step - 1e-9), step


def _runs(x: NDArray[np.float64], known: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """The known frames, cut where the way to the next is far longer than the ways around."""
    if len(known) < 3:
        return [known]
    gaps = np.diff(x[known])
    usual = running_median(gaps, 21)
    return np.split(known, np.flatnonzero(gaps > np.maximum(LONG_GAP * usual, LONG_GAP_PX)) + 1)
