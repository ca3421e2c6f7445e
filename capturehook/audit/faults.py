"""What is wrong with a picture, told from its measures and those of its neighbours.

Every test is relative: a frame is held against the frames before and after it, since no fixed
number tells sharp from blurred or light from dark for all scenes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding
from capturehook.frames.focus import sharpness_ratio
from capturehook.frames.light import exposure_ev, flicker_ev
from capturehook.frames.listing import FrameList
from capturehook.frames.measure import LEAST_PEAK, Measures
from capturehook.frames.robust import Series, find_steps, running_median, spread

DARK_EV = -0.8
BRIGHT_EV = 0.8
BLACK_TOP = 0.08  # even the brightest hundredth of the picture is nearly black
BURNT_SHARE = 0.2
BLUR_RATIO_STATIC = 0.5
BLUR_RATIO_WHOLE = 0.4
FLICKER_EV = 0.15
MOVED_WORK_PX = 0.6
ODD_CODES = 20.0
ODD_CODES_AT_ENDS = 45.0  # a layer laid the other way may shine otherwise than all that follow
ODD_SHARE = 0.0006
ODD_TIMES_USUAL = 3.0
ODD_TIMES_AT_ENDS = 3.0  # only one side to compare with, and it has grown
BESIDE_WORSE = 0.5
SIDE = 3
SOLID = 7  # of nine pixels

Flags = NDArray[np.bool_]


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
    frames: FrameList, measures: Measures, shown: Flags, order: NDArray[np.int64] | None = None
) -> Faults:
    """Judge the pictures of the frames that are ``shown`` (belong to a pose), in order.

    Parameters
    ----------
    shown : (F,) bool; the others (test shots) are neither judged nor compared with
    order : indices of the frames to compare along, where not simply all that are shown
    """
    places = np.flatnonzero(shown & measures.readable) if order is None else order
    part = _Part(frames, measures, places)
    dark, overexposed, flicker = part.exposure()
    ill_lit = dark | overexposed
    blurred, ratio = part.blur(ill_lit)
    moved, moved_px = part.movement(ill_lit | blurred)
    odd, unparked = part.odd(ill_lit | blurred | moved, flicker)
    findings = [
        *part.flicker_findings(flicker, ill_lit | blurred),
        *part.movement_findings(ill_lit | blurred),
        *part.focus_findings(ill_lit),
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


class _Part:
    """The frames that are compared, K of them, as series of their own."""

    def __init__(self, frames: FrameList, measures: Measures, places: NDArray[np.int64]) -> None:
        self.frames, self.measures, self.places = frames, measures, places
        self.count = len(frames)
        self.ev = exposure_ev(measures.light[places])
        self.steady = measures.area.sure
        self.least_px = max(1.0, MOVED_WORK_PX / measures.scale)

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
        static = sharpness_ratio(_without(self.measures.sharp_static[self.places], left_out))
        whole = sharpness_ratio(_without(self.measures.sharp[self.places], left_out))
        blurred = (static < BLUR_RATIO_STATIC) | (whole < BLUR_RATIO_WHOLE)
        return blurred, np.fmin(static, whole)

    def _shifts(self, left_out: Flags) -> tuple[Series, Series]:
        measures = self.measures
        return (
            _without(measures.dx_px[self.places], left_out),
            _without(measures.dy_px[self.places], left_out),
        )

    def _turns_px(self, left_out: Flags) -> tuple[Series, Series]:
        """What a rotation and a change of scale do in the corners."""
        measures, places = self.measures, self.places
        arm_px = float(np.hypot(*self.frames.size_px)) / 2
        turn = np.radians(measures.turn_deg[places]) * arm_px
        zoom = (measures.zoom[places] - 1) * arm_px
        return _without(turn, left_out), _without(zoom, left_out)

    def movement(self, left_out: Flags) -> tuple[Flags, Series]:
        """Nothing is said where no still part was found: a plate that sinks would look like a
        camera that rises."""
        if not self.steady:
            return np.zeros(len(self.places), bool), np.full(len(self.places), np.nan)
        dx, dy = self._shifts(left_out)
        turn_px, zoom_px = self._turns_px(left_out)
        strays = [series - running_median(series, 7) for series in (dx, dy, turn_px, zoom_px)]
        moved_px = np.sqrt(np.sum(np.square(strays), axis=0))
        noise_px = float(np.sqrt(np.sum(np.square([spread(stray) for stray in strays]))))
        peak = self.measures.peak[self.places]
        lost = ~left_out & (peak < LEAST_PEAK) & (running_median(peak, 9) > 2.5 * LEAST_PEAK)
        return (moved_px > max(self.least_px, 6 * noise_px)) | lost, moved_px

    def odd(self, left_out: Flags, flicker: Series) -> tuple[Series, Flags]:
        """Share of the picture that is neither as before nor as after: something is elsewhere."""
        looks = self.measures.look[self.places].astype(np.float32)
        gains = 2.0 ** (-np.nan_to_num(flicker) / 2.2)  # of coded values, near enough
        looks *= gains[:, None, None].astype(np.float32)
        keep = np.flatnonzero(~left_out)
        share = np.full(len(self.places), np.nan)
        steady = steady_area(looks[keep])
        for place, index in enumerate(keep):  # one small picture at a time keeps memory flat
            before = looks[keep[max(0, place - SIDE) : place]]
            after = looks[keep[place + 1 : place + 1 + SIDE]]
            share[index] = odd_share(looks[index], before, after, steady)
        usual = np.nan_to_num(running_median(share, 9))
        limit = np.maximum(ODD_SHARE, ODD_TIMES_USUAL * usual)
        limit[keep[:1]] *= ODD_TIMES_AT_ENDS
        limit[keep[-1:]] *= ODD_TIMES_AT_ENDS
        return share, (share > limit) & ~_beside_worse(share)

    def flicker_findings(self, flicker: Series, left_out: Flags) -> list[Finding]:
        stray = _without(flicker, left_out)
        beyond = np.abs(stray) > FLICKER_EV
        if not beyond.any():
            return []
        count, worst = int(beyond.sum()), int(np.nanargmax(np.abs(stray)))
        text = (
            f"{count} frame{'s are' if count > 1 else ' is'} brighter or darker than neighbours, "
            f"by up to {abs(stray[worst]):.2f} EV; --even-light mends it in the film"
        )
        return [Finding("flicker", self.name(worst), text)]

    def movement_findings(self, left_out: Flags) -> list[Finding]:
        dx, dy = self._shifts(left_out)
        known = np.flatnonzero(np.isfinite(dx))
        if len(known) < 5 or not self.steady:
            return []
        x, y = dx[known], dy[known]
        steps = sorted({*find_steps(x, self.least_px), *find_steps(y, self.least_px)})
        findings = []
        for step in steps:
            jump = [_jump_at(series, step) for series in (x, y)]
            text = (
                f"the camera was knocked before this frame and stayed {_length(jump):.1f} px "
                f"away ({_signed(jump[0])} right, {_signed(jump[1])} down); the film is aligned"
            )
            findings.append(Finding("bumped", self.name(int(known[step])), text))
        return findings or self._creep(x, y)

    def _creep(self, x: Series, y: Series) -> list[Finding]:
        side = max(3, len(x) // 10)
        walk = [float(np.median(one[-side:]) - np.median(one[:side])) for one in (x, y)]
        if _length(walk) <= 2 * self.least_px:
            return []
        text = (
            f"the camera crept by {_length(walk):.1f} px over the shoot ({_signed(walk[0])} right, "
            f"{_signed(walk[1])} down): check the tripod's clamps; the film is aligned"
        )
        return [Finding("creep", "frames", text)]

    def focus_findings(self, left_out: Flags) -> list[Finding]:
        sharp = _without(self.measures.sharp_static[self.places], left_out)
        known = np.flatnonzero(np.isfinite(sharp) & (sharp > 0))
        level = np.log2(sharp[known])
        steps = find_steps(level, 1.0)
        return [
            Finding(
                "focus-changed",
                self.name(int(known[step])),
                f"from this frame on pictures are {'less' if after < 0 else 'more'} sharp than "
                "before: was autofocus on, or the lens touched?",
            )
            for step in steps
            for after in (_jump_at(level, step),)
        ]


def _beside_worse(share: Series) -> Flags:
    """(K,) a frame looks odd only because the one beside it does, which is no help to it."""
    padded = np.pad(np.nan_to_num(share), 1)
    return np.asarray(np.nan_to_num(share) < BESIDE_WORSE * np.maximum(padded[:-2], padded[2:]))


def steady_area(looks: NDArray[np.float32]) -> Flags:
    """(h, w) where early and late frames are alike, and a step of growth away from where not."""
    if not len(looks):
        return np.ones(looks.shape[1:], bool)
    third = max(1, len(looks) // 3)
    early, late = np.median(looks[:third], axis=0), np.median(looks[-third:], axis=0)
    # A part grows at most the height of the picture over the shoot, so a step is no more than:
    step = 1 + looks.shape[1] // len(looks)
    return np.asarray(~_widened(np.abs(early - late) > ODD_CODES, step))


def _widened(flags: Flags, by: int) -> Flags:
    """True where any pixel so near, along rows or columns, is."""
    wide: Flags = flags.copy()
    for shift in range(1, min(by, *flags.shape)):
        wide[shift:] |= flags[:-shift]
        wide[:-shift] |= flags[shift:]
        wide[:, shift:] |= flags[:, :-shift]
        wide[:, :-shift] |= flags[:, shift:]
    return wide


def odd_share(
    look: NDArray[np.float32],
    before: NDArray[np.float32],
    after: NDArray[np.float32],
    steady: Flags,
) -> float:
    """Share of solid patches unlike any of the frames before and after.

    A pixel counts when most of the nine around it are unlike too: edges that wander by a
    pixel, as of a gantry that rises with the part, are no patches. A part that grows is like
    one side or the other, so it never counts; with frames on one side only, what differs from
    all of them counts, but only where the part never grows.
    """
    near = np.concatenate([before, after])
    if not len(near):
        return 0.0
    at_end = not len(before) or not len(after)
    codes = ODD_CODES_AT_ENDS if at_end else ODD_CODES
    unlike: Flags = np.asarray((np.abs(near - look) > codes).all(axis=0))
    if at_end:
        unlike = unlike & steady
    return float(_solid(unlike).mean())


def _solid(odd: Flags) -> Flags:
    """(h, w) -> (h-2, w-2): at least SOLID of the nine pixels."""
    if min(odd.shape) < 3:
        return odd
    high, wide = odd.shape
    total = np.zeros((high - 2, wide - 2), np.uint8)
    for row in range(3):
        for column in range(3):
            total += odd[row : row + high - 2, column : column + wide - 2]
    return total >= SOLID


def _without(values: Series, left_out: Flags) -> Series:
    return np.where(left_out, np.nan, values)


def _jump_at(values: Series, step: int) -> float:
    return float(np.median(values[step : step + 5]) - np.median(values[max(0, step - 5) : step]))


def _signed(value: float) -> str:
    """+3.4, -1.2, 0.0: never -0.0"""
    text = f"{value:+.1f}"
    return "0.0" if float(text) == 0 else text


def _length(vector: list[float]) -> float:
    return float(np.hypot(vector[0], vector[1]))
