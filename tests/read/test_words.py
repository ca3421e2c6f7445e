"""One line read with care: command, words, comment, and the column of a fault.

Forms and their meaning: RS-274/NGC (NIST IR 6556, 3.3 Format of a Line) and, where printers
differ, the firmware families' documents and parsers (heads of capturehook/catalog/firmware).
"""

from __future__ import annotations

import pytest

from capturehook.catalog import FIRMWARES
from capturehook.errors import GcodeError
from capturehook.read.moves import read_moves
from capturehook.read.source import open_source
from capturehook.read.words import FREE_TEXT, WordError, read_command, read_commands, split_comment

Words = dict[str, float | None]


def read(line: str) -> tuple[str, Words]:
    command = read_command(line.encode("latin-1"))
    assert command is not None
    return command.code, dict(command.words)


@pytest.mark.parametrize(
    "line",
    [
        "G1 X10 Y-0.5 F1200",
        "G1X10Y-.5F1200",
        "g1 x10 y-.5 f1200",
        "G01 X010. Y-00.50 F+1200",
        "G1\tX10\tY-.5 F1200 ; to the rocks",
        "  G1 X 10 Y -.5 F 1200  ",
        "N12 G1 X10 Y-.5 F1200*57",
        "n0012G1X10Y-.5F1200 *9 ; sum",
        "G1 (up to) X10 Y-.5 (the rocks) F1200",
        "\xef\xbb\xbfG1 X10 Y-.5 F1200",
        "G 1 X10 Y-.5 F1200",
    ],
)
def test_every_form_of_a_move_is_the_same_command(line: str) -> None:
    assert read(line) == ("G1", {"X": 10.0, "Y": -0.5, "F": 1200.0})


@pytest.mark.parametrize(
    ("text", "value"),
    [("5", 5.0), ("+5", 5.0), (".8", 0.8), ("-.8", -0.8), ("5.", 5.0), ("-0", 0.0), ("007", 7.0)],
)
def test_number_needs_a_digit_somewhere_and_no_more(text: str, value: float) -> None:
    assert read(f"G1 X{text}") == ("G1", {"X": value})


def test_exponent_is_a_second_word() -> None:
    # No firmware and no standard knows exponents: 1e-05 is 1, then E of minus five.
    assert read("G1 X1e-05") == ("G1", {"X": 1.0, "E": -5.0})


@pytest.mark.parametrize(
    ("line", "found", "column"),
    [
        ("G1 X12.3.4 Y5", "X12.3.4", 4),
        ("G1 X--5", "X--5", 4),
        ("G1 X1,5", "X1,5", 4),
        ("G92 E1_000", "E1_000", 5),
        ("G1 X5 ?", "?", 7),
    ],
)
def test_word_that_is_no_number_is_told_with_its_column(line: str, found: str, column: int) -> None:
    with pytest.raises(WordError) as caught:
        read_command(line.encode())
    assert (caught.value.found, caught.value.column) == (found, column)


def test_word_without_a_number_has_none() -> None:
    assert read("G28 X Y") == ("G28", {"X": None, "Y": None})


def test_last_of_equal_letters_counts() -> None:
    command = read_command(b"G1 X1 X2")
    assert command is not None
    assert command.get("X") == 2.0
    assert command.get("Y") is None
    assert command.has("X") and not command.has("Y")


@pytest.mark.parametrize("code", sorted(FREE_TEXT))
def test_rest_of_a_free_text_command_is_no_word(code: str) -> None:
    command = read_command(f"{code} G1 X99 E5 *12".encode())
    assert command is not None
    assert (command.code, command.words, command.text) == (code, (), "G1 X99 E5 *12")


@pytest.mark.parametrize(
    ("line", "name", "text"),
    [
        ("EXCLUDE_OBJECT_DEFINE NAME=a X=9 E=4", "EXCLUDE_OBJECT_DEFINE", "NAME=a X=9 E=4"),
        ("set_pin pin=lamp value=1 ; on", "SET_PIN", "pin=lamp value=1"),
        ("START_PRINT", "START_PRINT", ""),
    ],
)
def test_named_command_keeps_its_text_and_has_no_words(line: str, name: str, text: str) -> None:
    command = read_command(line.encode())
    assert command is not None
    assert (command.code, command.words, command.text) == (name, (), text)


@pytest.mark.parametrize(
    ("line", "code"),
    [("M083", "M83"), ("G92.1", "G92.1"), ("G5.0", "G5"), ("T0", "T0"), ("t1", "T1")],
)
def test_code_is_written_in_one_way(line: str, code: str) -> None:
    assert read(line)[0] == code


@pytest.mark.parametrize("line", ["", "   ", "; G1 X5", "(G1 X5)", "%", "N5", "N5 ; G1 X5", "%12"])
def test_line_without_code_is_none(line: str) -> None:
    assert read_command(line.encode()) is None


def test_words_without_a_command_have_an_empty_code() -> None:
    assert read("X1 Y2") == ("", {"X": 1.0, "Y": 2.0})


