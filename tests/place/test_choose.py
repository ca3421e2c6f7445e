"""Which layers get a frame."""

from __future__ import annotations

import re
from fractions import Fraction
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from capturehook.errors import PlanError
from capturehook.model.profile import Capture
from capturehook.place.choose import choose_layers, evenly

Array = NDArray[np.float64]


def chosen(
    heights_mm: Array, layer_s: Array | None = None, stand_s: float = 0.0, **keys: Any
) -> list[int]:
    """Layers from 1, as a person counts them."""
    heights = np.asarray(heights_mm, float)
    seconds = np.full(len(heights), 10.0) if layer_s is None else np.asarray(layer_s, float)
    found = choose_layers(
        Capture(**keys),
        np.cumsum(heights),
        heights,
        np.ones(len(heights), np.int32),
        np.cumsum(seconds),
        np.cumsum(heights) ** 3,
        stand_s,
    )
    return (found + 1).tolist()


TEN = np.full(10, 0.2)


def test_without_a_wish_every_layer_from_the_second() -> None:
    assert chosen(TEN) == [2, 3, 4, 5, 6, 7, 8, 9, 10]


def test_every_layers_counts_from_the_first_allowed_and_ends_with_the_finished_part() -> None:
    assert chosen(TEN, every_layers=3) == [2, 5, 8, 10]
    assert chosen(TEN, every_layers=3, finished=False) == [2, 5, 8]
    assert chosen(TEN, every_layers=3, first_layer=1) == [1, 4, 7, 10]


def test_every_mm_with_variable_heights_grows_evenly() -> None:
    """Thin layers are passed over, thick ones are not."""
    heights = np.array([0.2, 0.05, 0.05, 0.05, 0.05, 0.3, 0.3, 0.1, 0.1, 0.1])
    # tops: .2 .25 .3 .35 .4 .7 1. 1.1 1.2 1.3
    assert chosen(heights, every_mm=0.2, first_layer=1) == [1, 5, 6, 7, 9, 10]


def test_every_s_is_never_twice_in_a_layer() -> None:
    assert chosen(TEN, np.full(10, 95.0), every_s=30) == [2, 3, 4, 5, 6, 7, 8, 9, 10]
    assert chosen(TEN, np.full(10, 10.0), every_s=30, first_layer=1) == [1, 4, 7, 10]


def test_film_s_and_fps_give_exactly_that_many_frames() -> None:
    heights = np.full(200, 0.2)
    assert len(chosen(heights, film_s=2, fps="25")) == 50
    assert len(chosen(heights, film_s=2, fps="30000/1001")) == 60
    assert len(chosen(heights, film_s=1, fps="30")) == 30


@pytest.mark.parametrize("spread", ["height", "volume", "time"])
def test_film_s_spreads_evenly_by_what_was_asked(spread: str) -> None:
    layer_s = np.linspace(5, 50, 300)
    got = np.array(chosen(np.full(300, 0.2), layer_s, film_s=1, fps="20", spread=spread))
    top = np.arange(1, 301) * 0.2
    measure = {"height": top, "volume": top**3, "time": np.cumsum(layer_s)}[spread]
    steps = np.diff(measure[got - 1])
    assert np.abs(steps - steps.mean()).max() <= np.diff(measure).max() + 1e-9


def test_layers_named_one_by_one_and_in_ranges() -> None:
    assert chosen(TEN, layers="2-4, 6 ,9-") == [2, 3, 4, 6, 9, 10]
    assert chosen(TEN, layers="3", first_layer=1) == [3]


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"layers": "0-4"}, r"\[capture\] layers: '0-4' is not a layer or a range of layers"),
        ({"layers": "40-2"}, "'40-2' runs backwards"),
        ({"layers": "40-60"}, "none of 10 layers is left: first_layer is 2, layers is '40-60'"),
        ({"first_layer": 11}, "none of 10 layers is left: first_layer is 11"),
        (
            {"film_s": 2, "fps": "30"},
            "9 layers give at most 0.3 s at 30 fps, 2 s are asked for. "
            "For 2 s use --film 2 --fps 4, or --film 0.3 and slow it down",
        ),
        (
            {"film_s": 0.3, "fps": "30", "min_gap_s": 21},
            "3 layers that are min_gap_s = 21 apart give at most 0.1 s at 30 fps, 0.3 s are "
            "asked for. For 0.3 s use --film 0.3 --fps 10, or --film 0.1 and slow it down",
        ),
        ({"frames_max": 4}, r"9 frames are wanted, 4 are allowed.*--every 3"),
        (
            {"frames_max": 4, "film_s": 0.2, "fps": "30"},
            r"6 frames.*use --film 0.2 --fps 20, or --film 0.13 and slow",
        ),
    ],
)
def test_wishes_that_cannot_be_met_are_refused_with_numbers(
    keys: dict[str, Any], message: str
) -> None:
    with pytest.raises(PlanError, match=message):
        chosen(TEN, **keys)


