"""Blocks go in before their lines, in the job's own line ends; every other byte is copied."""

from __future__ import annotations

import pytest

from capturehook.block.fence import KEPT_HERE
from capturehook.block.splice import Insertion, insert_blocks
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
