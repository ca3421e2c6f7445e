"""`by = "lines"`: only what fires a camera is sent; the list is each family's own.

Expectations follow the firmwares' documents and sources as cited in capturehook/catalog/firmware.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.catalog import FIRMWARES, TRIGGERS
from capturehook.errors import ProfileError
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from tests.strategies import profile_table


def profile_with(family: str, *lines: str, **trigger: object) -> Profile:
    fire = {"by": "lines", "lines": list(lines), **trigger}
    return build_profile(profile_table(family, trigger=fire), "heron.toml")


def pairs(table: dict[str, list[str]]) -> list[tuple[str, str]]:
    return [(family, line) for family, lines in table.items() for line in lines]


HARMLESS = {
    "marlin": ["M42 P5 S255", "m42p5s0", "M117 G1 X5 M104", "M118 E1 pose", "G4 P150 ; G28 T1",
               "; a comment", "M240", "M150 R255 U0 B0", "M355 S1 P128", "M300 S1000 P100", "M400"],
    "klipper": ["SET_PIN PIN=5 VALUE=1", "set_pin pin=5 value=0", "G4 P60000", "M118 pose",
                'RESPOND MSG="pose 3"', "SET_LED LED=lamp RED=0.5 TRANSMIT=1",
                "SET_SERVO SERVO=5 ANGLE=30", "SET_PRINT_STATS_INFO CURRENT_LAYER=3"],
    "reprapfirmware": ["M42 P5 S1", 'M117 "pose"', 'M118 S"pose"', 'M118 P0 S"pose"',
                       "M280 P5 S90", "G4 S2"],
    "smoothie": ["G4 P100", "M400", "M117 pose"],
    "repetier": ["M42 P5 S255", "M340 P5 S1500", "M117 pose"],
    "rs274": ["M64 P5", "G4 P0.5", "M65 P5", "(MSG,pose)", "g4 p60"],
}  # fmt: skip


@pytest.mark.parametrize(("family", "line"), pairs(HARMLESS))
def test_harmless_line_is_sent_as_it_stands(family: str, line: str) -> None:
    firmware = FIRMWARES[family]
    fire = TRIGGERS["lines"].fire(firmware, profile_with(family, line, pin=5))
    assert [one.text for one in fire.lines] == [*firmware.wait(), line]
    assert fire.held_ms == 0


# Lines that a list of refused commands let through, family by family.
NEEDS_ALLOW = {
    "marlin": ["M42 P4 S255", "M42 P5 S255 I1", "M42 P5 S1 T1", "M42 S255", "M118 A1 hello",
               "M240 Z50", "M486 P1", "M605", "M108", "M876 S0", "M412 S0", "M413 S0", "M493",
               "M3 S255", "M260 A1", "M380", "M43 T", "M280 P0 S90", "CAMERA_FIRE",
               "M300 S100 P99999999", "SET_PIN PIN=5 VALUE=1"],
    "klipper": ["SET_PIN PIN=other VALUE=1", "SET_PIN PIN=5 VALUE=2", "SET_PIN PIN=5 TEMPLATE=a",
                "SET_PIN PIN=5", "RESPOND TYPE=command MSG=x", "SET_FAN_SPEED FAN=a SPEED=1",
                "SAVE_GCODE_STATE", "EXCLUDE_OBJECT NAME=a", "SET_DUAL_CARRIAGE CARRIAGE=1",
                "SYNC_EXTRUDER_MOTION", "BED_MESH_OFFSET X=1", "SET_SKEW SKEW=1", "TUNING_TOWER",
                "MY_MACRO", "M42 P5 S1"],
    "reprapfirmware": ["M42 P5 S255", 'M118 P3 S"x"', 'M118 L1 S"x"', "M291 S2", "M571", "M950",
                       "M117 {move.axes[0]}"],
    "smoothie": ["M42 P5 S1", "M118 pose", "M43.1"],
    "repetier": ["M42 P5", "M280", "M99", "M120"],
    "rs274": ["M62 P5", "M63 P5", "M67 E0 Q1", "M66 P0 L3 Q100", "M3", "M5", "M117"],
}  # fmt: skip


@pytest.mark.parametrize(("family", "line"), pairs(NEEDS_ALLOW))
def test_what_is_not_on_the_familys_list_is_refused(family: str, line: str) -> None:
    with pytest.raises(ProfileError, match="line 2"):
        profile_with(family, "G4 P0.1", line, pin=5)


NEVER = [
    "M104 S200", "m104s200", "M0140 S60", "G10 P0 S200", "SET_HEATER_TEMPERATURE HEATER=extruder",
    "set_heater_temperature heater=extruder target=0", "   M  104   S200", "M104.1 S200", "M306 T",
    "G28.1", "g0028 x", "G38.2 Z-5", "G92.1", "G27", "G11", "G10 ; retract",
    "FORCE_MOVE STEPPER=x", "G54", "G28", "G92 X0", "G1 X5", "g01 x5", "T1", "G91", "M106 S0",
    "M23 part.g", "M24", "M28 x", "M32 x", "M37 S1", 'M98 P"x.g"', "M808 L5", "M810 G1 X5",
    "SDCARD_PRINT_FILE FILENAME=a", "RUN_SHELL_COMMAND CMD=a", "play x.gcode", "M1000 play x",
    "if true", "abort", "SET_PIN PIN=heater_relay VALUE=1", "SET_PIN PIN=hotend VALUE=0",
]  # fmt: skip


@pytest.mark.parametrize("family", FIRMWARES)
@pytest.mark.parametrize("line", NEVER)
def test_what_heats_moves_or_runs_programs_is_refused_whatever_is_allowed(
    family: str, line: str
) -> None:
    name = line.split()[0].upper()
    names = [name, "M104", "G1", "G10", "G92", "G28", "M98", "SET_PIN", "M23", "T1", "M32"]
    with pytest.raises(ProfileError, match="line 1"):
        profile_with(family, line, pin=5, allow=names)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("N10 M104 S200", "has no command this tool can read"),
        ("N10 M42 P5 S255*33", "has no command this tool can read"),
        ("(now) M104 S200", "has no command this tool can read"),
        ("/M104 S200", "has no command this tool can read"),
        ("%M104", "has no command this tool can read"),
        ("X5 Y5", "has no command this tool can read"),
        ("M42 P5 (M104 S200)", "more than one command"),
        ("M42P5S255M104S200", "more than one command"),
        ("m42 p5 n20 m104 s0", "M42 with N"),
        ("G4 P10*5 M84", "more than one command"),
        ("M400 G1 X5", "M400 with G"),
        ("M42 P5 S1\nM104 S0", "is not plain ASCII"),
        ("M42 P5 S1\rM104 S0", "is not plain ASCII"),
        ("\tM104 S0", "is not plain ASCII"),
        ("M118 caf\xe9", "is not plain ASCII"),
        ("M118 " + "a" * 80, "is not plain ASCII of at most 80"),
        ("; capturehook pose 1 end", "marks our own fences"),
        ("M118 pose ; done", "may obey"),
        ("M118 E1 action:cancel", "hosts obey"),
        ("M118 // action:poweroff", "hosts obey"),
        ("M117 Action: prompt_begin", "hosts obey"),
        ("G4 P60001", "waits 60.001 s. Wait at most 60 s"),
        ("G4 P999999999", "wait at most 60 s"),
        ("G4 S61", "wait at most 60 s"),
        ("G4 P-1", "wait at most 60 s"),
        ("M42 P4 S255", "switches output 4, but pin is 5. State the output"),
    ],
)
def test_strange_line_is_refused_with_its_number_and_reason(line: str, told: str) -> None:
    with pytest.raises(ProfileError) as caught:
        profile_with("marlin", "M42 P5 S255", line, pin=5)
    assert told.lower() in str(caught.value).lower()
    assert "line 2" in str(caught.value)


def test_dwell_is_bounded_in_the_familys_own_units() -> None:
    """rs274 counts P in seconds (NIST RS274/NGC, G4)."""
    with pytest.raises(ProfileError, match="waits 150 s"):
        profile_with("rs274", "G4 P150")
    assert profile_with("marlin", "G4 P150").trigger.lines == ("G4 P150",)


def test_smoothie_takes_small_letters_for_other_commands() -> None:
    with pytest.raises(ProfileError, match="small letter"):
        profile_with("smoothie", "m400")


@pytest.mark.parametrize(
    ("family", "line", "name"),
    [
        ("marlin", "M204 S500", "m204"),
        ("marlin", "M42 P4 S255", "M42"),
        ("klipper", "my_macro SIDE=left", "MY_MACRO"),
        ("smoothie", "M42", "M42"),
        ("marlin", "M84", "M84"),
    ],
)
def test_other_commands_are_allowed_by_their_own_name_only(
    family: str, line: str, name: str
) -> None:
    assert profile_with(family, line, allow=[name]).trigger.lines == (line,)
    for other in (["M999"], ["M10"], [name + "0"], []):
        with pytest.raises(ProfileError, match="line 1"):
            profile_with(family, line, allow=other)


def test_a_host_word_is_sent_when_it_is_the_text_that_is_stated() -> None:
    line = "M118 E1 action:capture"
    assert profile_with("marlin", line, text="E1 action:capture").trigger.lines == (line,)
    with pytest.raises(ProfileError, match="hosts obey"):
        profile_with("marlin", line)


def test_every_bad_line_is_told_in_one_report() -> None:
    with pytest.raises(ProfileError) as caught:
        profile_with("marlin", "G28", "M84")
    assert "line 1" in str(caught.value) and "line 2" in str(caught.value)


def test_no_line_at_all_is_refused() -> None:
    with pytest.raises(ProfileError, match="Add at least one command"):
        build_profile(profile_table("marlin", trigger={"by": "lines"}), "heron.toml")


def test_a_pin_named_like_a_heater_is_no_trigger() -> None:
    with pytest.raises(ProfileError, match="named like a heater"):
        build_profile(profile_table("klipper", trigger={"by": "pin", "pin": "heater_bed"}), "k")


@pytest.mark.property
@given(st.sampled_from(sorted(FIRMWARES)), st.text("GMTSPXN0123456789 .;*()=_aAmM", max_size=30))
def test_no_line_that_passes_unasked_holds_a_second_command(family: str, line: str) -> None:
    """Apart from texts and comments, a passed line has one command, from the family's list."""
    try:
        profile_with(family, line, pin=5)
    except ProfileError:
        return
    body = line.split(";")[0].strip().upper()
    if body and not body.replace(" ", "").replace("0", "").startswith(("M117", "M118", "(MSG,")):
        assert sum(body.count(letter) for letter in "GTM") == 1
