"""The axes of a job, a stretch of moves at a time: what each move's words make of their places."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import numpy as np
from numpy.typing import NDArray

from capturehook.model.columns import Column, Lines, Steady, SteadyBuilder
from capturehook.model.fed import Fed, Stretch
from capturehook.read.axis import AxisEvents, AxisTrack, Slots, track_axis

Array = NDArray[np.float64]
Ints = NDArray[np.signedinteger]


class AxisFold:
    """One axis over a job of M moves, taken a stretch of moves at a time.

    Attributes
    ----------
    nodes : (M + 1,) the machine's place before the first move and after each; 0 where it is
        not known
    breaks : rows whose move starts elsewhere than the one before it ended, and where
    events : line, number and shift after each event
    first_row : row of the first move that names the axis; M where none does
    first_set_row : likewise of the first that names a place, not a step
    unknown : rows, from and to, after which the place of the axis is unknown
    far : (line, place) of the first number past what is allowed
    """

    is_place = True
    """Its numbers and shifts make places of the machine."""

    def __init__(
        self, events: AxisEvents, line_index: Lines, most_mm: float, *, is_steady: bool = False
    ) -> None:
        self._nodes = SteadyBuilder() if is_steady else None
        self.nodes: Column = np.zeros(len(line_index) + 1 if self.is_place and not is_steady else 0)
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

    def set_to(self, first: int, stop: int, row: Ints, value: Array) -> None:
        """Rows of absolute words in a stretch without events."""
        shift = self._shift
        if self._nodes is not None:
            self._state(first, row, value)
            if len(row):
                self._nodes.put(first + row + 1, value + shift)
        else:
            assert isinstance(self.nodes, np.ndarray)
            self._fill(self.nodes[first + 1 : stop + 1], row, value)
            self._state(first, row, value)
            if shift:
                self.nodes[first + 1 : stop + 1] += shift
        self._node = self._number + shift

    def _state(self, first: int, row: Ints, value: Array) -> None:
        """Absolute words are the axis's numbers."""
        if len(row):
            self._number = float(value[-1])
            self.first_row = min(self.first_row, first + int(row[0]))
            self.first_set_row = min(self.first_set_row, first + int(row[0]))
            if max(float(value.max()), -float(value.min())) > self._most:
                self._note_far(self._lines[first + row], value)

    def _fill(self, after: Array, row: Ints, value: Array) -> None:
        """The number after each move of a stretch: that in force, then each until the next."""
        if len(row) == len(after):
            after[:] = value
        else:
            told = np.concatenate(([self._number], value))
            after[:] = np.repeat(told, np.diff(row, prepend=0, append=len(after)))

    def is_plain(self, stop: int) -> bool:
        """Is the axis known, and does no event come before the end of the next stretch?"""
        return self._number == self._number and self._next_event() >= stop

    def _next_event(self) -> int:
        rows = self._event_row
        return rows[self._done] if self._done < len(rows) else len(self._lines) + 1

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
        after, row, before = self._placed(first, track.physical, track)
        if self._nodes is not None:
            self._nodes.put(np.arange(first + 1, stop + 1), after)
        else:
            assert isinstance(self.nodes, np.ndarray)
            self.nodes[first + 1 : stop + 1] = after
        self.breaks += zip((first + row).tolist(), before.tolist(), strict=True)

    def _placed(self, first: int, place: Array, track: AxisTrack) -> tuple[Array, Ints, Array]:
        """Where each move of a stretch ends, which start elsewhere than the one before them ended,
        and where these do; 0 for what is not known."""
        self._note_unknown(first, place[track.after])
        place = np.nan_to_num(place)
        after, before = place[track.after], place[track.before]
        row = np.flatnonzero(before != np.concatenate(([self._node], after[:-1]))[: len(before)])
        self._node = float(after[-1]) if len(after) else self._node
        return after, row, before[row]

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

    def before(self, line_index: Ints, row: Ints) -> tuple[Array, Array]:
        """(N,) places (of filament: the job's numbers) and shifts just before some lines, ``row``
        being the last move before each (or -1); NaN where places cannot be known."""
        lines, numbers, shifts = (np.array([-1, *told], np.float64) for told in self.events)
        at = np.searchsorted(lines, line_index) - 1
        shift = np.where(at > 0, shifts[at], 0.0)
        place = self._after(row)
        for first, stop in self.unknown:
            place[(row >= first) & (row < stop)] = nan
        place[(row < self.first_row) & (at <= 0)] = nan if self.is_place else 0.0
        later = at > 0
        if len(self._lines):
            later &= (row < 0) | (lines[at] > self._lines[np.maximum(row, 0)])
        return np.where(later, numbers[at] + (shift if self.is_place else 0.0), place), shift

    def _after(self, row: Ints) -> Array:
        return self.nodes[row + 1]

    def places_after(self, line_index: Ints) -> Array:
        """(N,) where the axis stands after some lines; NaN where that cannot be known."""
        return self.before(line_index + 1, self._lines.searchsorted(line_index + 1) - 1)[0]

    def set_from_line(self) -> int:
        """The first line that tells where the axis stands; past all lines where none does."""
        row = self.first_set_row
        by_move = int(self._lines[row]) if row < len(self._lines) else np.iinfo(np.int64).max
        return min([by_move, *self.events[0][:1]])


