"""Columns kept as runs give what the plain array gives (numpy's own indexing)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.model.columns import Counting, Steady, steady
from capturehook.model.fed import Fed, Stretch

NUMBERS = st.lists(st.sampled_from([0.0, 0.2, 0.4, -1.5]), min_size=1, max_size=30)


@given(NUMBERS, st.data())
def test_a_steady_column_is_read_as_its_array(numbers: list[float], data: st.DataObject) -> None:
    whole = np.array(numbers)
    place = st.integers(0, len(whole))
    first, stop = sorted((data.draw(place), data.draw(place)))
    told = data.draw(st.sets(st.integers(0, len(whole) - 1)))
    rows = np.array(sorted(told), np.int64)
    column, array = steady(whole).view(first, stop), whole[first:stop]
    assert len(column) == len(array) and column.tolist() == array.tolist()
    part = slice(data.draw(place), data.draw(place), data.draw(st.sampled_from([None, 2, -1])))
    assert column[part].tolist() == array[part].tolist()
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=len(array), max_size=len(array))))
    assert column[mask.astype(bool)].tolist() == array[mask.astype(bool)].tolist()
    assert column.max(initial=-1.0) == array.max(initial=-1.0)
    if len(array):
        starts = np.array(sorted({0, *(row for row in told if row < len(array))}), np.int64)
        lows = np.minimum.reduceat(array, starts).tolist()
        assert column.of_groups(np.minimum, starts).tolist() == lows
        assert column.of_rising(starts).tolist() == array[starts].tolist()
    changed = whole.copy()
    changed[rows] = 7.0
    changed_column: Steady = steady(whole).with_values(rows, np.full(len(rows), 7.0))
    assert changed_column.tolist() == changed.tolist()
    if len(array):
        at = data.draw(st.integers(-len(array), len(array) - 1))
        assert column[at] == array[at] and column[np.array([at])].tolist() == [array[at]]
        with pytest.raises(IndexError):
            column[len(array)]
    assert np.array_equal(column * 2 - array, array)


@given(st.lists(st.booleans(), max_size=30), st.data())
def test_a_counting_column_is_read_as_its_array(flags: list[bool], data: st.DataObject) -> None:
    is_set = np.array(flags, np.bool_)
    column, array = Counting.of_flags(is_set), np.flatnonzero(is_set)
    assert len(column) == len(array) and np.asarray(column).tolist() == array.tolist()
    place = st.integers(-3, len(flags) + 3)
    part = slice(data.draw(place), data.draw(place), data.draw(st.sampled_from([None, 2, -1])))
    assert column[part].tolist() == array[part].tolist()
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=len(array), max_size=len(array))))
    assert column[mask.astype(bool)].tolist() == array[mask.astype(bool)].tolist()
    wanted = data.draw(st.lists(place))
    for side in ("left", "right"):
        found = np.searchsorted(array, wanted, side=side)
        assert column.searchsorted(wanted, side=side).tolist() == found.tolist()
        assert [column.searchsorted(one, side=side) for one in wanted] == found.tolist()
    if len(array):
        at = data.draw(st.integers(-len(array), len(array) - 1))
        assert column[at] == array[at] and column[np.array([at])].tolist() == [array[at]]
    with pytest.raises(IndexError):
        column[len(array)]


@given(st.lists(st.tuples(st.booleans(), NUMBERS), min_size=1, max_size=5), st.data())
def test_filament_is_fed_as_it_was_stated(
    stretches: list[tuple[bool, list[float]]], data: st.DataObject
) -> None:
    """Stretches of steps and of numbers, beside one list of each (plain sums)."""
    column, steps, numbers, fed = Fed(), list[float](), list[float](), 0.0
    for are_steps, words in stretches:
        before = numbers[-1] if numbers else 0.0
        if are_steps:
            column.add(Stretch(steps=np.array(words), before=before, fed=(fed, fed)))
            steps += words
            numbers += (before + np.cumsum(words)).tolist()
            fed += sum(words)
        else:
            jumps = sorted(data.draw(st.sets(st.integers(0, len(words) - 1))))
            start = dict.fromkeys(jumps, 2.0)  # G92 E2 before these
            begin = [start.get(at, one) for at, one in enumerate([before, *words[:-1]])]
            pair = np.array(jumps, np.int64), np.full(len(jumps), 2.0)
            column.add(Stretch(numbers=np.array(words), before=before, jumps=pair))
            steps += [end - first for end, first in zip(words, begin, strict=True)]
            numbers += words
    assert len(column) == len(steps) and column.tolist() == steps
    place = st.integers(0, len(steps) - 1)
    first, stop = sorted((data.draw(place), data.draw(place)))
    assert column[first:stop].tolist() == steps[first:stop]
    rows = data.draw(st.lists(place))
    for some in (rows, sorted(rows)):
        assert column[np.array(some, np.int64)].tolist() == [steps[row] for row in some]
    assert [column[row] for row in rows] == [steps[row] for row in rows]
    after = column.numbers_after(np.array([-1, *rows])).tolist()
    assert after == pytest.approx([0.0, *(numbers[row] for row in rows)], abs=1e-9)
    assert np.sum(column) == np.sum(steps)
