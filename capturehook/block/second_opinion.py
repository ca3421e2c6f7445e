"""What pygcode says of a block: every line parses, and its Machine ends where it began.

pygcode speaks RS-274; what printers add (E words, M82/M83, M400, M42 and the like) is taught
here by small subclasses and by handing over each line's motion part.
"""

from __future__ import annotations

import re
import threading
import warnings
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from functools import lru_cache
from importlib import import_module
from io import StringIO
from typing import Any, NamedTuple

import numpy as np

from capturehook.block.witness_block import Columns
from capturehook.block.witness_found import Found, Number
from capturehook.block.witness_state import Family
from capturehook.errors import ProofError

_ALONE = threading.Lock()
"""The machine is one for all threads, and so are the streams that its import keeps quiet."""
_CODE = re.compile(r"G0*([0-9]+)(?![0-9.])")


@lru_cache(maxsize=1)
def _pygcode() -> Any:
    """The package, when the first block is judged; a host never hears what it says of itself."""
    with warnings.catch_warnings(), redirect_stdout(StringIO()), redirect_stderr(StringIO()):
        warnings.simplefilter("ignore")
        return import_module("pygcode")


@lru_cache(maxsize=1)
def _machine_class() -> Any:
    """A pygcode Machine with an extruder: words on E are counted, not refused."""

    class PrinterMachine(_pygcode().Machine):  # type: ignore[misc]
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


class _Read(NamedTuple):
    """A line that pygcode can judge: its command, the numbers of its words, and its own block (of
    M82 and M83, which it does not know, none)."""

    code: str
    words: dict[str, float]
    block: Any


@lru_cache(maxsize=1024)
def _read(line: bytes) -> _Read | None:
    """One line; None where pygcode has nothing to judge: pins, waits, messages."""
    code = line.decode("ascii").split(";", 1)[0].strip()
    if code in ("M82", "M83"):
        return _Read(code, {}, None)
    match = _CODE.match(code)
    if match is None:
        return None
    if "(" in code:
        raise ValueError("'('")  # a comment to pygcode, not to every firmware
    block = _line(code).block
    return _Read(f"G{match[1]}", {one.letter: float(one.value) for one in block.words[1:]}, block)


@lru_cache(maxsize=64)
def _line(code: str) -> Any:
    return _pygcode().Line(code)


def check_block(
    lines: Sequence[bytes],
    found: Found,
    family: Family,
    prime_mm: float,
    ends_at: Sequence[Number] | None = None,
    columns: Columns | None = None,
) -> None:
    """Run one block on pygcode's Machine, from where the witness has found the machine; or many
    of one form at once.

    Parameters
    ----------
    lines : of the block, without its fence
    found : all of X, Y and Z known
    prime_mm : what the block may push in excess, mm of filament
    ends_at : X, Y and Z where it must end, mm in the job's numbers; None: where it began
    columns : of many blocks at once, the words of lines by index; the first row's stand in
        ``lines``

    Raises
    ------
    ProofError
        A line does not parse, or X Y Z E F or the modes are not what they were.
    """
    with _ALONE:
        _check(lines, found, family, prime_mm, ends_at or found.number, columns or {})


def _check(
    lines: Sequence[bytes],
    found: Found,
    family: Family,
    prime_mm: float,
    ends_at: Sequence[Number],
    columns: Columns,
) -> None:
    machine, unit = _machine(), found.unit()
    e_unit = family.e_unit(found)
    machine.e = (0.0 if found.e is None else found.e) / e_unit
    machine.e_absolute = found.m82 is not False
    machine.feed = (0.0 if found.feed is None else found.feed) / unit
    x, y, z = (number / unit for number in found.number)
    modes = _lead_in(machine, "G20" if found.inch else "G21", "G90", (x, y, z))
    if not found.absolute:
        machine.process_block(_line("G91").block)
        modes = _modes(machine)
    before = (machine.e, machine.e_absolute, machine.feed)
    fed = sum(_step(machine, line, family, columns.get(index)) for index, line in enumerate(lines))
    ends = [number / unit for number in ends_at]
    faults = _differences(machine, ends, before, family.e_absolute(found), modes)
    prime = prime_mm / (family.mm_per_unit(found) * family.share_alone(found)) / e_unit
    if not _alike(fed, prime, 1e-5):
        faults.append(f"filament fed is {fed:.6g}, should be {prime:.6g}")
    if faults:
        raise ProofError(
            "second opinion",
            f"after the block at {lines[0].decode('latin-1')!r}: " + "; ".join(faults),
            "Nothing was written; please report this with the job",
        )


