"""Interprets what was put in and checks that each block left the machine as it found it.

Two witnesses: our own interpreter (the reader of whole jobs, run on the blocks alone, each
led in by lines that set the state it starts from), and pygcode's Machine on every block (of
very many blocks, on a spread of them). The rest of the output is proved by taking the blocks
out again and comparing bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capturehook.block.write import Kit
from capturehook.catalog.triggers.own_lines import harm_of
from capturehook.errors import ProofError
from capturehook.model.moves import MoveTable
from capturehook.model.state import State
from capturehook.read.lead_in import lead_in
from capturehook.read.moves import JobMoves, read_moves
from capturehook.read.source import open_source
from capturehook.read.words import WordError, read_commands

SECOND_OPINIONS = 400
"""Blocks that pygcode runs at most; beyond that, a spread with the first and the last."""
MAX_COMMAND, MAX_LINE = 80, 120
ALLOWED_MOTION = frozenset({"G0", "G1", "G4", "G90", "G91", "G92", "M82", "M83", "G10", "G11"})


@dataclass(frozen=True, slots=True, kw_only=True)
class ProvenBlock:
    """One block with what it must leave unchanged, and how high it must be when away."""

    pose: int
    state: State
    lines: tuple[str, ...]
    level_z_mm: float
    prime_mm: float
    wipe: tuple[tuple[float, float], ...] = ()
    """Places the block may visit below its hop: along what was just printed."""


def prove_blocks(kit: Kit, blocks: Sequence[ProvenBlock]) -> None:
    """Check every block with both witnesses.

    Raises
    ------
    ProofError
        A block is not neutral, or goes where it must not; nothing may be written then.
    """
    if not blocks:
        return
    for block in blocks:
        _check_text(kit, block)
    _own_witness(kit, blocks)
    _second_witness(kit, blocks)


def _fail(block: ProvenBlock, found: str) -> ProofError:
    return ProofError(
        f"pose {block.pose}", found, "Nothing was written; please report this with the job"
    )


def _check_text(kit: Kit, block: ProvenBlock) -> None:
    allowed = {one.upper() for one in kit.profile.trigger.allow}
    for line in block.lines:
        if (
            len(line) > MAX_LINE
            or len(line.split(";", 1)[0].rstrip()) > MAX_COMMAND
            or not line.isascii()
        ):
            raise _fail(block, f"{line!r} is longer than every firmware reads, or not ASCII")
        try:
            commands = read_commands(line.encode("ascii"), several="in turn")
        except WordError as fault:
            raise _fail(block, f"{line!r} holds {fault.found!r}, which is no number") from fault
        for command in commands:
            code = command.code
            harm = "heaters" if code == "G10" and command.words else harm_of(code)
            if harm and code not in allowed and (code not in ALLOWED_MOTION or harm == "heaters"):
                raise _fail(block, f"{line!r} touches {harm}")


def _own_witness(kit: Kit, blocks: Sequence[ProvenBlock]) -> None:
    text, starts, ends = [], [], []
    for block in blocks:
        text += lead_in(kit.firmware, kit.e_letter, block.state)
        starts.append(len(text))
        text += block.lines
        ends.append(len(text))
    source = open_source("\n".join([*text, ""]).encode("ascii"), "the blocks")
    job = read_moves(
        source,
        kit.firmware,
        extruder_axis=kit.e_letter,
        filament_per_unit=kit.filament_per_unit,
    )
    _check_states(kit, blocks, job, starts, ends)
    _check_ways(kit, blocks, job, starts, ends)


def _check_states(
    kit: Kit,
    blocks: Sequence[ProvenBlock],
    job: JobMoves,
    starts: Sequence[int],
    ends: Sequence[int],
) -> None:
    for block, start, end in zip(blocks, starts, ends, strict=True):
        before, after = job.state_at(start), job.state_at(end)
        for name in ("x_mm", "y_mm", "z_mm", "e_mm", "feed_mm_min"):
            was, now = getattr(before, name), getattr(after, name)
            if name == "e_mm" and not before.modes.e_absolute(kit.firmware):
                continue
            if name == "feed_mm_min" and block.state.feed_mm_min <= 0:
                continue
            if not abs(now - was) <= 1e-6:
                raise _fail(block, f"{name} is {now:.6g} after the block, was {was:.6g}")
        if before.modes != after.modes or before.fw_retracted != after.fw_retracted:
            raise _fail(block, f"the modes are {after.modes} after the block, were {before.modes}")


def _check_ways(
    kit: Kit,
    blocks: Sequence[ProvenBlock],
    job: JobMoves,
    starts: Sequence[int],
    ends: Sequence[int],
) -> None:
    """Filament in and out, heights and ranges, move by move, for all blocks at once."""
    block_of = np.searchsorted(starts, job.table.line_index, side="right") - 1
    table = _as_the_machine(job.table, blocks, block_of)
    inside = (block_of >= 0) & (table.line_index < np.array(ends)[np.maximum(block_of, 0)])
    rows, block_of = np.flatnonzero(inside), block_of[inside]
    fed = np.bincount(block_of, table.e_step_mm[rows], minlength=len(blocks))
    wanted = np.array([block.prime_mm for block in blocks])
    _refuse(
        blocks, np.flatnonzero(np.abs(fed - wanted) > 1e-4), "does not push back what it drew back"
    )
    in_xy = (table.x_mm[rows] != table.x0_mm[rows]) | (table.y_mm[rows] != table.y0_mm[rows])
    level = np.array([block.level_z_mm for block in blocks])[block_of]
    low = np.flatnonzero(in_xy & (table.z_mm[rows] < level - 1e-6))
    low = np.array(
        [at for at in low if not _is_wipe(table, int(rows[at]), blocks[block_of[at]])], np.int64
    )
    _refuse(blocks, block_of[low], "moves in XY below its hop")
    home_x = np.array([block.state.x_mm for block in blocks])[block_of]
    home_y = np.array([block.state.y_mm for block in blocks])[block_of]
    away = (np.abs(table.x_mm[rows] - home_x) > 1e-6) | (np.abs(table.y_mm[rows] - home_y) > 1e-6)
    _refuse(
        blocks, block_of[away & (table.e_step_mm[rows] > 0)], "pushes filament away from the part"
    )
    low_z = np.array([block.state.z_mm for block in blocks])[block_of]
    _refuse(blocks, block_of[table.z_mm[rows] < low_z - 1e-6], "goes lower than it started")
    machine = kit.profile.machine
    for name, (least, most) in (
        ("x_mm", machine.x_mm),
        ("y_mm", machine.y_mm),
        ("z_mm", machine.z_mm),
    ):
        place = getattr(table, name)[rows]
        outside = ((place < least - 1e-6) | (place > most + 1e-6)) & (
            away if name != "z_mm" else True
        )
        _refuse(blocks, block_of[outside], f"leaves the machine's {name} range")


def _as_the_machine(
    table: MoveTable, blocks: Sequence[ProvenBlock], block_of: NDArray[np.int64]
) -> MoveTable:
    """The lead-in stands in the job's own numbers: add each block's shift (G92) to its moves."""
    shifts = np.array([block.state.shift_mm for block in blocks])[np.maximum(block_of, 0)]
    if not shifts.any():
        return table
    x, y, z = shifts.T
    return replace(
        table,
        x0_mm=table.x0_mm + x,
        x_mm=table.x_mm + x,
        y0_mm=table.y0_mm + y,
        y_mm=table.y_mm + y,
        z0_mm=table.z0_mm + z,
        z_mm=table.z_mm + z,
    )


def _is_wipe(table: MoveTable, row: int, block: ProvenBlock) -> bool:
    """A level move at the height where printing stopped, between places of the block's wipe."""
    if abs(float(table.z_mm[row]) - block.state.z_mm) > 1e-6:
        return False
    allowed = ((block.state.x_mm, block.state.y_mm), *block.wipe)
    ends = ((table.x0_mm[row], table.y0_mm[row]), (table.x_mm[row], table.y_mm[row]))
    return all(any(abs(x - a) < 1e-6 and abs(y - b) < 1e-6 for a, b in allowed) for x, y in ends)


