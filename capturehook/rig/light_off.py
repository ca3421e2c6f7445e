"""A light sensor that fires when the lamp goes off, after a delay, without a controller.

In: the sensor's readings and the machine's times. Out: Wiring: divider, threshold, hysteresis,
two timers, and whether the delay stays inside its window.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from capturehook.errors import CaptureHookError, Finding
from capturehook.physics import circuit, coils
from capturehook.rig.advice import LIGHT, Wiring, asked, check_asked
from capturehook.rig.trigger_advice import LED_V, MEASURE

INPUT_OHM = 10_000.0
HYSTERESIS_V = 0.1
"""Width of the hysteresis at least (common practice: 0.1 to 0.3 V)."""
CONTRAST = 3.0
"""Of dark over lit resistance, at least: cells remember light for minutes (common practice)."""
PULSE_OHM, PULSE_F = 100_000.0, 2.2e-6
"""Second timer: 0.24 s."""
CAPACITORS_F = (1e-6, 2.2e-6, 4.7e-6, 10e-6, 22e-6, 33e-6, 47e-6, 100e-6)
LEAK_A = 0.5e-6
"""Leak of a small electrolytic (from memory; see its datasheet)."""
SPREAD = {"untrimmed": (0.76, 1.26), "trimmed": (0.95, 1.05)}
"""Of the delay: capacitor +-20 % and resistor +-5 %, or a trimmer set against the machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightOff:
    """Readings of the cell, and the times of one layer counted from light-off."""

    lit_ohm: float = asked("The cell, lamp on.", low=1, high=1e9)
    dark_ohm: float = asked("The cell, lamp off, after 10 s in the dark.", low=1, high=1e10)
    rest_s: float = asked("From light-off until the plate is at rest.", low=0.05, high=600)
    next_on_s: float = asked("From light-off to the next light.", low=0.1, high=600)
    supply_v: float = asked("Of the circuit (5).", 5.0, low=3, high=15)
    lag_ms: float = asked("The camera's lag (120).", 120.0, high=60_000)
    open_ms: float = asked("How long its shutter is open (250).", 250.0, low=0.01, high=600_000)
    margin_ms: float = asked("Left before the next light (100).", 100.0, high=60_000)
    timing: str = asked("How the delay is set.", "trimmed", choices=tuple(SPREAD))

    def __post_init__(self) -> None:
        check_asked(self)
        if self.dark_ohm <= self.lit_ohm:
            raise CaptureHookError(
                "dark_ohm",
                f"{self.dark_ohm:g} ohm is not more than lit_ohm ({self.lit_ohm:g})",
                "Check which reading is which: a light resistor falls when it is lit",
            )

    @property
    def window_s(self) -> tuple[float, float]:
        """When the circuit may fire: the plate is at rest, and the frame ends before the light."""
        frame_s = (self.lag_ms + self.open_ms + self.margin_ms) / 1000
        return self.rest_s, self.next_on_s - frame_s


def delay_parts(delay_s: float, supply_v: float) -> tuple[float, float]:
    """(ohm, farad) of the first timer: the smallest capacitor whose leak does not matter."""
    most_ohm = coils.largest_timing_ohm(supply_v, LEAK_A)
    for farad in CAPACITORS_F:
        ohm = circuit.preferred_ohm(delay_s / (coils.LEVEL * farad), circuit.E12)
        if ohm <= most_ohm:
            return ohm, farad
    return ohm, farad


