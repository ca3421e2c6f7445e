"""The lines of one block: for every family, trigger and mode, away and back, all put back.

The witness is the slow interpreter, written apart from the firmware documents; the plain
text of a few blocks stands here so that a reader sees what is sent.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from capturehook.block.write import Kit, make_kit, pose_block
from capturehook.catalog import FIRMWARES, TRIGGERS
from capturehook.errors import PlanError, ProfileError
from capturehook.model.block import Role
from capturehook.model.state import Modes, State
from capturehook.profile import build_profile
from tests.block.blocks import (
    MODES,
    NO_MODES,
    NOT_ON,
    PARK,
    block_of,
    kit_for,
    points,
    profile_for,
    state_of,
)
from tests.block.lead_in import lead_in
from tests.read.slow import Interpreter, Snapshot, differences
from tests.strategies import profile_table

CASES = [
    (firmware, trigger, mode)
    for firmware in FIRMWARES
    for trigger in TRIGGERS
    for mode in MODES
    if mode not in NO_MODES.get(firmware, set()) and firmware not in NOT_ON.get(trigger, set())
]
FORM = re.compile(  # RS-274/NGC 3.3.2.1: sign, digits, one point; no exponent
    r"[GM][0-9]+( [A-Z]-?[0-9]+(\.[0-9]+)?)*|[A-Z_]+( [A-Z]+=[A-Za-z0-9_.]+)+|M11[78] .+|; .+"
)


def ran(kit: Kit, state: State, lines: list[str]) -> tuple[Snapshot, Interpreter]:
    """(snapshot before the block, machine after it)."""
    machine = Interpreter(kit.firmware.name, kit.e_letter)
    for line in lead_in(kit.firmware, kit.e_letter, state):
        machine.feed(line)
    machine.moves.clear()
    before = machine.state()
    for line in lines:
        machine.feed(line)
    return before, machine


@pytest.mark.parametrize(("firmware", "trigger", "mode"), CASES)
def test_block_goes_to_the_park_and_puts_all_back(firmware: str, trigger: str, mode: str) -> None:
    kit, state = kit_for(firmware, trigger), state_of(MODES[mode])
    lines = block_of(kit, state)
    before, machine = ran(kit, state, lines)
    assert differences(before, machine.state()) == []
    assert machine.faults == []
    assert any(move.end[:2] == pytest.approx(PARK) for move in machine.moves)
    for move in machine.moves:
        in_xy = move.start[:2] != move.end[:2]
        assert not in_xy or min(move.start[2], move.end[2]) == pytest.approx(3.4)
    for line in lines:
        assert FORM.fullmatch(line), line
        assert len(line) <= 80


@pytest.mark.parametrize(("firmware", "trigger", "mode"), CASES)
def test_filament_is_drawn_back_first_and_pushed_last(
    firmware: str, trigger: str, mode: str
) -> None:
    kit, state = kit_for(firmware, trigger), state_of(MODES[mode])
    _, machine = ran(kit, state, block_of(kit, state))
    steps = [round(move.e_step_mm, 6) for move in machine.moves]
    assert (steps[0], steps[-1]) == (-0.8, 0.8)
    assert set(steps[1:-1]) == {0.0}
    for move in (machine.moves[0], machine.moves[-1]):
        assert move.end == pytest.approx((98.2, 104.6, 2.6))


@pytest.mark.parametrize("firmware", FIRMWARES)
def test_stands_still_for_settling_and_for_the_shutter(firmware: str) -> None:
    # 180 settle, then lag 120 + exposure 250 + margin 100.
    kit, state = kit_for(firmware), state_of(MODES["absolute"])
    _, machine = ran(kit, state, block_of(kit, state))
    assert [seconds for _, seconds in machine.dwells] == pytest.approx([0.18, 0.47])


@pytest.mark.parametrize("firmware", [name for name in FIRMWARES if name != "smoothie"])
def test_hold_of_a_pin_counts_towards_the_shutter(firmware: str) -> None:
    kit, state = kit_for(firmware, "pin"), state_of(MODES["absolute"])
    _, machine = ran(kit, state, block_of(kit, state))
    assert [seconds for _, seconds in machine.dwells] == pytest.approx([0.18, 0.2, 0.27])


def test_plain_block_line_by_line() -> None:
    assert block_of(kit_for("marlin"), state_of(MODES["absolute"])) == [
        "G1 E11.545 F2100",
        "G1 Z3.4 F720",
        "G1 X8 Y215 F9000",
        "M400",
        "G4 P180",
        "G4 P470",
        "G1 X98.2 Y104.6",
        "G1 Z2.6 F720",
        "G1 E12.345 F2100",
        "G1 F1800",
    ]


def test_block_in_relative_mode_goes_absolute_and_back_in_that_order() -> None:
    lines = block_of(kit_for("klipper"), state_of(MODES["relative"]))
    assert lines[:3] == ["G90", "M83", "G1 E-0.8 F2100"]
    assert lines[-3:] == ["G1 E0.8 F2100", "G91", "G1 F1800"]


@pytest.mark.parametrize(
    ("firmware", "tail"),
    [
        ("marlin", ["G91", "M82", "G1 F1800"]),
        ("smoothie", ["G91", "M82", "G1 F1800"]),
        ("klipper", ["G91", "M82", "G1 F1800"]),
        ("reprapfirmware", ["G91", "M82", "G1 F1800"]),
    ],
)
def test_m82_comes_after_g91_which_may_have_cleared_it(firmware: str, tail: list[str]) -> None:
    assert block_of(kit_for(firmware), state_of(MODES["relative_m82"]))[-3:] == tail


def test_g91_itself_restores_relative_e_on_marlin() -> None:
    lines = block_of(kit_for("marlin"), state_of(MODES["relative"]))
    assert lines[-2:] == ["G91", "G1 F1800"]


def test_modes_the_job_has_are_not_sent_again() -> None:
    for mode in ("absolute", "relative_e", "inches", "unsaid"):
        lines = block_of(kit_for("marlin"), state_of(MODES[mode]))
        assert not {"G90", "G91", "M82", "M83", "G20", "G21"} & set(lines)


# 1 in is 25.4 mm exactly (NIST SP 811, appendix B.6); on Marlin G20 counts E and F too.
@pytest.mark.parametrize("trigger", ["wait", "button"])
@pytest.mark.parametrize("m82", [True, False])
def test_a_block_in_inches_is_that_in_mm(trigger: str, m82: bool) -> None:
    kit = kit_for("marlin", trigger, retract={"length_mm": 0.8, "extra_prime_mm": 0.05})
    in_mm, in_inches = (
        block_of(kit, state_of(Modes(absolute=True, m82=m82, inch=inch))) for inch in (False, True)
    )
    assert len(in_mm) == len(in_inches)
    for mm, inch in zip(in_mm, in_inches, strict=True):
        words, wanted = inch.split(), mm.split()
        if mm.startswith(("G1", "G92")):
            numbers = [float(word[1:]) * 25.4 for word in words[1:]]
            assert numbers == pytest.approx(
                [float(word[1:]) for word in wanted[1:]], rel=5e-3
            )  # F has a decimal
            words, wanted = ([word[0] for word in line] for line in (words, wanted))
        assert words == wanted


@pytest.mark.parametrize(
    ("deficit_mm", "drawn"),
    [(0.0, 0.8), (0.3, 0.5), (0.795, None), (0.8, None), (2.0, None)],
)
def test_only_what_the_job_has_not_drawn_back_is(deficit_mm: float, drawn: float | None) -> None:
    kit, state = kit_for("marlin"), state_of(MODES["relative_e"], deficit_mm=deficit_mm)
    words = [line for line in block_of(kit, state) if " E" in line]
    wanted = [] if drawn is None else [f"G1 E-{drawn:g} F2100", f"G1 E{drawn:g} F2100"]
    assert words == wanted


def test_firmware_retraction_is_used_where_wished_and_not_twice() -> None:
    kit = kit_for("marlin", retract={"by": "firmware"})
    lines = block_of(kit, state_of(MODES["absolute"]))
    assert (lines[0], lines[-2]) == ("G10", "G11")
    done = block_of(kit, state_of(MODES["absolute"], fw_retracted=True))
    assert not {"G10", "G11"} & set(done) and " E" not in " ".join(done)


def test_job_with_firmware_retraction_gets_it_too() -> None:
    kit = make_kit(profile_for("marlin"), e_letter="E", filament_per_unit=1.0, job_fw_retract=True)
    assert block_of(kit, state_of(MODES["absolute"]))[0] == "G10"
    drawn = block_of(kit, state_of(MODES["absolute"], deficit_mm=0.8))
    assert not any(line in ("G10", "G11") for line in drawn)


def test_firmware_retraction_is_refused_where_there_is_none() -> None:
    with pytest.raises(PlanError, match="rs274 has no retraction of its own"):
        make_kit(profile_for("rs274"), e_letter="A", filament_per_unit=1.0, job_fw_retract=True)
    with pytest.raises(ProfileError, match="rs274 has no retraction of its own"):
        kit_for("rs274", retract={"by": "firmware"})


@pytest.mark.parametrize("firmware", [name for name in FIRMWARES if name != "rs274"])
@pytest.mark.parametrize("mode", ["absolute", "relative_e", "relative"])
def test_extra_prime_is_pushed_at_home_and_the_number_put_back(firmware: str, mode: str) -> None:
    kit, state = kit_for(firmware, retract={"extra_prime_mm": 0.05}), state_of(MODES[mode])
    before, machine = ran(kit, state, block_of(kit, state))
    assert machine.state().fed_mm - before.fed_mm == pytest.approx(0.05)
    if mode == "absolute":
        assert machine.e_mm == pytest.approx(12.345)
    assert machine.moves[-1].end == pytest.approx((98.2, 104.6, 2.6))
    _, machine = ran(kit, state, block_of(kit, state, prime=False))
    assert machine.state().fed_mm == pytest.approx(before.fed_mm)


def test_extra_prime_is_refused_where_the_number_cannot_be_put_back() -> None:
    with pytest.raises(ProfileError, match="rs274 cannot put the number for the extruder back"):
        kit_for("rs274", retract={"extra_prime_mm": 0.05})


def test_inches_and_shifts_are_the_jobs_own_numbers() -> None:
    state = state_of(MODES["inches"], shift_mm=(10.0, -20.0, 0.0), e_mm=25.4, feed_mm_min=1524.0)
    lines = block_of(kit_for("marlin"), state)
    assert lines[0] == "G1 E0.968503937 F82.7"
    assert lines[2] == "G1 X-0.078740157 Y9.251968504 F354.3"
    assert lines[-1] == "G1 F60"


def test_button_in_a_shifted_job_presses_at_the_machines_own_place() -> None:
    state = state_of(MODES["absolute"], shift_mm=(10.0, 0.0, 0.0))
    kit = kit_for("marlin", "button")
    _, machine = ran(kit, state, block_of(kit, state))
    # the lead-in knows no shift, so the slow machine stands 10 mm off: the job's numbers
    places = [round(move.end[0] + 10.0, 4) for move in machine.moves]
    assert {3.0, 1.625, 8.0} <= set(places)  # start, press, park


@pytest.mark.parametrize(("counts", "number"), [(True, ["G92 E5"]), (False, [])])
def test_number_for_e_goes_back_where_a_stroke_makes_it_zero(
    counts: bool, number: list[str]
) -> None:
    """Repetier Printer.cpp: the destination of E is 0 after a relative stroke."""
    kit = make_kit(
        profile_for("repetier"),
        e_letter="E",
        filament_per_unit=1.0,
        job_fw_retract=False,
        e_number_counts=counts,
    )
    lines = block_of(kit, state_of(MODES["relative_e"], e_mm=5.0))
    assert [line for line in lines if line.startswith("G92")] == number


def test_volumetric_e_is_written_in_mm3() -> None:
    # 0.8 mm of filament 1.75 mm thick: 1.92423 mm3 (pi/4 d2 l).
    kit = kit_for("marlin", per_unit=1 / 2.405282, machine={"volumetric": True})
    lines = block_of(kit, state_of(MODES["relative_e"]))
    # The feed stays in mm of filament: Marlin planner.cpp turns E to mm before it takes the length.
    assert lines[0] == "G1 E-1.92423 F2100"


@pytest.mark.parametrize("diameter_mm", [0.1, 0.2, 1.75, 12.0])
@pytest.mark.parametrize("firmware", ["marlin", "smoothie"])
def test_strokes_are_the_stated_ones_whatever_a_unit_of_e_is(
    firmware: str, diameter_mm: float
) -> None:
    """M200: 1 mm3 of filament 0.1 mm thick is 127 mm of it, so five decimals are too few."""
    kit = kit_for(firmware, retract={"length_mm": 0.8, "extra_prime_mm": 0.0123})
    modes = replace(MODES["relative_e"], volumetric_mm=diameter_mm)
    block = pose_block(kit, state_of(modes), points())
    strokes = [line for line in block.lines if line.text.startswith("G1 E")]
    area = math.pi * diameter_mm**2 / 4
    fed = [float(line.text.split()[1][1:]) / area for line in strokes]
    assert fed == pytest.approx([-0.8, 0.8, 0.0123], abs=1e-5)


def test_a_dwell_among_own_lines_counts_as_time_of_the_shot() -> None:
    own = {"by": "lines", "lines": ["M42 P5 S1", "G4 P300", "M42 P5 S0"], "allow": ["M42"]}
    profile = build_profile(profile_table("marlin", trigger={**own, "pin": 5}), "heron.toml")
    kit = make_kit(profile, e_letter="E", filament_per_unit=1.0, job_fw_retract=False)
    fire = [line for line in kit.standing if line.role is Role.FIRE]
    assert [line.dwell_s for line in fire] == [0.0, 0.3, 0.0]
    assert sum(line.dwell_s for line in kit.standing) > 0.3


def test_no_hop_line_where_the_nozzle_is_high_enough() -> None:
    state = state_of(MODES["absolute"], z_mm=5.0, deficit_mm=1.0)
    lines = pose_block(kit_for("marlin"), state, [(98.2, 104.6, 5.0), (*PARK, 5.0)]).texts
    assert not any(" Z" in line for line in lines)
    assert lines[0] == "G1 X8 Y215 F9000"


def test_feed_the_job_never_set_is_not_restored() -> None:
    lines = block_of(kit_for("marlin"), state_of(MODES["absolute"], feed_mm_min=0.0))
    assert lines[-1] == "G1 E12.345 F2100"


def test_detour_comes_back_the_way_it_went() -> None:
    way = [(98.2, 104.6, 3.4), (150.0, 120.0, 3.4), (150.0, 200.0, 3.4), (*PARK, 3.4)]
    lines = pose_block(kit_for("marlin"), state_of(MODES["absolute"]), way).texts
    level = [re.sub(" F.*", "", line) for line in lines if " X" in line]
    assert level == [
        "G1 X150 Y120",
        "G1 X150 Y200",
        "G1 X8 Y215",
        "G1 X150 Y200",
        "G1 X150 Y120",
        "G1 X98.2 Y104.6",
    ]


@pytest.mark.parametrize("trigger", TRIGGERS)
def test_motion_is_over_before_the_camera_is_told(trigger: str) -> None:
    """Marlin switches pins and speaks at once, ahead of queued moves: M400 stands before."""
    lines = block_of(kit_for("marlin", trigger), state_of(MODES["absolute"]))
    for index, line in enumerate(lines):
        if line.startswith(("M42", "M118", "M240", "G4")):
            before = [one for one in lines[:index] if one.startswith(("G1", "M400"))]
            assert before[-1] == "M400", line


@pytest.mark.parametrize("trigger", TRIGGERS)
def test_pin_never_stays_on(trigger: str) -> None:
    for firmware in FIRMWARES:
        if firmware in NOT_ON.get(trigger, set()):
            continue
        lines = block_of(kit_for(firmware, trigger), state_of(MODES["absolute"]))
        pins = [line for line in lines if re.match("M42|SET_PIN|M6[45] ", line)]
        assert not pins or re.search(r"S0$|VALUE=0$|M65 P5|M65 P11|S1$", pins[-1])
        assert trigger != "pin" or len(pins) == 2


def test_odd_numbers_are_given_back_to_the_last_digit() -> None:
    state = state_of(
        Modes(m82=True), x_mm=98.23456, y_mm=104.1, e_mm=1234.56789, feed_mm_min=1799.25
    )
    lines = pose_block(kit_for("marlin"), state, points()).texts
    assert "G1 X98.23456 Y104.1" in lines
    assert lines[-2:] == ("G1 E1234.56789 F2100", "G1 F1799.25")


def test_every_line_says_what_it_is_for() -> None:
    state = state_of(MODES["relative"], feed_mm_min=1800.0)
    block = pose_block(kit_for("marlin", "button"), state, points())
    assert [(line.role.value, line.text) for line in block.lines] == [
        ("mode", "G90"),
        ("mode", "M83"),
        ("retract", "G1 E-0.8 F2100"),
        ("hop", "G1 Z3.4 F720"),
        ("travel out", "G1 X8 Y215 F9000"),
        ("wait", "M400"),
        ("settle", "G4 P180"),
        ("press", "G1 X3 Y215 F9000"),
        ("press", "G1 X1.625 F300"),
        ("wait", "M400"),
        ("hold", "G4 P470"),
        ("release", "G1 X3 F600"),
        ("release", "G1 X8 Y215 F9000"),
        ("wait", "M400"),
        ("travel back", "G1 X98.2 Y104.6 F9000"),
        ("lower", "G1 Z2.6 F720"),
        ("unretract", "G1 E0.8 F2100"),
        ("mode", "G91"),
        ("feed", "G1 F1800"),
    ]
    assert block.shutter_mm == (1.625, 215.0, 3.4)  # at the switch, not at the park point
    assert pose_block(kit_for("marlin"), state, points()).shutter_mm == (8.0, 215.0, 3.4)


@pytest.mark.parametrize("firmware", FIRMWARES)
def test_lines_tell_the_moves_and_dwells_of_their_text(firmware: str) -> None:
    """The slow interpreter, fed the texts, ends each line where the line says."""
    for trigger in ("wait", "button", "pin", "message", "lines"):
        if trigger == "pin" and firmware == "smoothie":
            continue
        kit, state = kit_for(firmware, trigger), state_of(MODES["absolute"])
        machine = Interpreter(kit.firmware.name, kit.e_letter)
        for text in lead_in(kit.firmware, kit.e_letter, state):
            machine.feed(text)
        place = {"X": state.x_mm, "Y": state.y_mm, "Z": state.z_mm}
        for line in pose_block(kit, state, points()).lines:
            machine.moves.clear()
            machine.feed(line.text)
            named = {"X": line.x_mm, "Y": line.y_mm, "Z": line.z_mm}
            place |= {axis: mm for axis, mm in named.items() if mm is not None}
            assert machine.state().physical == pytest.approx(tuple(place.values()), abs=1e-6)
            fed = sum(move.e_step_mm for move in machine.moves)
            assert fed == pytest.approx(line.e_step_mm, abs=1e-5), line


def test_pin_is_refused_where_outputs_have_codes_of_their_own() -> None:
    # Smoothieware Switch.cpp compares the M number alone: M42 P11 S0 would switch on again.
    with pytest.raises(ProfileError, match="smoothie switches an output by two codes"):
        profile_for("smoothie", "pin")
