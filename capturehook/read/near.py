"""Reads a large job only where stops may stand: around layer marks, and every other line
that can change what a stop must know (commands, Z words, the last feed before a window).

What comes out is a JobMoves with the same line numbers as the whole job's, in which the
inside of layers is missing. The positions, modes, feeds and retraction at every layer change
are those of a full read (tests/property/test_near.py holds the two together); lengths,
filament and time are not in it. Where that cannot be promised, None comes out and the caller
reads everything. Damage inside a layer (a word that is no number, filament drawn back by metres)
may be passed over: the blocks are neutral all the same. docs/speed.md
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import GcodeError, Where
from capturehook.model.contracts import Firmware
from capturehook.read.axis import SHIFT, STORE
from capturehook.read.effects import NEVER
from capturehook.read.moves import JobMoves, read_deficit, read_moves
from capturehook.read.source import MOTION, Source

Ints = NDArray[np.int64]
REACH = 16
"""Lines read on either side of a mark at first."""
MOST_SHARE = 0.35
"""A job of which more than this share of lines has to be read is better read whole."""
SHORT_RUN = 3
"""So few lines between two Z words hold a travel or a hop, no printing of weight."""
JUMP_MM = 1e4


@dataclass(frozen=True)
class PartSource(Source):
    """Some lines of a job as a job of their own that knows its lines' true numbers."""

    lines: Ints = None  # type: ignore[assignment]

    def where(self, line_index: int, column: int | None = None) -> Where:
        return Where(self.path, line_no=int(self.lines[line_index]) + 1, column=column)


def read_near(
    source: Source,
    firmware: Firmware,
    marks: Sequence[int],
    *,
    extruder_axis: str = "auto",
    filament_per_unit: float = 1.0,
) -> JobMoves | None:
    """The moves around layer marks; None where the job has to be read whole.

    Parameters
    ----------
    marks : (K,) rising line indices of the layer marks
    """
    marks_at = np.asarray(marks, np.int64)
    if len(marks_at) < 3:
        return None
    chosen = _first_choice(source, marks_at)
    for _ in range(3):
        if chosen is None or np.count_nonzero(chosen) > MOST_SHARE * len(chosen):
            return None
        lines = np.flatnonzero(chosen)
        part = _part(source, lines)
        try:
            job = read_moves(
                part, firmware, extruder_axis=extruder_axis, filament_per_unit=filament_per_unit
            )
        except GcodeError:
            return None  # it may only be for want of the moves left out; and one error is told
        first, last = np.searchsorted(lines, marks_at[[0, -1]]).tolist()
        if _counts_steps(job, first, last) or _jumps(job, first, last):
            return None
        job = _renumbered(job, lines, _restarts(source, job, lines))
        doubtful = _doubtful(job, marks_at, lines, _restarts(source, job, None), source.line_count)
        if not len(doubtful):
            return job
        ends = np.append(marks_at[1:], source.line_count)
        for segment in doubtful.tolist():
            chosen[max(int(marks_at[segment]) - REACH, 0) : int(ends[segment])] = True
    return None


def _first_choice(source: Source, marks: Ints) -> NDArray[np.bool_] | None:
    """(N,) the lines to read; None where nearly all would be."""
    count = source.line_count
    chosen = np.zeros(count, np.bool_)
    around = marks[:, None] + np.arange(-REACH, REACH)
    chosen[np.clip(around, 0, count - 1)] = True
    chosen[: marks[0]] = True
    chosen[marks[-1] :] = True
    side = source.side
    text = np.frombuffer(side.text, np.uint8)
    first = text[side.starts]
    code = side.line_index[(first != 59) & (first != 10) & (first != 13)]
    with_z = _lines_with(source, 90)
    if len(code) + len(with_z) > MOST_SHARE * count:
        return None
    chosen[code] = True
    chosen[with_z] = True
    chosen[_feeds_before(source, np.maximum(marks - REACH, 0))] = True
    return chosen


