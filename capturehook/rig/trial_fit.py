"""Presses matched with frames, and a damped swing through measured shifts: numbers only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
NEAR_S = 1.4
"""A frame this near to a press belongs to it: whole-second stamps, and the camera's lag."""
CLOCK_RATE = 0.01
"""How far the printer's clock and the camera's may run apart."""
LIKELY = 24
"""Clocks that are refined, of those tried."""
ALIAS_HZ = 20.0
"""A ladder of 25 ms shows up to this; the envelope is right above it too."""


@dataclass(frozen=True, slots=True)
class Swing:
    """A damped swing A e^(-l d) about its rest, d counted from the end of the settle time."""

    amplitude_px: float
    decay_1_s: float
    hertz: float
    left_px: float
    """Root mean square of what the fit leaves."""

    def settle_s(self, allowed_px: float) -> float:
        """Until the envelope is below. Source: ln(A/eps)/l, the damped oscillator."""
        if self.amplitude_px <= allowed_px:
            return 0.0
        return math.log(self.amplitude_px / allowed_px) / self.decay_1_s


def match_steps(step_s: Floats, frame_s: Floats) -> NDArray[np.int64]:
    """The frame of each press, -1 where it has none.

    Parameters
    ----------
    step_s : (S,) seconds of the presses by the program's clock
    frame_s : (F,) seconds of the frames by the camera's

    The clocks differ by a start and a rate of up to 1 %: each pair of a first press and a first
    frame is tried with some rates, and those with which the frames lie nearest to the presses are
    refined by least squares.
    """
    best = np.full(len(step_s), -1, dtype=np.int64)
    best_score = (-1, 0.0)
    for rate, start in _likely_clocks(step_s, frame_s):
        found = best
        for near_s in (NEAR_S + 0.6, NEAR_S, NEAR_S):
            found = _nearest(rate * step_s + start, frame_s, near_s)
            kept = found >= 0
            if kept.sum() >= 3:
                rate, start = np.polyfit(step_s[kept], frame_s[found[kept]], 1)
                rate = float(np.clip(rate, 1 - CLOCK_RATE, 1 + CLOCK_RATE))
                start = float(np.median(frame_s[found[kept]] - rate * step_s[kept]))
        kept = found >= 0
        off = np.abs(rate * step_s[kept] + start - frame_s[found[kept]])
        score = (int(kept.sum()), -float(off.sum()))
        if score > best_score:
            best, best_score = found, score
    return best


def _likely_clocks(step_s: Floats, frame_s: Floats) -> list[tuple[float, float]]:
    """(rate, start) of the camera's clock, those with most presses near a frame."""
    frames = np.concatenate(([-np.inf], np.sort(frame_s), [np.inf]))
    tried = []
    for first in range(min(len(step_s), 12)):
        for frame in range(min(len(frame_s), 3)):
            for rate in np.linspace(1 - CLOCK_RATE, 1 + CLOCK_RATE, 21).tolist():
                start = float(frame_s[frame] - rate * step_s[first])
                due = rate * step_s + start
                at = np.searchsorted(frames, due)
                off = np.minimum(frames[at] - due, due - frames[at - 1])
                tried.append((float(np.minimum(off, NEAR_S).sum()), rate, start))
    return [(rate, start) for _, rate, start in sorted(tried)[:LIKELY]]


def _nearest(step_s: Floats, frame_s: Floats, near_s: float) -> NDArray[np.int64]:
    """One frame to a press and one press to a frame, nearest pairs first."""
    found = np.full(len(step_s), -1, dtype=np.int64)
    gaps = np.abs(step_s[:, None] - frame_s[None, :])
    pairs = np.argwhere(gaps <= near_s)
    order = np.argsort(gaps[tuple(pairs.T)], kind="stable")
    taken: set[int] = set()
    for at in order.tolist():
        step, frame = int(pairs[at, 0]), int(pairs[at, 1])
        if found[step] < 0 and frame not in taken:
            found[step] = frame
            taken.add(frame)
    return found


def fit_swing(delay_s: Floats, shift_px: Floats) -> Swing:
    """The damped swing through shifts at delays, by search and linear least squares.

    Parameters
    ----------
    delay_s, shift_px : (K,) delays after the stop, and shifts against the rest

    Source: x = e^(-l d)(a cos w d + b sin w d) + c is linear in a, b, c for a given l and w; the
    two are looked for on grids that are made finer (textbook).
    """
    decays = np.geomspace(0.5, 80.0, 40)
    hertz = np.linspace(0.25, ALIAS_HZ, 160)
    rest = np.ones_like(delay_s)
    best = (math.inf, 1.0, 1.0, 0.0)
    for _ in range(6):
        for decay in decays:
            envelope = np.exp(-decay * delay_s)
            for rate in hertz:
                turn = 2 * np.pi * rate * delay_s
                basis = np.column_stack((envelope * np.cos(turn), envelope * np.sin(turn), rest))
                parts, *_ = np.linalg.lstsq(basis, shift_px, rcond=None)
                left = float(np.sum((basis @ parts - shift_px) ** 2))
                if left < best[0]:
                    best = (left, float(decay), float(rate), float(np.hypot(*parts[:2])))
        step_decay = decays[1] / decays[0]
        step_hertz = hertz[1] - hertz[0]
        decays = best[1] * np.geomspace(1 / step_decay, step_decay, 9)
        hertz = np.linspace(max(0.05, best[2] - step_hertz), best[2] + step_hertz, 9)
    left_px = math.sqrt(best[0] / len(shift_px))
    return Swing(best[3], best[1], best[2], left_px)