@pytest.mark.parametrize(
    ("line", "code", "comment"),
    [
        ("G1 X5 ; to the rocks", "G1 X5 ", " to the rocks"),
        ("G1 X5", "G1 X5", ""),
        ('M117 "a;b" ; c', 'M117 "a;b" ', " c"),
        ('M117 "a;b', 'M117 "a;b', ""),
        (";;", "", ";"),
    ],
)
def test_semicolon_ends_code_outside_quotes(line: str, code: str, comment: str) -> None:
    assert split_comment(line) == (code, comment)


def test_checksum_is_cut_off_numbered_lines_only_as_a_checksum() -> None:
    # The serial protocol's sums (XOR of the bytes before the star), of four known lines.
    for line in ("N3 T0*57", "N4 G92 E0*67", "N5 G28*22", "N6 G1 F1500.0*82"):
        number = 0
        for byte in line.partition("*")[0].encode():
            number ^= byte
        assert number == int(line.partition("*")[2])
    assert read("N4 G92 E0*67") == ("G92", {"E": 0.0})
    assert read("N6 G1 F1500.0*82") == ("G1", {"F": 1500.0})


Read = list[tuple[str, Words]]


def commands(line: str, several: str) -> Read:
    return [(c.code, dict(c.words)) for c in read_commands(line.encode("latin-1"), several=several)]


@pytest.mark.parametrize("several", ["first", "in turn", "modes first"])
@pytest.mark.parametrize(
    "line", ["G1 X5 F60", "N7 G1 X5 F60*9", "M117 G1 X9 M104", "; G1 X5 G91", ""]
)
def test_line_with_one_command_is_read_alike_by_all(line: str, several: str) -> None:
    one = read_command(line.encode())
    found = read_commands(line.encode(), several=several)
    assert [(c.code, c.words) for c in found] == ([(one.code, one.words)] if one else [])


@pytest.mark.parametrize(
    ("line", "in_turn"),
    [
        ("G90 G1 X5", [("G90", {}), ("G1", {"X": 5.0})]),
        ("M83G1X6E1", [("M83", {}), ("G1", {"X": 6.0, "E": 1.0})]),
        ("G1 X5 (G91) M400 ; T1", [("G1", {"X": 5.0}), ("M400", {})]),
        ("N9 G91 G1 Z.5*30", [("G91", {}), ("G1", {"Z": 0.5})]),
    ],
)
def test_commands_in_turn_run_from_left_to_right(line: str, in_turn: Read) -> None:
    assert commands(line, "in turn") == in_turn


@pytest.mark.parametrize(
    ("line", "found"),
    [
        # NIST RS274NGC 3.8: modes before motion, wherever they stand; words belong to the motion.
        ("G1 X5 G91", [("G91", {}), ("G1", {"X": 5.0})]),
        ("X5 G1 G20 F60", [("G20", {}), ("G1", {"X": 5.0, "F": 60.0})]),
        ("G21 G90 G1 X5 A1", [("G21", {}), ("G90", {}), ("G1", {"X": 5.0, "A": 1.0})]),
        ("X3 A1 G90", [("G90", {}), ("", {"X": 3.0, "A": 1.0})]),
        ("G17 G90 G94", [("G17", {}), ("G90", {}), ("G94", {})]),
    ],
)
def test_rs274_puts_modes_first(line: str, found: Read) -> None:
    assert commands(line, "modes first") == found


# Marlin parser.cpp reads on in ( ), Klipper gcode_move.py stops, Repetier gcode.cpp and
# Smoothieware GcodeDispatch.cpp end the line there.
@pytest.mark.parametrize("several", ["first", "in turn"])
@pytest.mark.parametrize("line", [b"G1 (X5) Y60", b"G1 Y60 (X5)", b"G92 (a) E0"])
def test_words_in_and_behind_parens_are_refused(line: bytes, several: str) -> None:
    with pytest.raises(WordError, match=r"\("):
        read_commands(line, several=several)
    assert read_commands(line, several="modes first")
    assert read_commands(b"G1 Y60 (outer wall)", several=several)


def test_first_takes_the_rest_for_words() -> None:
    assert commands("G90 G1 X5", "first")[0][0] == "G90"
    assert len(commands("G90 G1 X5", "first")) == 1


@pytest.mark.parametrize("line", [b"G01 X5", b"g01 x5", b"G1.0 X5", b"N7 G01 X5", b"M083", b"T00"])
def test_klipper_compares_names_letter_by_letter(line: bytes) -> None:
    """`gcode.py` [read]; the real host in file mode answers `Unknown command` and goes on."""
    text = b"G90\nM83\nG28\n" + line + b"\nG1 X5 Y5 Z0.2 E1 F900\n"
    with pytest.raises(GcodeError, match="letter by letter") as told:
        read_moves(open_source(text, "job"), FIRMWARES["klipper"])
    assert told.value.where.line_no == 4
    read_moves(open_source(text, "job"), FIRMWARES["marlin"])


def test_a_motion_line_in_small_letters_is_a_shell_command_on_smoothie() -> None:
    """`GcodeDispatch.cpp`: a line that begins with a small letter is left to the shell."""
    text = b"G90\nG28\ng1 x5 y5\nG1 X5 Y5 Z0.2 E1 F900\n"
    with pytest.raises(GcodeError, match="shell") as told:
        read_moves(open_source(text, "job"), FIRMWARES["smoothie"])
    assert told.value.where.line_no == 3
