"""Marks are found as whole lines, outside pictures and settings, with their evidence."""

from __future__ import annotations

import pytest

from capturehook.catalog import DIALECTS
from capturehook.read.marks import find_marks, hidden_lines
from tests.read.reading_layers import source_of

MARK_LINES = {
    "layer_change_z": [";LAYER_CHANGE"],
    "layer_number": [";LAYER:0", ";LAYER:-2", ";LAYER: 12"],
    "layer_sentence": ["; layer 12, Z = 3.680", "; layer 1, Z = 0.200"],
    "change_layer_total": ["; CHANGE_LAYER"],
    "layer_object_block": ["; BEGIN_LAYER_OBJECT z=0.294 z_thickness=0.294"],
    "paren_layer": ["(<layer> 0.32 )", "(<layer>0.32)"],
    "progress_command": [
        "SET_PRINT_STATS_INFO CURRENT_LAYER=12",
        "SET_PRINT_STATS_INFO TOTAL_LAYER=80 CURRENT_LAYER=12",
        "M117 Layer 12/80",
        "M117 layer: 3",
        "M73 L12",
        "; layer num/total_layer_count: 1/128",
    ],
}
NO_MARKS = [
    "; layer_gcode = ;LAYER_CHANGE\\n;[layer_z]",
    "; note: ;LAYER:7 is a mark",
    ";LAYER:seven",
    ";LAYER_CHANGED",
    ";BEFORE_LAYER_CHANGE",
    ";LAYER_COUNT:80",
    "; layer 12",
    "; CHANGE_LAYER_GCODE",
    "(</layer>)",
    "M73 P5 R12",
    "M117 Layering paint",
    "M118 SET_PRINT_STATS CURRENT",
    "G1 X5 ; CHANGE_LAYER",
]


def found(*lines: str, end: str = "\n") -> dict[str, list[int]]:
    return {one.name: one.line_index.tolist() for one in find_marks(source_of(*lines, end=end))}


def test_every_kind_of_mark_has_lines_here() -> None:
    assert set(MARK_LINES) == set(DIALECTS)


@pytest.mark.parametrize("name", MARK_LINES)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "  \n", "\t\r\n"])
def test_mark_is_found_with_its_line(name: str, end: str) -> None:
    for line in MARK_LINES[name]:
        assert found("G28", line, "G1 X1", line, end=end) == {name: [1, 3]}, line


@pytest.mark.parametrize("line", NO_MARKS)
def test_line_that_only_holds_a_mark_is_none(line: str) -> None:
    assert found("G28", line, "G1 X1") == {}


@pytest.mark.parametrize(
    ("begin", "end"),
    [
        ("; thumbnail begin 16x16 180", "; thumbnail end"),
        ("; thumbnail_JPG begin 16x16 180", "; thumbnail_JPG end"),
        ("; CONFIG_BLOCK_START", "; CONFIG_BLOCK_END"),
        ("; HEADER_BLOCK_START", "; HEADER_BLOCK_END"),
        ("; lighthouse_config = begin", "; lighthouse_config = end"),
    ],
)
def test_pictures_and_settings_hold_no_marks(begin: str, end: str) -> None:
    source = source_of(";LAYER:0", begin, ";LAYER:1", ";LAYER_CHANGE", end, ";LAYER:2")
    assert hidden_lines(source) == [(1, 4)]
    assert {m.name: m.line_index.tolist() for m in find_marks(source)} == {"layer_number": [0, 5]}


def test_settings_that_never_end_hide_the_rest() -> None:
    source = source_of(";LAYER:0", "; CONFIG_BLOCK_START", ";LAYER:1")
    assert hidden_lines(source) == [(1, 2)]
    assert found(";LAYER:0", "; CONFIG_BLOCK_START", ";LAYER:1") == {"layer_number": [0]}


def test_kinds_come_in_the_order_of_the_register() -> None:
    lines = [lines[0] for lines in reversed(MARK_LINES.values())]
    assert list(found(*lines)) == list(DIALECTS)


def test_evidence_is_in_words() -> None:
    (marks,) = find_marks(source_of("G28", ";LAYER:0", "G1 X1", ";LAYER:1"))
    assert marks.evidence == "2 lines like ';LAYER:0', the first at line 2"
