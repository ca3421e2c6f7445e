"""Stretches that no block may split."""

from __future__ import annotations

import numpy as np
import pytest

from capturehook.read.spans import UNKNOWN, edges_of, find_spans, is_inside
from tests.read.reading import read_lines
from tests.read.reading_layers import source_of


def spans_of(*lines: str) -> dict[str, list[list[int]]]:
    firmware = "klipper" if "PAUSE" in lines else "marlin"
    found = find_spans(source_of(*lines), read_lines(*lines, firmware=firmware))
    return {kind: spans.tolist() for kind, spans in found.items() if kind != UNKNOWN}


@pytest.mark.parametrize(
    ("kind", "begin", "end"),
    [
        ("wipe", ";WIPE_START", ";WIPE_END"),
        ("wipe", "; WIPE_START", "; WIPE_END"),
        ("object label", "; printing object lighthouse id:0", "; stop printing object lighthouse"),
        ("object label", "EXCLUDE_OBJECT_START NAME=a", "EXCLUDE_OBJECT_END NAME=a"),
        ("object label", "M486 S0", "M486 S-1"),
        ("object label", "M624 AQAAAAAAAAA=", "M625"),
        ("tool change", "; CP TOOLCHANGE START", "; CP TOOLCHANGE END"),
    ],
)
def test_pair_is_one_span(kind: str, begin: str, end: str) -> None:
    assert spans_of("G28", begin, "G1 X1", end, "G1 X2", begin, end) == {kind: [[1, 3], [5, 6]]}


def test_second_beginning_before_an_end_opens_nothing_new() -> None:
    assert spans_of(";WIPE_START", ";WIPE_START", ";WIPE_END", ";WIPE_END") == {"wipe": [[0, 2]]}


def test_span_without_an_end_lasts_to_the_end() -> None:
    assert spans_of("G28", "EXCLUDE_OBJECT_START NAME=a", "G1 X1") == {"object label": [[1, 3]]}


def test_tool_change_lasts_until_plastic_is_laid() -> None:
    lines = ("M83", "G1 X1 E1", "T1", "G1 X9 F900", "G1 E5", "G1 X10 E.1", "G1 X11 E.1")
    assert spans_of(*lines) == {"tool change": [[2, 5]]}


def test_tool_change_before_anything_is_laid_and_never_after() -> None:
    lines = ("T0", "G28", "M83", "G1 X1 E1", "T1", "G1 X5")
    assert spans_of(*lines) == {"tool change": [[0, 3], [4, 4]]}


@pytest.mark.parametrize("pause", ["M600", "M0 change it", "M601", "M25", "PAUSE"])
def test_pause_takes_its_prime_with_it_up_to_the_next_move_in_xy(pause: str) -> None:
    lines = ("M83", "G1 X1 E1 F900", pause, "G1 E0.4", "G1 Z1", "G1 X9", "G1 X10 E.1")
    assert spans_of(*lines) == {"pause": [[2, 5]]}


# Smoothieware Extruder.cpp: the lift is a move of its own (delta_move), undone by G11 unless a
# line between the two names Z.
@pytest.mark.parametrize(
    ("lines", "span"),
    [
        (("G10", "G1 X5", "G11"), [1, 3]),
        (("G10", "G1 X5 Z2", "G11"), [1, 2]),
        (("G10", "G1 X5"), [1, 3]),
    ],
)
def test_a_lift_of_the_firmwares_own_is_not_told(lines: tuple[str, ...], span: list[int]) -> None:
    lines = ("G1 Z1 F900", *lines)
    found = find_spans(source_of(*lines), read_lines(*lines, firmware="smoothie"))
    assert found["firmware retraction"].tolist() == [span]


def test_words_alone_behind_another_motion_are_a_span() -> None:
    lines = ("G0 X5 F900", "X6", "G1 X7", "X8", "G2 X9 I1", "X8 I-1")
    found = find_spans(source_of(*lines), read_lines(*lines, firmware="smoothie"))
    assert found["run of words alone"].tolist() == [[0, 1], [4, 5]]


def test_settings_are_a_span() -> None:
    lines = ("G28", "; CONFIG_BLOCK_START", "; a = 1", "; CONFIG_BLOCK_END", "G1 X1")
    assert spans_of(*lines) == {"settings": [[1, 3]]}


def test_job_without_any_has_none() -> None:
    assert spans_of("G28", "; wipe_start = 1", "; printing", "G1 X1") == {}


def test_inside_is_after_the_first_line_and_up_to_the_last() -> None:
    spans = np.array([[2, 5], [9, 9], [12, 13]])
    assert np.flatnonzero(is_inside(spans, np.arange(16))).tolist() == [3, 4, 5, 13]


def test_edges_are_the_nearest_free_lines() -> None:
    spans = np.array([[2, 5], [9, 11]])
    edges = edges_of(spans)
    assert edges.tolist() == [2, 6, 9, 12]
    assert not is_inside(spans, edges).any()
