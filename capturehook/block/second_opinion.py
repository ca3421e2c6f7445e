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
def _machine() -> Any:
    """A pygcode Machine with an extruder, one for all blocks: each is led in by setting all that a
    block may read."""

    class PrinterMachine(_pygcode().Machine):  # type: ignore[misc]
        """pygcode's Machine, plus filament: words on E are counted, not refused."""

        axes = frozenset("XYZ")
        e: Number
        feed: Number
        e_absolute: bool

        def _update_abs_range(self, pos: Any) -> None:
            """The range of all positions is not asked for."""

        def abs2work(self, abs_pos: Any) -> Any:
            """No block shifts X, Y or Z, so both kinds of place are the same."""
            return abs_pos

        work2abs = abs2work

        def extrude(self, value: Number) -> None:
            self.e = value if self.e_absolute else self.e + value

    return PrinterMachine()


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
    unit, e_unit = found.unit(), family.e_unit(found)
    prime = prime_mm / (family.mm_per_unit(found) * family.share_alone(found)) / e_unit
    with _ALONE:
        machine = _machine()
        for code in ("G20" if found.inch else "G21", "G90"):
            machine.process_block(_line(code).block)
        machine.move_to(**{axis: at / unit for axis, at in zip("XYZ", found.number, strict=True)})
        if not found.absolute:
            machine.process_block(_line("G91").block)
        machine.e = (0.0 if found.e is None else found.e) / e_unit
        machine.feed = (0.0 if found.feed is None else found.feed) / unit
        machine.e_absolute = found.m82 is not False
        e, feed, modes = machine.e, machine.feed, _modes(machine)
        fed = sum(
            _step(machine, line, family, (columns or {}).get(index))
            for index, line in enumerate(lines)
        )
        checked = [
            (axis, getattr(machine.pos, axis), at / unit)
            for axis, at in zip("XYZ", ends_at or found.number, strict=True)
        ]
        if family.e_absolute(found):
            checked.append(("E", machine.e, e))
        faults = [
            f"{what} is {now:.6g}, was {was:.6g}"
            for what, now, was in (*checked, ("F", machine.feed, feed))
            if not _alike(now, was)
        ]
        if machine.e_absolute != (found.m82 is not False):
            faults.append("the extruder's mode has changed")
        if _modes(machine) != modes:
            faults.append(f"modes are {_named(_modes(machine))}, were {_named(modes)}")
        if not _alike(fed, prime, 1e-5):
            faults.append(f"filament fed is {fed:.6g}, should be {prime:.6g}")
    if faults:
        raise ProofError(
            "second opinion",
            f"after the block at {lines[0].decode('latin-1')!r}: " + "; ".join(faults),
            "Nothing was written; please report this with the job",
        )


def _modes(machine: Any) -> tuple[type, ...]:
    """Distance mode, units and plane, as pygcode's classes of them."""
    mode = machine.mode
    return (type(mode.distance), type(mode.units), type(mode.plane_selection))


def _named(modes: tuple[type, ...]) -> str:
    return " ".join(str(kind()) for kind in modes)


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
