"""Numbers as G-code text."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_EVEN, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.model.numbers import fixed

# RS-274/NGC (NIST IR 6556, section 3.3.2.1): a number is an optional sign, digits, with at
# most one decimal point; there is no exponent.
NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [
        (8.0, 3, "8"),
        (215.25, 3, "215.25"),
        (-0.8, 3, "-0.8"),
        (-0.0, 3, "0"),
        (-0.0001, 3, "0"),
        (1e-5, 4, "0"),
        (1e-4, 4, "0.0001"),
        (100.0, 0, "100"),
        (1e17, 3, "100000000000000000"),
    ],
)
def test_fixed_writes_plain_decimals(value: float, places: int, text: str) -> None:
    assert fixed(value, places) == text


@pytest.mark.parametrize("value", [float("inf"), float("-inf"), float("nan")])
def test_fixed_without_a_finite_number_raises(value: float) -> None:
    with pytest.raises(ValueError, match="cannot be written"):
        fixed(value)


def test_fixed_with_five_places_raises() -> None:
    with pytest.raises(ValueError, match="0 to 4"):
        fixed(1.0, 5)


@pytest.mark.property
@given(st.floats(-1e6, 1e6), st.integers(0, 4))
def test_fixed_read_back_is_the_correctly_rounded_decimal(value: float, places: int) -> None:
    """Against Python's decimal module (General Decimal Arithmetic), rounding half to even."""
    text = fixed(value, places)
    assert NUMBER.fullmatch(text) and not text.startswith("-0.0000")
    assert text != "-0"
    right = Decimal(value).quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)
    assert Decimal(text) == right


@pytest.mark.property
@given(st.floats(-1e6, 1e6), st.integers(0, 4))
def test_fixed_of_its_own_text_changes_nothing(value: float, places: int) -> None:
    text = fixed(value, places)
    assert fixed(float(text), places) == text
