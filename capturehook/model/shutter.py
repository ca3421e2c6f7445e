"""Exposure times: what a camera marks, and how long its shutter is really open."""

from __future__ import annotations

import math

SHUTTERS = (
    *("1/500", "1/400", "1/320", "1/250", "1/200", "1/160", "1/125", "1/100", "1/80"),
    *("1/60", "1/50", "1/40", "1/30", "1/25", "1/20", "1/15", "1/13", "1/10", "1/8"),
    *("1/6", "1/5", "1/4", "0.3", "0.4", "0.5", "0.6", "0.8", "1", "1.3", "1.6", "2"),
    *("2.5", "3.2", "4", "5", "6", "8", "10", "13", "15", "20", "25", "30"),
)
"""Third-stop exposure times as they are marked, in seconds (common practice)."""

MARK_SLACK = 0.02
"""A time this near to a mark (as a share of it) is that mark: 17 ms is 1/60 s."""


def shutter_seconds(marked: str) -> float:
    """ "1/60" or "0.5" -> the seconds that are marked.

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


_MARKS_S = tuple(shutter_seconds(one) for one in SHUTTERS)


def true_shutter_s(marked_s: float) -> float:
    """How long the shutter is open at a marked time: 1/60 is 1/64 s, 30 s is 32 s.

    A time that is no third-stop mark (bulb, a phone's own figure) is returned as it is.

    Source: APEX, Tv = -log2 t with third stops n/3, so t = 2^(n/3) with n = round(3 log2 t);
    the marks are rounded values of it (D. Kerr, "APEX", 2007).
    """
    near = min(_MARKS_S, key=lambda mark_s: abs(mark_s - marked_s))
    if abs(near - marked_s) > MARK_SLACK * near:
        return marked_s
    return float(2.0 ** (round(3 * math.log2(near)) / 3))


def shutter_text(seconds: float) -> str:
    """Seconds as people write them: 1/60 s, 0.5 s, 2 s."""
    if seconds >= 0.29:
        return f"{seconds:.3g} s"
    return f"1/{1 / seconds:.3g} s"
