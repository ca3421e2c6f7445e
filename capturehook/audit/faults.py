"""What is wrong with a picture, told from its measures and those of its neighbours.

Every test is relative: a frame is held against the frames before and after it, since no fixed
number tells sharp from blurred or light from dark for all scenes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.audit.odd import find_odd
from capturehook.audit.verdicts import Flags
from capturehook.errors import Finding, counted
from capturehook.frames.exif import Settings
from capturehook.frames.focus import sharpness_ratio
from capturehook.frames.light import colour_ev, exposure_ev, flicker_ev
from capturehook.frames.listing import FrameList
from capturehook.frames.measure import Measures
from capturehook.frames.motion import LEAST_SHARE
from capturehook.frames.robust import Series, find_levels, running_median, spread, theil_sen

DARK_EV = -0.8
BRIGHT_EV = 0.8
BLACK_TOP = 0.08  # even the brightest hundredth of the picture is nearly black
BURNT_SHARE = 0.2
FILM_SHORT_PX = 1080  # a film is seldom larger, and blur that it does not show is none
BLUR_FILM_PX = 0.7  # sigma, more than the frames around
BLUR_RATIO_WHOLE = 0.4
FLICKER_EV = 0.15
COLOUR_EV = 0.04
MOVED_WORK_PX = 0.6
FOCUS_STEP = 0.35  # log2 of contrast
LEAST_FOR_STEPS = 5
SETTINGS_EV = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """(F,) each; flags are False and numbers NaN for frames left out."""

    dark: Flags
    overexposed: Flags
    blurred: Flags
    moved: Flags
    not_parked: Flags
    flicker_ev: Series
    sharp_ratio: Series
    moved_px: Series
    odd_share: Series
    findings: tuple[Finding, ...]

    @property
    def spoilt(self) -> Flags:
        """Not fit for the film, whatever the time says."""
        return self.dark | self.overexposed | self.blurred | self.not_parked


def find_faults(
    frames: FrameList,
    measures: Measures,
    shown: Flags,
    order: NDArray[np.int64] | None = None,
    height: Series | None = None,
) -> Faults:
    """Judge the pictures of the frames that are ``shown`` (belong to a pose), in order.

    Parameters
    ----------
    shown : (F,) bool; the others (test shots) are neither judged nor compared with
    order : indices of the frames to compare along, where not simply all that are shown
    height : (F,) height of the part in each frame, mm; None where there is no plan
    """
    places = np.flatnonzero(shown & measures.readable) if order is None else order
    part = _Part(frames, measures, places)
    dark, overexposed, flicker = part.exposure()
    ill_lit = dark | overexposed
    moved, moved_px, lost = part.movement(ill_lit)
    blurred, ratio = part.blur(ill_lit | lost)
    odd, unparked = find_odd(
        measures.look[places],
        ~(ill_lit | lost | blurred),
        None if height is None else height[places],
    )
    findings = [
        *part.flicker_findings(flicker, ill_lit),
        *part.settings_findings(),
        *part.movement_findings(ill_lit | lost),
        *part.focus_findings(ill_lit | lost),
    ]
    return Faults(
        dark=part.flags(dark),
        overexposed=part.flags(overexposed),
        blurred=part.flags(blurred),
        moved=part.flags(moved),
        not_parked=part.flags(unparked),
        flicker_ev=part.numbers(flicker),
        sharp_ratio=part.numbers(ratio),
        moved_px=part.numbers(moved_px),
        odd_share=part.numbers(odd),
        findings=tuple(findings),
    )


def least_moved_px(scale: float) -> float:
    """No smaller movement is told; ``scale`` is working pixels per pixel of the original."""
    return max(1.0, MOVED_WORK_PX / scale)


class _Part:
    """The frames that are compared, K of them, as series of their own."""

    def __init__(self, frames: FrameList, measures: Measures, places: NDArray[np.int64]) -> None:
        self.frames, self.measures, self.places = frames, measures, places
        self.count = len(frames)
        self.ev = exposure_ev(measures.light[places])
        self.steady = measures.area.sure
        self.least_px = least_moved_px(measures.scale)

    def name(self, index: int) -> str:
        return self.frames.frames[int(self.places[index])].name

    def flags(self, values: Flags) -> Flags:
        whole = np.zeros(self.count, bool)
        whole[self.places] = values
        return whole

    def numbers(self, values: Series) -> Series:
        whole = np.full(self.count, np.nan)
        whole[self.places] = values
        return whole

    def exposure(self) -> tuple[Flags, Flags, Series]:
        measures, places = self.measures, self.places
        flicker = flicker_ev(self.ev)
        burnt = measures.clipped[places]
        dark = (flicker < DARK_EV) | (measures.top[places] < BLACK_TOP)
        bright = (flicker > BRIGHT_EV) | (burnt > running_median(burnt, 9) + BURNT_SHARE)
        return dark, bright & ~dark, flicker

    def blur(self, left_out: Flags) -> tuple[Flags, Series]:
        """Blurred is what a film would show: its pixels are the measure, not the camera's."""
        if not self.steady:
            whole = sharpness_ratio(_without(self.measures.sharp[self.places], left_out))
            return whole < BLUR_RATIO_WHOLE, whole
        ratio = sharpness_ratio(_without(self.measures.sharp_static[self.places], left_out))
        blur_px = _without(self.measures.blur_px[self.places], left_out)
        usual_px = running_median(blur_px, 9)
        more_px = np.sqrt(np.maximum(blur_px**2 - usual_px**2, 0))
        film_px = min(1.0, FILM_SHORT_PX / min(self.frames.size_px))
        return more_px * film_px > BLUR_FILM_PX, ratio

    def _shifts(self, left_out: Flags) -> tuple[Series, Series]:
        dx_px, dy_px = self.measures.dx_px[self.places], self.measures.dy_px[self.places]
        return _without(dx_px, left_out), _without(dy_px, left_out)

    def _turns_px(self, left_out: Flags) -> tuple[Series, Series]:
        """What a rotation and a change of scale do in the corners."""
        measures, places = self.measures, self.places
        arm_px = float(np.hypot(*self.frames.size_px)) / 2
        turn = np.radians(measures.turn_deg[places]) * arm_px
        zoom = (measures.zoom[places] - 1) * arm_px
        return _without(turn, left_out), _without(zoom, left_out)

    def movement(self, left_out: Flags) -> tuple[Flags, Series, Flags]:
        """Moved, by how much, and lost: nothing of the still part is found again.

        Nothing is said where no still part was found: a plate that sinks would look like a
        camera that rises.
        """
        none = np.zeros(len(self.places), bool)
        if not self.steady:
            return none, np.full(len(self.places), np.nan), none
        dx, dy = self._shifts(left_out)
        turn_px, zoom_px = self._turns_px(left_out)
        ends = self._level_ends(np.stack((dx, dy), axis=1))
        strays = [series - _usual(series, ends) for series in (dx, dy, turn_px, zoom_px)]
        moved_px = np.sqrt(np.sum(np.square(strays), axis=0))
        noise_px = float(np.sqrt(np.sum(np.square([spread(stray) for stray in strays]))))
        found = self.measures.peak[self.places]
        lost = ~left_out & (found < LEAST_SHARE) & (running_median(found, 9) > 2 * LEAST_SHARE)
        return (moved_px > max(self.least_px, 6 * noise_px)) | lost, moved_px, lost

    def _level_ends(self, shifts: Series) -> list[int]:
        """Where the pieces end between which the camera was knocked and stayed, the last included:
        a frame just beside a knock is held against its own side of it."""
        known = np.flatnonzero(np.isfinite(shifts).all(axis=1))
        steps = find_levels(shifts[known], self.least_px) if len(known) >= LEAST_FOR_STEPS else []
        return [*(int(known[step]) for step in steps), len(shifts)]

    def flicker_findings(self, flicker: Series, left_out: Flags) -> Iterator[Finding]:
        stray = _without(flicker, left_out)
        beyond = np.abs(stray) > FLICKER_EV
        if beyond.any():
            count, worst = int(beyond.sum()), int(np.nanargmax(np.abs(stray)))
            text = (
                f"{counted(count, 'frame')} brighter or darker than "
                f"neighbours, by up to {abs(stray[worst]):.2f} EV; --even-light evens it out"
            )
            yield Finding("flicker", self.name(worst), text)
        hues = colour_ev(self.measures.colour[self.places])
        strays = np.stack([_without(flicker_ev(hue), left_out) for hue in hues.T])
        worst_of = np.nan_to_num(np.abs(strays)).max(axis=0)
        if (worst_of > COLOUR_EV).sum() > 0.05 * len(worst_of) and self.steady:
            worst = int(np.argmax(worst_of))
            text = (
                f"colour changes from frame to frame, by up to {worst_of[worst]:.2f} EV of red or "
                "blue against green (lamps, or automatic white balance); --even-light evens it out"
            )
            yield Finding("colour-flicker", self.name(worst), text)

    def settings_findings(self) -> Iterator[Finding]:
        """What the camera itself says it changed between frames."""
        given = [self.frames.frames[int(k)].settings for k in self.places]
        jumps = [k for k in range(1, len(given)) if _differ(given[k - 1], given[k])]
        if jumps:
            first = jumps[0]
            more = f"; {len(jumps)} such changes in all" if len(jumps) > 1 else ""
            step = np.nan_to_num(self.ev[first] - self.ev[first - 1])
            text = (
                f"the camera's settings change here, from {given[first - 1]} to {given[first]}"
                f" (the picture by {step:+.2f} EV){more}: set exposure and ISO by hand"
            )
            yield Finding("settings-changed", self.name(first), text)
        automatic = [k for k, one in enumerate(given) if one is not None and one.auto_white]
        if automatic:
            text = (
                f"{counted(len(automatic), 'frame')} taken with "
                "automatic white balance, so colours may jump: set it by hand"
            )
            yield Finding("auto-white-balance", self.name(automatic[0]), text)

    def movement_findings(self, left_out: Flags) -> Iterator[Finding]:
        """Knocks after which the camera stayed elsewhere, or a creep with its rate."""
        shifts = np.stack(self._shifts(left_out), axis=1)
        known = np.flatnonzero(np.isfinite(shifts).all(axis=1))
        if len(known) < LEAST_FOR_STEPS or not self.steady:
            return
        shifts = shifts[known]
        steps = find_levels(shifts, self.least_px)
        creep = self._creep(known, shifts, steps)
        if creep:
            yield creep
            return
        for before, step, after in zip([0, *steps], steps, [*steps[1:], len(known)], strict=False):
            jump = np.median(shifts[step:after], axis=0) - np.median(shifts[before:step], axis=0)
            text = (
                f"the camera was knocked before this frame and stayed {np.hypot(*jump):.1f} px "
                f"away ({_signed(jump[0])} right, {_signed(jump[1])} down); the film is aligned"
            )
            yield Finding("bumped", self.name(int(known[step])), text)

    def _creep(self, known: NDArray[np.int64], shifts: Series, steps: list[int]) -> Finding | None:
        """A line that explains the places at least as well as steps do."""
        place = known.astype(np.float64)
        lines = [theil_sen(place, axis) for axis in shifts.T]
        slopes = np.array([slope for slope, _ in lines])
        off_line = shifts - np.stack([a + b * place for b, a in lines], axis=1)
        noise_px = float(np.hypot(spread(off_line[:, 0]), spread(off_line[:, 1])))
        frames = float(place[-1] - place[0])
        walk = slopes * frames
        least_px = max(1.5 * self.least_px, 4 * noise_px * np.sqrt(12 / len(known)))
        if np.hypot(*walk) <= least_px:
            return None
        parts = np.split(shifts, steps)
        off_steps = np.concatenate([part - np.median(part, axis=0) for part in parts])
        if steps and np.abs(off_line).mean() > np.abs(off_steps).mean():
            return None
        text = (
            f"the camera crept by {np.hypot(*walk):.1f} px over the shoot ({_signed(walk[0])} "
            f"right, {_signed(walk[1])} down), {self._rate(known, walk)}: check the tripod's "
            "clamps; the film is aligned"
        )
        return Finding("creep", "frames", text)

    def _rate(self, known: NDArray[np.int64], walk: Series) -> str:
        t_s = self.frames.t_s[self.places[known]]
        hours = float(t_s[-1] - t_s[0]) / 3600
        if not np.isfinite(hours) or hours <= 0:
            return f"{np.hypot(*walk) / len(known):.2f} px a frame"
        return f"{np.hypot(*walk) / hours:.1f} px an hour"

    def focus_findings(self, left_out: Flags) -> Iterator[Finding]:
        sharp = _without(self.measures.sharp_static[self.places], left_out)
        known = np.flatnonzero(np.isfinite(sharp) & (sharp > 0))
        if len(known) < LEAST_FOR_STEPS or not self.steady:
            return
        level = np.log2(sharp[known])[:, None]
        steps = find_levels(level, FOCUS_STEP)
        for step in steps:
            less = np.median(level[step:][:9]) < np.median(level[:step][-9:])
            text = (
                f"from this frame on pictures are {'less' if less else 'more'} sharp than before: "
                "was autofocus on, or the lens touched?"
            )
            yield Finding("focus-changed", self.name(int(known[step])), text)


def _differ(one: Settings | None, other: Settings | None) -> bool:
    if one is None or other is None:
        return False
    before, after = one.exposure_ev, other.exposure_ev
    moved = before is not None and after is not None and abs(after - before) > SETTINGS_EV
    return moved or one.f_number != other.f_number or one.iso != other.iso


def _usual(series: Series, ends: list[int]) -> Series:
    """The running median, of each piece by itself."""
    starts = [0, *ends[:-1]]
    pieces = [running_median(series[a:b], 7) for a, b in zip(starts, ends, strict=True)]
    return np.concatenate(pieces)


def _without(values: Series, left_out: Flags) -> Series:
    return np.where(left_out, np.nan, values)


def _signed(value: float) -> str:
    """+3.4, -1.2, 0.0: never -0.0"""
    text = f"{value:+.1f}"
    return "0.0" if float(text) == 0 else text
