"""Numbers as text: for a controller (fixed decimals, no exponent, no minus zero), for people."""

from __future__ import annotations

import math


def fixed(value: float, places: int = 3) -> str:
    """A number as a controller reads it: `8`, `215.25`, `-0.8`; never `1e-05` or `-0`.

    Rounded to ``places`` decimals (0 to 4), trailing zeros left out.

    Raises
    ------
    ValueError
        Infinity, NaN, or more decimals than every firmware reads.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be written into a job")
    if not 0 <= places <= 4:
        raise ValueError(f"{places} decimals: 0 to 4 are written")
    text = f"{value:.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def exact(value: float) -> str:
    """A number with the fewest decimals (at most nine) that give it back to 1e-9.

    Used for what the job itself wrote, so that a block puts back the job's own number.

    Raises
    ------
    ValueError
        Infinity or NaN.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be written into a job")
    for places in (3, 5, 9):
        text = f"{value:.{places}f}"
        if abs(float(text) - value) <= 1e-9:
            break
    text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def duration(seconds: float) -> str:
    """3725 -> '1 h 02 min 05 s'; under a minute with tenths."""
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min {rest:02d} s" if hours else f"{minutes} min {rest:02d} s"


def ordinal(number: int) -> str:
    """1 -> '1st', 12 -> '12th'."""
    if number % 100 in (11, 12, 13):
        return f"{number}th"
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th') }"
