"""The column of filament fed by each move, kept as the job states it: as steps or as numbers."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.model.columns import Kept

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
_NO_JUMPS = np.empty(0, np.int64), np.empty(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Some rows: what each feeds, and the job's number for filament after each.

    Attributes
    ----------
    numbers : (K,) the number after each row; None where the steps tell it
    steps : (K,) what each row feeds; None where the numbers tell it
    before : the number before the first row; of steps: the last one stated as such
    jumps : rows that begin at another number than the row before ended with, and that number
    fed : the sum of all steps up to the first row, and up to where ``before`` was stated
    """

    numbers: Array | None = None
    steps: Array | None = None
    before: float = 0.0
    jumps: tuple[Ints, Array] = _NO_JUMPS
    fed: tuple[float, float] = (0.0, 0.0)

    def __len__(self) -> int:
        kept = self.numbers if self.steps is None else self.steps
        assert kept is not None
        return len(kept)

    def steps_of(self, begin: int, end: int) -> Array:
        """What some of the rows feed."""
        if self.steps is not None:
            return self.steps[begin:end]
        assert self.numbers is not None
        steps = np.empty(end - begin)
        np.subtract(self.numbers[begin + 1 : end], self.numbers[begin : end - 1], out=steps[1:])
        before = self.numbers[begin - 1] if begin else self.before
        steps[:1] = self.numbers[begin:end][:1] - before
        row, start = self.jumps
        low, high = np.searchsorted(row, (begin, end)).tolist()
        steps[row[low:high] - begin] = self.numbers[row[low:high]] - start[low:high]
        return steps

    def with_steps(self, steps: Array) -> Stretch:
        """The same numbers, but other steps."""
        numbers = self.counted_on(len(self))[0] if self.numbers is None else self.numbers
        return replace(self, numbers=numbers, steps=steps)

    def numbers_after(self, rows: Ints) -> Array:
        """The job's number after each of some rows."""
        numbers = self.numbers
        if numbers is None:
            numbers, _ = self.counted_on(int(rows.max()) + 1)
        return numbers[rows]

    def counted_on(self, count: int) -> tuple[Array, float]:
        """The number after each of the first steps, and the sum of all steps up to there."""
        assert self.steps is not None
        total = np.cumsum(np.concatenate((self.fed[:1], self.steps[:count])))
        return self.before + (total[1:] - self.fed[1]), float(total[-1])


class Fed(Kept):
    """Filament fed by each of M moves, of stretches that follow each other.

    Its parts (``column[rows]``) are arrays; in a calculation as a whole it is one too.
    """

    __slots__ = ("_first", "_stretches")

    def __init__(self) -> None:
        self._first, self._stretches = [0], list[Stretch]()

    def add(self, stretch: Stretch) -> None:
        self._first.append(self._first[-1] + len(stretch))
        self._stretches.append(stretch)

    def __len__(self) -> int:
        return self._first[-1]

    def numbers_after(self, rows: Ints) -> Array:
        """The job's number for filament after each of some moves; 0 before the first (-1)."""
        found, which = np.zeros(len(rows)), np.searchsorted(self._first, rows, side="right") - 1
        for at in sorted({*which[rows >= 0].tolist()}):  # np.unique takes 7 ms to load at first
            mine = which == at
            found[mine] = self._stretches[at].numbers_after(rows[mine] - self._first[at])
        return found

    def __getitem__(self, key: Any) -> Any:
        if isinstance(key, slice):
            begin, end, step = key.indices(len(self))
            return self._stretch(begin, end) if step == 1 else self._stretch(0, len(self))[key]
        if not isinstance(key, np.ndarray):
            row = int(key) + (len(self) if key < 0 else 0)
            if not 0 <= row < len(self):
                raise IndexError(f"row {key} of {len(self)}")
            return float(self._stretch(row, row + 1)[0])
        rows = np.flatnonzero(key) if key.dtype == np.bool_ else key
        order = np.argsort(rows, kind="stable") if (np.diff(rows) < 0).any() else slice(None)
        steps, rising = np.empty(len(rows)), rows[order]
        which = np.searchsorted(self._first, rising, side="right")
        cuts = [0, *(np.flatnonzero(np.diff(which)) + 1).tolist(), len(rows)]
        for begin, end in pairwise(cuts if len(rows) else ()):
            low, high = int(rising[begin]), int(rising[end - 1]) + 1
            if low < 0 or high > len(self):
                raise IndexError(f"rows of {len(self)}")
            mine = slice(begin, end) if isinstance(order, slice) else order[begin:end]
            steps[mine] = self._stretch(low, high)[rising[begin:end] - low]
        return steps

    def _stretch(self, begin: int, end: int) -> Array:
        if end <= begin:
            return np.empty(0)
        low = bisect_right(self._first, begin) - 1
        parts = []
        for first, stretch in zip(self._first[low:], self._stretches[low:], strict=False):
            if first >= end:
                break
            parts.append(stretch.steps_of(max(begin - first, 0), min(end - first, len(stretch))))
        return parts[0] if len(parts) == 1 else np.concatenate(parts)
