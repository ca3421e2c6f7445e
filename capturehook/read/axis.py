"""One axis through a whole job at once: positions, steps, shifts (G92) and homing.

An axis is a list of operations: SET (an absolute word), ADD (a relative one), SHIFT (G92: the
number changes, the machine does not move), HOME, UNKNOWN (NaN until the next absolute word), CLEAR
(the shifts are gone, the machine stands still), and jumps, which depend on the state elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, nan

import numpy as np
from numpy.typing import NDArray

SET, ADD, SHIFT, HOME, UNKNOWN, CLEAR = range(6)
STORE, REBASE, RENUMBER, RETURN, BASE, CARRY = range(6, 12)
"""What depends on the state at other lines; the value is a slot, or mm for BASE and CARRY.

STORE keeps number and shift in a slot. REBASE takes a slot's shift; RENUMBER its number; RETURN
goes to its place. BASE moves the origin of the numbers, CARRY the machine with it.
"""
Array = NDArray[np.float64]
Slots = dict[float, tuple[float, float]]
"""Numbers and shifts that were kept, by slot."""
Ints = NDArray[np.signedinteger]


@dataclass(frozen=True, slots=True)
class AxisEvents:
    """What other lines than motion do to one axis, in file order: lists of equal length."""

    line_index: list[int]
    operation: list[int]
    value: list[float]

    def add(self, line_index: int, operation: int, value: float = 0.0) -> None:
        self.line_index.append(line_index)
        self.operation.append(operation)
        self.value.append(value)


def no_events() -> AxisEvents:
    return AxisEvents([], [], [])


@dataclass(frozen=True, slots=True)
class AxisTrack:
    """One axis over M moves and its operations.

    Attributes
    ----------
    op_line : (O,) int64, line of each operation; the first, at -1, is the power-on zero
    logical : (O,) float64, the number the job has for the position after it
    shift : (O,) float64, machine position minus that number
    before, after : (M,) int32, operation in force before and after each move
    event_op : (V,) the operation that each event is
    """

    op_line: NDArray[np.int64]
    logical: Array
    shift: Array
    before: NDArray[np.int32]
    after: NDArray[np.int32]
    event_op: NDArray[np.int64]

    @property
    def physical(self) -> Array:
        return self.logical + self.shift


def track_axis(
    line_index: Ints,
    has_word: NDArray[np.bool_],
    word: Array,
    is_absolute: NDArray[np.bool_],
    events: AxisEvents,
    start: tuple[float, float] = (0.0, 0.0),
    slots: Slots | None = None,
) -> AxisTrack:
    """Positions of one axis.

    Parameters
    ----------
    line_index : (M,) of the moves
    has_word, word, is_absolute : (M,) whether a move names this axis, with what, and how
    events : what other lines do to it
    start : the job's number for the position before the first move, and its shift
    slots : what was kept before; what is kept here is put in
    """
    moves = len(line_index)
    words_up_to = np.cumsum(has_word, dtype=np.int32)
    after = np.asarray(words_up_to, np.int32)
    event_row = np.searchsorted(
        line_index, np.array(events.line_index, line_index.dtype), side="left"
    )
    if len(event_row):
        counts = np.bincount(event_row, minlength=moves + 1)[:moves]
        after = after + np.cumsum(counts, dtype=np.int32)
    words = int(words_up_to[-1]) if moves else 0
    count = 1 + len(event_row) + words
    operation = np.empty(count, np.uint8)
    value, op_line = np.empty(count), np.empty(count, np.int64)
    operation[0], value[0], op_line[0] = SET, start[0], -1
    at = after[has_word]
    operation[at] = np.where(is_absolute[has_word], SET, ADD)
    value[at] = word[has_word]
    op_line[at] = line_index[has_word]
    event_op = np.arange(1, len(event_row) + 1)
    if len(event_row):
        is_late = event_row > 0
        event_op[is_late] += words_up_to[event_row[is_late] - 1]
        operation[event_op], value[event_op] = events.operation, events.value
        op_line[event_op] = events.line_index
    logical, shift = _fold(operation, value, start[1], {} if slots is None else slots)
    return AxisTrack(op_line, logical, shift, after - has_word, after, event_op)


def _fold(
    operation: NDArray[np.uint8], value: Array, shift_before: float, slots: Slots
) -> tuple[Array, Array]:
    """Operations -> the job's number and the shift after each. Both (O,)."""
    jumps = np.flatnonzero(operation >= CLEAR)
    if not len(jumps):
        return _fold_run(operation, value, shift_before)
    machine = _Number(shift_before, slots)
    if len(jumps) * RUN > len(operation):
        return _fold_each(operation, value, machine)
    logical, shift = np.empty(len(value)), np.empty(len(value))
    begin = 0
    for at in [*jumps.tolist(), len(value)]:
        if at > begin:
            run = slice(begin, at)
            led_in = np.concatenate(([SET], operation[run])).astype(np.uint8)
            numbers, shifts = _fold_run(
                led_in, np.concatenate(([machine.logical], value[run])), machine.shift
            )
            logical[run], shift[run] = numbers[1:], shifts[1:]
            machine.logical, machine.shift = float(numbers[-1]), float(shifts[-1])
        if at < len(value):
            machine.carry_out(int(operation[at]), float(value[at]))
            logical[at], shift[at] = machine.logical, machine.shift
        begin = at + 1
    return logical, shift


