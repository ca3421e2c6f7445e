"""A line of the job cut in two round a block: its halves lay what it lays, along its path."""

from __future__ import annotations

from collections.abc import Sequence
from math import dist

from capturehook.block.witness_block import SAME_FILAMENT_MM, Step, run_lines, same
from capturehook.block.witness_end import SAME
from capturehook.block.witness_found import Found
from capturehook.block.witness_state import Family
from capturehook.block.witness_text import Fence, fail

ON_PATH_MM = 2e-3


def run_half(family: Family, fence: Fence, machine: Found) -> float:
    """Carry out a half; returns the filament it feeds, mm."""
    steps = run_lines(family, fence.lines, machine)
    if not all(family.is_motion(one.command) for one in steps):
        raise fail(f"lines {fence.number}", "hold more than motion")
    if any(one.fed_mm < -SAME for one in steps):
        raise fail(f"lines {fence.number}", "retract")
    return float(sum(one.fed_mm for one in steps))


def check_halves(family: Family, fences: Sequence[Fence], found: Found, behind: bytes) -> None:
    """The halves against the job's own line: kept in a fence, or ``behind`` them as the second.

    ``found`` is the machine before them.
    """
    halves = [fence for fence in fences if fence.kind == "lines"]
    name, lines = f"lines {halves[0].number}", [line for fence in halves for line in fence.lines]
    own = b"".join(one.kept for one in fences).strip()
    if not own:
        own = behind.strip()
        lines.append(own)
    machine, whole = found.copy(), found.copy()
    steps = run_lines(family, lines, machine)
    the_line = run_lines(family, [own], whole)
    if len(the_line) != 1 or not family.is_motion(the_line[0].command):
        raise fail(name, f"{own.decode('latin-1')!r} is no single motion to be cut")
    (line,), fed_mm = the_line, sum(one.fed_mm for one in steps)
    if abs(fed_mm - line.fed_mm) > SAME_FILAMENT_MM:
        raise fail(name, f"the halves feed {fed_mm:.6g} mm, the job's line {line.fed_mm:.6g}")
    for letter, now, was in zip("XYZ", machine.number, whole.number, strict=True):
        if not same(now, was):
            raise fail(name, f"the halves end at {letter}{now:.6g}, the line at {was:.6g}")
    for what, now, was in (("E", machine.e, whole.e), ("F", machine.feed, whole.feed)):
        if not (what == "E" and not family.e_absolute(whole)) and not same(now, was):
            raise fail(name, f"{what} is {now} after the halves, {was} after the line")
    if line.command.code in ("G2", "G3"):
        wanted, *centres = (_centre(step, whole) for step in (line, *steps))
        if wanted is None or any(one is None or dist(one, wanted) > ON_PATH_MM for one in centres):
            raise fail(name, "the halves are no parts of the job's arc")
        return
    length = dist(line.start, line.end)
    for end in (step.end for step in steps[:-1]):
        if abs(dist(line.start, end) + dist(end, line.end) - length) > ON_PATH_MM:
            raise fail(name, f"the cut at {end} is not on the job's line")


def _centre(step: Step, machine: Found) -> tuple[float, float] | None:
    """Of an arc by I and J; None for straight motion and arcs by radius."""
    words, unit = step.command.words, machine.unit()
    if step.command.code not in ("G2", "G3") or "R" in words:
        return None
    i, j = ((words.get(letter) or 0.0) * unit for letter in "IJ")
    if machine.absolute_centres:
        return (i if "I" in words else step.start[0], j if "J" in words else step.start[1])
    return (step.start[0] + i, step.start[1] + j)
