"""Columns of moves that are not kept number by number."""

from __future__ import annotations

from typing import Any, Literal, overload

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin
from numpy.typing import DTypeLike, NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Side = Literal["left", "right"]


class Kept(NDArrayOperatorsMixin):
    """A column of which each stretch of rows is made when it is asked for."""

    __slots__ = ()
    dtype: np.dtype[Any] = np.dtype(np.float64)

    def __len__(self) -> int:
        raise NotImplementedError

    def _stretch(self, begin: int, end: int) -> NDArray[Any]:
        raise NotImplementedError

    @property
    def shape(self) -> tuple[int]:
        return (len(self),)

    def tolist(self) -> list[Any]:
        return list(self._stretch(0, len(self)).tolist())

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> NDArray[Any]:
        return self._stretch(0, len(self)).astype(dtype or self.dtype, copy=False)

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **names: Any) -> Any:
        whole = (np.asarray(one) if isinstance(one, Kept) else one for one in inputs)
        return getattr(ufunc, method)(*whole, **names)


class Steady(Kept):
    """A column of numbers that stay alike for many rows, as heights and feeds do.

    Its parts (``column[rows]``) are arrays; in a calculation as a whole it is one too.
    ``row`` (K,) are the rows, rising from 0, from which each of ``value`` (K,) holds.
    """

    __slots__ = ("_first", "_row", "_stop", "_value")

    def __init__(self, row: Ints, value: Array, first: int, stop: int) -> None:
        self._row, self._value, self._first, self._stop = row, value, first, stop

    def view(self, first: int, stop: int) -> Steady:
        """Rows ``first`` to ``stop`` as a column of their own, nothing copied."""
        return Steady(self._row, self._value, self._first + first, self._first + stop)

    def with_values(self, rows: Ints, values: Array) -> Steady:
        """The same but for some rows, rising."""
        if not len(rows):
            return self
        row = merged(self._row, rows + self._first, rows + self._first + 1)
        value = self._value[np.searchsorted(self._row, row, side="right") - 1]
        value[np.searchsorted(row, rows + self._first)] = values
        return Steady(row, value, self._first, self._stop)

    def __len__(self) -> int:
        return self._stop - self._first

    def max(self, *, initial: float) -> float:
        """The greatest number, at least ``initial``."""
        low, high = self._runs(self._first, self._stop)
        return float(self._value[low:high].max(initial=initial)) if len(self) else initial

    @overload
    def __getitem__(self, key: int) -> float: ...

    @overload
    def __getitem__(self, key: slice | NDArray[Any]) -> Array: ...

    def __getitem__(self, key: int | slice | NDArray[Any]) -> float | Array:
        if isinstance(key, slice):
            begin, end, step = key.indices(len(self))
            part = self._stretch(begin, end) if step > 0 else self._stretch(0, len(self))
            return part[::step] if step > 0 else part[key]
        if not isinstance(key, np.ndarray):
            row = key + len(self) if key < 0 else key
            if not 0 <= row < len(self):
                raise IndexError(f"row {key} of {len(self)}")
            return float(self._value[self._row.searchsorted(row + self._first, side="right") - 1])
        if key.dtype == np.bool_:
            return self._masked(key)
        rows = np.where(key < 0, key + len(self), key)
        if rows.size and (rows.min() < 0 or rows.max() >= len(self)):
            raise IndexError(f"rows of {len(self)}")
        return self._value[self._row.searchsorted(rows + self._first, side="right") - 1]

    def _runs(self, begin: int, end: int) -> tuple[int, int]:
        """The runs that reach into some rows."""
        low = int(self._row.searchsorted(begin, side="right")) - 1
        return low, max(int(self._row.searchsorted(end, side="left")), low)

    def _stretch(self, begin: int, end: int) -> Array:
        if end <= begin:
            return np.empty(0)
        begin, end = begin + self._first, end + self._first
        low, high = self._runs(begin, end)
        if high - low == 1:
            return np.full(end - begin, self._value[low])
        edges = self._row[low : high + 1].copy()
        edges[0] = begin
        return np.repeat(self._value[low:high], np.diff(edges[: high - low], append=end))

    def _masked(self, mask: NDArray[np.bool_]) -> Array:
        if len(mask) != len(self):
            raise IndexError(f"{len(mask)} flags for {len(self)} rows")
        if not len(mask):
            return np.empty(0)
        return self.rising(np.flatnonzero(mask))

    def rising(self, rows: NDArray[np.signedinteger]) -> Array:
        """The numbers of some rows, rising: sooner than of any rows."""
        low, high = self._span(rows)
        return self[rows] if len(rows) < high - low else self.of_rising(rows)[:]

    def of_rising(self, rows: NDArray[np.signedinteger]) -> Steady:
        """Some rows, rising, as a column of their own."""
        low, high = self._span(rows)
        begins = np.searchsorted(rows, self._row[low:high] - self._first)
        begins[:1] = 0
        return Steady(begins, self._value[low:high], 0, len(rows))

    def _span(self, rows: NDArray[np.signedinteger]) -> tuple[int, int]:
        """The runs from the first of some rising rows to the last."""
        if not len(rows):
            return 0, 0
        return self._runs(self._first + int(rows[0]), self._first + int(rows[-1]) + 1)

    def of_groups(self, ufunc: np.ufunc, starts: Ints) -> Array:
        """``ufunc.reduceat``, for one to which repeats do not matter, such as np.maximum."""
        edges = merged(self._row - self._first, starts)
        edges = edges[(edges >= 0) & (edges < len(self))]
        return np.asarray(ufunc.reduceat(self[edges], np.searchsorted(edges, starts)))


