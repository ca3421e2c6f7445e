"""Colour against published values; sources beside each check."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.physics import colour
from tests.film.bt709 import rgb_to_ycbcr_8bit


# IEC 61966-2-1: the decoding form evaluated by hand.
@pytest.mark.parametrize(
    ("coded", "linear"),
    [
        (0.5, 0.214041),
        (128 / 255, 0.215861),
        (118 / 255, 0.181164),
        (10 / 255, 0.00303527),
        (0.0, 0.0),
        (1.0, 1.0),
    ],
)
def test_srgb_to_linear_gives_the_standards_values(coded, linear):
    assert colour.srgb_to_linear(coded) == pytest.approx(linear, abs=1e-6)


# IEC 61966-2-1: the encoding form evaluated by hand.
@pytest.mark.parametrize(("linear", "coded"), [(0.18, 0.461356), (0.5, 0.735357)])
def test_linear_to_srgb_gives_the_standards_values(linear, coded):
    assert colour.linear_to_srgb(linear) == pytest.approx(coded, abs=1e-6)


# ITU-R BT.709 weights on linear sRGB values; the primaries are the same.
def test_luminance_of_srgb_weighs_linear_light():
    assert colour.luminance_of_srgb([128, 64, 32]) == pytest.approx(0.0836027, abs=1e-7)
    assert sum(colour.BT709_WEIGHTS) == pytest.approx(1.0)


# ITU-R BT.709 items 3.4, 3.5: 100 % bars in 8-bit narrow range, as on any test-signal table.
@pytest.mark.parametrize(
    ("rgb", "ycbcr"),
    [
        ((255, 255, 255), (235, 128, 128)),
        ((0, 0, 0), (16, 128, 128)),
        ((255, 255, 0), (219, 16, 138)),
        ((0, 255, 255), (188, 154, 16)),
        ((0, 255, 0), (173, 42, 26)),
        ((255, 0, 255), (78, 214, 230)),
        ((255, 0, 0), (63, 102, 240)),
        ((0, 0, 255), (32, 240, 118)),
    ],
)
def test_the_films_reference_gives_the_bar_values(rgb, ycbcr):
    assert np.round(rgb_to_ycbcr_8bit(rgb)).tolist() == list(ycbcr)


def test_gain_table_works_in_linear_light_not_on_coded_values():
    table = colour.gain_table_8bit(2.0)
    assert table[118] == round(255 * float(colour.linear_to_srgb(2 * 0.181164)))
    assert table[118] != min(255, 2 * 118)
    assert table[0] == 0 and table[255] == 255


@pytest.mark.property
@settings(max_examples=60)
@given(st.floats(0, 1))
def test_curves_and_their_inverses_agree(value):
    assert colour.linear_to_srgb(colour.srgb_to_linear(value)) == pytest.approx(value, abs=1e-6)


@pytest.mark.property
@settings(max_examples=40)
@given(st.floats(0.25, 4.0))
def test_gain_table_never_falls_and_keeps_black(gain):
    table = colour.gain_table_8bit(gain).astype(int)
    assert table[0] == 0
    assert (np.diff(table) >= 0).all()


def test_linear_of_8bit_is_the_curve_at_every_code():
    assert colour.linear_of_8bit() == pytest.approx(
        colour.srgb_to_linear(np.arange(256) / 255), abs=1e-7
    )
