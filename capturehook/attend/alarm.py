"""The program that calls a person: started with an argument list, never through a shell.

It gets the code and the text as its last two arguments and in its environment. A program that
hangs is ended, one that fails is told of; the watching goes on in any case.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from capturehook.attend.events import Event
from capturehook.errors import CaptureHookError, escaped

LONGEST_S = 30.0
MOST_AT_ONCE = 4
MOST_LETTERS = 500
LEAVE_S = 5.0
SHELL_ENDINGS = (".bat", ".cmd")


@dataclass
class Alarm:
    """A command and the calls of it that still run.

    Raises
    ------
    CaptureHookError
        There is no such program, or it is one that only a shell can run.
    """

    command: Sequence[str]
    now: Callable[[], float] = time.monotonic
    running: list[tuple[subprocess.Popen[bytes], float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.command:
            return
        found = shutil.which(self.command[0])
        if found is None:
            raise CaptureHookError(
                "--alarm", f"there is no program {self.command[0]!r}", "Give its full path"
            )
        if found.lower().endswith(SHELL_ENDINGS):
            raise CaptureHookError(
                "--alarm",
                f"{self.command[0]!r} is a batch file, which only a shell can run",
                "Name a program",
            )

    def call(self, event: Event) -> str | None:
        """Start the program for an event; what went wrong, or None."""
        if not self.command:
            return None
        self.tend()
        if len(self.running) >= MOST_AT_ONCE:
            return f"the alarm was not started: {MOST_AT_ONCE} of it still run"
        text = escaped(str(event))[:MOST_LETTERS]
        given = {
            "CAPTUREHOOK_CODE": event.code,
            "CAPTUREHOOK_TEXT": text,
            "CAPTUREHOOK_POSE": "" if event.pose is None else str(event.pose),
        }
        try:
            process = subprocess.Popen(
                [*self.command, event.code, text],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env={**os.environ, **given},
                start_new_session=True,
            )
        except (OSError, ValueError) as fault:
            return f"the alarm cannot be started: {getattr(fault, 'strerror', None) or fault}"
        self.running.append((process, self.now()))
        return None

    def tend(self) -> list[str]:
        """End what hangs; a sentence for each call that failed since."""
        said = []
        still = []
        for process, began_s in self.running:
            code = process.poll()
            if code is None and self.now() - began_s > LONGEST_S:
                _end(process)
                said.append(f"the alarm ran for over {LONGEST_S:.0f} s and was ended")
            elif code is None:
                still.append((process, began_s))
            elif code:
                said.append(f"the alarm failed with code {code}")
        self.running = still
        return said

    def leave(self) -> None:
        """Give what still runs a moment, then end it."""
        until_s = time.monotonic() + LEAVE_S
        for process, _ in self.running:
            with suppress(subprocess.TimeoutExpired):
                process.wait(max(0.0, until_s - time.monotonic()))
            if process.poll() is None:
                _end(process)
        self.running = []


def _end(process: subprocess.Popen[bytes]) -> None:
    """The program and what it started."""
    with suppress(OSError):
        if hasattr(os, "killpg"):
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    with suppress(subprocess.TimeoutExpired):
        process.wait(1.0)
