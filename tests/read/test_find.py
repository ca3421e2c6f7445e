"""Moves and marks become layers; hops, purges, empty marks and false heights do not."""

from __future__ import annotations

import numpy as np
import pytest

from capturehook.errors import LayerError
from capturehook.model.layers import LayerTable
from tests.read.reading_layers import layers_of, square
from tests.small_jobs import Recipe, make_job

START = ("G28", "G90", "M83")


def z_of(table: LayerTable) -> list[float]:
    return [round(float(z), 6) for z in table.z_mm]


def test_marks_make_layers_and_what_comes_before_the_first_is_none() -> None:
    table, marks, job = layers_of(
        *START,
        *square(0.3, x_mm=5),  # a purge, before any mark
        ";LAYER_CHANGE",
        *square(0.2),
        ";LAYER_CHANGE",
        *square(0.4),
    )
    assert table.marks == "layer_change_z" == marks[0].name
    assert z_of(table) == [0.2, 0.4]
    printing = np.flatnonzero(job.table.prints)
    assert table.first_move.tolist() == printing[[4, 8]].tolist()
    assert table.last_move.tolist() == printing[[7, 11]].tolist()


def test_mark_without_plastic_is_no_layer() -> None:
    table, _, _ = layers_of(
        *START, ";LAYER:0", *square(0.2), ";LAYER:1", "G1 Z.4", ";LAYER:2", *square(0.6)
    )
    assert z_of(table) == [0.2, 0.6]
    assert table.height_mm.tolist() == pytest.approx([0.2, 0.4])


def test_hop_is_no_layer_with_marks_or_without() -> None:
    hop = ["G1 E-1", "G1 Z5 F900", "G1 X101 Y51 F9000", "G1 Z0.2 F900", "G1 E1", "G1 X105 E.2"]
    for mark in ([";LAYER:0"], []):
        table, _, _ = layers_of(
            *START, *mark, *square(0.2), *hop, *(m[:-1] + "1" for m in mark), *square(0.4)
        )
        assert z_of(table) == [0.2, 0.4]


def test_layers_from_heights_alone() -> None:
    table, marks, _ = layers_of(*START, *square(0.3), *square(0.4), *square(0.405), *square(0.7))
    assert (marks, table.marks) == ([], "geometry")
    assert z_of(table) == [0.3, 0.4, 0.7]  # 5 um are no new layer
    assert table.height_mm.tolist() == pytest.approx([0.3, 0.1, 0.3])


def test_marks_that_do_not_fit_the_moves_are_not_believed() -> None:
    levels = [line for k in range(1, 9) for line in square(0.2 * k)]
    table, marks, _ = layers_of(*START, "M117 Layer 1", *levels)
    assert [one.name for one in marks] == ["progress_command"]
    assert (table.marks, len(table)) == ("geometry", 8)


def test_layer_height_is_where_most_of_its_plastic_is() -> None:
    bridge = ["G1 Z0.5 F600", "G1 X120 Y60 E.1"]
    table, _, _ = layers_of(*START, ";LAYER:0", *square(0.2), *bridge, ";LAYER:1", *square(0.4))
    assert z_of(table) == [0.2, 0.4]


def test_marks_at_almost_the_same_height_are_one_layer() -> None:
    table, _, job = layers_of(
        *START, ";LAYER:0", *square(0.2), ";LAYER:1", *square(0.21), ";LAYER:2", *square(0.4)
    )
    assert z_of(table) == [0.2, 0.4]
    printing = np.flatnonzero(job.table.prints)
    assert table.last_move.tolist() == printing[[7, 11]].tolist()


def test_object_counts_on_where_printing_falls_back_to_the_bed() -> None:
    towers = [line for x in (20, 60, 100) for k in (1, 2, 3, 4) for line in square(0.2 * k, x_mm=x)]
    table, _, _ = layers_of(*START, *towers)
    assert table.object_no.tolist() == [1] * 4 + [2] * 4 + [3] * 4
    assert z_of(table) == [0.2, 0.4, 0.6, 0.8] * 3
    assert table.height_mm.tolist() == pytest.approx([0.2] * 12)


def test_support_below_the_last_layer_is_no_new_object() -> None:
    table, _, _ = layers_of(
        *START, ";LAYER:0", *square(0.2), ";LAYER:1", *square(0.4), ";LAYER:2", *square(0.6),
        ";LAYER:3", *square(0.5, x_mm=20), ";LAYER:4", *square(0.8),
    )  # fmt: skip
    assert table.object_no.tolist() == [1] * 5


def spiral(turns: int, rise_mm: float = 0.2, sides: int = 8, mark: bool = False) -> list[str]:
    lines = ["G1 X10 Y0 Z0.2 F9000"]
    for k in range(1, turns * sides + 1):
        if mark and k % sides == 1:
            lines.append(";LAYER_CHANGE")
        angle = 2 * np.pi * k / sides
        lines.append(
            f"G1 X{10 * np.cos(angle):.4f} Y{10 * np.sin(angle):.4f} "
            f"Z{0.2 + rise_mm * k / sides:.4f} E.5 F1500"
        )
    return lines


@pytest.mark.parametrize("mark", [False, True])
def test_spiral_is_cut_into_turns(mark: bool) -> None:
    table, _, _ = layers_of(*START, *spiral(6, mark=mark))
    assert table.spiral and table.is_spiral.all()
    assert len(table) in (5, 6)
    tops = np.diff(table.z_mm)
    assert tops == pytest.approx([0.2] * (len(table) - 1), abs=0.03)


def test_spiral_on_a_flat_foot_has_flat_layers_first() -> None:
    table, _, _ = layers_of(
        *START,
        ";LAYER_CHANGE",
        *square(0.1),
        ";LAYER_CHANGE",
        *square(0.2),
        ";LAYER_CHANGE",
        *spiral(5),
    )
    assert table.is_spiral.tolist()[:2] == [False, False]
    assert table.is_spiral[2:].all() and len(table) >= 6


def test_job_with_slopes_is_no_spiral() -> None:
    ramp = ["G1 X110 Y55 Z.3 E.1", "G1 X100 Y55 Z.2 E.1"]
    table, _, _ = layers_of(*START, ";LAYER:0", *square(0.2), *ramp, ";LAYER:1", *square(0.4))
    assert not table.spiral


@pytest.mark.parametrize(
    "lines", [("G28", "G1 X5 F600"), ("; nothing",), ("M83", "G1 E5 F300", "G1 X5", "G1 X9 E-1")]
)
def test_job_that_lays_nothing_is_refused_at_its_last_line(lines: tuple[str, ...]) -> None:
    with pytest.raises(LayerError) as caught:
        layers_of(*lines)
    assert caught.value.where.line_no == len(lines)
    assert "no move has laid any plastic" in caught.value.found
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("marks", "ABCDEFGH")
def test_layers_of_every_kind_of_mark_rise_and_do_not_overlap(marks: str) -> None:
    made = make_job(
        Recipe(marks=marks, layers=5, heights_mm=(0.3, 0.1, 0.2), hop_mm=0.4, purge=marks != "H")
    )
    table, _, job = layers_of(*made.data.decode().splitlines())
    assert z_of(table) == [layer.z_mm for layer in made.layers]
    assert (table.first_move <= table.last_move).all()
    assert (table.first_move[1:] > table.last_move[:-1]).all()
    assert job.table.prints[table.first_move].all() and job.table.prints[table.last_move].all()
