"""The look-ahead by doubling against its own recurrence."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.physics.lookahead import lower_to_reach, plan_speeds

NUMBERS = st.lists(
    st.tuples(st.floats(0, 1e5), st.one_of(st.floats(0, 1e4), st.just(np.inf))),
    min_size=1,
    max_size=70,
)


@pytest.mark.property
@settings(max_examples=200)
@given(NUMBERS)
def test_lower_to_reach_is_the_recurrence(pairs: list[tuple[float, float]]) -> None:
    """Rule: u[i] = min(cap[i], u[i-1] + gain[i])."""
    cap, gain = (np.array(column, dtype=np.float64) for column in zip(*pairs, strict=True))
    expected = [cap[0]]
    for i in range(1, len(cap)):
        expected.append(min(cap[i], expected[-1] + gain[i]))
    assert lower_to_reach(cap, gain) == pytest.approx(np.array(expected), rel=1e-12)


def test_lower_to_reach_climbs_far_without_losing_digits() -> None:
    """From rest over 200,000 tiny gains behind a huge one: the sum is exact to rounding."""
    gain = np.full(200_001, 0.01)
    cap = np.full(200_001, np.inf)
    cap[0] = 1e12
    cap[1] = 0.0
    reached = lower_to_reach(cap, gain)
    assert reached[-1] == pytest.approx(0.01 * 199_999, rel=1e-12)


def test_plan_speeds_by_hand() -> None:
    """Three moves of 2 a d = 100: up from rest, held at 150, down to rest."""
    entry, leave = plan_speeds(
        np.array([0.0, 400.0, 150.0]),
        np.zeros(3),
        np.full(3, 100.0),
        np.array([True, True, False]),
    )
    assert entry.tolist() == [0.0, 100.0, 100.0]
    assert leave.tolist() == [100.0, 100.0, 0.0]


def test_plan_speeds_at_a_cut_uses_both_rest_speeds() -> None:
    entry, leave = plan_speeds(
        np.array([4.0, 9.0]), np.array([4.0, 9.0]), np.full(2, 100.0), np.array([False, False])
    )
    assert entry.tolist() == [4.0, 9.0]
    assert leave.tolist() == [4.0, 9.0]
