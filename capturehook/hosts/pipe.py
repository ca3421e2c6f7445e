"""Pipe: the job comes in on standard input and goes out on standard output."""

from __future__ import annotations

import sys

from capturehook.errors import of_the_system
from capturehook.files import read_pipe
from capturehook.hosts.door import pose_file
from capturehook.hosts.plans import final_path
from capturehook.hosts.run import (
    WHOLE,
    final_name,
    given_words,
    guarded,
    profile_named,
    tell,
    words_of,
)
from capturehook.hosts.stop import hush
from capturehook.hosts.summary import Posing, keep_told, tell_summary

IN, OUT = "standard input", "standard output"


def read_input() -> bytes:
    """All of standard input.

    Raises
    ------
    FileError
        It is closed, or cannot be read.
    """
    try:
        if sys.stdin is None:
            raise OSError("it is closed")
        return read_pipe(sys.stdin.buffer, IN)
    except OSError as fault:
        raise of_the_system(fault, "read", IN, "Pipe the job in") from fault


def write_output(data: bytes) -> None:
    """All of ``data`` to standard output.

    Raises
    ------
    FileError
        It is closed, or its reader went away.
    """
    try:
        if sys.stdout is None:
            raise OSError("it is closed")
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    except OSError as fault:
        hush(sys.stdout)
        raise of_the_system(fault, "written", OUT, "Look at its reader") from fault


def main(argv: list[str] | None = None) -> int:
    """`-p PROFILE < JOB > OUT`; nothing is written unless all went well."""
    return guarded(lambda: _run(argv))


def _run(argv: list[str] | None) -> int:
    words = words_of("pipe", "Put pose blocks into the job on standard input.", WHOLE)
    given = given_words(words, argv)
    profile = profile_named(given.profile)
    change = Posing(profile, skip_unsafe=given.skip_unsafe, is_whole=given.whole)
    name = final_name(IN)
    written = pose_file(read_input(), name, change)
    write_output(written.data)
    tell_summary(name, change.done, keep_told(name, change.done, final_path(), given.plan_to))
    for text in written.notes:
        tell(f"{name}: {text}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