Column = Array | Steady


class Counting(Kept):
    """A rising column that counts on by one for many rows, as the lines of moves do.

    ``row`` (K + 1,) are the rows, rising from 0 to past the last, from which each of ``value``
    (K,) is counted on.
    """

    __slots__ = ("_row", "_value")
    dtype = np.dtype(np.int64)

    def __init__(self, row: Ints, value: Ints) -> None:
        self._row, self._value = row, value

    @classmethod
    def of_flags(cls, flags: NDArray[np.bool_]) -> Counting:
        """The places of those that are set, as np.flatnonzero gives them."""
        edges = np.flatnonzero(flags[1:] != flags[:-1]) + 1
        edges = np.concatenate(([0] * bool(flags[:1].any()), edges, [len(flags)] * 2))
        edges = edges[: len(edges) // 2 * 2].astype(np.int64)  # where none is set: one empty run
        starts, ends = edges[::2], edges[1::2]
        return cls(np.cumsum(np.append(0, ends - starts)), starts)

    def __len__(self) -> int:
        return int(self._row[-1])

    @overload
    def __getitem__(self, key: int) -> int: ...

    @overload
    def __getitem__(self, key: slice | NDArray[Any]) -> Ints: ...

    def __getitem__(self, key: int | slice | NDArray[Any]) -> int | Ints:
        if isinstance(key, slice):
            begin, end, step = key.indices(len(self))
            return self._stretch(begin, end) if step == 1 else self._stretch(0, len(self))[key]
        rows = np.flatnonzero(key) if np.asarray(key).dtype == np.bool_ else np.asarray(key)
        rows = np.where(rows < 0, rows + len(self), rows)
        if rows.size and (rows.min() < 0 or rows.max() >= len(self)):
            raise IndexError(f"rows of {len(self)}")
        at = self._row.searchsorted(rows, side="right") - 1
        numbers: Ints = rows - self._row[at] + self._value[at]
        return numbers if numbers.ndim else int(numbers)

    def _stretch(self, begin: int, end: int) -> Ints:
        low = int(self._row.searchsorted(begin, side="right")) - 1
        high = max(int(self._row.searchsorted(end, side="left")), low)
        lead = self._value[low:high] - self._row[low:high]
        edges = np.clip(self._row[low : high + 1], begin, end)
        return np.arange(begin, max(begin, end)) + np.repeat(lead, np.diff(edges))

    def searchsorted(self, numbers: Any, side: Side = "left") -> Ints:
        """As np.searchsorted."""
        wanted = np.asarray(numbers)
        at = np.maximum(self._value.searchsorted(wanted, side=side) - 1, 0)
        begin = self._row[at]
        reached = wanted - self._value[at] + (side == "right")
        return np.asarray(begin + np.clip(reached, 0, self._row[at + 1] - begin))


Lines = Ints | Counting
"""Lines of a job, rising."""


def merged(*rising_rows: Ints) -> Ints:
    """All of some rising rows, rising, each once: sooner than np.unique, which sorts by hashes."""
    rows = np.concatenate(rising_rows)
    rows.sort(kind="stable")
    is_new = np.ones(len(rows), np.bool_)
    np.not_equal(rows[1:], rows[:-1], out=is_new[1:])
    return rows[is_new]


def rising(column: NDArray[Any] | Steady, rows: NDArray[np.signedinteger]) -> NDArray[Any]:
    """Some rising rows of a column of either kind."""
    return column.rising(rows) if isinstance(column, Steady) else column[rows]


class SteadyBuilder:
    """Gathers a Steady column from its first row on."""

    def __init__(self, before: float = 0.0) -> None:
        self.last = before
        self._rows, self._values = [np.zeros(1, np.int64)], [np.array([before])]

    def put(self, rows: NDArray[np.signedinteger], values: Array) -> None:
        """From each of some rows on, rising and none before those put already, a number holds."""
        changes = np.flatnonzero(np.diff(values, prepend=self.last) != 0)
        if len(changes):
            self.last = float(values[-1])
            self._rows.append(rows[changes].astype(np.int64))
            self._values.append(values[changes])

    def column(self, length: int) -> Steady:
        return Steady(np.concatenate(self._rows), np.concatenate(self._values), 0, length)


def steady(column: Array) -> Steady:
    """An array as such a column."""
    builder = SteadyBuilder(float(column[0]) if len(column) else 0.0)
    builder.put(np.arange(len(column)), column)
    return builder.column(len(column))
