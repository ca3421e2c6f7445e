"""Checked numbers in, JSON-ready values out: what all advice records share."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from typing import Any

from capturehook.errors import CaptureHookError, Where


def as_plain(value: Any) -> Any:
    """Records to nested dicts; what is not finite becomes None (JSON has no infinity)."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: as_plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, (tuple, list)):
        return [as_plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def check_number(name: str, value: float, low: float, high: float) -> None:
    """Refuse a number outside its range, both ends within it.

    Raises
    ------
    CaptureHookError
        Names the number, as the option or profile key is called, and the range.
    """
    if low <= value <= high:
        return
    raise CaptureHookError(
        Where(name),
        f"{value:g} is out of range",
        f"Give a number from {_written(low)} to {_written(high)}",
    )


def _written(value: float) -> str:
    """A bound as people write it: 0.0001 and 1000000, without exponent."""
    return f"{value:.9f}".rstrip("0").rstrip(".")
