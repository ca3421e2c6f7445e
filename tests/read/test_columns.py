"""Columns kept as runs give what the plain array gives (numpy's own indexing)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.model.columns import Counting, Steady, steady

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
