"""What each line of a block may hold: its text, before the block is put into the job.

What the lines do is judged in the output itself, by the witness (`block/witness.py`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from capturehook.catalog.triggers.own_lines import harm_of
from capturehook.errors import ProofError
from capturehook.model.profile import Profile
from capturehook.read.words import WordError, read_commands

MAX_COMMAND, MAX_LINE = 80, 120
ALLOWED_MOTION = frozenset({"G0", "G1", "G4", "G90", "G91", "G92", "M82", "M83", "G10", "G11"})


_PLAIN = re.compile(r"G1(?: [XYZEAF]-?[0-9]+(?:\.[0-9]+)?)+")


def check_text(profile: Profile, pose: int, lines: Sequence[str]) -> None:
    """Check one block's lines.

    Raises
    ------
    ProofError
        A line is too long, holds what is no word, or touches what a block must not.
    """
    for line in lines:
        if len(line) <= MAX_COMMAND and _PLAIN.fullmatch(line):
            continue  # nothing but motion, every word a number
        fault = _fault_of(line, tuple(profile.trigger.allow))
        if fault is not None:
            text = f"{line!r} {fault}"
            advice = "Nothing was written; please report this with the job"
            raise ProofError(f"pose {pose}", text, advice)


@lru_cache(maxsize=256)
def _fault_of(line: str, allow: tuple[str, ...]) -> str | None:
    """What is wrong with a line; few lines of blocks differ but by their motion."""
    if (
        len(line) > MAX_LINE
        or len(line.split(";", 1)[0].rstrip()) > MAX_COMMAND
        or not line.isascii()
    ):
        return "is longer than every firmware reads, or not ASCII"
    try:
        commands = read_commands(line.encode("ascii"), several="in turn")
    except WordError as fault:
        return f"holds {fault.found!r}, which is no number"
    allowed = {one.upper() for one in allow}
    for command in commands:
        code = command.code
        harm = "heaters" if code == "G10" and command.words else harm_of(code)
        if harm and code not in allowed and (code not in ALLOWED_MOTION or harm == "heaters"):
            return f"touches {harm}"
    return None
