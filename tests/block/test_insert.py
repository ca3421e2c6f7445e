"""Blocks go in before their lines, in the job's own line ends; every other byte is copied."""

from __future__ import annotations

import pytest

from capturehook.block.splice import Insertion, Piece, gives_back, insert_blocks, splice_pieces
from capturehook.jobfile.fence import KEPT_HERE, lines_begin, lines_end, pose_begin, pose_end
from capturehook.read.source import open_source

ODD = b"\xef\xbb\xbfG28\t ;\xe9{}{}G1  X1{}; \xff{}M84"


def put(data: bytes, *insertions: Insertion) -> bytes:
    return insert_blocks(open_source(data, "lighthouse.gcode"), insertions)


def test_nothing_to_insert_gives_the_same_bytes() -> None:
    for end in (b"\n", b"\r\n", b"\r"):
        data = ODD.replace(b"{}", end)
        assert put(data) == data


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_lines_stand_before_their_line_in_the_jobs_line_ends(end: bytes) -> None:
    data = ODD.replace(b"{}", end)
    filmed = put(data, Insertion(0, ("a",)), Insertion(2, ("b", "c")), Insertion(2, ("d",)))
    assert filmed == (
        b"a{}\xef\xbb\xbfG28\t ;\xe9{}{}b{}c{}d{}G1  X1{}; \xff{}M84".replace(b"{}", end)
    )


def test_after_the_last_line() -> None:
    assert put(b"G28\nM84\n", Insertion(2, ("a", "b"))) == b"G28\nM84\na\nb\n"
    assert put(b"G28\nM84", Insertion(2, ("a", "b"))) == b"G28\nM84\na\nb"
    assert put(b"G28\r\nM84", Insertion(2, ("a",))) == b"G28\r\nM84\r\na"


def test_replaced_line_is_kept_with_its_own_line_end() -> None:
    lines = ("x", KEPT_HERE, "y")
    assert put(b"G28\nG1 X5 \r\nM84\n", Insertion(1, lines, replaces=True)) == (
        b"G28\nx\n; capturehook kept G1 X5 \r\ny\nM84\n"
    )
    assert put(b"G28\nG1 X5", Insertion(1, lines, replaces=True)) == (
        b"G28\nx\n; capturehook kept G1 X5\ny"
    )


def test_odd_bytes_of_a_replaced_line_are_kept() -> None:
    filmed = put(b"G1 X5 ; caf\xe9\n", Insertion(0, (KEPT_HERE,), replaces=True))
    assert filmed == b"; capturehook kept G1 X5 ; caf\xe9\n"


def test_text_that_is_not_ascii_never_gets_in() -> None:
    with pytest.raises(UnicodeEncodeError):
        put(b"G28\n", Insertion(0, ("; caf\xe9",)))


# Would `strip` give the job back? Each sabotage must be noticed.

FENCE = (pose_begin(1, 2, 0.4), "G1 X8 Y215", "G4 P5", pose_end(1))
KEPT = (lines_begin(1), KEPT_HERE, "G1 X5", lines_end(1))


def asked(data: bytes, insertion: Insertion, **changed: bytes) -> bool:
    """``changed``: pieces by number (p0, p1, ...) put in the place of those made."""
    source = open_source(data, "lighthouse.gcode")
    pieces: list[Piece] = splice_pieces(source, [insertion])
    for name, piece in changed.items():
        assert bytes(pieces[int(name[1:])]) != piece
        pieces[int(name[1:])] = piece
    return gives_back(source, [insertion], pieces)


@pytest.mark.parametrize(
    "data", [b"G28\nG1 X1\nM84\n", b"G28\r\nG1 X1\r\nM84\r\n", b"G28\nG1 X1\nM84"]
)
def test_what_was_put_in_comes_out_again(data: bytes) -> None:
    assert asked(data, Insertion(1, FENCE))
    assert asked(data, Insertion(3, FENCE))
    assert asked(data, Insertion(1, KEPT, replaces=True))
    assert asked(data, Insertion(2, KEPT, replaces=True))


@pytest.mark.parametrize("last", [b"M84\n", b"M84"])
def test_line_outside_a_fence_is_noticed(last: bytes) -> None:
    data = b"G28\nG1 X1\n" + last
    assert not asked(data, Insertion(1, ("G4 P5",)))
    assert not asked(data, Insertion(1, (*FENCE, "G4 P5")))
    assert not asked(data, Insertion(1, ("G4 P5", *FENCE)))
    assert not asked(data, Insertion(1, (*FENCE, "G4 P5", *FENCE[:0])))


def test_kept_line_where_none_was_replaced_is_noticed() -> None:
    assert not asked(b"G28\nG1 X1\nM84\n", Insertion(1, KEPT))


def test_changed_and_lost_bytes_of_the_job_are_noticed() -> None:
    data = b"G28\nG1 X1\nM84\n"
    for changed in ({"p0": b"G28 X\n"}, {"p0": b""}, {"p2": b"M84\n"}, {"p2": b"G1 X2\nM84\n"}):
        assert not asked(data, Insertion(1, FENCE), **changed)
    kept = b"".join(
        line.encode() + b"\n" for line in (lines_begin(1), f"{KEPT_HERE}G1 X2", lines_end(1))
    )
    assert not asked(data, Insertion(1, KEPT, replaces=True), p1=kept)
    assert not asked(data, Insertion(1, KEPT[:1] + KEPT[2:], replaces=True))
