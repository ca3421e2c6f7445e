"""A polite end when somebody stops us: clean up as after any fault, then leave."""

from __future__ import annotations

import os
import signal
from contextlib import suppress
from types import FrameType
from typing import NoReturn, TextIO

TOLD = b"Stopped; no file is left half-written.\n"


def heed_stops() -> None:
    """SIGTERM and SIGHUP end the program by way of its clean-up, with exit code 128 + number.

    Left alone where somebody has set another answer, and outside the main thread.
    """
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)  # Windows knows no SIGHUP
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            with suppress(ValueError):
                signal.signal(number, _stop)


def hush(stream: TextIO | None) -> None:
    """Point a stream that cannot be written at nothing, so that Python does not try again."""
    with suppress(OSError, ValueError):
        if stream is not None:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _stop(number: int, _: FrameType | None) -> NoReturn:
    with suppress(OSError):
        os.write(2, TOLD)
    raise SystemExit(128 + number)
