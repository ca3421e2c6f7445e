"""A slow reader of run.gcode, written apart from `commands.py`: the proof of inserted blocks.

It follows one line after the other, since its use is to check the fast reader.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from capturehook.errors import ProofError
from capturehook.jobfile.fence import strip_bytes

SAME_MM = 1e-4
_PIECE = re.compile(rb"([A-Za-z])\s*([-+0-9.]*)")


@dataclass(frozen=True, slots=True)
class PlateState:
    """What a line of the job can change."""

    z_mm: float = 0.0
    feed_mm_min: float = 0.0
    relative: bool = False
    lamp: float = 0.0
    inches: bool = False


def follow(state: PlateState, line: bytes) -> PlateState:
    """The machine after one line; lines that it does not know change nothing."""
    code, words = _split(line)
    if code in ("G0", "G1"):
        state = replace(state, feed_mm_min=words.get("F", state.feed_mm_min))
        if "Z" in words:
            base = state.z_mm if state.relative else 0.0
            state = replace(state, z_mm=base + words["Z"])
    elif code == "G92" and "Z" in words:
        state = replace(state, z_mm=words["Z"])
    elif code == "G28" and ("Z" in words or not words):
        state = replace(state, z_mm=0.0)
    elif code in ("G90", "G91"):
        state = replace(state, relative=code == "G91")
    elif code in ("G20", "G21"):
        state = replace(state, inches=code == "G20")
    elif code == "M106":
        state = replace(state, lamp=words.get("S", 255.0))
    elif code == "M107":
        state = replace(state, lamp=0.0)
    return state


def _split(line: bytes) -> tuple[str, dict[str, float]]:
    """b'G00 Z5.05 F60;' -> ('G0', {'Z': 5.05, 'F': 60.0})."""
    pieces = [(key.decode().upper(), value) for key, value in _PIECE.findall(line.split(b";")[0])]
    if pieces and pieces[0][0] == "N":
        pieces = pieces[1:]
    if not pieces or pieces[0][0] not in "GM" or not pieces[0][1].isdigit():
        return "", {}
    words = {key: float(value) if value else 0.0 for key, value in pieces[1:] if _is_number(value)}
    return f"{pieces[0][0]}{int(pieces[0][1])}", words


def _is_number(value: bytes) -> bool:
    try:
        float(value or b"0")
    except ValueError:
        return False
    return True


def prove_posed(plain: bytes, posed: bytes, where: str, blocks: int, z_max_mm: float) -> None:
    """Check that blocks took nothing away and leave the machine as they found it.

    Raises
    ------
    ProofError
        Bytes outside blocks differ; or within a block the lamp is on, the plate leaves
        [its height at the block's begin, the machine's top], or a state is not put back.
    """
    if strip_bytes(posed, where) != plain:
        raise _failed(where, "taking the blocks out does not give the job back")
    state = PlateState()
    before: PlateState | None = None
    closed = 0
    for line_no, line in enumerate(re.split(rb"\r\n|\n|\r", posed), start=1):
        if re.match(rb"; capturehook pose \d+ begin", line):
            before = state
        state = follow(state, line)
        if before is not None:
            _check_within(state, before, z_max_mm, f"{where}:{line_no}")
        if before is not None and re.match(rb"; capturehook pose \d+ end", line):
            _check_restored(state, before, f"{where}:{line_no}")
            before = None
            closed += 1
    if before is not None or closed != blocks:
        raise _failed(where, f"{closed} blocks were found where {blocks} were put in")


def _check_within(state: PlateState, before: PlateState, z_max_mm: float, where: str) -> None:
    if state.lamp > 0:
        raise _failed(where, "the lamp is on inside a block")
    if not before.z_mm - SAME_MM <= state.z_mm <= z_max_mm + SAME_MM:
        raise _failed(where, f"a block takes the plate to {state.z_mm:g} mm")


def _check_restored(state: PlateState, before: PlateState, where: str) -> None:
    same = (
        abs(state.z_mm - before.z_mm) <= SAME_MM
        and abs(state.feed_mm_min - before.feed_mm_min) <= 1e-3
        and replace(state, z_mm=0.0, feed_mm_min=0.0) == replace(before, z_mm=0.0, feed_mm_min=0.0)
    )
    if not same:
        raise _failed(where, f"a block begins at {before} but ends at {state}")


def _failed(where: str, found: str) -> ProofError:
    return ProofError(where, found, "Nothing was written; please report this job")
