"""The fast reader of motion lines: exact numbers, any piece size, and what it leaves alone.

Outside check of every number: Python's own `float()` (IEEE 754, correctly rounded), which is
what "the decimal number written there" means.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from capturehook.read import tokens
from capturehook.read.source import open_source
from capturehook.read.tokens import MODAL, MotionWords, read_motion_words
from capturehook.read.words import Command, WordError, read_command

KIND = {"G0": 0, "G1": 1, "G2": 2, "G3": 3}


def fast(*lines: str | bytes, end: bytes = b"\n") -> MotionWords:
    raw = [line.encode("latin-1") if isinstance(line, str) else line for line in lines]
    return read_motion_words(open_source(end.join(raw) + end, "lighthouse.gcode"))


def words_of(found: MotionWords, row: int) -> list[tuple[str, float]]:
    mine = found.word_row == row
    letters = found.word_letter[mine].tolist()
    return [(chr(a), v) for a, v in zip(letters, found.word_value[mine].tolist(), strict=True)]


def one(line: str) -> list[tuple[str, float]]:
    found = fast(line)
    assert found.line_index.tolist() == [0], f"{line!r} was left to the careful reader"
    return words_of(found, 0)


# -- numbers -----------------------------------------------------------------------------------

digits = st.text("0123456789", max_size=12)


@st.composite
def decimals(draw: st.DrawFn) -> str:
    """Sign, digits, point, digits: all that a controller takes for a number."""
    sign = draw(st.sampled_from(["", "+", "-"]))
    whole, part = draw(digits), draw(digits)
    point = draw(st.booleans()) or not whole
    text = sign + whole + ("." + part if point else "")
    return text if whole or part else sign + "0"


@pytest.mark.property
@settings(max_examples=400, deadline=None)
@given(text=decimals(), tail=st.sampled_from(["", " ", "  ", "Y1", " ; far out", "\r"]))
@example(text="99999999.9999999", tail="")
@example(text="12345678.1234567", tail=" ")
@example(text="0.30000000", tail="")
@example(text="123456789", tail="")
@example(text=".1", tail="")
@example(text="-.5", tail="Y1")
@example(text="8.", tail="")
def test_number_is_float_of_its_text_or_left_alone(text: str, tail: str) -> None:
    found = fast(f"G1 X{text}{tail}")
    if len(found.line_index):
        letter, value = words_of(found, 0)[0]
        assert (letter, value) == ("X", float(text))
        assert np.signbit(value) == text.startswith("-")
    else:
        assert found.other_line_index.tolist() == [0]
        command = read_command(f"G1 X{text}{tail}".encode())
        assert command is not None
        assert command.get("X") == float(text)


@pytest.mark.parametrize("whole", range(9))
@pytest.mark.parametrize("places", range(8))
def test_up_to_eight_digits_and_seven_decimals_are_read_fast(whole: int, places: int) -> None:
    """Whatever a slicing host writes takes the fast way: it is not all left to the slow one."""
    if whole + places == 0:
        return
    text = "987654321"[:whole] + ("." + "123456789"[:places] if places else "")
    assert one(f"G1 X{text} Y-{text}") == [("X", float(text)), ("Y", -float(text))]


@pytest.mark.parametrize(
    "word", ["X", "X-", "X.", "X+.", "X1.2.3", "X--1", "X1-", "X1+2", "X1 2", "X123456789", "X1:2"]
)
def test_what_is_no_plain_number_goes_to_the_careful_reader(word: str) -> None:
    found = fast("G1 Y1", f"G1 {word} Y2", "G1 Y3")
    assert found.line_index.tolist() == [0, 2]
    assert found.other_line_index.tolist() == [1]
    assert found.word_value.tolist() == [1.0, 3.0]


# -- lines -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    [
        "G1 X10 Y-.5 F1200",
        "G1X10Y-.5F1200",
        "g1 x10 y-.5 f1200",
        "G01 X010. Y-00.50 F+1200",
        "G1\tX10\tY-.5 F1200\t; to the rocks",
        " G1 X10 Y-.5 F1200 \r",
        "G1 X10 Y-.5 F1200;X99 Y99",
    ],
)
def test_every_plain_form_of_a_move_is_read_fast(line: str) -> None:
    assert one(line) == [("X", 10.0), ("Y", -0.5), ("F", 1200.0)]


@pytest.mark.parametrize(
    "line",
    [
        "N1 G1 X5*17",
        "G1 (a) X5",
        "G1 X5*17",
        'G1 X5 "a"',
        "G1 X=5",
        "G1 X5 \xe9",
        "G 1 X5",
        "G1.0 X5",
        "G001 X5",
        "G11",
        "G10",
        "G28 X",
        "G92 E0",
        "G90",
        "G4 P20",
        "M117 G1 X9 E9",
        "M83",
        "T1",
        "EXCLUDE_OBJECT_START NAME=x",
        "SET_PIN PIN=X VALUE=1",
        "%",
    ],
)
def test_everything_else_goes_to_the_careful_reader(line: str) -> None:
    found = fast("G1 X1", line, "G1 X2")
    assert found.line_index.tolist() == [0, 2]
    assert found.other_line_index.tolist() == [1]
    assert found.word_row.tolist() == [0, 1]


@pytest.mark.parametrize("line", ["", "  ", "; G1 X5", ";G1 X5 \xe9 (=)", ";", "\t; a"])
def test_comments_and_empty_lines_are_nobodys(line: str) -> None:
    found = fast("G1 X1", line, "G1 X2")
    assert found.line_index.tolist() == [0, 2]
    assert found.other_line_index.tolist() == []


def test_kinds_and_words_without_a_command() -> None:
    found = fast("G0 X1", "G1 X1", "G02 X1 I1", "G3 X1 J1", "X4 Y5", "x6")
    assert found.kind.tolist() == [0, 1, 2, 3, MODAL, MODAL]
    assert words_of(found, 4) == [("X", 4.0), ("Y", 5.0)]
    assert words_of(found, 5) == [("X", 6.0)]


def test_move_without_words_is_a_move() -> None:
    found = fast("G1", "G1 ; nothing")
    assert found.line_index.tolist() == [0, 1]
    assert found.word_row.tolist() == []


def test_byte_order_mark_is_left_to_the_careful_reader() -> None:
    assert fast(b"\xef\xbb\xbfG1 X1", b"G1 X2").other_line_index.tolist() == [0]


# -- pieces ------------------------------------------------------------------------------------

PLAIN = re.compile(r"\s*G0?[0-3](?![\d.])|\s*[XYZEAFIJKR]", re.I)
some_lines = st.sampled_from(
    [
        "G1 X10 Y-.5 E.03312",
        "G1X5F1200;a",
        "g0 z.3",
        "G1 X1.23456789 Y2",
        "G3 X1 Y2 I-1.5 J0",
        "X7 Y8",
        "; G1 X5 \xe9",
        "",
        "M106 S255",
        "N7 G1 X5*3",
        "G1 X1e5",
        "G1",
        "T0",
    ]
)


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(
    lines=st.lists(some_lines, min_size=1, max_size=20),
    piece=st.integers(1, 64),
    end=st.sampled_from([b"\n", b"\r\n", b"\r"]),
    closed=st.booleans(),
)
def test_pieces_of_any_size_give_what_each_line_alone_gives(
    lines: list[str], piece: int, end: bytes, closed: bool
) -> None:
    data = end.join(line.encode("latin-1") for line in lines) + (end if closed else b"")
    if not data.strip():
        return
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tokens, "PIECE_BYTES", piece)
        found = read_motion_words(open_source(data, "lighthouse.gcode"))
    row = 0
    for index, line in enumerate(lines):
        command = _careful(line)
        plain = command is not None and PLAIN.match(line) and index in found.line_index
        assert (index in found.other_line_index) == (command is not None and not plain)
        if plain:
            assert command is not None
            assert found.line_index[row] == index
            assert found.kind[row] == KIND.get(command.code, MODAL)
            assert words_of(found, row) == list(command.words)
            row += 1
    assert row == len(found.line_index)


def _careful(line: str) -> Command | None:
    try:
        return read_command(line.encode("latin-1"))
    except WordError:
        raise AssertionError("these lines are all readable") from None


def test_whole_job_is_read_alike_in_one_piece_and_in_many(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [f"G1 X{k / 7:.3f} Y{k % 11} E{k * 0.0331:.5f}" for k in range(3000)]
    lines[1500:1500] = ["; a comment longer than a piece " * 20, "M106 S9", ""]
    whole = fast(*lines)
    monkeypatch.setattr(tokens, "PIECE_BYTES", 300)
    for name in MotionWords.__dataclass_fields__:
        assert np.array_equal(getattr(fast(*lines), name), getattr(whole, name)), name
    assert len(whole.line_index) == 3000
