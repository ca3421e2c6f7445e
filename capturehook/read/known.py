"""What of the state a job has stated, line by line: from where on it is unknown, until where.

Restated means: an axis by an absolute word, E by an absolute word or by G92 (in relative mode
its number does not matter), the feed by an F, the retraction by the next move that lays
plastic. Modes count as kept, since the job itself goes on by them.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import GcodeError
from capturehook.model import moves
from capturehook.model.columns import Lines
from capturehook.model.effects import EVERYTHING, Note
from capturehook.read.effects import KEEP, NEVER, Lost
from capturehook.read.others import Others
from capturehook.read.source import Source
from capturehook.read.tokens import MODAL

Array = NDArray[np.float64]
Rows = NDArray[np.int64]

_NAMES = {
    "XYZ": "nozzle position",
    "E": "the number for E",
    "F": "the feed",
    "R": "how far filament is retracted",
}


@dataclass(frozen=True)
class Known:
    """The unknown stretches of a job, one for each command that made something unknown.

    ``stated`` holds for each item the line that states it again after each of ``lost``.
    """

    lost: list[Lost] = field(default_factory=list)
    stated: dict[str, Rows] = field(default_factory=dict, repr=False)

    @cached_property
    def _of_item(self) -> dict[str, tuple[list[int], list[int]]]:
        """For each item the lines from which it is unknown, and which of ``lost`` each is."""
        found: dict[str, tuple[list[int], list[int]]] = {item: ([], []) for item in EVERYTHING}
        for at, one in enumerate(self.lost):
            for item in one.items:
                found[item][0].append(one.line_index)
                found[item][1].append(at)
        return found

    def unknown_at(self, line_index: int, *, e_counts: bool) -> tuple[str, Lost] | None:
        """Which items are unknown just before a line, and the last command that made them so.

        ``e_counts``: E words are places there, so its number matters.
        """
        items, latest = "", -1
        for item in EVERYTHING:
            if item == "E" and not e_counts:
                continue
            lines, which = self._of_item[item]
            at = bisect_left(lines, line_index) - 1
            if at >= 0 and self._until(item, which[at]) >= line_index:
                items, latest = items + item, max(latest, which[at])
        return (items, self.lost[latest]) if items else None

    def _until(self, item: str, at: int) -> int:
        one = self.lost[at]
        until = int(self.stated[item][at])
        return max(until, one.until) if one.frame and item in "XYZ" else until

    def spans(self) -> Rows:
        """(K, 2) the unknown stretches as spans; where only E is unknown they end earlier."""
        ends = [
            max((self._until(item, at) for item in one.items if item != "E"), default=0)
            for at, one in enumerate(self.lost)
        ]
        pairs = [(one.line_index, end) for one, end in zip(self.lost, ends, strict=True) if end]
        return np.array(pairs, np.int64).reshape(-1, 2)


def reason(unknown: tuple[str, Lost]) -> str:
    """ "nozzle position unknown after `G28 W` on line 790"."""
    items, one = unknown
    name = next(text for letters, text in _NAMES.items() if set(letters) & set(items))
    return f"{name} unknown after `{one.command}` on line {one.line_index + 1}"


class NextRows:
    """For some rows the first from each on that states an item, found while all rows go by.

    ``row`` (K,) are those found so far, ``none`` where there is none.
    """

    def __init__(self, starts: Rows, none: int) -> None:
        self._order = np.argsort(starts, kind="stable")
        self._starts, self._done = starts[self._order], 0
        self.row = np.full(len(starts), none)

    def note(self, rows: NDArray[np.signedinteger]) -> None:
        """Rows that state the item, rising, all behind those noted before."""
        if not len(rows) or self._done == len(self._starts):
            return
        part = slice(self._done, int(np.searchsorted(self._starts, rows[-1], side="right")))
        self.row[self._order[part]] = rows[np.searchsorted(rows, self._starts[part])]
        self._done = part.stop


def rows_after(lost: list[Lost], line_index: Lines) -> Rows:
    """The first move behind each line that made something unknown."""
    lines = np.array([one.line_index for one in lost], np.int64)
    return line_index.searchsorted(lines, side="right").astype(np.int64)


def known_state(
    lost: list[Lost],
    line_index: Lines,
    states: dict[str, Rows],
    e_resets: list[int],
) -> Known:
    """When each lost item is stated again.

    Parameters
    ----------
    states : for each item the row that states it again after each of ``lost``
    e_resets : lines that state the number for E otherwise (G92), rising
    """
    if not lost:
        return Known()
    stated = {}
    for item in EVERYTHING:
        rows = states[item]
        lines = np.full(len(rows), NEVER)
        lines[rows < len(line_index)] = line_index[rows[rows < len(line_index)]]
        if item == "E" and e_resets:
            at = np.searchsorted(e_resets, [one.line_index + 1 for one in lost])
            lines = np.minimum(lines, np.append(np.array(e_resets, np.int64), NEVER)[at])
        stated[item] = lines
    return Known(lost, stated)


@dataclass(frozen=True)
class FeedChanges:
    """Feeds that change at a line that is no move: lines, and the F in force after each."""

    lines: list[int] = field(default_factory=list)
    feeds_mm_min: list[float] = field(default_factory=list)

    def at(self, line_index: Rows, move_line: Rows, feed_mm_min: Array) -> Array:
        """F just before some lines, where the last move before each has ``feed_mm_min``."""
        lines, feeds = np.array([-1, *self.lines]), np.array([0.0, *self.feeds_mm_min])
        last = np.searchsorted(lines, line_index) - 1
        return np.where((last > 0) & (lines[last] > move_line), feeds[last], feed_mm_min)


def change_feeds(
    feeds: Sequence[tuple[int, int, int]],
    line_index: Lines,
    has_f: Rows,
    feed: Array,
) -> FeedChanges:
    """Carry out what other lines do to the feed, in place, up to the next of the rows with an F."""
    stated = np.append(has_f, len(feed))
    rows = line_index.searchsorted([line for line, _, _ in feeds]).tolist()
    next_f = stated[np.searchsorted(stated, rows)].tolist()
    slots: dict[int, float] = {}
    changes = FeedChanges()
    row_of_now, now = -1, 0.0
    for at, (line, what, slot) in enumerate(feeds):
        row = rows[at]
        if row != row_of_now:
            now = float(feed[row - 1]) if row else 0.0
        if what == KEEP:
            slots[slot] = now
        else:
            now = slots[slot]
        stop = next_f[at] if at + 1 == len(feeds) else min(next_f[at], rows[at + 1])
        feed[row:stop] = now
        row_of_now = row
        changes.lines.append(line)
        changes.feeds_mm_min.append(now)
    return changes


def refuse_moves_after_end(source: Source, line_index: Lines, others: Others) -> None:
    """Moves after the line at which the firmware ends the job: refused, or a note on them."""
    assert others.end_line is not None
    if not len(line_index) or line_index[-1] <= others.end_line:
        return
    code = others.command[others.command_line.index(others.end_line)]
    if others.end_goes_on:
        raise GcodeError(
            source.where(others.end_line),
            f"{code} ends the program, but moves follow it",
            "Slice the model again without that command",
        )
    text = f"{code} ends the job here: the lines after it are not run, so no pose stands there"
    others.notes.append((others.end_line, Note("lines-after-end", text)))


def spans_of_words_alone(line_index: Lines, kind: NDArray[np.uint8]) -> NDArray[np.int64]:
    """(K, 2) lines between which a G1 of ours would change what words alone mean."""
    is_modal = kind == MODAL
    if not is_modal.any():
        return np.empty((0, 2), np.int64)
    rows = np.flatnonzero(is_modal)
    index = np.maximum.accumulate(np.where(is_modal, 0, np.arange(len(kind))))
    rows = rows[(kind[index[rows]] != moves.LINE) & (rows > 0)]
    return np.stack((line_index[rows - 1], line_index[rows]), axis=1).astype(np.int64)
