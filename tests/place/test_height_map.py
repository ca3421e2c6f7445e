"""The grid of tops: worked examples, and beads of any shape against plain geometry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from capturehook.model.moves import ARC_CCW, ARC_CW, LINE, MoveTable
from capturehook.place.height_map import (
    SAG_MM,
    HeightMap,
    bead_width_mm,
    chords,
    needs_map,
    printed_tops,
)
from tests.place import brute


def table(rows: list[tuple[float, ...]]) -> MoveTable:
    """Moves from rows of x0 y0 z0 x y z e_step cx cy turn; cx cy turn may be left out."""
    full = [(*row, math.nan, math.nan, 0.0)[:10] if len(row) == 7 else row for row in rows]
    x0, y0, z0, x, y, z, e, cx, cy, turn = np.array(full, dtype=float).reshape(-1, 10).T
    empty = np.zeros(0, dtype=np.int32)
    return MoveTable(
        line_index=np.arange(len(x0), dtype=np.int32),
        kind=np.where(turn > 0, ARC_CCW, np.where(turn < 0, ARC_CW, LINE)).astype(np.uint8),
        x0_mm=x0, y0_mm=y0, z0_mm=z0, x_mm=x, y_mm=y, z_mm=z, e_step_mm=e,
        feed_mm_min=np.full(len(x0), 1800.0), cx_mm=cx, cy_mm=cy, turn_rad=turn,
        event_line_index=empty, event_kind=empty.astype(np.uint8), event_s=empty.astype(float),
    )  # fmt: skip


@dataclass
class Layers:
    """The two columns of a LayerTable that are asked here."""

    z_mm: NDArray[np.float64]
    last_move: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.z_mm)


def layers_of(z_mm: list[float], ends: list[int]) -> Any:
    return Layers(np.array(z_mm), np.array(ends, dtype=np.int64))


def test_a_bead_marks_the_cells_it_touches_and_no_other() -> None:
    grid = HeightMap((0, 20), (0, 10), margin_mm=0)
    grid.add_moves(5.5, 4.5, 9.5, 4.5, 0.3, 0.5)
    expected = np.zeros((10, 20))
    expected[4, 5:10] = 0.3
    assert np.array_equal(grid.tops_mm, expected)
    assert grid.top_mm == 0.3


def test_a_bead_wider_than_a_cell_marks_every_cell_of_its_width() -> None:
    grid = HeightMap((0, 20), (0, 20), margin_mm=0)
    grid.add_moves(5.5, 10.5, 9.5, 10.5, 2.0, 4.0)
    expected = np.zeros((20, 20))
    expected[8:13, 3:12] = 2.0  # Y8.5 to 12.5, X3.5 to 11.5
    assert np.array_equal(grid.tops_mm, expected)


def test_a_lower_bead_laid_later_lowers_nothing() -> None:
    grid = HeightMap((0, 20), (0, 20), margin_mm=0)
    grid.add_moves(5, 5, 9, 5, 8.0, 0.5, object_no=1)
    grid.add_moves(5, 5, 15, 5, 0.2, 0.5, object_no=2)
    assert grid.tops_mm[5, 5] == 8.0 and grid.owner[5, 5] == 1
    assert grid.tops_mm[5, 14] == 0.2 and grid.owner[5, 14] == 2


def test_layers_added_in_turn_give_the_map_of_all_at_once() -> None:
    rng = np.random.default_rng(7)
    ends = rng.uniform(-15, 35, (400, 4))
    z = np.sort(rng.uniform(0.2, 9, 400))
    once, in_turn = (HeightMap((0, 20), (0, 20)) for _ in range(2))
    once.add_moves(*ends.T, z, 0.6)
    for part in np.array_split(np.arange(400), 9):
        in_turn.add_moves(*ends[part].T, z[part], 0.6)
    assert np.array_equal(once.tops_mm, in_turn.tops_mm)
    assert once.top_mm == in_turn.top_mm == z[-1]


def test_a_print_beyond_the_grid_goes_into_its_rim() -> None:
    grid = HeightMap((0, 20), (0, 20), margin_mm=5)
    grid.add_moves(60, 10, 80, 10, 3.0, 0.5)
    assert grid.highest_swept((24.5, 10), (24.5, 10), (0.1,) * 4).top_mm == 3.0
    assert grid.highest_under([(10, 10)], 5) == 0


def test_a_long_job_is_laid_in_chunks_without_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(8)
    ends, z = rng.uniform(0, 100, (60, 4)), rng.uniform(1, 9, 60)
    whole, chunked = (HeightMap((0, 100), (0, 100)) for _ in range(2))
    whole.add_moves(*ends.T, z, 0.6)
    monkeypatch.setattr("capturehook.place.height_map.CHUNK", 50)
    chunked.add_moves(*ends.T, z, 0.6)
    assert np.array_equal(whole.tops_mm, chunked.tops_mm)


def test_no_moves_leave_the_bed_bare() -> None:
    grid = HeightMap((0, 20), (0, 20))
    grid.add_moves([], [], [], [], [], [])
    assert grid.top_mm == 0 and not grid.tops_mm.any()


def test_highest_under_a_path_with_corners_sees_every_leg() -> None:
    grid = HeightMap((0, 100), (0, 100))
    grid.add_moves(80.5, 40.5, 80.5, 41.5, 7.0, 0.4)
    assert grid.highest_under([(10, 10), (80, 10), (80, 90)], 2.0) == 7.0
    assert grid.highest_under([(10, 10), (10, 90), (80, 90)], 2.0) == 0.0


def test_a_slanting_sweep_sees_all_columns_it_crosses_in_a_row() -> None:
    """At X23.5 the line from 0,0 to 40,10 is at Y5.875: in the same row of cells as Y5.5."""
    grid = HeightMap((0, 100), (0, 100))
    grid.add_moves(23.4, 5.5, 23.6, 5.5, 7.0, 0.1)
    assert grid.highest_swept((0, 0), (40, 10), (0, 0, 0, 0)).top_mm == 7.0
    assert grid.highest_swept((40, 10), (0, 0), (0, 0, 0, 0)).top_mm == 7.0
    assert grid.highest_swept((0, 2), (40, 12), (0, 0, 0, 0)).top_mm == 0.0


def test_peak_tells_place_and_object() -> None:
    grid = HeightMap((0, 100), (0, 100))
    grid.add_moves(30.2, 40.2, 30.8, 40.8, 7.0, 0.1, object_no=3)
    peak = grid.highest_swept((0, 0), (60, 80), (2, 2, 2, 2))
    assert (peak.top_mm, peak.x_mm, peak.y_mm, peak.object_no) == (7.0, 30.5, 40.5, 3)
    standing = grid.standing(3)
    assert (standing.x_mm, standing.y_mm, standing.top_mm) == (30.5, 40.5, 7.0)
    assert grid.standing(4).top_mm == 0
    # a skirt round all objects, laid first, is not where this one stands
    grid.add_moves(5.2, 5.2, 94.8, 5.2, 0.3, 0.4, object_no=3)
    assert (grid.standing(3).x_mm, grid.standing(3).y_mm) == (30.5, 40.5)


def test_add_table_lays_only_what_prints() -> None:
    grid = HeightMap((0, 100), (0, 100))
    moves = table(
        [
            (0, 0, 9, 50, 50, 9, 0.0),  # travel
            (50, 50, 0.2, 50, 50, 0.2, 0.8),  # un-retract on the spot
            (50, 50, 0.2, 60, 50, 0.4, 0.5),  # prints, rising
            (60, 50, 5, 70, 50, 5, 0.5),  # prints, but not asked for
        ]
    )
    grid.add_table(moves, 0, 3, width_mm=0.45, object_no=2)
    assert grid.top_mm == 0.4
    assert grid.highest_under([(0, 0), (45, 45)], 1) == 0
    assert grid.standing(2).x_mm == pytest.approx(55, abs=1)


def test_add_table_lays_an_arc_along_its_round_way() -> None:
    grid = HeightMap((0, 100), (0, 100))
    half_circle = (70, 50, 1, 30, 50, 1, 2.0, 50, 50, math.pi)
    grid.add_table(table([half_circle]), 0, 1, width_mm=0.45)
    turn = np.linspace(0, math.pi, 50)
    for x, y in np.column_stack([50 + 20 * np.cos(turn), 50 + 20 * np.sin(turn)]):
        assert grid.highest_under([(x, y)], 0.01) == 1
    assert grid.highest_under([(32, 50), (68, 50)], 0.5) == 0
    assert grid.highest_under([(50, 30)], 2) == 0


@pytest.mark.parametrize("begin", [0.0, 0.7, 2.5, -1.9])
@pytest.mark.parametrize("turn", [math.pi / 3, -math.pi, 2 * math.pi])
def test_chords_of_an_arc_have_its_length_and_stay_near_it(begin: float, turn: float) -> None:
    """Arc length r a, and a chord leaves its arc by r (1 - cos(a/2)): any geometry handbook."""
    start, end = ((50 + 20 * math.cos(a), 30 + 20 * math.sin(a)) for a in (begin, begin + turn))
    moves = table([(*start, 1, *end, 1, 2.0, 50, 30, turn)])
    x0, y0, x1, y1, of = chords(moves, np.array([0]))
    assert (of == 0).all()
    assert (x0[0], y0[0]) == pytest.approx(start)
    assert np.hypot(x1 - x0, y1 - y0).sum() == pytest.approx(20 * abs(turn), rel=2e-3)
    middle = np.hypot((x0 + x1) / 2 - 50, (y0 + y1) / 2 - 30)
    assert (20 - middle <= SAG_MM + 1e-9).all() and (middle <= 20).all()
    assert np.hypot(x1 - 50, y1 - 30) == pytest.approx(20)
    assert (x1[-1], y1[-1]) == pytest.approx(end)


def test_bead_width_of_a_known_bead() -> None:
    """Worked by hand: 0.45 x 0.2 mm, area 0.2 x 0.25 + pi 0.2^2/4 = 0.08142 mm2, which takes
    0.33849 mm of 1.75 mm filament (2.40528 mm2) for 10 mm of bead."""
    assert bead_width_mm(0.338495, 10, 0.2, 1.75) == pytest.approx(0.45, abs=1e-5)
    assert bead_width_mm([1.0, 1.0], [0.0, 10.0], [0.2, 0.2], 1.75)[0] == 5.0


def test_needs_map_when_a_second_object_starts_beside_a_finished_one() -> None:
    rows = [(0, 0, z, 9, 0, z, 1.0) for z in (0.2, 5.0, 10.0, 0.2, 5.0)]
    layers = layers_of([0.2, 5, 10, 0.2, 5], [0, 1, 2, 3, 4])
    assert needs_map(layers, printed_tops(table(rows), layers))
    layers = layers_of([0.2, 5, 10], [0, 1, 2])
    assert not needs_map(layers, printed_tops(table(rows[:3]), layers))


def test_needs_map_passes_over_a_purge_line_and_travel_above() -> None:
    rows = [(0, 0, 0.3, 9, 0, 0.3, 1.0), (9, 0, 40, 0, 0, 40, 0.0), (0, 0, 0.2, 9, 0, 0.2, 1.0)]
    moves, layers = table(rows), layers_of([0.2], [2])
    tops = printed_tops(moves, layers)
    assert tops.tolist() == [0.3] and not needs_map(layers, tops)


place = st.floats(-10, 50)
BEADS = st.lists(
    st.tuples(place, place, place, place, st.floats(0.1, 20), st.floats(0.1, 3)),
    min_size=1,
    max_size=8,
)


@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(BEADS, place, place, st.floats(0, 6))
def test_no_point_of_a_bead_is_above_the_map(
    beads: list[tuple[float, ...]], x: float, y: float, half_mm: float
) -> None:
    """Point-to-segment distance says a bead is within reach: the map must be at least as high."""
    grid = HeightMap((0, 40), (0, 40), margin_mm=20)
    raw = np.array(beads)
    grid.add_moves(*raw.T)
    distance = brute.point_to_segments(np.array([x]), np.array([y]), raw)[0]
    near = distance <= half_mm + raw[:, 5] / 2
    assert grid.highest_under([(x, y)], half_mm) >= raw[near, 4].max(initial=0.0)


@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(BEADS, st.tuples(place, place), st.tuples(place, place), st.tuples(*[st.floats(0, 9)] * 4))
def test_a_sweep_sees_what_fine_sampling_sees_and_not_much_more(
    beads: list[tuple[float, ...]],
    a: tuple[float, float],
    b: tuple[float, float],
    reach: tuple[float, float, float, float],
) -> None:
    """Between the raw beads under the rectangle and those within 3 mm of it (a cell, its rim)."""
    grid = HeightMap((0, 40), (0, 40), margin_mm=20)
    raw = np.array(beads)
    grid.add_moves(*raw.T)
    top = grid.highest_swept(a, b, reach).top_mm
    p = brute.samples(np.array([*a, 0.0]), np.array([*b, 0.0]))
    exact = brute.Block("part", *reach, 0, 0)
    grown = brute.Block("part", *(side + 3 for side in reach), 0, 0)
    assert top >= brute.tallest_touched(p, exact, raw)
    assert top <= brute.tallest_touched(p, grown, raw)