RUN = 64
"""Operations between two jumps from which on whole arrays are faster than one at a time."""


def _fold_each(operation: NDArray[np.uint8], value: Array, machine: _Number) -> tuple[Array, Array]:
    numbers, shifts = [], []
    for what, amount in zip(operation.tolist(), value.tolist(), strict=True):
        machine.carry_out(what, amount)
        numbers.append(machine.logical)
        shifts.append(machine.shift)
    return np.array(numbers), np.array(shifts)


class _Number:
    """One axis, operation by operation."""

    def __init__(self, shift: float, slots: Slots) -> None:
        self.logical, self.shift, self.slots = 0.0, shift, slots

    def carry_out(self, what: int, amount: float) -> None:
        place = self.logical + self.shift
        if what == SET:
            self.logical = amount
        elif what == ADD:
            self.logical += amount
        elif what == SHIFT:
            if not isnan(self.logical):
                self.shift += self.logical - amount
            self.logical = amount
        elif what == HOME:
            self.logical, self.shift = amount, 0.0
        elif what == CLEAR:
            self.logical, self.shift = place, 0.0
        elif what == UNKNOWN:
            self.logical = nan
        elif what == STORE:
            self.slots[amount] = (self.logical, self.shift)
        elif what == REBASE:
            self.shift = self.slots[amount][1]
            self.logical = place - self.shift
        elif what == RENUMBER:
            self.logical = self.slots[amount][0]
            self.shift = place - self.logical
        elif what == RETURN:
            self.logical = sum(self.slots[amount]) - self.shift
        elif what == BASE:
            self.shift += amount
            self.logical -= amount
        elif what == CARRY:
            self.shift += amount


def _fold_run(
    operation: NDArray[np.uint8], value: Array, shift_before: float = 0.0
) -> tuple[Array, Array]:
    """:func:`_fold` without jumps; the first operation is a SET."""
    places = operation != ADD
    value = np.where(operation == UNKNOWN, np.nan, value)
    if places.all():
        logical = value
    else:
        index = np.arange(len(value))
        last = np.maximum.accumulate(np.where(places, index, 0))
        added = np.cumsum(np.where(places, 0.0, value))
        logical = value[last] + (added - added[last])
    is_shift = operation == SHIFT
    if not is_shift.any():
        return logical, _shifts(operation, np.zeros(len(logical)), shift_before)
    before = np.concatenate(([0.0], logical[:-1]))
    shift = np.cumsum(np.nan_to_num(np.where(is_shift, before - logical, 0.0)))
    return logical, _shifts(operation, shift, shift_before)


def _shifts(operation: NDArray[np.uint8], shift: Array, before: float) -> Array:
    """Shifts counted from ``before``, and afresh after HOME."""
    afresh = operation == HOME
    if not afresh.any():
        return shift + before
    home = np.maximum.accumulate(np.where(afresh, np.arange(len(shift)), 0))
    return np.where(home > 0, shift - shift[home], shift + before)
