"""What an output drives: a relay, a solenoid or a servo.

In: figures of the part and its supply. Out: Wiring.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from capturehook.errors import Finding
from capturehook.physics import circuit, coils
from capturehook.rig.advice import FINGER, RELAY, Wiring, asked, check_asked
from capturehook.rig.trigger_advice import (
    LEAST_MA,
    MEASURE,
    MOST_BOUNCE_MS,
    contact_findings,
    press_findings,
)

PICK_UP, RELEASE = 0.8, 0.1
"""Must-operate and must-release voltage as shares of the rated one (Omron G5V-1)."""
COIL_MOST = 1.1
"""Over rated voltage a relay coil gets too hot (common practice; see its datasheet)."""
DIODES = (("1N4148", 0.15), ("1N4007", 1.0), ("1N5408", 3.0))
"""Ordinary diodes and their current in A (datasheets, from memory)."""
HOT_K = 65.0
"""A coil settles near 85 degC (Shindengen solenoid data: must stay under 120)."""
FORCE_MARGIN = 1.5
"""Johnson Electric, solenoid data."""
HORN_SHARE = 1 / 3
"""Of the stall force a servo is used with (common practice)."""


def diode_for(coil_a: float) -> str:
    """The smallest ordinary diode that bears the coil's current."""
    return next((name for name, most_a in DIODES if coil_a <= most_a), "a larger diode")


@dataclass(frozen=True, slots=True, kw_only=True)
class Relay:
    """A signal relay between an output and the camera's socket."""

    supply_v: float = asked("Of the output: 5, 12 or 24.", low=1, high=60)
    coil_v: float = asked("Rated voltage of the coil.", low=1, high=60)
    coil_ohm: float = asked("Resistance of the coil.", low=1, high=100_000)
    coil_h: float = asked("Inductance of the coil (1.63, a 12 V signal relay).", 1.63, low=1e-4)
    contact: str = asked("Contact material.", "gold", choices=tuple(LEAST_MA))
    diode: str = asked("Across the coil.", "plain", choices=("none", "plain", "zener"))
    operate_ms: float = asked("Operate time, longest (5).", 5.0, high=1000)
    bounce_ms: float = asked("Bounce on closing (0.2).", 0.2, high=1000)
    line_ma: float = asked("The camera's line, closed (0.068).", 0.068, low=1e-6, high=1e5)
    min_hold_ms: float = asked("Shortest press the camera takes (50).", 50.0, high=60_000)
    hold_ms: float = asked("How long the output is on (200).", 200.0, high=60_000)
    pin_max_ma: float = asked("What the output may carry (0: unknown).", 0.0, high=1e5)

    def __post_init__(self) -> None:
        check_asked(self)


def advise_relay(relay: Relay) -> Wiring:
    """Series resistor, driver, diode, and what the relay adds to the lag and to the hold."""
    rated_a = relay.coil_v / relay.coil_ohm
    exact_ohm = max(0.0, (relay.supply_v - relay.coil_v) / rated_a)
    series_ohm = circuit.preferred_ohm(exact_ohm, circuit.E12, "down") if exact_ohm > 1 else 0.0
    coil_a = relay.supply_v / (relay.coil_ohm + series_ohm)
    coil_share = coil_a * relay.coil_ohm / relay.coil_v
    clamp_v = {"none": 0.7, "plain": 0.7, "zener": 0.7 + relay.supply_v}[relay.diode]
    fall_s = coils.coil_fall_s(relay.coil_h, relay.coil_ohm, coil_a, RELEASE * rated_a, clamp_v)
    lag_ms = relay.operate_ms + relay.bounce_ms
    hold_ms = max(lag_ms + relay.min_hold_ms, 5 * relay.bounce_ms, relay.hold_ms)
    series = f"{series_ohm:g} ohm in series" if series_ohm else "no series resistor"
    power_w = circuit.resistor_power_w(series_ohm, coil_a) if series_ohm else 0.0
    zener = ", with a zener of the supply's voltage in series" * (relay.diode == "zener")
    rating = f", {circuit.rating_for_w(power_w):g} W" if series_ohm else ""
    return Wiring(
        kind="relay",
        facts={
            "coil": f"{rated_a * 1000:.1f} mA at {relay.coil_v:g} V; {series}{rating}",
            "on": f"{coil_a * 1000:.1f} mA, {coil_share * 100:.0f} % of the rated voltage",
            "diode": f"{relay.diode}: {diode_for(coil_a)}, its bar to plus; the coil lets go in "
            f"{fall_s * 1000:.1f} ms{zener}",
            "contact": f"{relay.contact}: made for {LEAST_MA[relay.contact]:g} mA and more, the "
            f"camera gives {relay.line_ma:g} mA",
            "times": f"adds {lag_ms:.1f} ms of lag; hold at least {lag_ms + relay.min_hold_ms:.1f} "
            "ms",
        },
        steps=(*MEASURE, *_RELAY_STEPS),
        findings=tuple(_relay_findings(relay, coil_a, coil_share, lag_ms)),
        profile=(
            "[trigger]",
            'by = "pin"      # full on or off: a chopped output makes the relay chatter',
            f"hold_ms = {math.ceil(hold_ms)}",
            "[camera]",
            f"lag_ms = ...    # the camera's own lag, plus {math.ceil(lag_ms)} for the relay",
        ),
        cautions=RELAY,
        numbers={
            "series_ohm": series_ohm,
            "coil_ma": coil_a * 1000,
            "release_ms": fall_s * 1000,
            "lag_ms": lag_ms,
            "least_hold_ms": lag_ms + relay.min_hold_ms,
        },
    )