def _counts_steps(job: JobMoves, first_mark: int, last_mark: int) -> bool:
    """Between the first mark and the last, some place depends on the move before it, which may
    be left out: by G91, or by G92 of X, Y or Z."""
    others = job.others
    ends = [*others.modes_line[1:], last_mark + 1]
    steps = (
        not modes.absolute and begin < last_mark and end > first_mark
        for modes, begin, end in zip(others.modes, others.modes_line, ends, strict=True)
    )
    shifts = (
        operation == SHIFT and first_mark < line < last_mark
        for events in (others.events[letter] for letter in "XYZ")
        for line, operation in zip(events.line_index, events.operation, strict=True)
    )
    return any(steps) or any(shifts)


def _jumps(job: JobMoves, first_mark: int, last_mark: int) -> bool:
    """Something in the layers depends on the state at lines that may be left out."""
    others = job.others
    lines = [line for line, _, _ in others.feeds]
    lines += [one.line_index for one in others.lost] + [begin for begin, _ in others.bodies]
    lines += [
        line
        for events in others.events.values()
        for line, what in zip(events.line_index, events.operation, strict=True)
        if what >= STORE
    ]
    return any(first_mark < line < last_mark for line in lines) or others.end_line is not None


def _feeds_before(source: Source, lines: Ints) -> Ints:
    """For each line, the last motion line before it that may state a feed."""
    text, found, low = source.text, [], 0
    for high in source.line_starts[lines].tolist():
        at = text.rfind(b"F", low, high)
        while at >= 0:
            start = text.rfind(b"\n", 0, at) + 1
            if text.startswith(MOTION, start):
                found.append(start)
                break
            at = text.rfind(b"F", low, start)
        low = high
    return np.searchsorted(source.line_starts, np.array(found, np.int64))


def _lines_with(source: Source, byte: int) -> Ints:
    """Lines that hold a byte, each once."""
    lines = np.searchsorted(source.line_starts, source.places(byte), side="right") - 1
    return lines[np.concatenate(([True], lines[1:] != lines[:-1]))] if len(lines) else lines


def _part(source: Source, lines: Ints) -> PartSource:
    """The chosen lines' text, runs of neighbours cut out in one piece each."""
    first = np.flatnonzero(np.concatenate(([True], np.diff(lines) != 1)))
    last = np.append(first[1:], len(lines)) - 1
    starts = source.line_starts[lines[first]]
    after = lines[last] + 1
    bounds = np.append(source.line_starts, len(source.text))
    ends = bounds[after]
    text = b"".join([source.text[a:b] for a, b in zip(starts.tolist(), ends.tolist(), strict=True)])
    return PartSource(source.path, text, text, lines)


def _restarts(source: Source, job: JobMoves, lines: Ints | None) -> NDArray[np.bool_]:
    """(M,) True where moves were left out just before a move."""
    at = job.table.line_index if lines is None else lines[job.table.line_index]
    if not len(at):
        return np.zeros(0, bool)
    motion_so_far = at - np.searchsorted(source.side.line_index, at, side="right")
    before = motion_so_far - np.arange(len(at))
    return np.concatenate(([False], np.diff(before) > 0))


def _renumbered(job: JobMoves, lines: Ints, restarts: NDArray[np.bool_]) -> JobMoves:
    """The same moves under the whole job's line numbers, retraction counted afresh after
    each stretch that was left out."""
    table, others = job.table, job.others
    table = replace(
        table,
        line_index=lines[table.line_index],
        event_line_index=lines[table.event_line_index]
        if len(table.event_line_index)
        else table.event_line_index,
    )
    renumber = lines.tolist()
    others.modes_line[1:] = [renumber[at] for at in others.modes_line[1:]]
    others.notes[:] = [(renumber[at], note) for at, note in others.notes]
    for one in others.lost:
        one.line_index = renumber[one.line_index]
    others.feeds[:] = [(renumber[at], what, slot) for at, what, slot in others.feeds]
    job.feed_changes.lines[:] = [renumber[at] for at in job.feed_changes.lines]
    if others.end_line is not None:
        others.end_line = renumber[others.end_line]
    stated = {
        item: np.where(at < NEVER, lines[np.minimum(at, len(lines) - 1)], at)
        for item, at in job.known.stated.items()
    }
    known = replace(job.known, stated=stated)
    for name in ("event_line", "motion_line", "command_line"):
        listed = getattr(others, name)
        listed[:] = [renumber[at] for at in listed]
    for events in others.events.values():
        events.line_index[:] = [renumber[at] for at in events.line_index]
    with_start = np.append(lines, -1)
    tracks = {
        axis: replace(track, op_line=with_start[track.op_line])
        for axis, track in job.tracks.items()
    }
    deficit = read_deficit(table.e_step_mm + JUMP_MM * restarts, table, others)
    return replace(job, table=table, tracks=tracks, others=others, deficit_mm=deficit, known=known)


