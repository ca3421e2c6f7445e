"""Remaining-time lines: corrected in place, given back by strip."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.block.remaining import remaining_insertions, remaining_lines
from capturehook.block.splice import Insertion, insert_blocks
from capturehook.jobfile.fence import (
    KEPT_HERE,
    job_fence,
    lines_begin,
    lines_end,
    pose_begin,
    pose_end,
    strip_bytes,
)
from capturehook.read.source import open_source

JOB = b"M73 P0 R60\nG1 X1\nM73 P25 R45 ; quarter\nG1 X2\nM73 P50 R30\nG1 X3\nM73 P100 R0\n"


def corrected(job: bytes, stops: list[int], added_s: list[float], job_s: float = 0) -> bytes:
    """The job with its M73 lines corrected and a mark where each pose would be."""
    source = open_source(job, "lighthouse.gcode")
    which = [n for n in range(source.line_count) if source.line(n).lstrip().startswith(b"M73")]
    lines = remaining_lines(source, which, job_s, np.array(stops), np.array(added_s, float))
    return insert_blocks(source, remaining_insertions(lines, 1))


def in_force(data: bytes) -> list[bytes]:
    """M73 lines that a printer would read."""
    lines = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
    return [line for line in lines if line.lstrip().startswith(b"M73")]


def test_minutes_left_grow_by_the_poses_still_to_come() -> None:
    """Two poses of five minutes each in an hour: 70 min in all, by hand."""
    assert in_force(corrected(JOB, [3, 5], [300, 300])) == [
        b"M73 P0 R70",
        b"M73 P21 R55",  # 15 of 70 min
        b"M73 P50 R35",  # 30 + 5 of 70
        b"M73 P100 R0",
    ]


def test_lines_that_stay_right_are_left_alone() -> None:
    data = corrected(JOB, [3, 5], [1.0, 1.0])
    assert data == JOB


def test_quiet_mode_and_decimals_are_kept_in_their_own_form() -> None:
    job = b"M73 P0 R60\nM73 Q0 S120\nM73 P50.0 R30.00\nM73 Q50 S60\n"
    assert in_force(corrected(job, [0], [600]))[2:] == [b"M73 P57.1 R30.00", b"M73 Q54 S60"]


def test_percent_alone_uses_the_clock() -> None:
    job = b"M73 P0\nG1 X1\nM73 P50\n"
    assert in_force(corrected(job, [1], [1000.0], job_s=1000.0)) == [b"M73 P0", b"M73 P75"]


def test_minutes_alone_gain_no_percent() -> None:
    job = b"M73 R10\nG1 X1\nM73 R5\n"
    assert in_force(corrected(job, [1, 2], [60.0, 60.0])) == [b"M73 R12", b"M73 R5"]


def test_other_words_and_spacing_stay() -> None:
    job = b"  M73 P0   R10 L3\nG1 X1\n"
    assert in_force(corrected(job, [1], [120.0])) == [b"  M73 P0   R12 L3"]


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("last", [True, False])
def test_strip_gives_every_line_end_back(end: bytes, last: bool) -> None:
    job = JOB.replace(b"R0\n", b"R9\n").replace(b"\n", end)
    job = job if last else job[: -len(end)]
    data = corrected(job, [6, 99], [300, 300])
    assert data != job
    assert strip_bytes(data) == job
    assert len(in_force(data)) == 4


def test_a_block_at_the_very_line_stands_before_the_corrected_line() -> None:
    source = open_source(JOB, "lighthouse.gcode")
    lines = remaining_lines(source, [0, 2, 4, 6], 0, np.array([2]), np.array([600.0]))
    block = Insertion(2, ("; capturehook pose 1 begin", "G4 P1", "; capturehook pose 1 end"))
    every = sorted([block, *remaining_insertions(lines, 1)], key=lambda one: one.line_index)
    data = insert_blocks(source, every)
    assert data.index(b"G4 P1") < data.index(b"M73 P36 R45")
    assert strip_bytes(data) == JOB


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.builds(
                lambda p, r, tail: f"M73 P{p} R{r}{tail}".encode("latin-1"),
                st.integers(0, 100),
                st.integers(0, 500),
                st.sampled_from(["", " ; caf\xe9", ";x", " "]),
            ),
            st.sampled_from([b"G1 X1", b"; M73 P1 R2", b"", b"M73", b"M73 P", b"; \xff"]),
        ),
        min_size=1,
        max_size=12,
    ),
    st.sampled_from([b"\n", b"\r\n", b"\r"]),
    st.booleans(),
    st.lists(st.tuples(st.integers(0, 12), st.floats(0, 900)), max_size=4),
)
def test_strip_after_correction_is_the_job(
    lines: list[bytes], end: bytes, last: bool, poses: list[tuple[int, float]]
) -> None:
    job = b"G28" + end + end.join(lines) + (end if last else b"")
    poses = sorted(poses)
    data = corrected(job, [line for line, _ in poses], [s for _, s in poses], 100.0)
    assert strip_bytes(data) == job


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_fences_after_a_last_line_without_line_end_leave_it_so(end: bytes) -> None:
    job = b"G28" + end + b"G1 X1"
    source = open_source(job, "lighthouse.gcode")
    two = (*job_fence("1", "heron", "0"), pose_begin(1, 2, 0.4), "G4 P1", pose_end(1))
    data = insert_blocks(source, [Insertion(2, two)])
    assert data.startswith(job + end)
    assert strip_bytes(data) == job


def test_a_split_last_line_without_line_end_is_given_back() -> None:
    job = b"G28\nG1 X1"
    source = open_source(job, "lighthouse.gcode")
    lines = (lines_begin(1), KEPT_HERE, "G1 X.5", lines_end(1), pose_begin(1, 2, 0.4), pose_end(1))
    lines += (lines_begin(2), "G1 X1", lines_end(2))
    data = insert_blocks(source, [Insertion(1, lines, replaces=True)])
    assert strip_bytes(data) == job
