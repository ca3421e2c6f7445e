"""Relays, solenoids, servos, timers and headset resistors: what fires a camera or a phone.

In and out: ohm, volt, ampere as ``_a``, henry as ``_h``, farad as ``_f``, seconds. Imports
nothing of ours. ValueError for numbers without meaning.
"""

from __future__ import annotations

import math

COPPER_PER_K = 0.00393
"""Change of copper's resistance with temperature, of its value at 20 degC (IEC 60028)."""
LEVEL = 1.1
"""A 555 monostable runs for ln 3 = 1.0986 time constants, in datasheets 1.1."""
STANDARD_GRAVITY = 9.80665
"""m/s2 (CGPM 1901): turns kgf cm into N cm."""


def headset_resistor_ohm(wanted_ohm: float, mic_ohm: float) -> float:
    """Resistor that makes ``wanted_ohm`` together with the microphone beside it.

    Source: Android "3.5 mm headset: accessory specification", Rn = Rmic Req/(Rmic - Req).
    """
    if not 0 <= wanted_ohm < mic_ohm:
        raise ValueError("mic_ohm must be more than wanted_ohm")
    return mic_ohm * wanted_ohm / (mic_ohm - wanted_ohm)


def seen_through_drop_ohm(
    button_ohm: float, drop_v: float, bias_v: float = 2.2, bias_ohm: float = 2200.0
) -> float:
    """What a phone takes a button for that is closed by a part with a voltage drop.

    Source: Kirchhoff, with the bias of 2.2 V through 2.2 kohm by which the same specification
    measures: V = Vd + (Vb - Vd) R/(Rb + R), read as Rb V/(Vb - V).
    """
    line_v = drop_v + (bias_v - drop_v) * button_ohm / (bias_ohm + button_ohm)
    return bias_ohm * line_v / (bias_v - line_v)


def coil_fall_s(
    inductance_h: float, coil_ohm: float, start_a: float, end_a: float, clamp_v: float
) -> float:
    """Time in which a coil's current falls through its diode (clamp 0.7 V, with a zener more).

    Source: RL decay against a constant voltage, tau ln((I0 + V/R)/(I1 + V/R)).
    """
    if not (start_a > end_a > 0 and inductance_h > 0 and coil_ohm > 0 and clamp_v >= 0):
        raise ValueError("the current must fall, and coil and clamp be more than 0")
    shift_a = clamp_v / coil_ohm
    return inductance_h / coil_ohm * math.log((start_a + shift_a) / (end_a + shift_a))


def hot_share(rise_k: float) -> float:
    """Resistance of a warm coil over that at 20 degC. Source: 1 + alpha dT, copper."""
    return 1 + COPPER_PER_K * rise_k


def hot_force_share(rise_k: float) -> float:
    """Force left to a warm coil at constant voltage, iron unsaturated. Source: F ~ I^2."""
    return 1 / hot_share(rise_k) ** 2


def reservoir_f(energy_j: float, full_v: float, empty_v: float) -> float:
    """Capacitor that gives an energy between two voltages. Source: E = C (V1^2 - V2^2)/2."""
    if not 0 <= empty_v < full_v:
        raise ValueError("full_v must be more than empty_v")
    return 2 * energy_j / (full_v**2 - empty_v**2)


def servo_pulse_ms(angle_deg: float) -> float:
    """Pulse of a hobby servo, 0 in its middle. Source: 1 to 2 ms for 90 degrees, the trade's
    convention; many turn 180 degrees for 0.5 to 2.5 ms, which is the same slope."""
    return 1.5 + angle_deg / 90


def servo_move_s(angle_deg: float, s_per_60_deg: float) -> float:
    """Time of a turn without load. Source: datasheet speed, and one frame of 50 Hz at most."""
    return abs(angle_deg) / 60 * s_per_60_deg + 0.02


def horn_force_n(torque_kgf_cm: float, arm_mm: float) -> float:
    """Force at the end of a horn, stalled. Source: torque over arm."""
    if not arm_mm > 0:
        raise ValueError("arm_mm must be more than 0")
    return torque_kgf_cm * STANDARD_GRAVITY * 10 / arm_mm


def one_shot_s(resistor_ohm: float, capacitor_f: float) -> float:
    """Time of a 555 as a monostable. Source: TLC555 datasheet, t = 1.1 R C."""
    return LEVEL * resistor_ohm * capacitor_f


def largest_timing_ohm(supply_v: float, leak_a: float, factor: float = 10.0) -> float:
    """Largest resistor that charges a leaking capacitor to 2/3 of the supply in good time.

    Source: the current left at 2/3 V is (V/3)/R; ``factor`` times the leak is common practice.
    """
    return supply_v / 3 / (factor * leak_a)


def hysteresis_v(supply_v: float, input_ohm: float, feedback_ohm: float) -> float:
    """Width of a comparator's hysteresis, output rail to rail. Source: divider, V R1/(R1 + Rf)."""
    return supply_v * input_ohm / (input_ohm + feedback_ohm)
