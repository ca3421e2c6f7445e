"""A printing move cut in two at a stop: the line before the pose block and the line after it.

Where the job counts X, Y and E absolutely and the move is straight, its own line is the
second half as it stands. Otherwise it is replaced, and kept in the fence for `strip`.
"""

from __future__ import annotations

from dataclasses import replace

from capturehook.model.contracts import Firmware
from capturehook.model.moves import ARC_CCW, ARC_CW, LINE, MoveTable
from capturehook.model.numbers import exact
from capturehook.model.state import State
from capturehook.model.stop import Halves, Split

E_PLACES = 5


def split_move(
    moves: MoveTable,
    split: Split,
    state: State,
    firmware: Firmware,
    *,
    e_letter: str,
    filament_per_unit: float,
) -> Halves:
    """Cut a move. ``state`` is the machine just before its line; lengths in mm."""
    row, unit = split.move, state.modes.unit_mm
    e_unit = state.modes.e_unit(firmware)
    per_unit = state.modes.filament_per_unit(filament_per_unit) * e_unit
    e_whole = round(float(moves.e_step_mm[row]) / per_unit, 9)
    e_first = round(split.e_step_mm / per_unit, E_PLACES)
    e_start = state.e_mm / e_unit
    e_absolute, absolute = state.modes.e_absolute(firmware), state.modes.absolute
    ends = (
        (split.x_mm, split.y_mm, split.z_mm),
        (float(moves.x_mm[row]), float(moves.y_mm[row]), float(moves.z_mm[row])),
    )
    starts = ((state.x_mm, state.y_mm, state.z_mm), ends[0])
    filament = (
        (e_start + e_first, e_first),
        (e_start + e_whole, e_whole - e_first),
    )
    code = {ARC_CW: "G2", ARC_CCW: "G3"}.get(int(moves.kind[row]), "G1")
    texts = []
    for start, end, (to_e, step) in zip(starts, ends, filament, strict=True):
        words = [code]
        for index, letter in enumerate("XYZ"):
            number = end[index] - (state.shift_mm[index] if absolute else start[index])
            words.append(f"{letter}{exact(round(number / unit, 6))}")
        if code != "G1":
            from_mm = state.shift_mm if state.modes.absolute_centres else start
            words.append(f"I{exact(round((float(moves.cx_mm[row]) - from_mm[0]) / unit, 6))}")
            words.append(f"J{exact(round((float(moves.cy_mm[row]) - from_mm[1]) / unit, 6))}")
        words.append(f"{e_letter}{exact(round(to_e if e_absolute else step, 9))}")
        texts.append(" ".join(words))
    feed = float(moves.feed_mm_min[row])
    if feed != state.feed_mm_min and feed > 0:
        texts[0] += f" F{exact(feed / unit)}"
    own_line_serves = absolute and e_absolute and moves.kind[row] <= LINE
    between = replace(
        state,
        x_mm=split.x_mm,
        y_mm=split.y_mm,
        z_mm=split.z_mm,
        e_mm=(e_start + e_first) * e_unit,
        feed_mm_min=feed,
    )
    return Halves(texts[0], None if own_line_serves else texts[1], between)