def _lead_in(machine: Any, units: str, distance: str, at: Sequence[Number]) -> tuple[Any, ...]:
    """Bring the machine to a place in some modes; the modes it is in then."""
    modes = _modes(machine)
    switched = [one for one in (units, distance) if _kind(one) not in modes]
    for one in switched:
        machine.process_block(_line(one).block)
    machine.move_to(X=at[0], Y=at[1], Z=at[2])
    return _modes(machine) if switched else modes


@lru_cache(maxsize=8)
def _kind(code: str) -> type:
    """pygcode's class of a mode."""
    return type(_line(code).block.gcodes[0])


def _modes(machine: Any) -> tuple[Any, ...]:
    """Distance mode, units and plane, as pygcode's classes of them."""
    mode = machine.mode
    return (type(mode.distance), type(mode.units), type(mode.plane_selection))


def _alike(a: Number, b: Number, within: float = 1e-6) -> bool:
    """Are two numbers, or all rows of two columns, the same?"""
    return bool(np.all(abs(a - b) <= within))


def _step(machine: Any, line: bytes, family: Family, words: dict[str, Number] | None) -> Number:
    """One line on the machine, with other numbers in its ``words``; returns the filament it fed
    (E units)."""
    try:
        read = _read(line)
        return 0.0 if read is None else _carry_out(machine, read, family, words)
    except Exception as fault:
        raise ProofError(
            "second opinion",
            f"{line.decode('latin-1')!r} does not parse ({fault})",
            "Please report this",
        ) from fault


def _carry_out(
    machine: Any, read: _Read, family: Family, columns: dict[str, Number] | None
) -> Number:
    code, words = read.code, columns or read.words
    if columns and {letter: float(column[0]) for letter, column in columns.items()} != read.words:
        raise ValueError("its numbers are read otherwise")
    if code in ("M82", "M83"):
        machine.e_absolute = code == "M82"
    elif code == "G92":
        machine.e = words.get(family.e_letter, machine.e)
    elif code in ("G0", "G1"):
        before = machine.e
        machine.feed = words.get("F", machine.feed)
        if family.e_letter in words:
            machine.extrude(words[family.e_letter])
        places = {letter: +words[letter] for letter in words if letter in "XYZ"}
        if places:
            machine.move_to(**places)
        return machine.e - before
    elif code not in ("G4", "G10", "G11"):
        machine.feed = words.get("F", machine.feed)
        if code in ("G90", "G91") and family.firmware.g90_sets_e:
            machine.e_absolute = code == "G90"
        machine.process_block(read.block)
    return 0.0


def _differences(
    machine: Any,
    at: Sequence[Number],
    before: tuple[Number, bool, Number],
    e_counts: bool,
    modes: tuple[Any, ...],
) -> list[str]:
    """What is not as it was; ``before`` is E, its mode (M82) and F."""
    pos, (e, e_absolute, feed) = machine.pos, before
    faults = [
        f"{axis} is {now:.6g}, was {was:.6g}"
        for axis, now, was in zip("XYZ", (pos.X, pos.Y, pos.Z), at, strict=True)
        if not _alike(now, was)
    ]
    if e_counts and not _alike(machine.e, e):
        faults.append(f"E is {machine.e:.6g}, was {e:.6g}")
    if not _alike(machine.feed, feed):
        faults.append(f"F is {machine.feed:.6g}, was {feed:.6g}")
    if machine.e_absolute != e_absolute:
        faults.append("the extruder's mode has changed")
    if _modes(machine) != modes:
        names = (" ".join(str(kind()) for kind in kinds) for kinds in (_modes(machine), modes))
        faults.append("modes are {}, were {}".format(*names))
    return faults
