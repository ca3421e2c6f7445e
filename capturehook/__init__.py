"""capturehook: film your own 3D prints, from the sliced job to the finished film.

The public door: `apply`, `inspect`, `plan`, `strip`, `audit`, `assemble`, `load_profile`.
Each is imported when first asked for, since a slicing host waits for us.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # what the doors below lead to, for type checkers
    from capturehook.api import apply, assemble, audit, inspect, plan, strip
    from capturehook.errors import CaptureHookError
    from capturehook.film.wishes import FilmWishes
    from capturehook.profile import load_profile

__version__ = "0.2.0"
_DOORS = {
    "apply": "capturehook.api",
    "inspect": "capturehook.api",
    "plan": "capturehook.api",
    "strip": "capturehook.api",
    "audit": "capturehook.api",
    "assemble": "capturehook.api",
    "load_profile": "capturehook.profile",
    "FilmWishes": "capturehook.film.wishes",
    "CaptureHookError": "capturehook.errors",
}
__all__ = [
    "CaptureHookError",
    "FilmWishes",
    "apply",
    "assemble",
    "audit",
    "inspect",
    "load_profile",
    "plan",
    "strip",
]


def __getattr__(name: str) -> Any:
    if name not in _DOORS:
        raise AttributeError(f"module 'capturehook' has no attribute {name!r}")
    return getattr(import_module(_DOORS[name]), name)


class _AlsoADoor(ModuleType):
    """A stage of the same name as a door (`plan`): the stage, and it can be called."""

    def __call__(self, *words: Any, **more: Any) -> Any:
        return __getattr__(self.__name__.rpartition(".")[2])(*words, **more)


class _Package(ModuleType):
    """Python sets a stage's module here as soon as anything in it is imported."""

    def __setattr__(self, name: str, value: Any) -> None:
        if name in _DOORS and isinstance(value, ModuleType):
            value.__class__ = _AlsoADoor
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
