"""One axis through a whole job at once: positions, steps, shifts (G92) and homing.

An axis is a list of operations: SET (an absolute word), ADD (a relative one), SHIFT (G92: the
number changes, the machine does not move), HOME, UNKNOWN (NaN until the next absolute word), CLEAR
(the shifts are gone, the machine stands still), and jumps, which depend on the state elsewhere.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from math import isnan, nan

import numpy as np
from numpy.typing import NDArray

from capturehook.model.columns import Column, Lines, Steady, SteadyBuilder

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


class AxisFold:
    """One axis over a job of M moves, taken a stretch of moves at a time.

    Attributes
    ----------
    nodes : (M + 1,) the machine's place (for E: the job's number) before the first move and
        after each; 0 where it is not known
    breaks : rows whose move starts elsewhere than the one before it ended, and where
    events : line, number and shift after each event
    first_row : row of the first move that names the axis; M where none does
    first_set_row : likewise of the first that names a place, not a step
    unknown : rows, from and to, after which the place of the axis is unknown
    far : (line, place) of the first number past what is allowed
    """

    def __init__(
        self, events: AxisEvents, line_index: Lines, most_mm: float,
        *, is_place: bool, is_steady: bool,
    ) -> None:  # fmt: skip
        self.is_place = is_place
        self._nodes = SteadyBuilder() if is_steady else None
        self.nodes: Column = np.zeros(0 if is_steady else len(line_index) + 1)
        self._node = 0.0
        self.breaks: list[tuple[int, float]] = []
        self.events: tuple[list[int], list[float], list[float]] = ([], [], [])
        self.first_row = self.first_set_row = len(line_index)
        self.unknown: list[tuple[int, int]] = []
        self.far: tuple[int, float] | None = None
        self._events, self._lines, self._most = events, line_index, most_mm
        event_line = np.array(events.line_index, np.int64)
        self._event_row = line_index.searchsorted(event_line).tolist()
        self._done = 0
        self._number, self._shift = 0.0, 0.0
        self._slots: Slots = {}
        self._base = self._fed_base = self._fed = 0.0

    def set_to(self, first: int, stop: int, row: Ints, value: Array) -> None:
        """Rows of absolute words in a stretch without events."""
        count, number = stop - first, self._number
        if len(row):
            self._number = self._base = float(value[-1])
            self._fed_base = self._fed
            self.first_row = min(self.first_row, first + int(row[0]))
            self.first_set_row = min(self.first_set_row, first + int(row[0]))
            if max(float(value.max()), -float(value.min())) > self._most:
                self._note_far(self._lines[first + row], value)
        shift = self._shift if self.is_place else 0.0
        self._node = self._number + shift
        if self._nodes is not None:
            if len(row):
                self._nodes.put(first + row + 1, value + shift)
            return
        assert isinstance(self.nodes, np.ndarray)
        after = self.nodes[first + 1 : stop + 1]
        if len(row) == count:
            after[:] = value
        else:
            told = np.concatenate(([number], value))
            after[:] = np.repeat(told, np.diff(row, prepend=0, append=count))
        if shift:
            after += shift

    def is_plain(self, stop: int) -> bool:
        """Is the axis known, and does no event come before the end of the next stretch?"""
        return self._number == self._number and self._next_event() >= stop

    def _next_event(self) -> int:
        rows = self._event_row
        return rows[self._done] if self._done < len(rows) else len(self._lines) + 1

    def step_by(self, first: int, stop: int, row: Ints, value: Array) -> None:
        """As :meth:`set_to` for words that are steps; the places are the job's numbers."""
        assert isinstance(self.nodes, np.ndarray)
        steps = np.zeros(stop - first + 1)
        steps[0] = self._fed
        steps[1:][row] = value
        fed = np.cumsum(steps)
        after = self.nodes[first + 1 : stop + 1]
        np.add(self._base, np.subtract(fed[1:], self._fed_base, out=after), out=after)
        self._fed = float(fed[-1])
        if len(row):
            self._number = self._node = float(after[-1])
            self.first_row = min(self.first_row, first + int(row[0]))
            if max(float(after.max()), -float(after.min())) > self._most:
                self._note_far(self._lines[first:stop], after)

    def take(
        self, first: int, stop: int, row: Ints, value: Array, is_absolute: NDArray[np.bool_]
    ) -> AxisTrack:
        """Any stretch; ``is_absolute`` (K,) tells of each word. Events up to its last move."""
        done = self._done
        last = stop + (first == stop)  # no moves: the events after the last one
        while self._next_event() < last:
            self._done += 1
        part = slice(done, self._done)
        events = AxisEvents(
            self._events.line_index[part], self._events.operation[part], self._events.value[part]
        )
        has, word = np.zeros(stop - first, np.bool_), np.zeros(stop - first)
        absolute = np.ones(stop - first, np.bool_)
        has[row], word[row], absolute[row] = True, value, is_absolute
        lines = self._lines[first:stop]
        track = track_axis(
            lines, has, word, absolute, events, (self._number, self._shift), self._slots
        )
        self._number, self._shift = float(track.logical[-1]), float(track.shift[-1])
        self._base, self._fed_base = self._number, self._fed
        self.events[0].extend(events.line_index)
        self.events[1].extend(track.logical[track.event_op].tolist())
        self.events[2].extend(track.shift[track.event_op].tolist())
        if len(row):
            self.first_row = min(self.first_row, first + int(row[0]))
        if is_absolute.any():
            place = first + int(row[np.argmax(is_absolute)])
            self.first_set_row = min(self.first_set_row, place)
        far = np.abs(track.logical) > self._most
        if far[1:].any():
            self._note_far(track.op_line[1:], track.logical[1:])
        self._place(first, stop, track)
        return track

    def _place(self, first: int, stop: int, track: AxisTrack) -> None:
        place = track.physical if self.is_place else track.logical
        self._note_unknown(first, place[track.after])
        place = np.nan_to_num(place)
        after, before = place[track.after], place[track.before]
        row = np.flatnonzero(before != np.concatenate(([self._node], after[:-1]))[: len(before)])
        if self._nodes is not None:
            self._nodes.put(np.arange(first + 1, stop + 1), after)
        else:
            assert isinstance(self.nodes, np.ndarray)
            self.nodes[first + 1 : stop + 1] = after
        self._node = float(after[-1]) if len(after) else self._node
        self.breaks += zip((first + row).tolist(), before[row].tolist(), strict=True)

    def _note_unknown(self, first: int, after: Array) -> None:
        nowhere = np.flatnonzero(np.isnan(after))
        if len(nowhere):
            runs = np.split(nowhere, np.flatnonzero(np.diff(nowhere) > 1) + 1)
            self.unknown += [(first + int(run[0]), first + int(run[-1]) + 1) for run in runs]

    def _note_far(self, lines: NDArray[np.signedinteger], place: Array) -> None:
        if self.far is None:
            at = int(np.argmax(np.abs(place) > self._most))
            self.far = int(lines[at]), float(place[at])

    def finish(self) -> None:
        """All moves are taken."""
        if self._nodes is not None:
            self.nodes = self._nodes.column(len(self._lines) + 1)

    def starts(self) -> Column:
        """(M,) where each move starts: a view of ``nodes`` where no move starts elsewhere."""
        row = np.array([row for row, _ in self.breaks], np.int64)
        value = np.array([place for _, place in self.breaks])
        if isinstance(self.nodes, Steady):
            return self.nodes.view(0, len(self._lines)).with_values(row, value)
        if not len(row):
            return self.nodes[:-1]
        starts: Array = self.nodes[:-1].copy()
        starts[row] = value
        return starts

    def ends(self) -> Column:
        """(M,) where each move ends."""
        if isinstance(self.nodes, Steady):
            return self.nodes.view(1, len(self._lines) + 1)
        return self.nodes[1:]

    def before(self, line_index: int, row: int) -> tuple[float, float]:
        """The place (for E: the job's number) and the shift just before a line, ``row`` being
        the last move before it (or -1); NaN where they cannot be known."""
        lines, numbers, shifts = self.events
        at = bisect_left(lines, line_index) - 1
        shift = shifts[at] if at >= 0 else 0.0
        if at >= 0 and (row < 0 or lines[at] > self._lines[row]):
            return numbers[at] + (shift if self.is_place else 0.0), shift
        if row < self.first_row and at < 0:
            return (nan if self.is_place else 0.0), shift
        if any(first <= row < stop for first, stop in self.unknown):
            return nan, shift
        return float(self.nodes[row + 1]), shift

    def places_after(self, line_index: NDArray[np.int64]) -> Array:
        """(N,) where the axis stands after some lines; NaN where that cannot be known."""
        lines, numbers, shifts = (np.array([-1, *told], np.float64) for told in self.events)
        at = np.searchsorted(lines, line_index, side="right") - 1
        row = self._lines.searchsorted(line_index, side="right") - 1
        place = self.nodes[row + 1]
        for first, stop in self.unknown:
            place[(row >= first) & (row < stop)] = np.nan
        later = at > 0
        if len(self._lines):
            later &= (row < 0) | (lines[at] > self._lines[np.maximum(row, 0)])
        return np.where(later, numbers[at] + (shifts[at] if self.is_place else 0.0), place)

    def set_from_line(self) -> int:
        """The first line that tells where the axis stands; past all lines where none does."""
        row = self.first_set_row
        by_move = int(self._lines[row]) if row < len(self._lines) else np.iinfo(np.int64).max
        return min([by_move, *self.events[0][:1]])