class FilamentFold(AxisFold):
    """The job's number for filament, and what each move feeds.

    Attributes
    ----------
    steps : what each move taken so far feeds, mm; who takes a stretch adds it there
    """

    is_place = False

    def __init__(
        self, events: AxisEvents, line_index: Lines, most_mm: float, after_relative: str
    ) -> None:
        super().__init__(events, line_index, most_mm)
        self.steps = Fed()
        self._after_relative = after_relative
        self._base = self._fed_base = self._fed = 0.0
        self._placing = np.empty(0), np.empty(0, np.int64), np.empty(0)

    def feed(
        self, first: int, stop: int, row: Ints, value: Array, is_absolute: NDArray[np.bool_]
    ) -> Stretch:
        """What the words of a stretch feed; ``is_absolute`` (K,) tells of each word."""
        is_mixed = len(row) > 0 and is_absolute.any() != is_absolute.all()
        if is_mixed or not self.is_plain(stop):
            return self._take_any(first, stop, row, value, is_absolute)
        if is_absolute.all():
            return self._set_numbers(first, stop, row, value)
        if self._after_relative == "added":
            return self._step_by(first, stop, row, value)
        steps = np.zeros(stop - first)
        steps[row] = value
        if self._after_relative == "zero":
            return replace(self._set_numbers(first, stop, row, np.zeros(len(row))), steps=steps)
        self.first_row = min(self.first_row, first + int(row[0]))
        self._node = self._number
        return Stretch(numbers=np.broadcast_to(self._number, len(steps)), steps=steps)

    def _set_numbers(self, first: int, stop: int, row: Ints, value: Array) -> Stretch:
        before, after = self._number, np.empty(stop - first)
        self._fill(after, row, value)
        self._state(first, row, value)
        if len(row):
            self._base, self._fed_base = self._number, self._fed
        self._node = self._number
        return Stretch(numbers=after, before=before)

    def _step_by(self, first: int, stop: int, row: Ints, value: Array) -> Stretch:
        steps = np.zeros(stop - first)
        steps[row] = value
        stretch = Stretch(steps=steps, before=self._base, fed=(self._fed, self._fed_base))
        after, self._fed = stretch.counted_on(len(steps))
        self._number = self._node = float(after[-1])
        self.first_row = min(self.first_row, first + int(row[0]))
        if max(float(after.max()), -float(after.min())) > self._most:
            self._note_far(self._lines[first:stop], after)
        return stretch

    def _take_any(
        self, first: int, stop: int, row: Ints, value: Array, is_absolute: NDArray[np.bool_]
    ) -> Stretch:
        before, after, sets = self._node, value, is_absolute
        if self._after_relative != "added":
            after = np.where(is_absolute, value, 0.0)
            sets = is_absolute | (self._after_relative == "zero")
        track = self.take(first, stop, row, after, sets)
        numbers, jump, start = self._placing
        stretch = Stretch(numbers=numbers, before=before, jumps=(jump, start))
        if is_absolute.all() and not np.isnan(track.logical).any():
            return stretch
        steps = track.logical[track.after] - track.logical[track.before]
        steps[row[~is_absolute]] = value[~is_absolute]
        return replace(stretch, steps=np.nan_to_num(steps))

    def take(
        self, first: int, stop: int, row: Ints, value: Array, is_absolute: NDArray[np.bool_]
    ) -> AxisTrack:
        track = super().take(first, stop, row, value, is_absolute)
        self._base, self._fed_base = self._number, self._fed
        return track

    def _place(self, first: int, stop: int, track: AxisTrack) -> None:
        self._placing = self._placed(first, track.logical, track)

    def _after(self, row: Ints) -> Array:
        return self.steps.numbers_after(row)
