"""The witness finds the machine's state in the output's bytes and takes nobody's word for it.

Each item of the state in which blocks are written is falsified where the writer gets it; the
run must end with nothing written. What commands do to the state is checked against what the
firmware's own sources say: docs/reference/gcode_facts.md#state-commands.
"""

from __future__ import annotations

import ast
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from functools import cache
from math import pi
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.api import apply
from capturehook.block import (
    witness,
    witness_block,
    witness_bytes,
    witness_end,
    witness_filament,
    witness_found,
    witness_halves,
    witness_lines,
    witness_state,
    witness_text,
)
from capturehook.block.witness import check_output
from capturehook.block.witness_bytes import Bytes
from capturehook.block.witness_filament import NotToldError
from capturehook.block.witness_found import Found
from capturehook.block.witness_state import Family
from capturehook.block.witness_text import own_text
from capturehook.block.write import pose_block
from capturehook.catalog import FIRMWARES
from capturehook.errors import ProofError, UntoldError
from capturehook.model.state import State
from capturehook.place import poses
from capturehook.profile import build_profile
from tests import variants
from tests.block.blocks import (
    HOP_MM,
    MODES,
    Posed,
    block_of,
    kit_for,
    pieces_of,
    state_of,
    stated_of,
)
from tests.small_jobs import Recipe, SmallJob, make_job, plain_jobs
from tests.strategies import profile_table
from tests.variants import for_firmware

PATH = "lighthouse.gcode"


@cache
def all_jobs() -> dict[str, SmallJob]:
    return plain_jobs()


ALL = sorted(FIRMWARES)


def falsify(monkeypatch: pytest.MonkeyPatch, change: Callable[[State], State]) -> None:
    """The writer gets another state than the job's lines make."""
    true = poses._state_of

    def false(*given: Any) -> Any:
        state, halves = true(*given)
        return change(state), halves

    monkeypatch.setattr(poses, "_state_of", false)


def modes(**changes: Any) -> Callable[[State], State]:
    return lambda state: replace(state, modes=replace(state.modes, **changes))


FALSE: dict[str, tuple[str, str | None, Callable[[State], State]]] = {
    "X": ("A_absolute", None, lambda s: replace(s, x_mm=s.x_mm + 5)),
    "Y": ("A_absolute", None, lambda s: replace(s, y_mm=s.y_mm + 0.01)),
    "Z": ("A_absolute", None, lambda s: replace(s, z_mm=s.z_mm + 0.4)),
    "E": ("A_full", "absolute_e", lambda s: replace(s, e_mm=s.e_mm + 0.1, deficit_mm=0.5)),
    "F": ("A_absolute", None, lambda s: replace(s, feed_mm_min=s.feed_mm_min - 600)),
    "G90": ("A_absolute", None, modes(absolute=False)),
    "G91": ("A_absolute", "relative_xyz", modes(absolute=True)),
    "unit": ("A_absolute", None, modes(inch=True)),
    "shift": ("A_absolute", None, lambda s: replace(s, shift_mm=(5.0, 0.0, 0.0))),
    "deficit": ("A_absolute", None, lambda s: replace(s, deficit_mm=max(0.0, s.deficit_mm - 0.3))),
    "nothing drawn": ("A_absolute", None, lambda s: replace(s, deficit_mm=0.0)),
    "all drawn": ("D_relative", None, lambda s: replace(s, deficit_mm=s.deficit_mm + 9.0)),
}


