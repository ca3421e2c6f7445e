"""Fences: found, told apart from like-looking comments, and taken out byte for byte."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.block.fence import (
    KEPT_HERE,
    find_fences,
    job_fence,
    lines_begin,
    lines_end,
    pose_begin,
    pose_end,
    strip_bytes,
)
from capturehook.block.splice import Insertion, insert_blocks
from capturehook.errors import GcodeError
from capturehook.read.source import open_source

PATH = "lighthouse.gcode"


def fenced(number: int, *lines: str) -> tuple[str, ...]:
    return (pose_begin(number, number + 1, 0.2 * number), *lines, pose_end(number))


def test_fences_have_exactly_this_form() -> None:
    assert pose_begin(12, 13, 2.6) == "; capturehook pose 12 begin layer 13 z 2.60"
    assert pose_begin(1, 1, 0.125) == "; capturehook pose 1 begin layer 1 z 0.125"
    assert pose_end(12) == "; capturehook pose 12 end"
    assert (lines_begin(3), lines_end(3)) == (
        "; capturehook lines 3 begin",
        "; capturehook lines 3 end",
    )
    assert job_fence("1.2", "heron", "0123456789ab") == [
        "; capturehook job begin 1.2 profile heron plan 0123456789ab",
        "; capturehook job end",
    ]


def test_fences_are_found_with_their_bytes() -> None:
    data = b"G28\n; capturehook pose 1 begin layer 2 z 0.40\nG4 P5\n; capturehook pose 1 end\nM84\n"
    (found,) = find_fences(data, PATH)
    assert (found.name, found.kept) == ("pose 1", b"")
    assert data[: found.start] + data[found.stop :] == b"G28\nM84\n"


@pytest.mark.parametrize(
    "line",
    [
        b"; capturehook posed 1 begin",
        b"; capturehook is a word",
        b";capturehook pose 1 begin layer 2 z 0.40",
        b"G1 X5 ; capturehook pose 1 begin layer 2 z 0.40",
        b"; see ; capturehook job begin",
        b"; capturehook pose 1 end",
        b"; capturehook kept G1 X5",
        b"; Capturehook pose 1 begin layer 2 z 0.40",
    ],
)
def test_like_looking_comment_is_the_jobs_own(line: bytes) -> None:
    data = b"G28\n" + line + b"\nM84\n"
    assert find_fences(data, PATH) == []
    assert strip_bytes(data, PATH) == data


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize(
    "rest", [b"", b"; capturehook pose 2 begin layer 3 z 0.60{}G4 P5{}; capturehook pose 2 end{}"]
)
def test_fence_without_an_end_is_refused_at_its_line(end: bytes, rest: bytes) -> None:
    data = b"G28{}; capturehook pose 1 begin layer 2 z 0.40{}G4 P5{}" + rest
    with pytest.raises(GcodeError) as caught:
        strip_bytes(data.replace(b"{}", end), PATH)
    assert "'pose 1' begins here and has no end" in caught.value.found
    assert caught.value.where.line_no == 2


def test_kept_lines_come_back_in_their_place() -> None:
    data = (
        b"G28\n; capturehook lines 1 begin\n; capturehook kept G1 X9 E2 ; long\nG1 X5 E1\n"
        b"; capturehook lines 1 end\n; capturehook pose 1 begin layer 2 z 0.40\nG4 P5\n"
        b"; capturehook pose 1 end\n; capturehook lines 2 begin\nG1 X9 E1\n"
        b"; capturehook lines 2 end\nM84\n"
    )
    assert strip_bytes(data, PATH) == b"G28\nG1 X9 E2 ; long\nM84\n"


def test_blanks_after_an_end_are_no_trouble() -> None:
    data = b"G28\n; capturehook job begin 1\n; capturehook job end  \t\r\nM84\n"
    assert strip_bytes(data, PATH) == b"G28\nM84\n"


own_lines = st.sampled_from(
    [b"G1 X1 E2", b"; caf\xe9", b"", b";LAYER:1", b"; capturehook x", b"  G28", b"; end", b"\xff"]
)


@st.composite
def jobs(draw: st.DrawFn) -> tuple[bytes, bytes]:
    end = draw(st.sampled_from([b"\n", b"\r\n", b"\r"]))
    lines = draw(st.lists(own_lines, min_size=1, max_size=8))
    data = end.join(lines) + (end if draw(st.booleans()) else b"")
    return (data, end) if data.strip() else (b"G28" + end, end)


# Promise: whatever goes in comes out again, wherever it stood, whatever the line ends.
@pytest.mark.property
@settings(max_examples=200, deadline=None, derandomize=True)
@given(made=jobs(), draw=st.data())
def test_strip_after_insert_is_the_job(made: tuple[bytes, bytes], draw: st.DataObject) -> None:
    data, _ = made
    source = open_source(data, PATH)
    places = draw.draw(st.lists(st.integers(0, source.line_count), max_size=4, unique=True))
    insertions = []
    for number, at in enumerate(sorted(places), 1):
        block = fenced(number, "G1 X8 Y215", "; a comment", "G4 P5")
        if at < source.line_count and draw.draw(st.booleans()):
            head = (lines_begin(2 * number - 1), KEPT_HERE, "G1 X5", lines_end(2 * number - 1))
            tail = (lines_begin(2 * number), "G1 X9", lines_end(2 * number))
            insertions.append(Insertion(at, (*head, *block, *tail), replaces=True))
        else:
            insertions.append(Insertion(at, block))
    if insertions:
        first = insertions[0]
        head = tuple(job_fence("1", "heron", "0"))
        insertions[0] = Insertion(first.line_index, head + first.lines, first.replaces)
    filmed = insert_blocks(source, insertions)
    assert strip_bytes(filmed, PATH) == data
    assert (filmed == data) == (not insertions)
