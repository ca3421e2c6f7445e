"""What is done step by step, for `--verbose` and for whoever looks for a fault.

Nothing is said unless somebody listens.
"""

from __future__ import annotations

from collections.abc import Callable

LISTENERS: list[Callable[[str], None]] = []


def step(text: str) -> None:
    """Tell the listeners of one step: what was read, chosen or written."""
    for listener in LISTENERS:
        listener(text)
