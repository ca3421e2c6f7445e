"""Fences: found, told apart from like-looking comments, and taken out byte for byte."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.block.splice import Insertion, insert_blocks
from capturehook.errors import GcodeError
from capturehook.jobfile.fence import (
    KEPT_HERE,
    find_fences,
    job_fence,
    lines_begin,
    lines_end,
    pose_begin,
    pose_end,
    sealed,
    strip_bytes,
    strip_naming,
)
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
        b"; capturehook kept G1 X5",
        b"G1 X5 ; capturehook pose 1 end 0123ab",
        b"; capturehook pose 1 end 0123abc",
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


@pytest.mark.parametrize("digest", [b"", b" 0123ab"])
def test_end_without_a_begin_is_refused_at_its_line(digest: bytes) -> None:
    data = b"G28\nG1 X5\n; capturehook pose 3 end" + digest + b"\nM84\n"
    with pytest.raises(GcodeError, match="'pose 3' ends here and has no begin") as caught:
        strip_bytes(data, PATH)
    assert caught.value.where.line_no == 3


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
@settings(max_examples=200, deadline=None)
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


# Attacks: a fence is believed only as far as its digest, or its form, bears it ------------------

JOB = b"G28\nG1 X1 Y1 E1\nG1 X9 E2\nM104 S0\nM84\n"


def posed_job(end: bytes = b"\n") -> bytes:
    """Two pose blocks and a line that is kept, as this version writes them."""
    source = open_source(JOB.replace(b"\n", end), PATH)
    kept = (lines_begin(1), KEPT_HERE, "G1 X5 E1.5", lines_end(1))
    first = Insertion(1, (*job_fence("1", "heron", "0"), *fenced(1, "G1 X8 Y215", "G4 P5")))
    second = Insertion(2, (*kept, *fenced(2, "G1 X8", "M118 frame")), replaces=True)
    return insert_blocks(source, [first, second])


ENDS = [b"\n", b"\r\n", b"\r"]


@pytest.mark.parametrize("end", ENDS)
def test_ends_carry_a_digest_and_all_comes_out(end: bytes) -> None:
    posed = posed_job(end)
    ends = re.findall(rb"; capturehook (?:pose|lines) \d end ([0-9a-f]{6})(?=[\r\n])", posed)
    assert len(ends) == len(set(ends)) == 3
    assert strip_bytes(posed, PATH) == JOB.replace(b"\n", end)
    assert strip_naming(posed, PATH) == (JOB.replace(b"\n", end), 2, [])


def test_digest_holds_for_other_line_ends_and_not_for_another_word() -> None:
    """A host may change the line ends of a whole file."""
    assert strip_bytes(posed_job().replace(b"\n", b"\r\n"), PATH) == JOB.replace(b"\n", b"\r\n")
    with pytest.raises(GcodeError, match="'pose 1'"):
        strip_bytes(posed_job().replace(b"G4 P5", b"G4 P6"), PATH)


ADDED = [(b"M600",), (b"M600", b"G1 X3"), (b"G4 P5",), (b"; a comment",), (b"\xe9",)]


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("added", ADDED)
@pytest.mark.parametrize("before", [b"G4 P5", b"; capturehook pose 1 end", b"G1 X8 Y215"])
def test_line_of_another_script_in_a_block_is_kept_and_named(
    added: tuple[bytes, ...], before: bytes, end: bytes
) -> None:
    lines = b"".join(line + end for line in added)
    attacked = posed_job(end).replace(end + before, end + lines + before, 1)
    with pytest.raises(GcodeError, match="stands in the block 'pose 1', and was not") as caught:
        strip_bytes(attacked, PATH)
    named = caught.value.where.line_no
    assert named is not None
    plain, blocks, findings = strip_naming(attacked, PATH)
    assert plain == JOB.replace(b"\n", end).replace(b"G1 X1", lines + b"G1 X1")
    assert (blocks, [one.code for one in findings]) == (2, ["foreign-line"] * len(added))
    at = re.split(rb"\r\n|\r|\n", attacked)
    assert at[int(findings[0].where.rpartition(":")[2]) - 1] == added[0]
    assert named == int(findings[0].where.rpartition(":")[2])


def test_lines_of_scripts_at_several_places_of_a_block_are_kept() -> None:
    attacked = posed_job().replace(b"G4 P5\n", b"M600\nG4 P5\nM601\n")
    plain, _, findings = strip_naming(attacked, PATH)
    assert b"M600\nM601\nG1 X1" in plain
    assert len(findings) == 2


FORGED = {
    "heater off": b"; capturehook pose 3 begin layer 4 z 0.80\nM104 S0\n; capturehook pose 3 end\n",
    "digest made up": b"; capturehook pose 3 begin layer 4 z 0.80\nM104 S0\n"
    b"; capturehook pose 3 end 0123ab\n",
    "kept heater": b"; capturehook lines 3 begin\n; capturehook kept M104 S300\n"
    b"; capturehook lines 3 end\n",
    "kept heater, digest made up": b"; capturehook lines 3 begin\n; capturehook kept M104 S300\n"
    b"; capturehook lines 3 end 0123ab\n",
    "kept in a pose": b"; capturehook pose 3 begin layer 4 z 0.80\n; capturehook kept M104 S300\n"
    b"; capturehook pose 3 end\n",
    "job with a line": b"; capturehook job begin 1\nM104 S0\n; capturehook job end\n",
    "end in the middle of a line": b"; capturehook pose 3 begin layer 4 z 0.80\n"
    b"G1 X5 ; capturehook pose 3 end\n",
    "homing": b"; capturehook pose 3 begin layer 4 z 0.80\nG28\n; capturehook pose 3 end\n",
    "macro": b"; capturehook pose 3 begin layer 4 z 0.80\nEND_PRINT\n; capturehook pose 3 end\n",
    "two on a line": b"; capturehook pose 3 begin layer 4 z 0.80\nM400 M104 S0\n"
    b"; capturehook pose 3 end\n",
}


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("name", FORGED)
def test_forged_fence_takes_nothing_away_and_brings_nothing_in(name: str, end: bytes) -> None:
    data = JOB.replace(b"M84\n", FORGED[name] + b"M84\n").replace(b"\n", end)
    with pytest.raises(GcodeError) as caught:
        strip_bytes(data, PATH)
    assert caught.value.where.line_no is not None
    try:
        plain, _, findings = strip_naming(data, PATH)
    except GcodeError:
        return
    inside = FORGED[name].split(b"\n")[1]
    assert end + inside + end in plain
    assert [one.code for one in findings] == ["foreign-line"]


def test_kept_line_is_believed_only_in_a_fence_of_ours() -> None:
    kept = b"; capturehook kept M104 S300\n"
    assert strip_bytes(kept + JOB, PATH) == kept + JOB
    plain, _, _ = strip_naming(posed_job().replace(b"G4 P5\n", b"G4 P5\n" + kept), PATH)
    assert kept in plain
    assert b"\nM104 S300" not in plain
    with pytest.raises(GcodeError, match="is not as it was written"):
        strip_naming(posed_job().replace(b"kept G1 X9 E2", b"kept M104 S300"), PATH)


def _cut(data: bytes) -> list[bytes]:
    """The two pose blocks of `posed_job` with what stands around them."""
    parts = re.split(
        rb"(; capturehook pose \d begin.*?pose \d end [0-9a-f]{6}\n)", data, flags=re.S
    )
    assert len(parts) == 5
    return parts


def test_doubled_reordered_nested_and_cut_fences_are_refused() -> None:
    a, one, b, two, c = _cut(posed_job())
    inside = one.replace(b"G4 P5\n", two + b"G4 P5\n")
    attacks = {
        "again": [a, one, b, two, one, c],
        "out of order": [a, two, b, one, c],
        "has no end": [a, inside, b, c],
        "begins here": [a, one[:-30], b, two, c],
        "ends here": [a, one, b, two[46:], c],
    }
    for told, parts in attacks.items():
        for read in (strip_bytes, strip_naming):
            with pytest.raises(GcodeError, match=told) as caught:
                read(b"".join(parts), PATH)
            assert caught.value.where.line_no is not None


def test_block_taken_whole_from_another_file_is_taken_out() -> None:
    """Its digest fits: it holds what was written, wherever it stands now."""
    a, one, b, two, c = _cut(posed_job())
    assert strip_bytes(b"".join([a, b, one, two, c]), PATH) == JOB


OLD = (
    b"G28\n; capturehook job begin 0.1.0 profile heron plan 0123456789ab\n; capturehook job end\n"
    b"; capturehook lines 1 begin\n; capturehook kept G1 X9 E2 ; long\nG1 X5.5 Y-2 E1\n"
    b"; capturehook lines 1 end\n; capturehook pose 1 begin layer 2 z 0.40\n"
    b"G90\nM83\nG1 E-0.8 F2100\nG1 Z3.4 F720\nG1 X8 Y215 F9000\nM400\nG4 P180\n"
    b"SET_PIN PIN=camera VALUE=1\nG4 P200\nSET_PIN PIN=camera VALUE=0\nM118 capture frame\n"
    b"; capture frame\nM42 P11 S255\nM64 P0\nG4 P0.470\nG10\nG11\nG1 E.8\nG92 E5\nG91\nM82\n"
    b"; capturehook pose 1 end\n; capturehook lines 2 begin\n"
    b"; capturehook kept M73 P3 R7\nM73 P2 R9\n; capturehook lines 2 end\nM84\n"
)


@pytest.mark.parametrize("end", ENDS)
def test_job_posed_before_there_were_digests_still_strips(end: bytes) -> None:
    plain = b"G28\nG1 X9 E2 ; long\nM73 P3 R7\nM84\n"
    assert strip_bytes(OLD.replace(b"\n", end), PATH) == plain.replace(b"\n", end)


@pytest.mark.parametrize(
    "line",
    [
        b"M600",
        b"M104 S0",
        b"G28",
        b"T1",
        b"M0",
        b"M73 P1",
        b"G1 X5 M0",
        b"G1 X9 Y9 E1",
        b"G2 X9 I1 J1 E1",
    ],
)
def test_old_block_with_a_line_its_writer_never_wrote_is_refused(line: bytes) -> None:
    attacked = OLD.replace(b"M400\n", b"M400\n" + line + b"\n")
    with pytest.raises(GcodeError, match="was not written"):
        strip_bytes(attacked, PATH)
    plain, _, findings = strip_naming(attacked, PATH)
    assert b"\n" + line + b"\n" in plain
    assert len(findings) == 1


def test_long_forgery_ends_soon() -> None:
    """The search for added lines is bounded: it ends, refusing."""
    lines = b"".join(b"G4 P%d\n" % k for k in range(20_000))
    data = (
        b"; capturehook pose 1 begin layer 1 z 0.2\n" + lines + b"; capturehook pose 1 end 0123ab\n"
    )
    with pytest.raises(GcodeError, match="is not as it was written"):
        strip_bytes(JOB + data, PATH)


def test_kept_line_counts_in_no_pose_block_whatever_its_digest() -> None:
    begin, end = b"; capturehook pose 3 begin layer 4 z 0.80", b"; capturehook pose 3 end"
    inside = [begin, b"; capturehook kept G1 X5", end]
    old = b"".join(line + b"\n" for line in inside)
    new = b"".join(line + b"\n" for line in sealed(inside))
    assert b"G1 X5" not in strip_bytes(JOB + new, PATH)
    with pytest.raises(GcodeError, match="is not as it was written"):
        strip_bytes(JOB + old, PATH)


def test_lines_fence_twice_and_an_end_of_another_block_are_refused() -> None:
    lines = b"; capturehook lines 9 begin\nG1 X5\n; capturehook lines 9 end\n"
    with pytest.raises(GcodeError, match="stands here again"):
        strip_bytes(JOB + lines + JOB + lines, PATH)
    with pytest.raises(GcodeError, match="begins here and has no end"):
        strip_bytes(JOB + lines.replace(b"9 end", b"8 end"), PATH)


def test_job_fence_carries_no_digest() -> None:
    assert b"; capturehook job end\n" in posed_job()
