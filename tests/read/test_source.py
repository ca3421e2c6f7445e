"""The job as bytes: line starts, line ends, and texts that are no line-by-line job."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.errors import GcodeError
from capturehook.read.source import PAD, open_source

PATH = "lighthouse.gcode"


@pytest.mark.parametrize(
    ("data", "lines"),
    [
        (b"G28\nG1 X1\n", [b"G28", b"G1 X1"]),
        (b"G28\nG1 X1", [b"G28", b"G1 X1"]),
        (b"G28\r\nG1 X1\r\n", [b"G28", b"G1 X1"]),
        (b"G28\rG1 X1\r", [b"G28", b"G1 X1"]),
        (b"G28\n\n\nG1 X1\n", [b"G28", b"", b"", b"G1 X1"]),
        (b"G28\r\rG1 X1\r\n\nM84", [b"G28", b"", b"G1 X1", b"", b"M84"]),
    ],
)
def test_lines_end_at_lf_crlf_and_lone_cr(data: bytes, lines: list[bytes]) -> None:
    source = open_source(data, PATH)
    assert [source.line(i) for i in range(source.line_count)] == lines


def test_line_at_and_start_of_agree() -> None:
    source = open_source(b"G28\nG1 X1\n\nM84", PATH)
    assert source.line_starts.tolist() == [0, 4, 10, 11]
    assert [source.line_at(offset) for offset in (0, 3, 4, 9, 10, 11, 13)] == [0, 0, 1, 1, 2, 3, 3]
    assert source.start_of(4) == len(source) == 14


@pytest.mark.parametrize(
    ("data", "end"),
    [
        (b"G28\nG1 X1\r\nG1 X2\r\n", b"\r\n"),
        (b"G28\nG1 X1\nG1 X2\r\n", b"\n"),
        (b"G28\rG1 X1\rM84\n", b"\r"),
        (b"G28", b"\n"),
        (b"G28\r\nM84\n", b"\n"),  # a draw: the plainer one
    ],
)
def test_line_end_is_the_one_used_most(data: bytes, end: bytes) -> None:
    assert open_source(data, PATH).line_end == end


def test_data_is_the_very_bytes_and_padding_surrounds_a_copy() -> None:
    data = b"\xef\xbb\xbfG28 ; caf\xe9\rM84"
    source = open_source(data, PATH)
    assert source.data is data
    assert source.text == data.replace(b"\r", b"\n")
    assert source.padded() == b"\n" * PAD + source.text + b"\n" * PAD


def test_where_counts_lines_from_one() -> None:
    source = open_source(b"G28\nG1 X1\n", PATH)
    assert str(source.where(1, 4)) == "lighthouse.gcode:2:4"


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "is empty"),
        (b" \r\n\n", "is empty"),
        (b"GCDE\x01\x00\x00\x00", "binary job container"),
        (b"PK\x03\x04rest", "compressed archive"),
        (b"\x1f\x8b\x08rest", "compressed archive"),
        ("G28\n".encode("utf-16"), "16-bit text"),
        (b"\xfe\xff\x00G\x002", "16-bit text"),
    ],
)
def test_what_is_no_text_is_refused_with_its_name(data: bytes, found: str) -> None:
    with pytest.raises(GcodeError) as caught:
        open_source(data, PATH)
    assert found in caught.value.found
    assert str(caught.value.where) == PATH
    assert caught.value.exit_code == 2


def test_zero_byte_is_refused_at_its_line() -> None:
    with pytest.raises(GcodeError) as caught:
        open_source(b"G28\nG1 X1\nG1 X\0\0\0", PATH)
    assert caught.value.where.line_no == 3
    assert "zero byte" in caught.value.found


# Outside check: Python's own regular expressions split the same bytes into lines.
@pytest.mark.property
@settings(max_examples=80, deadline=None)
@given(st.lists(st.sampled_from([b"G1", b" ", b"\n", b"\r", b"\r\n", b"\xe9", b";"]), max_size=24))
def test_lines_are_those_a_regular_expression_finds(parts: list[bytes]) -> None:
    data = b"M84" + b"".join(parts)
    source = open_source(data, PATH)
    lines = re.findall(rb"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+\Z", data)
    assert source.line_starts.tolist() == np.cumsum([0, *map(len, lines)])[:-1].tolist()
    ends = [*source.line_starts.tolist()[1:], len(data)]
    assert [data[a:b] for a, b in zip(source.line_starts, ends, strict=True)] == lines


@pytest.mark.property
@given(
    st.lists(
        st.sampled_from([b"G1 X1", b"G0 Z2", b"G1", b"G", b"G1\tX1", b"G2 X1", b"g1 X1", b"G10 ",
                         b"", b"; G1 X1", b"G1 ", b"M117 G1 ", b" G1 X1", b"N1 G1 X1"]),
        min_size=1,
        max_size=30,
    ),
    st.sampled_from([b"\n", b"\r\n", b"\r"]),
    st.booleans(),
)  # fmt: skip
def test_side_lines_are_those_that_do_not_begin_as_plain_motion(
    lines: list[bytes], end: bytes, closed: bool
) -> None:
    data = b"; job\n" + end.join(lines) + (end if closed else b"")
    source = open_source(data, "job.gcode")
    beside = [
        at for at in range(source.line_count) if not source.line(at).startswith((b"G0 ", b"G1 "))
    ]
    assert source.side.line_index.tolist() == beside
