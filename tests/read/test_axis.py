"""One axis through a job: a plain loop over its operations is the witness.

Meaning of the operations: NIST RS274NGC 3.5.18 (G92 makes the current point have the named
number) and 3.5.17 (G90/G91).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.read.axis import ADD, HOME, SET, SHIFT, UNKNOWN, AxisTrack, no_events, track_axis

Operation = tuple[int, float]


def track(operations: list[Operation]) -> AxisTrack:
    """One line for each operation; SET and ADD come from moves, the rest from other lines."""
    events = no_events()
    lines, values, absolute = [], [], []
    for line, (kind, value) in enumerate(operations):
        if kind in (SET, ADD):
            lines.append(line)
            values.append(value)
            absolute.append(kind == SET)
        else:
            events.add(line, kind, value)
    return track_axis(
        np.array(lines, np.int32),
        np.ones(len(lines), bool),
        np.array(values, float),
        np.array(absolute, bool),
        events,
    )


def plain_loop(operations: list[Operation]) -> list[tuple[float, float]]:
    """(number, machine position) after each operation, the machine at 0 to begin with."""
    number, shift, found = 0.0, 0.0, []
    for kind, value in operations:
        if kind == SET:
            number = value
        elif kind == ADD:
            number += value
        elif kind == SHIFT:
            number, shift = value, number + shift - value
        elif kind == HOME:
            number, shift = value, 0.0
        elif kind == UNKNOWN:
            number = math.nan
        found.append((number, number + shift))
    return found


places = st.integers(-50, 50).map(lambda v: v / 4)
operations = st.lists(
    st.one_of(
        st.tuples(st.sampled_from([SET, SET, ADD, SHIFT]), places),
        st.tuples(st.just(HOME), st.just(0.0)),
    ),
    max_size=25,
)


@pytest.mark.property
@settings(max_examples=150, deadline=None)
@given(operations)
def test_positions_are_those_of_a_plain_loop(ops: list[Operation]) -> None:
    found = track(ops)
    assert found.op_line.tolist() == [-1, *range(len(ops))]
    for row, (number, place) in enumerate(plain_loop(ops), 1):
        assert found.logical[row] == pytest.approx(number, abs=1e-9)
        assert found.physical[row] == pytest.approx(place, abs=1e-9)


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(operations)
def test_before_and_after_point_at_the_operations_of_each_move(ops: list[Operation]) -> None:
    found = track(ops)
    moves = [line for line, (kind, _) in enumerate(ops) if kind in (SET, ADD)]
    assert found.after.tolist() == [line + 1 for line in moves]
    assert found.before.tolist() == moves
    assert found.op_line.tolist() == list(range(-1, len(ops)))


def test_axis_a_move_does_not_name_stays() -> None:
    found = track_axis(
        np.array([0, 3, 5], np.int32),
        np.array([True, False, True]),
        np.array([4.0, np.nan, 7.0]),
        np.array([True, True, True]),
        no_events(),
    )
    assert found.logical[found.before].tolist() == [0.0, 4.0, 4.0]
    assert found.logical[found.after].tolist() == [4.0, 4.0, 7.0]


def test_unknown_lasts_until_the_next_absolute_word() -> None:
    found = track([(SET, 5.0), (UNKNOWN, 0.0), (ADD, 1.0), (SET, 9.0), (ADD, 1.0)])
    assert np.isnan(found.physical[2:4]).all()
    assert found.physical[4:].tolist() == [9.0, 10.0]


def test_home_clears_the_shift() -> None:
    found = track([(SET, 10.0), (SHIFT, 0.0), (SET, 5.0), (HOME, 0.0), (SET, 5.0)])
    assert found.physical.tolist() == [0.0, 10.0, 10.0, 15.0, 0.0, 5.0]


def test_long_relative_job_does_not_drift() -> None:
    """A hundred thousand steps of a tenth: the sum is off by less than a nanometre."""
    found = track([(ADD, 0.1)] * 100_000)
    assert found.logical[-1] == pytest.approx(10_000.0, abs=1e-6)
