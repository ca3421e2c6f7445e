"""The scan of a whole text: what it calls plain is plain, by the careful reader and by float().

Outside check of every number: Python's own `float()` (IEEE 754, correctly rounded).
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.catalog import FIRMWARES
from capturehook.demo.lighthouse import lighthouse_job
from capturehook.errors import GcodeError
from capturehook.read import scan
from capturehook.read.moves import read_moves
from capturehook.read.scan import CARE, PLAIN, PLAIN_G0, SIDE, scan_lines
from capturehook.read.source import open_source
from capturehook.read.words import read_commands

HEAD = b"; a job for the printer Heron\n"


def kinds(*lines: bytes, end: bytes = b"\n") -> list[int]:
    """Kinds of lines that stand behind a long first one."""
    return scan_lines(HEAD + end.join(lines) + end).kind.tolist()[1:]


@pytest.mark.parametrize(
    "line",
    [
        b"G1 X10 Y20 E0.5",
        b"G0 X10.5",
        b"G1 F900 X10 Y20",
        b"G1 X-10.125 Y-.5 E.04 F1200",
        b"G1 X12345.12345 Y1",
        b"G1 X12345678 Y-12345678",
        b"G1 X-12345678.1234567 Y1.1234567",
        b"G1 E99999.99999",
        b"G1 F7800.000",
        b"G1 Z0.3 F720",
        b"G1 E-0.8 F2100",
    ],
)
def test_what_slicing_hosts_write_is_plain(line: bytes) -> None:
    kind = PLAIN_G0 if line.startswith(b"G0") else PLAIN
    assert kinds(line, line) == [kind, kind]
    assert kinds(line, line, end=b"\r\n") == [kind, kind]


@pytest.mark.parametrize(
    "line",
    [
        b"G1 X10 Y?5",
        b"G1 X1.2.3",
        b"G1 X1..2",
        b"G1 X1 X2",
        b"G1 F900 X1 F800",
        b"G1 F900 x1",
        b"G1 F900 A1",
        b"G1 F900 G1",
        b"G1 F900 I1 X1",
        b"G1 Y1 X2",
        b"G1 X123456789",
        b"G1 X1.12345678",
        b"G1 X123456789.5",
        b"G1 X12.1234567.1",
        b"G1 X5-0",
        b"G1 X",
        b"G1 X-",
        b"G1 X.",
        b"G1 X5.",
        b"G1 X+5",
        b"G1 X 5",
        b"G1  X5",
        b"G1 ",
        b"G1 X5 ",
        b"G1 X5;",
        b"G1 X5 Y5 ; wall",
        b"G1 X5Y5",
        b"G1 x5",
        b"G1 X5\t",
        b"G1 X5*33",
        b"G1 X5\xe9",
        b"G1 X5 I1",
        b"G1 X5 G1",
        b"G1 X5 5",
        b"G1 5 X5",
        b"G1 X5\0",
    ],
)
def test_whatever_else_is_left_to_the_readers_of_words(line: bytes) -> None:
    assert kinds(b"G1 X1", line, b"G1 X2") == [PLAIN, CARE, PLAIN]


@pytest.mark.parametrize("line", [b"", b";G1 X1", b"G1", b"G2 X1 I1", b"G11 X1", b"X1", b"M106 S1"])
def test_lines_that_do_not_begin_as_motion_are_beside_it(line: bytes) -> None:
    assert kinds(b"G1 X1", line, b"G1 X2") == [PLAIN, SIDE, PLAIN]


def test_edges_of_a_text_are_left_to_the_readers_of_words() -> None:
    assert scan_lines(b"G1 X1\n").kind.tolist() == [CARE]
    assert scan_lines(HEAD + b"G1 X1").kind.tolist() == [SIDE, CARE]
    assert scan_lines(b"").kind.tolist() == []


def test_many_short_lines_are_all_told() -> None:
    text = HEAD + b"\n" * 300_000 + b"G1 X1\n" * 5
    found = scan_lines(text)
    assert len(found.starts) == len(found.kind) == text.count(b"\n")
    assert found.starts[-1] == len(text) - 6 and found.kind[-6:].tolist() == [SIDE] + [PLAIN] * 5


odd_text = st.text("GXYZEF0123456789.-+ ;\t*\r\nx", max_size=30)
words = st.sampled_from(
    [
        "X1",
        "Y-2.5",
        "Z.3",
        "E0.04",
        "E-1",
        "F900",
        "X12345.12345",
        "Y1.",
        "X",
        "Y123.4567891",
        "X12345678.7654321",
        "E9.99999999",
        "E-1234567.8",
    ]
)
lines = st.one_of(
    odd_text.map(lambda text: "G1 " + text),
    odd_text,
    st.lists(words, max_size=5).map(lambda found: " ".join(["G1", *found])),
)


@pytest.mark.property
@settings(max_examples=400, deadline=None)
@given(st.lists(lines, min_size=1, max_size=8), st.integers(1, 40))
def test_plain_lines_are_one_move_with_the_numbers_that_float_gives(
    texts: list[str], piece: int
) -> None:
    text = open_source(HEAD + "\n".join(texts).encode() + b"\n", "job").text
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scan, "PIECE_BYTES", piece)
        found = scan_lines(text)
        told: dict[int, dict[str, float]] = {}
        for one in found.words:
            for letter in "XYZEF":
                for line, value in zip(*map(np.ndarray.tolist, one.of(letter)), strict=True):
                    told.setdefault(line + one.first, {})[letter] = value
    rows = text.split(b"\n")
    assert len(found.starts) == text.count(b"\n")
    for line, kind in enumerate(found.kind.tolist()):
        row = rows[line]
        assert (kind == SIDE) == (row[:3] not in (b"G0 ", b"G1 "))
        if kind < PLAIN:
            assert line not in told
            continue
        (command,) = read_commands(row.rstrip(b"\r"), several="first")
        assert command.code == row[:2].decode()
        letters = [letter for letter, _ in command.words]
        assert len(set(letters)) == len(letters)
        assert all(value is not None and abs(value) < 1e8 for _, value in command.words)
        assert dict(command.words) == told.get(line, {})


def read(data: bytes) -> object:
    try:
        job = read_moves(open_source(data, "job"), FIRMWARES["marlin"])
    except GcodeError as fault:
        return str(fault)
    columns = {name: np.asarray(getattr(job.table, name)) for name in ("x_mm", "z0_mm", "kind")}
    columns |= {name: getattr(job.table, name) for name in ("e_step_mm", "feed_mm_min")}
    columns |= {
        "line": job.table.line_index,
        "deficit": job.deficit_mm.at(np.arange(len(job.table))),
    }
    states = []
    for line in range(0, 4000, 97):
        one = job.state_at(line)
        told = (one.x_mm, one.y_mm, one.z_mm, *one.shift_mm, one.e_mm, one.deficit_mm)
        states.append((*(f"{value + 0:.7f}" for value in told), one.feed_mm_min, one.modes))
    return {name: np.asarray(column).round(7).tolist() for name, column in columns.items()}, states


ODD = [
    b"G1 X50 Y?5 E1",
    b"G1 X50 X51",
    b"G1 X1234567 Y5",
    b"G1 X50 Y50 E0.1 ; wall",
    b"G92 E0",
    b"G92 X5",
    b"G91\nG1 X1 E0.1\nG90",
    b"M82\nG1 E5\nM83",
    b"G28 X",
    b"G53",
    b"G20\nG1 X1\nG21",
    b"T1\nG1 E-2\nT0",
    b"G2 X60 Y60 I5 J5",
    b"G1 F0",
]


@pytest.mark.parametrize("odd", ODD)
def test_a_job_is_read_alike_in_pieces_of_any_size(
    odd: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = random.Random(odd)
    rows = lighthouse_job().splitlines(True)[:4000]
    for _ in range(4):
        rows.insert(rng.randrange(30, 3900), odd + b"\n")
    data = b"".join(rows)
    whole = read(data)
    for size in (7, 300):
        monkeypatch.setattr(scan, "PIECE_BYTES", size * 20)
        assert read(data) == whole
