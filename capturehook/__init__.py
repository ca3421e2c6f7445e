"""capturehook: film your own 3D prints, from the sliced job to the finished film.

The public door: `apply`, `inspect`, `plan`, `strip`, `audit`, `assemble`, `load_profile`.
Each is imported when first asked for, since a slicing host waits for us.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"
_DOORS = {
    "apply": "capturehook.api",
    "inspect": "capturehook.api",
    "plan": "capturehook.api",
    "strip": "capturehook.api",
    "audit": "capturehook.api",
    "assemble": "capturehook.api",
    "load_profile": "capturehook.profile",
    "CaptureHookError": "capturehook.errors",
}
__all__ = ["CaptureHookError", "apply", "assemble", "audit", "inspect", "load_profile", "plan", "strip"]  # noqa: F822


def __getattr__(name: str) -> Any:
    if name not in _DOORS:
        raise AttributeError(f"module 'capturehook' has no attribute {name!r}")
    return getattr(import_module(_DOORS[name]), name)
