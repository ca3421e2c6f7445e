"""Formulas with their sources; nothing here knows of jobs, profiles or files."""

from __future__ import annotations

import math


def positive(**values: float) -> None:
    """Raise ValueError for a number that is not above 0 and finite; tells its name."""
    for name, value in values.items():
        if not (value > 0 and math.isfinite(value)):
            raise ValueError(f"{name} must be more than 0, not {value}")