_RELAY_STEPS = (
    "Boards switch the minus side: coil and series resistor between plus and the output.",
    "A bare controller pin cannot drive a coil: N-MOSFET or NPN transistor, 100 kohm from gate to "
    "source, and the diode across the coil with its bar to plus.",
    "Contact to tip and sleeve of the camera's plug; two poles if focus must close too.",
    "Only the contact touches the camera: no common ground.",
    "Try it with the camera set aside: one click on, one off, no buzz.",
)


def _relay_findings(
    relay: Relay, coil_a: float, coil_share: float, lag_ms: float
) -> Iterator[Finding]:
    if coil_share < PICK_UP:
        yield Finding(
            "relay-weak",
            "coil",
            f"{coil_share * 100:.0f} % of the rated voltage: it must have "
            f"{PICK_UP * 100:.0f} % to close. Take a relay for the supply's voltage",
        )
    if coil_share > COIL_MOST:
        yield Finding(
            "relay-hot", "coil", f"{coil_share * 100:.0f} % of the rated voltage is too hot"
        )
    if relay.diode == "none":
        yield Finding(
            "no-diode",
            "coil",
            f"without a diode the coil's kick kills the output; {diode_for(coil_a)} across it, "
            "its bar to plus",
        )
    if relay.pin_max_ma and coil_a * 1000 > relay.pin_max_ma:
        yield Finding(
            "pin-overload",
            "output",
            f"{coil_a * 1000:.1f} mA is more than the output's {relay.pin_max_ma:g} mA; drive "
            "the coil through a transistor",
        )
    if relay.bounce_ms > MOST_BOUNCE_MS:
        text = (
            f"{relay.bounce_ms:g} ms of bounce: sound contacts take 1 to 10, so it is worn, weakly "
            "driven or misread, and the camera may fire twice. Measure it again, or take a signal "
            "or reed relay (0.2 to 1 ms); no capacitor across a camera's lines"
        )
        yield Finding("relay-bounce", "contact", text)
    yield from press_findings(relay.hold_ms, relay.bounce_ms)
    if relay.hold_ms < lag_ms + relay.min_hold_ms:
        yield Finding(
            "hold-short",
            "hold",
            f"{relay.hold_ms:g} ms, and the relay takes {lag_ms:.1f} of it: the camera wants "
            f"{relay.min_hold_ms:g}; hold {lag_ms + relay.min_hold_ms:.0f} ms or more",
        )
    yield from contact_findings(relay.contact, relay.line_ma)


