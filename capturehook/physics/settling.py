"""How a shaken part, head or tripod comes to rest: the damped oscillator.

In: frequency_hz (as measured), damping (share of critical, 0 < damping < 1), amplitudes in
mm. Out: seconds or mm. Imports nothing of ours. ValueError for numbers without meaning.
"""

from __future__ import annotations

import math
from collections.abc import Sequence


def amplitude_mm(start_mm: float, frequency_hz: float, damping: float, after_s: float) -> float:
    """Envelope of the swing after a time.

    Source: A0 e^(-zeta w t), w = 2 pi f; textbook vibration (e.g. Den Hartog, Mechanical
    Vibrations, chapter 2).
    """
    _checked(frequency_hz, damping)
    return start_mm * math.exp(-damping * 2 * math.pi * frequency_hz * after_s)


def settle_time_s(start_mm: float, still_mm: float, frequency_hz: float, damping: float) -> float:
    """Until the swing is below ``still_mm``; zero when it never was above.

    Source: ln(A0/eps)/(zeta w), textbook; with 1/50 left it is the "2 % rule" 3.91/(zeta w).
    """
    _checked(frequency_hz, damping)
    if not (start_mm > 0 and still_mm > 0):
        raise ValueError("start_mm and still_mm must be more than 0")
    return max(0.0, math.log(start_mm / still_mm) / (damping * 2 * math.pi * frequency_hz))


def log_decrement(damping: float) -> float:
    """ln of one peak over the next. Source: 2 pi zeta/sqrt(1 - zeta^2), textbook."""
    _checked(1.0, damping)
    return 2 * math.pi * damping / math.sqrt(1 - damping**2)


def damping_from_peaks(first: float, last: float, cycles: int = 1) -> float:
    """Damping from two peaks of the same sign, ``cycles`` apart.

    Source: D = ln(x0/xm)/m, zeta = D/sqrt(4 pi^2 + D^2), textbook.
    """
    if not first > last > 0 or cycles < 1:
        raise ValueError("peaks must fall, be more than 0 and lie at least one cycle apart")
    decrement = math.log(first / last) / cycles
    return decrement / math.hypot(2 * math.pi, decrement)


def start_amplitude_mm(accel_mm_s2: float, frequency_hz: float) -> float:
    """Lag of a springy part under a steady acceleration.

    Source: quasi-static deflection a/w^2 (Hooke and Newton, textbook). A stop that ends in
    a step can leave up to twice that: superposition of two steps in the worst phase.
    """
    _checked(frequency_hz, 0.5)
    return accel_mm_s2 / (2 * math.pi * frequency_hz) ** 2


def ringing_frequency_hz(speed_mm_s: float, waves: float, distance_mm: float) -> float:
    """Frequency from the ripples a sharp corner leaves on a wall.

    Source: waves over the time the nozzle takes for them, f = v n/d; the form is also in
    the Klipper documentation, Resonance compensation.
    """
    if not (speed_mm_s > 0 and waves > 0 and distance_mm > 0):
        raise ValueError("speed_mm_s, waves and distance_mm must be more than 0")
    return speed_mm_s * waves / distance_mm


def swing_mm(amplitude_mm: float, frequency_hz: float, exposure_s: float) -> float:
    """Largest path within an exposure at steady amplitude: what smears.

    Source: peak to peak of a sine in a window centred on its steepest point, 2 A sin(pi f t),
    and all of 2 A once the window holds half a wave (trigonometry).
    """
    _checked(frequency_hz, 0.5)
    return 2 * amplitude_mm * math.sin(min(math.pi / 2, math.pi * frequency_hz * exposure_s))


def settle_together_s(
    shakes: Sequence[tuple[float, float, float]], exposure_s: float, allowed_mm: float
) -> float:
    """Shortest wait after which all shakes together smear no more than ``allowed_mm``.

    ``shakes`` are (start_mm, frequency_hz, damping). Their paths are added, the worst case
    of swings in step.

    Source: :func:`amplitude_mm` and :func:`swing_mm`; the sum only falls, so it is halved in.
    """
    if not allowed_mm > 0:
        raise ValueError("allowed_mm must be more than 0")

    def left_mm(after_s: float) -> float:
        return sum(
            swing_mm(amplitude_mm(start, hertz, damping, after_s), hertz, exposure_s)
            for start, hertz, damping in shakes
        )

    if left_mm(0) <= allowed_mm:
        return 0.0
    low_s, high_s = 0.0, 0.01
    while left_mm(high_s) > allowed_mm:
        low_s, high_s = high_s, high_s * 2
    for _ in range(50):
        middle_s = (low_s + high_s) / 2
        low_s, high_s = (middle_s, high_s) if left_mm(middle_s) > allowed_mm else (low_s, middle_s)
    return high_s


def zero_vibration_impulses(frequency_hz: float, damping: float) -> tuple[float, float, float]:
    """(first share, second share, delay_s) of the two-impulse input shaper.

    Source: K = e^(-zeta pi/sqrt(1 - zeta^2)), shares 1/(1+K) and K/(1+K), half a damped
    period apart; Singer and Seering 1990; the form in the Klipper source, shaper_defs. The
    delay is added to the end of every move that is shaped.
    """
    _checked(frequency_hz, damping)
    root = math.sqrt(1 - damping**2)
    ratio = math.exp(-damping * math.pi / root)
    return 1 / (1 + ratio), ratio / (1 + ratio), 0.5 / (frequency_hz * root)


def _checked(frequency_hz: float, damping: float) -> None:
    if not (frequency_hz > 0 and math.isfinite(frequency_hz)):
        raise ValueError(f"frequency_hz must be more than 0, not {frequency_hz}")
    if not 0 < damping < 1:
        raise ValueError(f"damping must be between 0 and 1, not {damping}")
