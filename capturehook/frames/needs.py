"""The optional libraries of this stage, or one clear error that says how to get them."""

from __future__ import annotations

import ctypes
import warnings
from contextlib import suppress
from functools import lru_cache
from importlib import import_module
from typing import Any

from capturehook.errors import FrameError
from capturehook.extras import install_command

MAX_PIXELS = 250_000_000
"""Larger pictures are refused as bombs; no camera for this job comes near."""
ARENA_MAX, MMAP_THRESHOLD, TRIM_THRESHOLD = -8, -3, -1  # as glibc's malloc.h numbers them
OWN_PAGES_BYTES, SPARE_BYTES = 8 << 20, 64 << 20


class MissingLibraryError(FrameError):
    """An optional library that this work needs is not there."""


def need(module: str, what_for: str, extra: str = "video") -> Any:
    """Import ``module``.

    Raises
    ------
    MissingLibraryError
        It is not installed; says what to install.
    """
    try:
        return import_module(module)
    except ImportError as fault:
        raise MissingLibraryError(
            module,
            f"is not installed (or cannot start: {fault}), and {what_for} needs it",
            f"Install it with: {install_command(extra)}",
        ) from fault


def pillow() -> Any:
    """The `PIL.Image` module, with its limit on picture size set for cameras."""
    image = need("PIL.Image", "reading and drawing pictures")
    if image.MAX_IMAGE_PIXELS is None or image.MAX_IMAGE_PIXELS < MAX_PIXELS:
        image.MAX_IMAGE_PIXELS = MAX_PIXELS
    # What it says of damaged fields: a picture that cannot be used gets a verdict of ours.
    warnings.filterwarnings("ignore", category=UserWarning, module=r"PIL\.")
    return image


def pyav() -> Any:
    """The `av` module."""
    return need("av", "writing a film")


@lru_cache(maxsize=1)
def opencv() -> Any:
    """The `cv2` module, told to use one thread: frames are worked on side by side."""
    cv = need("cv2", "aligning frames")
    cv.setNumThreads(1)
    return cv


def keep_memory_low() -> None:
    """Have glibc give pictures back to the system once they are done with; elsewhere nothing.

    Holds for the whole process, so only commands call it, before they start threads. Without it
    each thread keeps the holes that its pictures left: a quarter more memory. What is spared from
    giving back is taken again for the next picture: less would cost a twentieth more CPU.
    Source: mallopt(3) of the Linux manual pages.
    """
    with suppress(OSError, AttributeError, TypeError):  # another C library, or none to be had
        set_option = ctypes.CDLL(None).mallopt
        set_option(ARENA_MAX, 1)
        set_option(MMAP_THRESHOLD, OWN_PAGES_BYTES)
        set_option(TRIM_THRESHOLD, SPARE_BYTES)


def give_memory_back() -> None:
    """What a pass left free in between goes back to the system, where :func:`keep_memory_low` can.
    Source: malloc_trim(3)."""
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