@pytest.mark.parametrize("firmware", ALL)
@pytest.mark.parametrize("name", FALSE)
def test_falsified_state_is_refused(
    name: str, firmware: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    job, variant, change = FALSE[name]
    if firmware == "rs274" and variant == "relative_xyz":
        variant, change = None, modes(absolute=False, m82=False)
    data = for_firmware(all_jobs()[job].data, firmware, variant)
    length = 1.4 if name == "all drawn" else 2.0  # the jobs draw back 0.8
    profile = build_profile(
        profile_table(firmware, retract={"length_mm": length}, capture={"resume": "as-is"}), PATH
    )
    apply(data, profile, path=PATH)
    falsify(monkeypatch, change)
    with pytest.raises(ProofError):
        apply(data, profile, path=PATH)


@pytest.mark.parametrize("name", [name for name in FALSE if name != "all drawn"])
def test_one_false_block_among_many_of_its_form_is_refused(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As above, but for the fifth of eight blocks, which are judged at once."""
    variant, change = FALSE[name][1:]
    data = make_job(Recipe(layers=9, relative_e=False, hop_mm=0.4)).data
    data = for_firmware(data, "marlin", variant)
    table = profile_table("marlin", retract={"length_mm": 2.0}, capture={"resume": "as-is"})
    profile = build_profile(table, PATH)
    poses = [str(pose.pose) for pose in apply(data, profile, path=PATH).poses]
    falsify(monkeypatch, lambda s: change(s) if poses and poses.pop() == "4" else s)
    with pytest.raises(ProofError) as caught:
        apply(data, profile, path=PATH)
    assert str(caught.value.where) == "pose 5"


@pytest.mark.parametrize("variant", ["absolute_e", "relative_e"])
@pytest.mark.parametrize("firmware", ALL)
def test_falsified_extruder_mode_is_refused(
    firmware: str, variant: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if firmware == "rs274":
        pytest.skip("axis A knows no M82 and M83")
    data = for_firmware(all_jobs()["A_full"].data, firmware, variant)
    profile = build_profile(profile_table(firmware, retract={"length_mm": 2.0}), PATH)
    apply(data, profile, path=PATH)
    falsify(monkeypatch, lambda s: replace(s, modes=replace(s.modes, m82=s.modes.m82 is False)))
    with pytest.raises(ProofError):
        apply(data, profile, path=PATH)


@pytest.mark.parametrize("drawn", [True, False])
@pytest.mark.parametrize("firmware", [name for name in ALL if name != "rs274"])
def test_falsified_firmware_retraction_is_refused(
    firmware: str, drawn: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = "A_absolute" if drawn else "A_firmware_retract"
    data = for_firmware(all_jobs()[name].data, firmware)
    profile = build_profile(profile_table(firmware, retract={"length_mm": 2.0}), PATH)
    apply(data, profile, path=PATH)
    falsify(monkeypatch, lambda s: replace(s, fw_retracted=drawn, deficit_mm=0.0))
    with pytest.raises(ProofError):
        apply(data, profile, path=PATH)


def test_number_for_e_that_a_prime_leaves_wrong_is_refused_where_places_follow(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    data = make_job(Recipe(layers=4, relative_e=True)).data
    data = data.replace(b"M104 S0", b"M82\nG1 X60 E5 F900\nM104 S0", 1)
    profile = build_profile(profile_table("marlin", retract={"extra_prime_mm": 0.1}), PATH)
    apply(data, profile, path=PATH)
    monkeypatch.setattr("capturehook.block.poses._counts_places_again", lambda _: False)
    with pytest.raises(ProofError, match="goes on with places for it"):
        apply(data, profile, path=PATH)


@pytest.mark.parametrize("change", [{"x_mm": 0.02}, {"e_mm": 0.01}, {"z_mm": 0.01}])
def test_falsified_cut_of_a_spiral_is_refused(
    change: dict[str, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    data = for_firmware(all_jobs()["A_spiral"].data, "marlin", "absolute_e")
    profile = build_profile(profile_table("marlin"), PATH)
    apply(data, profile, path=PATH)
    (key, add) = next(iter(change.items()))
    falsify(monkeypatch, lambda s: replace(s, **{key: getattr(s, key) + add}))
    with pytest.raises(ProofError):
        apply(data, profile, path=PATH)


MODULES = (
    witness,
    witness_block,
    witness_bytes,
    witness_end,
    witness_filament,
    witness_found,
    witness_halves,
    witness_lines,
    witness_state,
    witness_text,
)


def test_the_witness_shares_nothing_with_the_reader() -> None:
    """No module of it imports `read`, nor the records the reader makes."""
    named = set()
    for module in MODULES:
        for node in ast.walk(ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                named.add(node.module or "")
            elif isinstance(node, ast.Import):
                named |= {one.name for one in node.names}
    ours = {name for name in named if name.startswith("capturehook")}
    assert ours == {
        "capturehook.block.second_opinion",
        "capturehook.block.witness_block",
        "capturehook.block.witness_bytes",
        "capturehook.block.witness_end",
        "capturehook.block.witness_filament",
        "capturehook.block.witness_found",
        "capturehook.block.witness_halves",
        "capturehook.block.witness_lines",
        "capturehook.block.witness_state",
        "capturehook.block.witness_text",
        "capturehook.errors",
        "capturehook.model.contracts",
        "capturehook.model.profile",
    }


# What the bytes tell -----------------------------------------------------------------------


def found_after(lines: str, firmware: str = "marlin", letter: str = "E") -> Found:
    text = "".join(f"{line}\n" for line in lines.split("|")).encode()
    return Bytes(text, Family(FIRMWARES[firmware], letter, 1.0)).state_at(len(text))


START = "G28|G90|M82|G92 E0|G1 X60 Y50 Z0.4 F6000|G1 X90 E2 F1800"


@pytest.mark.parametrize(
    ("firmware", "lines", "number", "e", "feed"),
    [
        ("marlin", "", (90, 50, 0.4), 2, 1800),
        ("marlin", "G1 X70 ; X80|;X90|M117 X1 Y2 Z3", (70, 50, 0.4), 2, 1800),
        ("marlin", "g1 x70|N7 G1 Y3*71", (70, 3, 0.4), 2, 1800),
        ("marlin", "G1 X70 F0", (70, 50, 0.4), 2, 1800),
        ("marlin", "G91|G1 X5 Z1 E1|G1 X-1|G90", (94, 50, 1.4), 3, 1800),  # gcode.h: G91 sets E too
        ("reprapfirmware", "G91|G1 X5 Z1 E3", (95, 50, 1.4), 3, 1800),
        ("marlin", "M83|G1 E1|G1 X80 E.5|M82", (80, 50, 0.4), 3.5, 1800),
        ("reprapfirmware", "M83|G1 E1|G1 X80 E.5|M82", (80, 50, 0.4), 2, 1800),  # GCodes.cpp
        ("repetier", "M83|G1 E1|G1 X80 E.5|M82", (80, 50, 0.4), 0, 1800),  # Printer.cpp
        ("marlin", "M83|G1 E1|G92 E0|G1 E.5|M82", (90, 50, 0.4), 0.5, 1800),
        ("klipper", "G91|G1 E1|G90", (90, 50, 0.4), 3, 1800),
        ("klipper", "SET_GCODE_OFFSET Z=0.1|SET_GCODE_OFFSET Z=0.1", (90, 50, 0.3), 2, 1800),
        ("reprapfirmware", "M400 G1 X70 F0", (70, 50, 0.4), 2, 1800),
        ("marlin", "G92 X0 E5", (0, 50, 0.4), 5, 1800),
        ("marlin", "G92", (90, 50, 0.4), 2, 1800),
        ("klipper", "G92", (0, 0, 0), 0, 1800),
        ("smoothie", "G92 X0|G92", (90, 50, 0.4), 0, 1800),
        ("smoothie", "G0 X5 F9000", (5, 50, 0.4), 2, 1800),
        ("smoothie", "X7 E3", (7, 50, 0.4), 3, 1800),
        ("marlin", "G0 X5 F9000", (5, 50, 0.4), 2, 9000),
        ("reprapfirmware", "G1 X7 G91|G1 X1", (8, 50, 0.4), 2, 1800),
        ("marlin", "G20|G1 X1 F60", (25.4, 50, 0.4), 2, 1524),
        ("marlin", "G2 X70 I-10", (70, 50, 0.4), 2, 1800),
        # GCodeMachineState.cpp, Robot.cpp: modes and F come back, the place does not
        ("reprapfirmware", "M120|G91|G1 Z1 F600|M121", (90, 50, 1.4), 2, 1800),
        ("smoothie", "M120|G91|G1 Z1 F600|M121", (90, 50, 1.4), 2, 1800),
        ("reprapfirmware", "M121", (90, 50, 0.4), 2, 1800),
        ("marlin", "M120|G1 F600|M121", (90, 50, 0.4), 2, 600),
        # gcode_move.py
        ("klipper", "SAVE_GCODE_STATE|G91|G1 Z1 F600|RESTORE_GCODE_STATE", (90, 50, 1.4), 2, 1800),
        (
            "klipper",
            "SAVE_GCODE_STATE NAME=a|G1 X1 E9|RESTORE_GCODE_STATE NAME=a MOVE=1",
            (90, 50, 0.4),
            2,
            1800,
        ),
        ("klipper", "G92 X10|SAVE_GCODE_STATE|G92 X0|RESTORE_GCODE_STATE", (10, 50, 0.4), 2, 1800),
        ("klipper", "SET_GCODE_OFFSET Z=0.1", (90, 50, 0.3), 2, 1800),
        ("klipper", "SET_GCODE_OFFSET Z=0.1 MOVE=1", (90, 50, 0.4), 2, 1800),
        ("klipper", "SET_GCODE_OFFSET Z=0.1|SET_GCODE_OFFSET Z_ADJUST=.1", (90, 50, 0.2), 2, 1800),
        ("reprapfirmware", 'G1 X70 ; say "b" G1 X80', (70, 50, 0.4), 2, 1800),
        ("rs274", "G49", (90, 50, 0.4), 2, 1800),
        ("rs274", "M83|G1 X80 E.5|M82", (80, 50, 0.4), 2.5, 1800),  # a controller with E words
        ("reprapfirmware", "G10 P0 S200 R150", (90, 50, 0.4), 2, 1800),
        ("marlin", "M290 Z0.05|M900 K0|M220 S50|M221 S90|M73 P5", (90, 50, 0.4), 2, 1800),
    ],
)  # fmt: skip
def test_state_is_told_by_the_bytes(
    firmware: str, lines: str, number: tuple[float, ...], e: float, feed: float
) -> None:
    found = found_after(f"{START}|{lines}" if lines else START, firmware)
    assert found.dead is None
    assert found.number == pytest.approx(number)
    assert (found.e, found.feed) == (pytest.approx(e), pytest.approx(feed))


@pytest.mark.parametrize(
    ("firmware", "line", "lost"),
    [
        ("klipper", "CLEAN_NOZZLE", "XYZEF"),
        ("marlin", "G29", "XYZ"),
        ("marlin", "M1234", "XYZEF"),
        ("marlin", "G61 X0", "XYZEF"),
        ("reprapfirmware", 'M98 P"purge.g"', "XYZE"),
        ("reprapfirmware", "T1", "XYZE"),
        ("reprapfirmware", "G53 G1 Z8", "XYZ"),
        ("reprapfirmware", "G1 R2 X0", "X"),
        ("reprapfirmware", "M400 G1 R2 X0", "X"),
        ("reprapfirmware", "G55", "XYZ"),
        ("reprapfirmware", "if true|  G1 Z2|  G1 X10|", "XZ"),
        ("klipper", "ACTIVATE_EXTRUDER EXTRUDER=extruder1", "XYZE"),
        ("rs274", "G81 X7 Y7 Z1 R2", "XYZEF"),
        ("marlin", "M84", "XYZ"),
    ],
)
def test_what_a_line_may_change_is_lost(firmware: str, line: str, lost: str) -> None:
    found = found_after(f"{START}|{line}", firmware)
    values = dict(zip("XYZEF", [*found.number, found.e, found.feed], strict=True))
    assert {key for key, value in values.items() if value is None} == set(lost)


@pytest.mark.parametrize(
    ("firmware", "line"),
    [
        ("klipper", "RESTORE_GCODE_STATE NAME=never"),
        ("smoothie", "M2"),
        ("smoothie", "play other.gcode"),
        ("reprapfirmware", "M0"),
        ("rs274", "M2"),
        ("rs274", "G93"),
        ("rs274", "o100 while [#1 lt 3]"),
        ("rs274", "#1 = 5"),
        ("marlin", "M28 other.gco"),
        ("marlin", "M200 D2.85 T1"),
        ("marlin", "M200 S1"),
        ("marlin", "G20|M200 D0.07"),
        ("klipper", "M221 S50|ACTIVATE_EXTRUDER EXTRUDER=b"),
        ("marlin", "M808 L3"),
    ],
)
def test_what_nothing_can_follow_is_said(firmware: str, line: str) -> None:
    assert found_after(START, firmware).dead is None
    assert found_after(f"{START}|{line}", firmware).dead is not None


@pytest.mark.parametrize("line", ["G1 Z{var.h * 3}", "G1 Z1.2.3", "G1 Z5 Z6", "G1 X5 ?Z3"])
def test_word_that_cannot_be_read_is_not_guessed(line: str) -> None:
    with pytest.raises(NotToldError, match="cannot be read"):
        found_after(f"{START}|{line}")
    assert found_after(f"{START}|{line}|G1 X1 Y2 Z3 E4").number == [1, 2, 3]


@pytest.mark.parametrize(
    ("lines", "drawn"),
    [
        (START, 0.0),
        (f"{START}|G1 E1.2", 0.8),
        (f"{START}|G1 E1.2|G92 E0|G1 E-1", 1.8),
        ("G90|M82|G1 X9 E5|G92 E0|G1 E-1", 1.0),
        (f"{START}|G1 E1.2|G1 E1.9", 0.1),
        (f"{START}|G1 E1.2|G1 E2.5", 0.0),
        (f"{START}|M83|G1 E-.5|G1 X3 E-.25", 0.75),
        (f"{START}|M83|G1 E-.5|G92 E0|G1 E.5", 0.0),
        ("M83|G1 E-2", 2.0),
        ("M83|" + "|".join(["G1 E-3"] + ["G1 X1 E1"] * 20), 0.0),
        (f"{START}|M83|G1 E-.8|T1", 0.0),
        (f"{START}|M83|M200 D1.75|G1 E-2.40528", 1.0),  # 3.14159 / 4 * 1.75^2 = 2.40528 mm2
        (f"{START}|M83|M200 D1.75|M200 S0|G1 E-2", 2.0),
        (f"{START}|M83|G1 E-.8|T1|G1 X1 E5|G1 E-.5|T0", 0.8),
    ],
)
def test_how_far_filament_is_drawn_back(lines: str, drawn: float) -> None:
    text = "".join(f"{line}\n" for line in lines.split("|")).encode()
    told = Bytes(text, Family(FIRMWARES["marlin"], "E", 1.0))
    told.state_at(len(text))
    assert told.deficit_mm(len(text)) == pytest.approx(drawn)


def test_an_unsaid_mode_of_e_is_m82() -> None:
    unsaid, places, steps = (Found(m82=said).modes() for said in (None, True, False))
    assert unsaid == places != steps


# RepRapFirmware GCodes.cpp, applyM220M221: strokes of filament alone are not scaled.
@pytest.mark.parametrize(
    ("lines", "drawn"),
    [
        (f"{START}|M221 S50|G1 E1.2", 0.8),
        (f"{START}|M221 S50|G1 X9 E1.2", 0.4),
        (f"{START}|M83|M221 S50|G1 E-.5|G1 X3 E-.5|G1 Z1 E.2", 0.65),
        (f"{START}|M221 S50|G1 X9 E1|M221 S100|G1 E.5", 1.0),
        (f"{START}|M83|M106 S9 G1 E-.5", 0.5),
        (f"{START}|M221 S50|G1 X9 E40|G1 E39|G92 E0|G1 E-1", 2.0),
        (f'{START}|M221 S50|M98 P"a"|G1 E1', None),
        (f'{START}|M221 S50|M98 P"a"|G1 E1|G1 X1 E30|G1 E29', 1.0),
    ],
)
def test_how_far_filament_is_drawn_back_under_a_flow_factor(
    lines: str, drawn: float | None
) -> None:
    text = "".join(f"{line}\n" for line in lines.split("|")).encode()
    told = Bytes(text, Family(FIRMWARES["reprapfirmware"], "E", 1.0))
    told.state_at(len(text))
    assert told.deficit_mm(len(text)) == (drawn if drawn is None else pytest.approx(drawn))


def test_long_strokes_are_followed_to_their_begin_where_asked() -> None:
    """12 mm drawn back and 11.5 pushed: a look back over 10 mm ends too soon."""
    far = b"; far away\n" * 600
    text = b"M83\nG1 X9 E5\nG1 E-12\n" + far + b"G1 E11.5\n"
    told = Bytes(text, Family(FIRMWARES["marlin"], "E", 1.0))
    told.state_at(len(text))
    assert told.deficit_mm(len(text)) == 0.0
    assert told.deficit_mm(len(text), enough_mm=1e9) == pytest.approx(0.5)


# Blocks in outputs made by hand ---------------------------------------------------------------


def posed(firmware: str = "marlin", **changes: Any) -> Posed:
    """A good block, for a state at which the lines of LED end."""
    state = state_of(MODES["absolute"])
    made: dict[str, Any] = {
        "pose": 1,
        "state": state,
        "lines": tuple(block_of(kit_for(firmware), state)),
        "level_z_mm": HOP_MM,
        "prime_mm": 0.0,
    }
    return Posed(**{**made, **changes})


LED = ("G28", "G90", "M82", "G92 E12", "G1 X98.2 Y104.6 Z2.6 E12.345 F1800")


def judge(
    block: Posed, *job: str, firmware: str = "marlin", behind: str = "", stated: Any = None
) -> None:
    kit = kit_for(firmware)
    pieces = pieces_of(kit, block, *(job or LED))
    pieces[2] = behind.replace("|", "\n").encode() + b"\n"
    planned = [stated_of(block)] if stated is None else stated
    check_output(pieces, kit.profile, kit.firmware, planned)


def test_block_by_hand_is_neutral() -> None:
    judge(posed())
    judge(posed(), firmware="smoothie", behind="X5 E13")


def test_every_block_is_run_by_pygcode_too(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []

    def listen(lines: Any, found: Found, *rest: Any) -> None:
        asked.extend(np.ravel(found.number[2]))

    monkeypatch.setattr(witness, "check_block", listen)
    data = make_job(Recipe(layers=9)).data
    made = apply(data, build_profile(profile_table("marlin"), PATH), path=PATH)
    assert sorted(asked) == [pose.state.z_mm for pose in made.poses]
    assert len(asked) == 8


def test_every_planned_block_and_no_other_stands_in_the_output() -> None:
    one = stated_of(posed())
    for wrong in ([], [replace(one, pose=2)], [one, replace(one, pose=2)]):
        with pytest.raises(ProofError, match="planned"):
            judge(posed(), stated=wrong)


@pytest.mark.parametrize(
    ("firmware", "line", "told"),
    [
        ("marlin", "M28 a.gco", "nothing can be followed after line 6 of the job, 'M28 a.gco'"),
        ("klipper", "CLEAN_NOZZLE", "X Y Z stands .line 6 of the job, 'CLEAN_NOZZLE' loses it"),
        ("marlin", "M209 S1", "M209 makes it the firmware's own retraction"),
        ("klipper", "CLEAN|G1 X98.2 Y104.6 Z2.6 E12.345", "the speed .F. in force"),
        ("klipper", "CLEAN|G1 X98.2 Y104.6 Z2.6 F1800", "the number for E"),
    ],
)
def test_block_that_cannot_be_proved_names_the_line(firmware: str, line: str, told: str) -> None:
    with pytest.raises(UntoldError, match=told) as caught:
        judge(posed(firmware), *LED, *line.split("|"), firmware=firmware)
    assert caught.value.exit_code == 2


def test_guessed_mode_of_the_extruder_is_refused() -> None:
    job = [line for line in LED if line != "M82"]
    judge(posed("klipper"), *job, firmware="klipper")
    with pytest.raises(UntoldError, match="whether E counts places or steps"):
        judge(posed("klipper"), "START_PRINT", *job, firmware="klipper")


def test_hop_below_the_nozzle_is_refused() -> None:
    with pytest.raises(ProofError, match="stated lower than where the nozzle stands"):
        judge(posed(level_z_mm=2.0))


def test_words_alone_behind_a_block_go_on_with_the_motion_before_it() -> None:
    """Smoothie and RS-274 go on with the last motion; a block ends with G1."""
    job = (*LED, "G0 X98.2 F9000")
    judge(posed("smoothie"), *job, firmware="smoothie", behind="; |M105|G1 X5 E13|X6")
    with pytest.raises(ProofError, match="words alone, with G0 in force before"):
        judge(posed("smoothie"), *job, firmware="smoothie", behind="; |M105|X5 E13")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("G10", "G11"), "while the firmware's own retraction is off before it"),
        (("G1 E12.1 F2100", "G1 E12.345"), "retracts 0.245 mm where 0 mm"),
        ((), "retracts 0 mm where 0 mm"),
    ],
)
def test_other_stroke_than_the_wished_one_is_refused(change: tuple[str, ...], told: str) -> None:
    lines = [line for line in posed().lines if "E" not in line]
    lines = [*change[:1], *lines[:-1], *change[1:], lines[-1]]
    with pytest.raises(ProofError, match=told):
        judge(posed(lines=tuple(lines)))


def test_end_of_the_firmwares_retraction_away_from_the_part_is_refused() -> None:
    kit = kit_for("marlin", retract={"by": "firmware"})
    state = state_of(MODES["absolute"])
    lines = block_of(kit, state)
    block = posed(lines=tuple(lines))
    check_output(pieces_of(kit, block, *LED), kit.profile, kit.firmware, [stated_of(block)])
    lines.remove("G11")
    lines.insert(lines.index("M400"), "G11")
    block = posed(lines=tuple(lines))
    with pytest.raises(ProofError, match="pushes filament away"):
        check_output(pieces_of(kit, block, *LED), kit.profile, kit.firmware, [stated_of(block)])


def halves(kept: str, first: str, second: str, block: Posed, job: tuple[str, ...] = LED) -> None:
    """A line of the job cut in two round a block."""
    kit = kit_for("marlin")
    ours = [
        "; capturehook lines 1 begin", f"; capturehook kept {kept}", first,
        "; capturehook lines 1 end", "; capturehook pose 1 begin layer 1 z 0.2", *block.lines,
        "; capturehook pose 1 end", "; capturehook lines 2 begin", second,
        "; capturehook lines 2 end",
    ]  # fmt: skip
    pieces = ["".join(f"{line}\n" for line in part).encode() for part in (job, ours, ["M84"])]
    check_output(pieces, kit.profile, kit.firmware, [stated_of(block)])


def cut_block(x: float, y: float, e: float) -> Posed:
    state = state_of(MODES["absolute"], x_mm=x, y_mm=y, e_mm=e)
    route = [(x, y, HOP_MM), (8.0, 215.0, HOP_MM)]
    return posed(state=state, lines=tuple(pose_block(kit_for("marlin"), state, route).texts))


LINE = ("G1 X108.2 Y104.6 E13.345", "G1 X102.2 Y104.6 E12.745", "G1 X108.2 Y104.6 E13.345")


def test_halves_that_lay_the_line_pass_and_others_are_refused() -> None:
    halves(*LINE, cut_block(102.2, 104.6, 12.745))
    kept, first, second = LINE
    wrong = {
        "feed": (kept, first, "G1 X108.2 Y104.6 E13.4"),
        "end at X": (kept, first, "G1 X108.3 Y104.6 E13.345"),
        "F is": (kept, first, second + " F900"),
        "no single motion": ("M104 S300", first, second),
        "more than motion": (kept, first, "M106 S1"),
    }
    for told, lines in wrong.items():
        with pytest.raises(ProofError, match=told):
            halves(*lines, cut_block(102.2, 104.6, 12.745))
    with pytest.raises(ProofError, match="not on the job's line"):
        halves(kept, "G1 X102.2 Y104.7 E12.745", second, cut_block(102.2, 104.7, 12.745))
    with pytest.raises(ProofError, match="retract"):
        halves(kept, "G1 X102.2 Y104.6 E12.3", second, cut_block(102.2, 104.6, 12.3))


def test_halves_of_an_arc_keep_its_centre() -> None:
    """A half circle of 10 mm round (108.2, 104.6), cut at its top."""
    arc = "G2 X118.2 Y104.6 I10 J0 E13.345"
    first = "G2 X108.2 Y114.6 I10 J0 E12.845"
    block = cut_block(108.2, 114.6, 12.845)
    halves(arc, first, "G2 X118.2 Y104.6 I0 J-10 E13.345", block)
    with pytest.raises(ProofError, match="no parts of the job's arc"):
        halves(arc, first, "G2 X118.2 Y104.6 I1 J-10 E13.345", block)
    with pytest.raises(ProofError, match="no parts of the job's arc"):
        halves(arc, "G1 X108.2 Y114.6 E12.845", "G2 X118.2 Y104.6 I0 J-10 E13.345", block)


def test_only_a_remaining_time_line_may_stand_for_another() -> None:
    kit = kit_for("marlin")
    for kept, new, good in (
        ("M73 P3 R9", "M73 P2 R11", True),
        ("M104 S0", "M73 P2 R11", False),
        ("M73 P3 R9", "M104 S0", False),
    ):
        ours = (
            f"; capturehook lines 3 begin\n; capturehook kept {kept}\n{new}\n"
            "; capturehook lines 3 end\n"
        )
        pieces = ["\n".join((*LED, "")).encode(), ours.encode(), b"M84\n"]
        if good:
            check_output(pieces, kit.profile, kit.firmware, [])
            continue
        with pytest.raises(ProofError):
            check_output(pieces, kit.profile, kit.firmware, [])


def test_hop_out_of_the_machine_is_refused_without_a_way() -> None:
    lines = ("G1 E11.545 F2100", "G1 Z300 F720", "G1 Z2.6", "G1 E12.345 F2100", "G1 F1800")
    with pytest.raises(ProofError, match="leaves the machine's Z range"):
        judge(posed(lines=lines))


def judge_two(
    between: str, behind: str = "", firmware: str = "marlin", own: tuple[str, str] = ("", "")
) -> None:
    """Two blocks of one form, each with a line of its own, and what stands between and behind."""
    kit, block = kit_for(firmware), posed(firmware)
    pieces = [*pieces_of(kit, block, *LED, "M221 S100", "G0 X98.2"), b""]
    pieces[2:] = [between.encode() + b"\n", pieces[1].replace(b"pose 1", b"pose 2")]
    for at, line in zip((1, 3), own, strict=True):
        pieces[at] = pieces[at].replace(b"M400\n", b"M400\n" + line.encode() + b"\n" * bool(line))
    stated = [stated_of(block), replace(stated_of(block), pose=2)]
    check_output([*pieces, behind.encode()], kit.profile, kit.firmware, stated)


def test_blocks_of_one_form_are_judged_each_in_its_own_state() -> None:
    """The same lines again, behind a line that changes what their words mean; a line of the
    second block that is not the first's; words alone behind the second."""
    judge_two("M105")
    for line in ("M83", "G91", "G20", "M221 S50", "M200 D1.75", "G1 Z1.6\nG92 Z2.6"):
        with pytest.raises(ProofError):
            judge_two(line)
    judge_two("M105", own=("M221 S100", "M221 S100"))
    with pytest.raises(ProofError, match="the modes are"):
        judge_two("M105", own=("M221 S100", "M221 S50"))
    between = "G1 X98.2\nG0 X98.2"
    judge_two(between, "G1 X5 E13", "smoothie")
    with pytest.raises(ProofError, match="words alone, with G0 in force before"):
        judge_two(between, "X5 E13", "smoothie")


def test_views_of_the_job_are_read_in_the_order_in_which_they_stand() -> None:
    view = memoryview(b"G1 X1\nG1 X2\n")
    assert own_text([view[:6], b"", view[6:]])[0] == view
    assert own_text([view[6:], b"", view[:6]])[0] == b"G1 X2\nG1 X1\n"


def test_wipe_is_at_the_height_where_printing_stopped() -> None:
    retract, *rest = posed().lines
    wipe = ("G1 X100.2 Y104.6 F9000",)
    judge(posed(lines=(retract, *wipe, *rest), wipe=((100.2, 104.6),)))
    with pytest.raises(ProofError, match="moves in XY below its hop"):
        judge(posed(lines=(retract, "G1 Z2.9 F720", *wipe, *rest), wipe=((100.2, 104.6),)))


def test_park_in_the_corner_around_a_round_bed_is_refused() -> None:
    """The block parks at X8 Y215: within both axes of 0 to 235, 147 mm from the middle."""
    kit, block = kit_for("marlin"), posed()
    pieces = pieces_of(kit, block, *LED)
    for is_round in (False, True):
        machine = kit.profile.machine.model_copy(update={"round": is_round})
        profile = kit.profile.model_copy(update={"machine": machine})
        with pytest.raises(ProofError, match="round bed") if is_round else nullcontext():
            check_output(pieces, profile, kit.firmware, [stated_of(block)])


def test_arc_in_a_block_is_refused() -> None:
    lines = list(posed().lines)
    lines.insert(3, "G2 X8 Y215 I1")
    with pytest.raises(ProofError, match="holds an arc"):
        judge(posed(lines=tuple(lines)))


@pytest.mark.parametrize(
    ("lines", "drawn"),
    [
        ("G10", True),
        ("G10|G11", False),
        ("G10|T1", False),
        ("G10|T1|T0", True),
        ("G10|T1|G10|G11|T0", True),
        ("T1|G10|T0|T1", True),
    ],
)
def test_firmwares_retraction_is_kept_for_each_tool(lines: str, drawn: bool) -> None:
    text = "".join(f"{line}\n" for line in f"{START}|{lines}".split("|")).encode()
    told = Bytes(text, Family(FIRMWARES["marlin"], "E", 1.0))
    told.state_at(len(text))
    assert told.is_drawn(len(text)) is drawn


@pytest.mark.parametrize(
    "stroke", ["g1 e-2", "N9 G1 E-2*7", "G01 E-2", " G1 E-2", "G1E-2", "G1 E -2", "G1 e-2"]
)
def test_strokes_written_otherwise_are_counted(stroke: str) -> None:
    text = b"M83\nG1 X9 E5\n" + b"; far away\n" * 600 + f"G1 X1 E1\n{stroke}\n".encode()
    told = Bytes(text, Family(FIRMWARES["marlin"], "E", 1.0))
    told.state_at(len(text))
    assert told.deficit_mm(len(text)) == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("lines", "shift"),
    [("G92 X0", [90, 0, 0]), ("G92 X0|G28 X", [0, 0, 0]), ("G92 Z1|G92 Z2", [0, 0, -1.6])],
)
def test_shift_is_what_to_add_for_the_machines_place(lines: str, shift: list[float]) -> None:
    assert found_after(f"{START}|{lines}").shift == pytest.approx(shift)


def test_strokes_and_primes_are_lengths_of_filament_in_every_unit() -> None:
    """0.8 mm and 0.05 mm of 1.75 mm filament: as mm3 (pi/4 d2 l), inches (25.4 mm) and mm."""
    job = make_job(Recipe(retract="none")).data
    area = pi * 1.75**2 / 4
    for data, volumetric, unit in (
        (job, False, 1.0),
        (variants.volumetric(job, announce=False), True, 1 / area),
        (variants.inches(job), False, 25.4),
    ):
        table = profile_table("marlin", retract={"length_mm": 0.8, "extra_prime_mm": 0.05})
        table["machine"] |= {"volumetric": volumetric}
        posed = apply(data, build_profile(table, "heron.toml"))
        assert len(posed.poses) > 1  # the last, of the finished part, lays nothing more
        for pose in posed.poses[:-1]:
            words = [text.split()[1] for text in pose.block.texts if text.startswith("G1 E")]
            fed = [float(word[1:]) * unit for word in words]
            assert fed == pytest.approx([-0.8, 0.8, 0.05], abs=1e-4)


LINES = st.sampled_from(
    ["G1 X1 Y2", "G0 Z3", "; layer", "M83", "G1 X1 G91", "G1 X1 ; G91", "T0", "", "g1x5", "\rG1 X2"]
)


@given(st.lists(LINES, max_size=30), st.booleans(), st.integers(1, 40), st.booleans())
def test_other_lines_are_found_wherever_a_piece_of_text_ends(
    lines: list[str], several: bool, size: int, is_closed: bool
) -> None:
    """Against each line alone, the text looked at in small pieces."""
    text = "\n".join(lines).encode() + b"\n" * is_closed
    wanted, at = [], 0
    for line in text.split(b"\n"):
        code = line.split(b";")[0]
        is_plain = line[:3] in (b"G0 ", b"G1 ")
        has_second = several and is_plain and any(letter in code[1:] for letter in b"GMT")
        if line[:1] not in (b"", b";", b"\r") and (not is_plain or has_second):
            wanted.append(at)
        at += len(line) + 1
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(witness_bytes, "PIECE", size)
        assert witness_bytes.other_lines(text, several=several) == wanted


@pytest.mark.parametrize("firmware", ALL)
def test_named_states_are_klippers_alone(firmware: str) -> None:
    """gcode_move.py; most others answer a name that they do not know, and go on; one stops."""
    lines = f"{START}|SAVE_GCODE_STATE NAME=a|G1 X50|RESTORE_GCODE_STATE NAME=a MOVE=1"
    found = found_after(lines, firmware)
    assert found.number[0] == {"klipper": 90, "rs274": None}.get(firmware, 50)
