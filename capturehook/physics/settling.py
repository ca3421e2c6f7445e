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


def _checked(frequency_hz: float, damping: float) -> None:
    if not (frequency_hz > 0 and math.isfinite(frequency_hz)):
        raise ValueError(f"frequency_hz must be more than 0, not {frequency_hz}")
    if not 0 < damping < 1:
        raise ValueError(f"damping must be between 0 and 1, not {damping}")
