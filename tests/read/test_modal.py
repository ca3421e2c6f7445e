"""What each firmware family switches with G90/G91, M82/M83 and the rest.

Sources: the families' own documents as restated in the heads of capturehook/catalog/firmware
(marlin: pages M82 and M83; klipper: gcode_move.py; reprapfirmware: GCodes2.cpp; smoothie:
Robot.cpp; repetier: Commands.cpp), and NIST RS274NGC 3.5 for the rest.
"""

from __future__ import annotations

import pytest

from capturehook.catalog import FIRMWARES
from capturehook.model.state import Modes
from capturehook.read.modal import switch
from capturehook.read.words import read_command
from tests.read.reading import PRINTERS, read_lines


def after(firmware: str, *lines: str) -> Modes:
    modes = Modes()
    for line in lines:
        command = read_command(line.encode())
        assert command is not None
        modes = switch(modes, command, FIRMWARES[firmware])
    return modes


ABSOLUTE_AFTER = {
    # lines                  marlin klipper rrf    smoothie repetier
    ("M83", "G91", "G90"): (True, False, False, True, False),
    ("G91", "M82"): (True, False, True, True, False),
    ("G91",): (False, False, True, False, False),
    ("M83", "G90"): (True, False, False, True, False),
    ("G90", "M83"): (False, False, False, False, False),
    ("M82",): (True, True, True, True, True),
    (): (True, True, True, True, True),
    ("G91", "M83", "G90", "M82"): (True, True, True, True, True),
}


@pytest.mark.parametrize("lines", ABSOLUTE_AFTER)
def test_e_is_absolute_or_relative_by_family(lines: tuple[str, ...]) -> None:
    found = tuple(
        after(name, *lines).e_absolute(FIRMWARES[name])
        for name in ("marlin", "klipper", "reprapfirmware", "smoothie", "repetier")
    )
    assert found == ABSOLUTE_AFTER[lines]


@pytest.mark.parametrize(
    ("lines", "absolute"),
    [(("G91",), False), (("G91", "G90"), True), (("M83",), False), (("M83", "G90"), True)],
)
def test_extruder_of_rs274_follows_distance_mode(lines: tuple[str, ...], absolute: bool) -> None:
    assert after("rs274", *lines).e_absolute(FIRMWARES["rs274"]) is absolute


@pytest.mark.parametrize(
    ("line", "seconds"),
    [
        ("G4 P500 S2", dict.fromkeys(PRINTERS, 2) | {"smoothie": 2.5, "klipper": 0.5}),
        ("G4 S3", dict.fromkeys(PRINTERS, 3) | {"klipper": 0}),
        ("G4 P250", dict.fromkeys(PRINTERS, 0.25) | {"rs274": 250}),
        ("G4", dict.fromkeys(PRINTERS, 0)),
    ],
)  # fmt: skip
def test_dwell_lasts_by_family(line: str, seconds: dict[str, float]) -> None:
    for firmware, wanted in seconds.items():
        found = read_lines(line, "G1 X1", firmware=firmware).table.event_s
        assert found.tolist() == [wanted], firmware


@pytest.mark.parametrize("firmware", FIRMWARES)
@pytest.mark.parametrize("ms", [1, 180, 1250, 60_000])
def test_dwell_written_is_the_dwell_read(firmware: str, ms: int) -> None:
    written = FIRMWARES[firmware].dwell(ms)
    found = read_lines(*written, "G1 X1", firmware=firmware).table.event_s
    assert found.tolist() == [pytest.approx(ms / 1000)]


@pytest.mark.parametrize("firmware", FIRMWARES)
def test_no_dwell_writes_nothing(firmware: str) -> None:
    # A bare G4 waits on some families and is an error on others.
    assert FIRMWARES[firmware].dwell(0) == []


@pytest.mark.parametrize(
    ("line", "changed"),
    [
        ("G20", {"inch": True}),
        ("G18", {"plane": 18}),
        ("G90.1", {"absolute_centres": True}),
        ("T3", {"tool": 3}),
        ("M106 S127", {"fan": ("P0 S127",)}),
        ("M106", {"fan": ("P0 S255",)}),
        ("M106 P2 S9", {"fan": ("P2 S9",)}),
        ("M107", {"fan": ("P0 S0",)}),
        ("M204 P500 T900 ; less", {"accel": ("M204 P500 T900",)}),
        ("G55", {"coordinate_system": "G55"}),
    ],
)
def test_command_switches_this_and_nothing_else(line: str, changed: dict[str, object]) -> None:
    for firmware in FIRMWARES:
        found = after(firmware, line)
        plain = Modes()
        for name in Modes.__dataclass_fields__:
            assert getattr(found, name) == changed.get(name, getattr(plain, name)), name


def test_later_word_of_a_kind_takes_the_place_of_the_earlier() -> None:
    modes = after("marlin", "M106 S1", "M106 P1 S2", "M106 S3", "M204 S500", "M205 X8", "M204 S900")
    assert modes.fan == ("P1 S2", "P0 S3")
    assert modes.accel == ("M205 X8", "M204 S900")


@pytest.mark.parametrize(
    "line", ["M104 S200", "G4 P5", "M117 G91", "G28", "TOOL_CHANGE G91", "M400"]
)
def test_other_commands_switch_nothing(line: str) -> None:
    modes, command = Modes(), read_command(line.encode())
    assert command is not None
    for firmware in FIRMWARES.values():
        assert switch(modes, command, firmware) is modes


def test_inches_are_25_4_mm() -> None:
    # International yard and pound agreement, 1959: one inch is 25.4 mm exactly.
    assert after("marlin", "G20").unit_mm == 25.4
    assert after("marlin", "G20", "G21").unit_mm == 1.0


@pytest.mark.parametrize("firmware", FIRMWARES)
def test_inches_reach_e_by_family(firmware: str) -> None:
    wanted = 1.0 if firmware in ("smoothie", "rs274") else 25.4
    assert after(firmware, "G20").e_unit(FIRMWARES[firmware]) == wanted
