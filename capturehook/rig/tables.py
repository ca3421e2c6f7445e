"""Numbers printed on cameras and lenses, and usual light levels."""

from __future__ import annotations

import math
from typing import Literal

SENSOR_FORMATS_MM = (
    (36.0, 24.0),
    (23.5, 15.6),
    (22.3, 14.9),
    (17.3, 13.0),
    (13.2, 8.8),
    (7.6, 5.7),
    (6.17, 4.55),
    (5.6, 4.2),
)
"""Usual sensors, width and height (common practice, no source)."""

STOPS = (
    *(1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0),
    *(5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0),
    *(25.0, 29.0, 32.0, 36.0, 40.0, 45.0, 51.0, 57.0, 64.0, 72.0, 81.0, 90.0),
)
"""Third stops as they are marked (common practice; rounded powers of 2^(1/6))."""

SHUTTERS = (
    *("1/500", "1/400", "1/320", "1/250", "1/200", "1/160", "1/125", "1/100", "1/80"),
    *("1/60", "1/50", "1/40", "1/30", "1/25", "1/20", "1/15", "1/13", "1/10", "1/8"),
    *("1/6", "1/5", "1/4", "0.3", "0.4", "0.5", "0.6", "0.8", "1", "1.3", "1.6", "2"),
    *("2.5", "3.2", "4", "5", "6", "8", "10", "13", "15", "20", "25", "30"),
)
"""Third-stop exposure times as they are marked, in seconds (common practice)."""

LightName = Literal["dim", "room", "lit", "daylight"]
LIGHT_EV100: dict[LightName, tuple[float, float]] = {
    "dim": (3.0, 5.0),
    "room": (5.0, 8.0),
    "lit": (8.0, 10.0),
    "daylight": (10.0, 12.0),
}
"""EV at ISO 100: a dim room, a lit room, a printer with its own lamp, near a window by day
(common practice, no source; a meter beats all of them)."""


def shutter_seconds(marked: str) -> float:
    """ "1/60" or "0.5" -> seconds.

    Raises
    ------
    ValueError
        It is neither.
    """
    top, slash, bottom = marked.strip().removesuffix("s").strip().partition("/")
    seconds = float(top) / float(bottom) if slash and float(bottom) else float(top)
    if (slash and not float(bottom)) or not 0 < seconds < math.inf:
        raise ValueError(f"{marked!r} is not an exposure time")
    return seconds


def shutter_text(seconds: float) -> str:
    """Seconds as a camera would show them: 1/60 s, 0.5 s, 2 s."""
    if seconds >= 0.29:
        return f"{seconds:.3g} s"
    return f"1/{1 / seconds:.3g} s"
