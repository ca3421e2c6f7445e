"""What pygcode says of a block: every line parses, and its Machine ends where it began.

pygcode speaks RS-274; what printers add (E words, M82/M83, M400, M42 and the like) is taught
here by small subclasses and by handing over each line's motion part.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from capturehook.block.witness_state import Family, Found
from capturehook.errors import ProofError

_CODE = re.compile(r"\s*([GM])0*([0-9]+)(?![0-9.])")


@lru_cache(maxsize=1)
def _machine_class() -> Any:
    """A pygcode Machine with an extruder: words on E are counted, not refused."""
    from pygcode import Machine

    class PrinterMachine(Machine):  # type: ignore[misc]
        """pygcode's Machine, plus filament."""

        axes = frozenset("XYZ")

        def __init__(self) -> None:
            super().__init__()
            self.e = 0.0
            self.e_absolute = True
            self.feed = 0.0

        def _update_abs_range(self, pos: Any) -> None:
            """The range of all positions is not asked for."""

        def abs2work(self, abs_pos: Any) -> Any:
            """No block shifts X, Y or Z, so both kinds of place are the same."""
            return abs_pos

        work2abs = abs2work

        def extrude(self, value: float) -> None:
            self.e = value if self.e_absolute else self.e + value

    return PrinterMachine


@lru_cache(maxsize=1)
def _machine() -> Any:
    """One machine for all blocks: each is led in by setting all that a block may read."""
    return _machine_class()()


@lru_cache(maxsize=4096)
def _parsed(code: str) -> Any:
    from pygcode import Line

    return Line(code)


def check_block(lines: Sequence[bytes], found: Found, family: Family, prime_mm: float) -> None:
    """Run one block on pygcode's Machine, from where the witness has found the machine.

    Parameters
    ----------
    lines : of the block, without its fence
    found : all of X, Y and Z known
    prime_mm : what the block may push in excess, mm of filament

    Raises
    ------
    ProofError
        A line does not parse, or X Y Z E F or the modes are not what they were.
    """
    machine, unit = _machine(), found.unit()
    e_unit = family.e_unit(found)
    machine.e = (found.e or 0.0) / e_unit
    machine.e_absolute = found.m82 is not False
    machine.feed = (found.feed or 0.0) / unit
    x, y, z = ((number or 0.0) / unit for number in found.number)
    modes = _lead_in(machine, "G20" if found.inch else "G21", "G90", (x, y, z))
    if not found.absolute:
        machine.process_block(_parsed("G91").block)
        modes = _modes(machine)
    before = (machine.e, machine.e_absolute, machine.feed)
    texts, fed = [line.decode("ascii") for line in lines], 0.0
    for text in texts:
        fed += _step(machine, text, family)
    faults = _differences(machine, (x, y, z), before, family.e_absolute(found), modes)
    prime = prime_mm / family.mm_per_unit(found) / e_unit
    if not math.isclose(fed, prime, abs_tol=1e-5):
        faults.append(f"filament fed is {fed:.6g}, should be {prime:.6g}")
    if faults:
        raise ProofError(
            "second opinion",
            f"after the block at {texts[0]!r}: " + "; ".join(faults),
            "Nothing was written; please report this with the job",
        )


def _lead_in(
    machine: Any, units: str, distance: str, at: tuple[float, float, float]
) -> tuple[str, ...]:
    """Bring the machine to a place in some modes; the modes it is in then."""
    modes = _modes(machine)
    for line in (units, distance):
        if line not in modes:
            machine.process_block(_parsed(line).block)
    machine.move_to(X=at[0], Y=at[1], Z=at[2])
    return _modes(machine) if not {units, distance} <= set(modes) else modes


def _modes(machine: Any) -> tuple[str, ...]:
    """Distance mode, units and plane."""
    mode = machine.mode
    return tuple(str(one) for one in (mode.distance, mode.units, mode.plane_selection))


def _step(machine: Any, line: str, family: Family) -> float:
    """One line on the machine; returns the filament it fed (E units)."""
    code = line.split(";", 1)[0].strip()
    if not code:
        return 0.0
    if code in ("M82", "M83"):
        machine.e_absolute = code == "M82"
        return 0.0
    match = _CODE.match(code)
    if match is None or match[1] == "M":
        return 0.0  # pins, waits, messages: no motion for pygcode to judge
    try:
        parsed = _parsed(code)
    except Exception as fault:
        raise ProofError(
            "second opinion", f"{line!r} does not parse ({fault})", "Please report this"
        ) from fault
    number = int(match[2])
    if number in (90, 91) and family.firmware.g90_sets_e:
        machine.e_absolute = number == 90
    before = machine.e
    _run(machine, parsed, number, family.e_letter)
    return 0.0 if number == 92 else float(machine.e - before)


def _run(machine: Any, parsed: Any, number: int, e_letter: str) -> None:
    words = {word.letter: word.value for word in parsed.block.words[1:]}
    if number == 92:
        machine.e = float(words.get(e_letter, machine.e))
        return
    if number in (4, 10, 11):
        return
    machine.feed = float(words.get("F", machine.feed))
    if e_letter in words and number in (0, 1):
        machine.extrude(float(words[e_letter]))
    if number in (0, 1):
        machine.move_to(**{axis: words[axis] for axis in "XYZ" if axis in words})
    else:
        machine.process_block(parsed.block)


def _differences(
    machine: Any,
    at: tuple[float, float, float],
    before: tuple[float, bool, float],
    e_counts: bool,
    modes: tuple[str, ...],
) -> list[str]:
    """What is not as it was; ``before`` is E, its mode (M82) and F."""
    pos, (e, e_absolute, feed) = machine.pos, before
    faults = [
        f"{axis} is {now:.6g}, was {was:.6g}"
        for axis, now, was in zip("XYZ", (pos.X, pos.Y, pos.Z), at, strict=True)
        if not math.isclose(now, was, abs_tol=1e-6)
    ]
    if e_counts and not math.isclose(machine.e, e, abs_tol=1e-6):
        faults.append(f"E is {machine.e:.6g}, was {e:.6g}")
    if not math.isclose(machine.feed, feed, abs_tol=1e-6):
        faults.append(f"F is {machine.feed:.6g}, was {feed:.6g}")
    if machine.e_absolute != e_absolute:
        faults.append("the extruder's mode has changed")
    if _modes(machine) != modes:
        faults.append(f"modes are {' '.join(_modes(machine))}, were {' '.join(modes)}")
    return faults