def _refuse(blocks: Sequence[ProvenBlock], which: np.ndarray, found: str) -> None:
    if len(which):
        raise _fail(blocks[int(which[0])], f"the block {found}")


def _second_witness(kit: Kit, blocks: Sequence[ProvenBlock]) -> None:
    from capturehook.block.second_opinion import check_block

    spread = np.linspace(0, len(blocks) - 1, min(len(blocks), SECOND_OPINIONS))
    for index in sorted(set(spread.round().astype(int).tolist())):
        block = blocks[index]
        state, unit = block.state, block.state.modes.unit_mm
        e_unit = block.state.modes.e_unit(kit.firmware)
        place = (state.x_mm, state.y_mm, state.z_mm)
        x, y, z = ((mm - shift) / unit for mm, shift in zip(place, state.shift_mm, strict=True))
        check_block(
            block.lines,
            at=(x, y, z),
            e=state.e_mm / e_unit,
            e_absolute=state.modes.m82 is not False,
            absolute=state.modes.absolute,
            inch=state.modes.inch,
            e_letter=kit.e_letter,
            e_follows_g90=kit.firmware.g90_sets_e,
            feed=state.feed_mm_min / unit,
            prime=block.prime_mm / state.modes.filament_per_unit(kit.filament_per_unit) / e_unit,
        )