@dataclass(frozen=True, slots=True, kw_only=True)
class Solenoid:
    """A solenoid as a finger."""

    supply_v: float = asked("Of the coil's supply.", low=1, high=60)
    coil_ohm: float = asked("Resistance of the coil, cold.", low=0.5, high=10_000)
    cont_w: float = asked("Power it bears for ever (its datasheet).", low=0.01, high=1000)
    pull_n: float = asked("Its force at the stroke you use, cold.", low=0.01, high=1000)
    need_n: float = asked("Force that presses the button (1).", 1.0, low=0.01, high=1000)
    hold_ms: float = asked("How long it is on (200).", 200.0, low=1, high=60_000)
    every_s: float = asked("Shortest time between two frames (10).", 10.0, low=0.1, high=1e5)
    supply_ma: float = asked("What the supply can give (0: unknown).", 0.0, high=1e5)
    diode: str = asked("Across the coil.", "plain", choices=("none", "plain", "reversed"))

    def __post_init__(self) -> None:
        check_asked(self)


def advise_solenoid(coil: Solenoid) -> Wiring:
    """Current, heat, duty and force of a solenoid, and its driver."""
    coil_a = coil.supply_v / coil.coil_ohm
    power_w = coil.supply_v * coil_a
    duty = min(1.0, coil.hold_ms / 1000 / coil.every_s)
    allowed = min(1.0, coil.cont_w / power_w)
    hot_n = coil.pull_n * coils.hot_force_share(HOT_K)
    store_f = coils.reservoir_f(power_w * coil.hold_ms / 1000, coil.supply_v, coil.supply_v * 2 / 3)
    return Wiring(
        kind="solenoid",
        facts={
            "coil": f"{coil_a:.2f} A, {power_w:.1f} W while on",
            "duty": f"{duty * 100:.1f} %, {power_w * duty:.2f} W on average; it bears "
            f"{allowed * 100:.0f} %",
            "force": f"{coil.pull_n:g} N cold, {hot_n:.2f} N hot; {coil.need_n:g} N are needed, "
            f"and {FORCE_MARGIN:g} times that is wanted",
            "diode": f"{diode_for(coil_a)} across the coil, its bar to plus",
            "reservoir": f"{store_f * 1e6:.0f} uF if the supply is weak",
        },
        steps=_SOLENOID_STEPS,
        findings=tuple(_solenoid_findings(coil, coil_a, duty, allowed, hot_n)),
        profile=(
            "[trigger]",
            'by = "pin"      # full on or off',
            f"hold_ms = {round(coil.hold_ms)}",
        ),
        cautions=FINGER,
        numbers={
            "coil_a": coil_a,
            "power_w": power_w,
            "duty": duty,
            "allowed_duty": allowed,
            "hot_n": hot_n,
            "reservoir_f": store_f,
        },
    )


_SOLENOID_STEPS = (
    "Use the last 2 to 4 mm of its stroke: the force falls with the square of the gap.",
    "Driver: logic-level N-MOSFET whose resistance is stated at the gate voltage you have; "
    "100 kohm gate to source, 100 to 220 ohm to the gate.",
    "Diode across the coil, its bar to plus. A supply of its own, a fuse of the coil's current.",
    "Most have no return spring: add one, and a soft tip.",
    "Ten presses at the print's fastest pace, then feel the coil: too hot to touch is too hot.",
)