@pytest.mark.property
@settings(max_examples=200, deadline=None)
@given(
    count=st.integers(2, 300),
    film_s=st.floats(0.05, 900).map(lambda film: round(film, 2)),
    fps=st.sampled_from(["1", "24", "25", "30", "30000/1001", "60", "240"]),
)
def test_nearest_film_that_is_told_can_be_had(count: int, film_s: float, fps: str) -> None:
    """A refused wish comes with others; none of those is refused in its turn."""
    heights = np.full(count, 0.2)
    try:
        chosen(heights, film_s=film_s, fps=fps)
    except PlanError as fault:
        told = re.findall(r"--film ([0-9.]+)(?: --fps ([0-9.]+))?", fault.advice)
        assert told
        for film, speed in told:
            got = chosen(heights, film_s=float(film), fps=speed or fps)
            assert len(got) == max(1, round(float(film) * Fraction(speed or fps)))
        if len(told) == 2:
            assert float(told[0][0]) == pytest.approx(film_s, rel=0.5)


def test_119_layers_for_ten_seconds() -> None:
    """The count of frames is the product of the two: 9.9 s x 12 = 118.8 and 3.9 s x 30 = 117."""
    with pytest.raises(PlanError) as caught:
        chosen(np.full(120, 0.2), film_s=10, fps="30")
    assert caught.value.found == "119 layers give at most 3.9 s at 30 fps, 10 s are asked for"
    assert caught.value.advice.startswith("For 10 s use --film 9.9 --fps 12, or --film 3.9")


def test_frames_max_advice_fits() -> None:
    assert len(chosen(TEN, frames_max=4, every_layers=3)) <= 4


def test_min_gap_leaves_out_frames_and_keeps_the_finished_part() -> None:
    assert chosen(TEN, min_gap_s=25) == [2, 5, 10]
    assert chosen(TEN, min_gap_s=10) == [2, 3, 4, 5, 6, 7, 8, 9, 10]


def test_min_gap_counts_what_the_pose_itself_takes() -> None:
    assert chosen(TEN, min_gap_s=12, stand_s=2) == [2, 3, 4, 5, 6, 7, 8, 9, 10]
    assert chosen(TEN, min_gap_s=12, stand_s=1) == [2, 4, 6, 8, 10]


def test_film_s_with_a_gap_keeps_its_count_by_moving_frames() -> None:
    layer_s = np.array([30, 1, 1, 1, 1, 1, 30, 30, 30, 30.0])
    got = chosen(TEN, layer_s, film_s=5 / 30, fps="30", min_gap_s=20, first_layer=1)
    assert len(got) == 5
    assert np.diff(np.cumsum(layer_s)[np.array(got) - 1]).min() >= 20


heights = st.lists(st.sampled_from([0.05, 0.1, 0.12, 0.2, 0.3]), min_size=2, max_size=60)


@pytest.mark.property
@settings(max_examples=120, deadline=None)
@given(
    heights,
    st.fixed_dictionaries(
        {"first_layer": st.integers(1, 4), "finished": st.booleans()},
        optional={"layers": st.sampled_from(["2-", "1-5,8-", "3,4,7-50"])},
    ),
    st.one_of(
        st.builds(lambda n: {"every_layers": n}, st.integers(1, 7)),
        st.builds(lambda n: {"every_mm": n}, st.sampled_from([0.1, 0.25, 1.0])),
        st.builds(lambda n: {"every_s": n}, st.sampled_from([1.0, 25.0, 300.0])),
        st.builds(
            lambda n, spread: {"film_s": n / 25, "fps": "25", "spread": spread},
            st.integers(1, 40),
            st.sampled_from(["height", "volume", "time"]),
        ),
    ),
    st.sampled_from([0.0, 0.0, 15.0, 40.0]),
)
def test_chosen_layers_rise_lie_within_and_count_as_asked(
    layer_heights: list[float], bounds: dict[str, Any], rhythm: dict[str, Any], min_gap_s: float
) -> None:
    layer_s = np.asarray(layer_heights) * 80
    try:
        got = chosen(np.array(layer_heights), layer_s, **bounds, **rhythm, min_gap_s=min_gap_s)
    except PlanError:
        assume(False)
        return
    assert (np.diff(got) > 0).all()
    assert got[0] >= bounds["first_layer"]
    assert got[-1] <= len(layer_heights) - (not bounds["finished"])
    seconds = np.cumsum(layer_s)[np.array(got) - 1]
    assert (np.diff(seconds) >= min_gap_s - 1e-6).all()
    if "film_s" in rhythm:
        assert len(got) == round(rhythm["film_s"] * Fraction(25))
    if bounds["finished"] and "layers" not in bounds:
        assert got[-1] == len(layer_heights)
    if rhythm.get("every_mm") and not min_gap_s:
        grown = np.diff(np.cumsum(layer_heights)[np.array(got) - 1])
        assert (grown <= rhythm["every_mm"] + max(layer_heights) + 1e-9).all() or "layers" in bounds


@pytest.mark.property
@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.sampled_from([0.0, 0.05, 0.1, 0.2, 0.3, 3.0]), min_size=1, max_size=9),
    st.data(),
)
def test_evenly_is_as_even_as_any_choice_can_be(steps: list[float], data: st.DataObject) -> None:
    """Against every choice there is: the largest distance from the even targets."""
    grown = np.cumsum(steps)
    wanted = data.draw(st.integers(2, len(steps))) if len(steps) > 1 else 1
    got = evenly(grown, wanted)
    assert len(got) == wanted
    assert (np.diff(got) > 0).all()
    assert got[-1] == len(grown) - 1
    if wanted == 1:
        return
    targets = np.linspace(grown[0], grown[-1], wanted)
    every = np.array(list(combinations(range(len(grown)), wanted)))
    best = np.abs(grown[every] - targets).max(axis=1).min()
    assert np.abs(grown[got] - targets).max() <= best + 1e-9
