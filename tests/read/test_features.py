"""What is being printed, in our few words for the many of jobs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.read.features import AHEAD, Features, find_features, kind_of, kinds_after
from tests.read.reading_layers import source_of


def in_force(every: Features, line: int) -> str:
    """Of all comments, the kind of the last one before a line."""
    before = [kind for at, kind in zip(every.line_index, every.kind, strict=True) if at < line]
    return before[-1] if before else ""


def after(every: Features, line: int) -> str:
    """The kind of the first of all comments close behind a line, else the one in force."""
    close = [
        kind
        for at, kind in zip(every.line_index, every.kind, strict=True)
        if line <= at < line + AHEAD
    ]
    return close[0] if close else in_force(every, line)


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        ("outer wall", ["External perimeter", "WALL-OUTER", "Outer wall", "Overhang wall"]),
        ("outer wall", ["outer perimeter", "Overhang perimeter"]),
        ("inner wall", ["Perimeter", "WALL-INNER", "Inner wall", "inner perimeter"]),
        ("infill", ["Solid infill", "FILL", "Sparse infill", "Internal infill"]),
        ("infill", ["Bridge", "Gap fill", "Top solid infill"]),
        ("support", ["Support material", "SUPPORT", "Support interface", "support"]),
        ("skirt", ["Skirt/Brim", "SKIRT", "Brim", "raft"]),
        ("surface", ["SKIN", "Top surface", "Bottom surface", "Ironing"]),
        ("tower", ["Wipe tower", "Prime tower", "PRIME-TOWER"]),
        ("custom", ["Custom"]),
    ],
)  # fmt: skip
def test_names_of_every_kind_of_job_have_our_word(kind: str, names: list[str]) -> None:
    assert {name: kind_of(name.encode()) for name in names} == dict.fromkeys(names, kind)


@pytest.mark.parametrize(
    "line",
    [
        ";TYPE:WALL-OUTER",
        "; FEATURE: Outer wall",
        ";FEATURE: Outer wall",
        "; feature outer perimeter",
    ],
)
def test_comment_is_found_in_every_form(line: str) -> None:
    found = find_features(source_of("G28", line, "G1 X1 E1", "G1 X2"))
    assert (found.line_index.tolist(), found.kind) == ([1], ("outer wall",))


def test_feature_in_force_and_the_one_that_follows() -> None:
    lines = ["G28", ";TYPE:Perimeter", *["G1 X1"] * 20, ";TYPE:FILL", "G1 X2", "G1 X3"]
    source = source_of(*lines)
    found = find_features(source)
    assert [in_force(found, line) for line in (0, 1, 2, 22, 23)] == [
        "",
        "",
        "inner wall",
        "inner wall",
        "infill",
    ]
    assert kinds_after(source, [5]) == ["inner wall"]  # the next comment is too far for this gap
    assert kinds_after(source, [15]) == ["infill"]
    assert kinds_after(source, [22]) == ["infill"]
    assert kinds_after(source, [0]) == ["inner wall"]


def test_other_comments_name_no_feature() -> None:
    source = source_of("; TYPE of job: part", "; features: two", "M117 ;TYPE:FILL", "G1 X1")
    found = find_features(source)
    assert found.kind == () and in_force(found, 3) == after(found, 0) == ""
    assert kinds_after(source, [0, 3]) == ["", ""]


LINES = st.sampled_from(
    ["G1 X1", "G1 X2 E1", "G92 E0", ";TYPE:FILL", " ;TYPE:SKIN", ";FEATURE: Outer wall", "; note",
     "; feature gap fill", "G1 X3 ;TYPE:FILL", "; see FEATURE: none", ";TYPE:", "M117 ;TYPE:a"]
)  # fmt: skip


@pytest.mark.property
@given(st.lists(LINES, min_size=1, max_size=60), st.data())
def test_kinds_around_some_lines_are_those_of_all(lines: list[str], data: st.DataObject) -> None:
    asked = data.draw(st.lists(st.integers(0, len(lines)), max_size=8).map(sorted))
    source = source_of(*lines)
    every = find_features(source)
    assert kinds_after(source, asked) == [after(every, line) for line in asked]