def _solenoid_findings(
    coil: Solenoid, coil_a: float, duty: float, allowed: float, hot_n: float
) -> Iterator[Finding]:
    if duty > allowed:
        yield Finding(
            "coil-duty",
            "duty",
            f"{duty * 100:.0f} % of the time on, {allowed * 100:.0f} % are allowed: hold for "
            f"{allowed * coil.every_s * 1000:.0f} ms at most, or shoot less often",
        )
    if hot_n < FORCE_MARGIN * coil.need_n:
        yield Finding(
            "force-weak",
            "force",
            f"{hot_n:.2f} N hot is less than {FORCE_MARGIN:g} x {coil.need_n:g} N: a shorter "
            "gap, or a stronger coil",
        )
    if coil.supply_ma and coil_a * 1000 > coil.supply_ma:
        yield Finding(
            "supply-weak",
            "supply",
            f"{coil_a * 1000:.0f} mA is more than its {coil.supply_ma:g} mA: another supply, "
            "or the reservoir",
        )
    if coil.diode == "none":
        yield Finding("no-diode", "coil", "without a diode its kick kills the driver")
    if coil.diode == "reversed":
        yield Finding(
            "polarity",
            "diode",
            "a diode with its bar to minus shorts the supply through the driver: turn it round",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Servo:
    """A hobby servo as a finger."""

    press_deg: float = asked("Turn from off the button to on it (30).", 30.0, low=1, high=180)
    horn_mm: float = asked("Length of its horn (15).", 15.0, low=1, high=200)
    torque_kgf_cm: float = asked("Stall torque (1.8).", 1.8, low=0.01, high=100)
    s_per_60_deg: float = asked("Its speed, s for 60 degrees (0.12).", 0.12, low=0.01, high=5)
    need_n: float = asked("Force that presses the button (1).", 1.0, low=0.01, high=1000)
    hold_ms: float = asked("How long it presses (120).", 120.0, high=60_000)
    stall_ma: float = asked("Current when stalled (800).", 800.0, high=1e5)
    supply_ma: float = asked("What its supply can give (1000).", 1000.0, high=1e5)

    def __post_init__(self) -> None:
        check_asked(self)


def advise_servo(servo: Servo) -> Wiring:
    """Pulses, time, stroke and force of a servo, and the lines that turn it."""
    pulse_us = 1000 * coils.servo_pulse_ms(servo.press_deg)
    move_ms = 1000 * coils.servo_move_s(servo.press_deg, servo.s_per_60_deg)
    stall_n = coils.horn_force_n(servo.torque_kgf_cm, servo.horn_mm)
    held_ms = round(move_ms + servo.hold_ms)
    stroke_mm = servo.horn_mm * math.sin(math.radians(min(servo.press_deg, 90)))
    return Wiring(
        kind="servo",
        facts={
            "pulse": f"1500 us off the button, {pulse_us:.0f} us on it, 50 in a second",
            "time": f"{move_ms:.0f} ms at most, without load: lag",
            "stroke": f"{stroke_mm:.1f} mm at the horn's end",
            "force": f"{stall_n:.1f} N stalled; use {stall_n * HORN_SHARE:.1f} N or less",
            "supply": f"{servo.stall_ma:g} mA stalled; a 5 V supply of its own",
        },
        steps=_SERVO_STEPS,
        findings=tuple(_servo_findings(servo, stall_n)),
        profile=(
            "[trigger]",
            'by = "lines"',
            "pin = 0         # number of the servo",
            f'lines = ["M280 P0 S{90 + servo.press_deg:g}", "G4 P{held_ms}", "M280 P0 S90"]',
            "[camera]",
            f"lag_ms = ...    # the camera's own lag, plus {math.ceil(move_ms)} for the servo",
        ),
        cautions=FINGER,
        numbers={
            "pulse_us": pulse_us,
            "move_ms": move_ms,
            "stall_n": stall_n,
            "stroke_mm": stroke_mm,
        },
    )


_SERVO_STEPS = (
    "The lines are for firmware whose servo command is M280; docs/reference/triggers.md has those "
    "of other families. Try them by hand first.",
    "5 V, 1 A, not from the board's regulator; grounds joined, a 470 uF capacitor at the servo.",
    "Horn off the button at rest: a servo that pushes all the time hums and gets hot.",
    "Soft tip, so that a few degrees too far do no harm. On glass: a conductive disc of 6 to 8 mm, "
    "joined to the phone's own ground (its USB shell); 0.3 to 1 N, 80 to 150 ms.",
)


def _servo_findings(servo: Servo, stall_n: float) -> Iterator[Finding]:
    if servo.need_n > stall_n * HORN_SHARE:
        yield Finding(
            "force-weak",
            "force",
            f"{servo.need_n:g} N are more than a third of the {stall_n:.1f} N it stalls at: "
            f"a horn of {servo.horn_mm * stall_n * HORN_SHARE / servo.need_n:.0f} mm or less",
        )
    if servo.supply_ma < servo.stall_ma:
        yield Finding(
            "supply-weak",
            "supply",
            f"{servo.supply_ma:g} mA is less than the {servo.stall_ma:g} mA it stalls at: the "
            "servo resets in mid press",
        )
    if servo.press_deg > 90:
        yield Finding(
            "servo-turn",
            "turn",
            f"{servo.press_deg:g} degrees are past a 90 degree servo; a longer horn turns less",
        )