def _doubtful(
    job: JobMoves, marks: Ints, lines: Ints, restarts: NDArray[np.bool_], line_count: int
) -> Ints:
    """Segments between marks of which too little was read to be sure of their layer."""
    table = job.table
    count = len(marks)
    segment = np.searchsorted(marks, table.line_index, side="right") - 1
    prints = table.prints & ~restarts & (segment >= 0)
    ends = np.append(marks[1:], line_count)
    sure = _first_is_sure(table.line_index[prints], segment[prints], marks)
    sure &= _last_is_sure(job, restarts, segment, marks, ends)
    sure &= _one_height(job, segment, prints, marks, ends)
    read = np.bincount(
        np.searchsorted(marks, lines, side="right")[lines >= marks[0]] - 1, minlength=count
    )
    whole = read[:count] >= ends - marks
    return np.flatnonzero(~(sure | whole))


def _first_is_sure(line: Ints, segment: Ints, marks: Ints) -> NDArray[np.bool_]:
    """Printing begins within the lines read after the mark."""
    sure = np.zeros(len(marks), bool)
    sure[segment[line < marks[segment] + REACH]] = True
    return sure


def _last_is_sure(
    job: JobMoves, restarts: NDArray[np.bool_], segment: Ints, marks: Ints, ends: Ints
) -> NDArray[np.bool_]:
    """Before the next mark there is a move that states X, Y and E, and after it one that prints."""
    table, rows = job.table, np.arange(len(job.table))
    stated = np.ones(len(rows), bool)
    for axis in "XYE":
        stated &= job.tracks[axis].after != job.tracks[axis].before
    near = (segment >= 0) & (table.line_index >= ends[np.maximum(segment, 0)] - REACH)
    near &= table.line_index < ends[np.maximum(segment, 0)]
    run = np.cumsum(restarts)
    warm_run, print_run = np.full(len(marks), -1), np.full(len(marks), -2)
    warm_row, print_row = np.full(len(marks), len(rows)), np.full(len(marks), -1)
    warm = np.flatnonzero(near & stated)[::-1]
    warm_row[segment[warm]], warm_run[segment[warm]] = warm, run[warm]
    printed = np.flatnonzero(near & table.prints & ~restarts)
    print_row[segment[printed]], print_run[segment[printed]] = printed, run[printed]
    sure: NDArray[np.bool_] = (warm_row < print_row) & (warm_run == print_run)
    return sure


def _one_height(
    job: JobMoves, segment: Ints, prints: NDArray[np.bool_], marks: Ints, ends: Ints
) -> NDArray[np.bool_]:
    """All printing that was read, and every longer stretch between Z words, is at one height."""
    table, z_track = job.table, job.tracks["Z"]
    names_z = np.flatnonzero(z_track.after != z_track.before)
    at_mark = np.searchsorted(table.line_index, marks) - 1
    begin = np.concatenate((table.line_index[names_z], marks))
    height = np.concatenate((table.z_mm[names_z], table.z_mm[np.maximum(at_mark, 0)]))
    order = np.argsort(begin, kind="stable")
    begin, height = begin[order], height[order]
    which = np.searchsorted(marks, begin, side="right") - 1
    until = np.minimum(np.append(begin[1:], ends[-1]), ends[np.maximum(which, 0)])
    weighty = (which >= 0) & (until - begin > SHORT_RUN + 1)
    low, high = np.full(len(marks), np.inf), np.full(len(marks), -np.inf)
    for group, z in ((which[weighty], height[weighty]), (segment[prints], table.z_mm[prints])):
        np.minimum.at(low, group, z)
        np.maximum.at(high, group, z)
    level: NDArray[np.bool_] = high - low < 1e-6
    return level
