"""`by = "lines"`: what may do harm is refused, the rest is sent as it stands."""

from __future__ import annotations

import pytest

from capturehook.catalog import FIRMWARES, TRIGGERS
from capturehook.errors import ProfileError
from capturehook.model.block import Role
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from tests.strategies import profile_table


def profile_with(*lines: str, allow: tuple[str, ...] = ()) -> Profile:
    fire = {"by": "lines", "lines": list(lines), "allow": list(allow)}
    return build_profile(profile_table("marlin", trigger=fire), "heron.toml")


@pytest.mark.parametrize(
    "line",
    [
        "M42 P5 S255",
        "m42p5s0",
        "SET_PIN PIN=G1 VALUE=1",
        "M117 G1 X5 M104",
        "M118 A1 M104 S200",
        "; a comment",
        "G4 P150 ; G28 T1",
        "M280 P0 S90",
        "CAMERA_FIRE",
    ],
)
def test_harmless_line_is_sent_as_it_stands(line: str) -> None:
    fire = TRIGGERS["lines"].fire(FIRMWARES["marlin"], profile_with(line))
    assert [(one.role, one.text) for one in fire.lines] == [
        (Role.WAIT, "M400"),
        (Role.FIRE, line),
    ]
    assert fire.held_ms == 0


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("M104 S200", "touches heaters"),
        ("m104s200", "touches heaters"),
        ("M0140 S60", "touches heaters"),
        ("G10 P0 S200", "touches heaters"),
        ("SET_HEATER_TEMPERATURE HEATER=extruder", "touches heaters"),
        ("set_heater_temperature heater=extruder target=0", "touches heaters"),
        ("   M  104   S200", "touches heaters"),
        ("M00104S0 ; only a comment", "touches heaters"),
        ("M104.1 S200", "touches heaters"),
        ("M306 T", "touches heaters"),
        ("G28.1", "touches homing"),
        ("g0028 x", "touches homing"),
        ("G38.2 Z-5", "touches homing"),
        ("G92.1", "touches homing"),
        ("M851 Z-1", "touches homing"),
        ("BED_MESH_PROFILE LOAD=a", "touches homing"),
        ("M211S0", "touches limits"),
        ("M302 P1", "touches limits"),
        ("M900 K0", "touches limits"),
        ("SET_VELOCITY_LIMIT ACCEL=1", "touches limits"),
        ("M112", "touches stops"),
        ("M81", "touches stops"),
        ("M118 A1 action:cancel", "touches stops"),
        ("cancel_print", "touches stops"),
        ("G27", "leave the machine changed (motion)"),
        ("G11", "leave the machine changed (motion)"),
        ("G10 ; draw back", "leave the machine changed (motion)"),
        ("FORCE_MOVE STEPPER=x", "leave the machine changed (motion)"),
        ("G54", "leave the machine changed (modes)"),
        ("N10 M104 S200", "has no command this tool can read"),
        ("N10 M42 P5 S255*33", "has no command this tool can read"),
        ("(now) M104 S200", "has no command this tool can read"),
        ("/M104 S200", "has no command this tool can read"),
        ("%M104", "has no command this tool can read"),
        ("M42 P5 (M104 S200)", "holds more than one command"),
        ("M42P5S255M104S200", "holds more than one command"),
        ("m42 p5 n20 m104 s0", "holds more than one command"),
        ("G4 P10*5 M84", "holds more than one command"),
        ("M42 P5 S1\nM104 S0", "is not plain ASCII"),
        ("M42 P5 S1\rM104 S0", "is not plain ASCII"),
        ("\tM104 S0", "is not plain ASCII"),
        ("G28", "touches homing"),
        ("G92 X0", "touches homing"),
        ("M204 S500", "touches limits"),
        ("M84", "touches stops"),
        ("PAUSE", "touches stops"),
        ("G1 X5", "leave the machine changed (motion)"),
        ("g01 x5", "leave the machine changed (motion)"),
        ("T1", "leave the machine changed (motion)"),
        ("G91", "leave the machine changed (modes)"),
        ("M106 S0", "leave the machine changed (modes)"),
        ("M42 P5 S255 M104 S200", "holds more than one command"),
        ("M400 G1 X5", "holds more than one command"),
        ("X5 Y5", "has no command this tool can read"),
        ("M118 caf\xe9", "is not plain ASCII"),
        ("M118 " + "a" * 80, "is not plain ASCII of at most 80"),
        ("; capturehook pose 1 end", "marks our own fences"),
    ],
)
def test_harmful_line_is_refused_with_its_number(line: str, told: str) -> None:
    with pytest.raises(ProfileError) as caught:
        profile_with("M42 P5 S255", line)
    assert told in str(caught.value)
    assert "line 2" in str(caught.value)


def test_harm_may_be_allowed_by_name_but_motion_never() -> None:
    assert profile_with("M204 S500", allow=("m204",)).trigger.lines == ("M204 S500",)
    with pytest.raises(ProfileError, match="leave the machine changed"):
        profile_with("G1 X5", allow=("G1",))


@pytest.mark.parametrize(
    ("line", "name"),
    [("M104 S200", "M104"), ("g28 x", "G28"), ("m00211 s0", "M211"), ("PAUSE", "pause")],
)
def test_harm_is_allowed_by_its_own_name_only(line: str, name: str) -> None:
    assert profile_with(line, allow=(name,)).trigger.lines == (line,)
    for other in (("M999",), ("M10",), (name + "0",), ()):
        with pytest.raises(ProfileError, match="touches"):
            profile_with(line, allow=other)


def test_every_bad_line_is_told_in_one_report() -> None:
    with pytest.raises(ProfileError) as caught:
        profile_with("G28", "M84")
    assert "line 1" in str(caught.value) and "line 2" in str(caught.value)


def test_no_line_at_all_is_refused() -> None:
    with pytest.raises(ProfileError, match="Add at least one command"):
        build_profile(profile_table("marlin", trigger={"by": "lines"}), "heron.toml")