def advise_light_off(wish: LightOff) -> Wiring:
    """Values of the whole circuit."""
    fixed_ohm = circuit.preferred_ohm(circuit.best_divider_ohm(wish.lit_ohm, wish.dark_ohm))
    lit_v = circuit.divider_v(wish.supply_v, wish.lit_ohm, fixed_ohm)
    dark_v = circuit.divider_v(wish.supply_v, wish.dark_ohm, fixed_ohm)
    threshold_v = (lit_v + dark_v) / 2
    feedback_ohm = circuit.preferred_ohm(
        INPUT_OHM * (wish.supply_v / HYSTERESIS_V - 1), circuit.E12, "down"
    )
    low_s, high_s = wish.window_s
    middle_s = max(0.05, (low_s + high_s) / 2)
    ohm, farad = delay_parts(middle_s, wish.supply_v)
    delay_s = coils.one_shot_s(ohm, farad)
    pulse_ms = 1000 * coils.one_shot_s(PULSE_OHM, PULSE_F)
    led_ohm = circuit.preferred_ohm((wish.supply_v - LED_V) / 0.005)
    least, most = SPREAD[wish.timing]
    return Wiring(
        kind="light-off",
        facts={
            "divider": f"cell on top, {fixed_ohm:g} ohm to ground: {lit_v:.2f} V lit, {dark_v:.2f} "
            "V dark",
            "comparator": f"threshold {threshold_v:.2f} V; {INPUT_OHM / 1000:g} kohm and "
            f"{feedback_ohm / 1000:g} kohm give "
            f"{coils.hysteresis_v(wish.supply_v, INPUT_OHM, feedback_ohm) * 1000:.0f} mV of "
            "hysteresis",
            "window": f"fire {low_s:.2f} to {high_s:.2f} s after light-off: plate at rest, frame "
            "over before the next light",
            "delay": f"{_ohm(ohm)} and {farad * 1e6:g} uF: {delay_s:.2f} s; {wish.timing}, "
            f"{delay_s * least:.2f} to {delay_s * most:.2f} s",
            "pulse": f"{PULSE_OHM / 1000:g} kohm and {PULSE_F * 1e6:g} uF: {pulse_ms:.0f} ms",
            "isolator": f"{led_ohm:g} ohm before its LED",
        },
        steps=(*MEASURE, *_STEPS),
        findings=tuple(_findings(wish, delay_s, lit_v - dark_v)),
        profile=(
            "[resin.sensor]",
            'edge = "light-off"',
            f"delay_ms = {delay_s * 1000:.0f}   # as trimmed",
            "[camera]",
            f"lag_ms = {wish.lag_ms:g}",
        ),
        cautions=LIGHT,
        numbers={
            "fixed_ohm": fixed_ohm,
            "lit_v": lit_v,
            "dark_v": dark_v,
            "threshold_v": threshold_v,
            "feedback_ohm": feedback_ohm,
            "delay_ohm": ohm,
            "delay_f": farad,
            "delay_s": delay_s,
            "pulse_ms": pulse_ms,
            "window_low_s": low_s,
            "window_high_s": high_s,
        },
    )


def _ohm(ohm: float) -> str:
    return f"{ohm / 1000:g} kohm" if ohm >= 1000 else f"{ohm:g} ohm"


_STEPS = (
    "Lamp on for a minute before you read the cell: one from a drawer in the dark reads too high. "
    "A filtered 'eye-like' phototransistor is nearly blind at 405 nm; a cadmium cell may be used "
    "where you have one, but may not be sold in the EU (RoHS).",
    "Comparator (push-pull, rail to rail): its output falls when the light goes off; 10 nF and "
    "100 kohm make a short low pulse of it.",
    "Two timers (one 556): the first runs for the delay, its falling edge starts the second by "
    "another 10 nF, the second lights the isolator's LED. RESET tied high, 100 nF at the supply.",
    "Isolator: collector to tip, emitter to sleeve. Supply from USB, never from the lamp's driver.",
    "Trim the delay against the machine: film plate and LED by phone, first bottom layer, last "
    "bottom layer, normal layer. After two hours check again.",
    "Lamps that blink within a layer fire more than once: count the firings over ten layers.",
)


def _findings(wish: LightOff, delay_s: float, swing_v: float) -> Iterator[Finding]:
    low_s, high_s = wish.window_s
    least, most = SPREAD[wish.timing]
    if low_s >= high_s:
        yield Finding(
            "delay-window",
            "delay",
            f"the plate is at rest {low_s:g} s after light-off, and a frame must begin by "
            f"{high_s:.2f} s: no delay fits. Lengthen the wait before the light by "
            f"{low_s - high_s:.2f} s, or shorten the exposure",
        )
    elif delay_s * least < low_s or delay_s * most > high_s:
        yield Finding(
            "delay-spread",
            "delay",
            f"{wish.timing}, the delay is {delay_s * least:.2f} to {delay_s * most:.2f} s, the "
            f"window {low_s:.2f} to {high_s:.2f} s. "
            + (
                "Fit a trimmer in series and set it against the machine"
                if wish.timing == "untrimmed"
                else "Take a counter with a crystal, or lengthen the wait before the light"
            ),
        )
    if wish.dark_ohm < CONTRAST * wish.lit_ohm or swing_v < 2 * HYSTERESIS_V:
        yield Finding(
            "thin-contrast",
            "cell",
            f"dark over lit is {wish.dark_ohm / wish.lit_ohm:.2f}, {CONTRAST:g} is wanted: "
            "nearer to the lamp, a hood against the room's light",
        )
