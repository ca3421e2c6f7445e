"""Exposure, lamp flicker and the blur of what still swings.

In: a setting, the light, the shakes. Out: Exposure and Blur records and their findings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from capturehook.errors import Finding
from capturehook.model.shutter import SHUTTERS, shutter_seconds, shutter_text, true_shutter_s
from capturehook.physics import optics, settling
from capturehook.rig.advice import check_number

LightName = Literal["dim", "room", "lit", "daylight"]
LIGHT_EV100: dict[LightName, tuple[float, float]] = {
    "dim": (3.0, 5.0),
    "room": (5.0, 8.0),
    "lit": (8.0, 10.0),
    "daylight": (10.0, 12.0),
}
"""EV at ISO 100: a dim room, a lit room, a printer with its own lamp, near a window by day
(common practice, no source; a meter beats all of them)."""

STEADY_EV = 0.05
"""Flicker a viewer does not see from frame to frame (common practice, no source)."""

VISIBLE_EV = 0.1


@dataclass(frozen=True, slots=True)
class Shake:
    """Something that swings after a stop: frequency, damping, first amplitude in mm at the part."""

    frequency_hz: float
    damping: float
    start_mm: float

    def __post_init__(self) -> None:
        check_number("shake frequency_hz", self.frequency_hz, 0.1, 10_000)
        check_number("shake damping", self.damping, 0.001, 0.99)
        check_number("shake start_mm", self.start_mm, 0.0001, 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShutterChoice:
    """A marked exposure time that a mains lamp does not show in; ``exposure_s`` is the true time.

    ``over_ev`` is how much brighter (+) or darker (-) it is than the meter asks at the same
    f-number and ISO; the two ``match`` fields set that right, one or the other.
    """

    marked: str
    exposure_s: float
    lamp_waves: float
    over_ev: float
    match_iso: float
    match_f_number: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    ev100: float
    ev100_range: tuple[float, float]
    metered: bool
    """A meter's reading, not a guess by the kind of light."""
    effective_f_number: float
    loss_ev: float
    metered_s: float
    used_s: float
    given: bool
    """``used_s`` was given, not suggested."""
    over_ev: float
    flicker_ev: float
    """Darkest to brightest frame if the lamp goes dark between its pulses."""
    lamp_waves: float
    mains_hz: float
    choices: tuple[ShutterChoice, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    amplitude_mm: float
    """Largest swing left when the shutter opens at once."""
    blur_px: float
    allowed_px: float
    settle_s: float
    settle_needed_s: float


def judge_exposure(
    *,
    f_number: float,
    iso: float,
    magnification: float,
    mains_hz: float,
    ev100: float | None,
    light: LightName,
    exposure_s: float | None,
) -> Exposure:
    """The exposure the light asks for, and the marked times that do not flicker."""
    low, high = (ev100, ev100) if ev100 is not None else LIGHT_EV100[light]
    middle = (low + high) / 2
    felt = optics.effective_f_number(f_number, magnification)
    metered_s = optics.exposure_for_s(middle, felt, iso)
    choices = _steady_choices(metered_s, f_number, iso, mains_hz)
    used_s = exposure_s or choices[0].exposure_s
    return Exposure(
        ev100=middle,
        ev100_range=(low, high),
        metered=ev100 is not None,
        effective_f_number=felt,
        loss_ev=optics.bellows_loss_ev(magnification),
        metered_s=metered_s,
        used_s=used_s,
        given=exposure_s is not None,
        over_ev=math.log2(used_s / metered_s),
        flicker_ev=optics.flicker_ev(used_s, mains_hz),
        lamp_waves=optics.lamp_waves(used_s, mains_hz),
        mains_hz=mains_hz,
        choices=choices,
    )


def _steady_choices(
    metered_s: float, f_number: float, iso: float, mains_hz: float, count: int = 4
) -> tuple[ShutterChoice, ...]:
    """The marked times nearest the metered one that hold the same light in every frame."""
    steady = _steady_marks(mains_hz)
    steady.sort(key=lambda pair: abs(math.log(pair[1] / metered_s)))
    return tuple(
        ShutterChoice(
            marked=marked,
            exposure_s=seconds,
            lamp_waves=optics.lamp_waves(seconds, mains_hz),
            over_ev=math.log2(seconds / metered_s),
            match_iso=iso * metered_s / seconds,
            match_f_number=f_number * math.sqrt(seconds / metered_s),
        )
        for marked, seconds in steady[:count]
    )


def _steady_marks(mains_hz: float) -> list[tuple[str, float]]:
    """(mark, true seconds), shortest first, of the times in which this mains does not flicker."""
    timed = [(marked, true_shutter_s(shutter_seconds(marked))) for marked in SHUTTERS]
    return [pair for pair in timed if optics.flicker_ev(pair[1], mains_hz) < STEADY_EV]


def exposure_findings(exposure: Exposure) -> Iterator[Finding]:
    if exposure.flicker_ev > VISIBLE_EV:
        used_s, steady = exposure.used_s, _steady_marks(exposure.mains_hz)
        beside = [
            *[marked for marked, seconds in steady if seconds < used_s][-1:],
            *[marked for marked, seconds in steady if seconds > used_s][:1],
        ]
        yield Finding(
            "lamp-flicker",
            "exposure",
            f"{shutter_text(used_s)} holds {exposure.lamp_waves:.2f} pulses of a lamp "
            f"on {exposure.mains_hz:g} Hz mains; frames can differ by up to "
            f"{exposure.flicker_ev:.2f} EV. Use {' or '.join(beside)} s as marked",
        )
    if exposure.given and exposure.metered and abs(exposure.over_ev) > 1:
        side = "over" if exposure.over_ev > 0 else "under"
        yield Finding(
            "exposure-off",
            "exposure",
            f"{shutter_text(exposure.used_s)} is {abs(exposure.over_ev):.1f} EV {side} the "
            f"meter's {shutter_text(exposure.metered_s)}; change it to that, or the ISO by the "
            f"same number of stops {'down' if side == 'over' else 'up'}",
        )


def estimate_blur(
    shakes: tuple[Shake, ...], settle_s: float, exposure_s: float, px_mm: float, allowed_px: float
) -> Blur | None:
    """Blur of all shakes together, none of them waited for longer than ``settle_s``.

    The camera's lag is left out: it is the slowest seen, and the next frame may be quicker.
    None when nothing is known to shake.
    """
    if not shakes:
        return None
    left_mm = [
        settling.amplitude_mm(one.start_mm, one.frequency_hz, one.damping, settle_s)
        for one in shakes
    ]
    swings_mm = [
        settling.swing_mm(amplitude, one.frequency_hz, exposure_s)
        for amplitude, one in zip(left_mm, shakes, strict=True)
    ]
    return Blur(
        amplitude_mm=max(left_mm),
        blur_px=sum(swings_mm) * px_mm,
        allowed_px=allowed_px,
        settle_s=settle_s,
        settle_needed_s=settling.settle_together_s(
            [(one.start_mm, one.frequency_hz, one.damping) for one in shakes],
            exposure_s,
            allowed_px / px_mm,
        ),
    )


def blur_findings(blur: Blur | None) -> Iterator[Finding]:
    if blur is None or blur.blur_px <= blur.allowed_px:
        return
    needed_ms = math.ceil(blur.settle_needed_s * 1000)
    yield Finding(
        "shake-blur",
        "blur",
        f"{blur.blur_px:.1f} px of blur after {blur.settle_s * 1000:.0f} ms, "
        f"{blur.allowed_px:g} px wanted; wait {needed_ms} ms "
        f"({needed_ms - blur.settle_s * 1000:.0f} ms longer) before firing, or arrive slower",
    )
