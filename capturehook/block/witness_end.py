"""May the last block leave the head up, or away from the part? Told by the bytes behind it.

The rest of the job is run twice, from where the job has the head and from where the block
leaves it. Nothing may be laid any more, and the two must come together, or end, without a
place that either the machine does not have or that lies lower over the bed. Written apart
from what decides it (`place/ending.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from capturehook.block.witness_found import Found
from capturehook.block.witness_lines import Command, commands_of
from capturehook.block.witness_state import CONDITIONS, MOTION, Family

SAME = 1e-6
FED_MM = 1e-6
MOTORS_OFF = ("M18", "M84")


class Reach(NamedTuple):
    """Lowest and highest X, Y and Z of the machine, mm; of a round bed the circle in X and Y."""

    ranges: tuple[tuple[float, float], ...]
    is_round: bool = False

    def is_over_bed(self, x_mm: Any, y_mm: Any) -> Any:
        """Is a place of the machine, or each of many, not beside a round bed? By its distance
        from the middle, each axis in radii."""
        (left, right), (front, back), _ = self.ranges
        radius_x, radius_y = (right - left) / 2, (back - front) / 2
        square = ((x_mm - left) / radius_x - 1) ** 2 + ((y_mm - front) / radius_y - 1) ** 2
        return not self.is_round or square**0.5 <= 1 + SAME / min(radius_x, radius_y)


def what_counts_on_the_place(
    rest: bytes, family: Family, found: Found, after: Found, level: float, reach: Reach
) -> str | None:
    """What in the rest of a job forbids that the block ends elsewhere; None where nothing does.

    Parameters
    ----------
    found, after : the machine before and after the block
    level : Z of the block's level part, in the job's numbers
    """
    theirs, ours = found.copy(), after.copy()
    twins = [replace(family, kept={**family.kept}) for _ in range(2)]
    silent_end, fed_mm, together = family.firmware.effects.silent_end, 0.0, False
    for line in rest.split(b"\n"):
        if line[:1] in (b";", b""):
            continue
        for command in commands_of(line.rstrip(b"\r"), family.firmware.several_commands):
            if command.code in silent_end:
                return None
            was = _Pair(theirs.copy(), ours.copy())
            fed = twins[0].carry_out(theirs, command, 0)
            twins[1].carry_out(ours, command, 0)
            fed_mm += fed or 0.0
            wrong = None
            if (
                fed_mm > FED_MM
                or command.code == "G11"
                or (fed is None and _feeds(family, command))
            ):
                wrong = "may lay plastic"
            elif not together and (fed is None or theirs.dead is not None):
                wrong = "does what is not known"
            elif not together:
                wrong = _wrong_place(family, command, was, _Pair(theirs, ours), level, reach)
            if wrong is not None:
                return f"{line.decode('latin-1').strip()[:40]!r} {wrong}"
            together = together or _are_together(theirs, ours)
    return None


def _feeds(family: Family, command: Command) -> bool:
    return family.e_letter in command.words and command.code in (*MOTION, "")


def _are_together(theirs: Found, ours: Found) -> bool:
    """Both stand at one place, and it is known."""
    return all(
        a is not None and b is not None and abs(a - b) <= SAME
        for a, b in zip(theirs.number, ours.number, strict=True)
    )


@dataclass(frozen=True, slots=True)
class _Pair:
    """The machine as the job has it, and as it is."""

    theirs: Found
    ours: Found

    def is_away(self) -> bool:
        """Not over the job's own X and Y."""
        pairs = zip(self.theirs.number[:2], self.ours.number[:2], strict=True)
        return any(a is not None and b is not None and abs(a - b) > SAME for a, b in pairs)

    def is_known(self) -> bool:
        return None not in (*self.theirs.number, *self.ours.number)


def _wrong_place(
    family: Family, command: Command, was: _Pair, now: _Pair, level: float, reach: Reach
) -> str | None:
    code, theirs, ours = command.code, now.theirs, now.ours
    if ours.shift != theirs.shift:
        return "shifts the zero"
    if code in CONDITIONS or (command.indented and family.firmware.indented_bodies):
        return "may be run or not"
    if code == "G28" and not family.firmware.has_stored_points:
        homes_z = "Z" in command.words or not {*"XYZ"} & {*command.words}
        return "would home Z elsewhere" if homes_z and now.is_away() else None
    if code not in MOTION and code != "":
        loses = was.is_known() and not now.is_known() and code not in MOTORS_OFF
        return "moves to a place that is not known" if loses else None
    if code in ("G2", "G3"):
        return "is an arc"
    if not (was.is_known() and now.is_known()):
        return "goes on from a place that is not known"
    for letter, job, here, shift, (low, high) in zip(
        "XYZ", theirs.number, ours.number, ours.shift, reach.ranges, strict=True
    ):
        if here is None or job is None or abs(job - here) <= SAME:
            continue
        if shift is None or not low - SAME <= here + shift <= high + SAME:
            return f"would leave the machine's {letter} range"
        if letter == "Z" and here < job:
            return "would go lower than the job does"
    x_mm, y_mm = (
        (here or 0.0) + (shift or 0.0)
        for here, shift in zip(ours.number[:2], ours.shift[:2], strict=True)
    )
    if now.is_away() and not reach.is_over_bed(x_mm, y_mm):
        return "would leave the machine's round bed"
    lowest = min(one for one in (was.ours.number[2], ours.number[2]) if one is not None)
    if (was.is_away() or now.is_away()) and lowest < level - SAME:
        return "would go down beside where the job does"
    return None
