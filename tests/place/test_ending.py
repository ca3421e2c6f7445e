"""The head stays up after the frame of the finished part, but only where end code follows.

What the end code does with the head elsewhere is followed by hand beside each case, from the
firmware facts in capturehook/catalog/firmware. The witness is asked the same with a writer that
stays whatever follows: it must refuse by itself all that may not be.
"""

from __future__ import annotations

from typing import Any

import pytest

from capturehook.api import apply
from capturehook.block.poses import PosedJob
from capturehook.errors import ProofError
from capturehook.model.stop import NEVER, Ending
from capturehook.place import poses
from capturehook.profile import build_profile
from tests.block_checks import complaints, limits_of
from tests.strategies import profile_table

HEAD = ["G21", "G90", "M82", "M104 S200", "G28", "G92 E0"]
PARK, HOP_MM = (8.0, 215.0), 0.8
OFF = ("M104 S0", "M140 S0")


def job(*end: str, height_mm: float = 0.6) -> bytes:
    """Three layers of one square from (60, 60), then retraction and the end code (from line 30)."""
    lines, e = list(HEAD), 0.0
    for layer in (1, 2, 3):
        z = height_mm * layer / 3
        lines += [";LAYER_CHANGE", f";Z:{z:g}", f"G1 X60 Y60 Z{z:g} F6000"]
        for x, y in ((90, 60), (90, 90), (60, 90), (60, 60)):
            e += 1
            lines.append(f"G1 X{x} Y{y} E{e:g} F1800")
    return "\n".join([*lines, f"G1 E{e - 0.8:g} F2100", *end, ""]).encode()


def posed(*end: str, firmware: str = "marlin", height_mm: float = 0.6, **tables: Any) -> PosedJob:
    table = profile_table(firmware, capture={"first_layer": 1}, **tables)
    profile = build_profile(table, "heron.toml")
    data = job(*end, height_mm=height_mm)
    done = apply(data, profile, path="part", is_whole=True)
    assert complaints(data, done.data, limits_of(profile)) == []
    return done


def ending(*end: str, **wishes: Any) -> Ending | None:
    return posed(*end, **wishes).poses[-1].ending


def last_block(done: PosedJob) -> list[str]:
    return list(done.poses[-1].block.texts)


AT_PARK = {
    "heaters and motors off": (*OFF, "M84"),
    "homes X": (*OFF, "G28 X0", "M84"),
    "homes X and Y": (*OFF, "G28 X0 Y0"),
    "a place for both, up by steps": ("G91", "G1 Z10 F600", "G90", "G1 X0 Y200 F6000", "M84"),
    "a place for Z first": (*OFF, "G1 Z20", "G1 X5"),
    "waits for a person": (*OFF, "M0"),
    "retracts more": ("G92 E0", "G1 E-2 F300", *OFF),
}
ABOVE = {
    "steps in X": (*OFF, "G91", "G1 X5 Y5 Z10", "G90", "G28 X0"),
    "goes down": (*OFF, "G1 X50 Y50 Z0.5"),
    "homes Z": (*OFF, "G28 Z"),
}
HOME = {
    "unretracts": ("G1 E12.2 F300", "M107", *OFF),
    "a macro": ("PARK_HEAD", *OFF),
    "goes down by steps": (*OFF, "G91", "G1 Z-0.1", "G90"),
    "shifts": (*OFF, "G92 Z0", "G1 Z5"),
    "an arc": (*OFF, "G2 X100 Y100 I5 J5"),
    "stored places": (*OFF, "G27"),
    "motors off, then on": (*OFF, "M84", "G91", "G1 Z5"),
    "lifts to the end of the axis": (*OFF, "G91", "G1 Z249", "G90"),
}  # fmt: skip


def family_of(name: str) -> str:
    """Names are macros on Klipper; on Marlin an error message, and nothing done."""
    return "klipper" if name == "a macro" else "marlin"


@pytest.mark.parametrize("name", AT_PARK)
def test_stays_at_the_park_point(name: str) -> None:
    done = posed(*AT_PARK[name])
    stays = done.poses[-1].ending
    assert stays is not None and stays.at_park
    assert stays.offset_mm == pytest.approx((PARK[0] - 60, PARK[1] - 60, HOP_MM))
    assert last_block(done)[-3:] == ["M400", "G4 P180", "G4 P470"] or "G1 F" in last_block(done)[-1]
    assert not any(line.startswith("G1 Z0.6") for line in last_block(done))


@pytest.mark.parametrize("name", ABOVE)
def test_stays_above_the_part(name: str) -> None:
    stays = ending(*ABOVE[name])
    assert stays is not None and not stays.at_park
    assert stays.offset_mm == pytest.approx((0, 0, HOP_MM)) and stays.stated_line[:2] == (0, 0)


@pytest.mark.parametrize("name", HOME)
def test_comes_back(name: str) -> None:
    assert ending(*HOME[name], firmware=family_of(name)) is None


ROUND = {"machine": {"round": True}, "park": {"x_mm": 40, "y_mm": 190}}
OFF_ROUND = (*OFF, "G1 Z20", "G1 X20")
"""From Y190 X20 is 121.5 mm from the middle of a bed of radius 117.5; from Y60 it is 113."""


def test_comes_back_where_the_end_code_would_leave_a_round_bed() -> None:
    assert ending(*OFF_ROUND, park=ROUND["park"]).at_park  # type: ignore[union-attr]
    assert ending(*OFF, "G1 Z20", "G1 X30", **ROUND).at_park  # type: ignore[union-attr]
    stays = ending(*OFF_ROUND, **ROUND)
    assert stays is not None and not stays.at_park


def test_the_witness_refuses_to_leave_a_round_bed(monkeypatch: pytest.MonkeyPatch) -> None:
    stays = Ending(at_park=True, offset_mm=(-20.0, 130.0, HOP_MM), stated_line=(NEVER,) * 3)
    monkeypatch.setattr(poses, "find_ending", lambda *_: stays)
    with pytest.raises(ProofError, match="'G1 X20' would leave the machine's round bed"):
        posed(*OFF_ROUND, **ROUND)


def test_a_place_summed_from_steps_is_the_place_written_for_it() -> None:
    # 60.1 and 0.2 are 60.300000000000004 in binary, and the block writes X60.3
    steps = b"G91\nM83\nG1 X0.1 Y-10 E0.5\nG1 X0.2 Y-20 E0.5\nG90\nM82\nG92 E12\n"
    last = b"G1 X60 Y60 E12 F1800\n"
    data = job("G1 X50 Y50 Z0.5", *OFF)
    assert data.count(last) == 1
    profile = build_profile(profile_table("marlin", capture={"first_layer": 1}), "heron.toml")
    stays = apply(data.replace(last, steps), profile, path="part").poses[-1].ending
    assert stays is not None and not stays.at_park


def test_comes_back_before_a_placeholder_that_nothing_filled_in() -> None:
    assert ending(*OFF, "{end_code}", "M84") is None


def test_lines_that_state_the_axes_again() -> None:
    done = posed(*AT_PARK["a place for both, up by steps"])
    stays = done.poses[-1].ending
    line = done.job.source.text.split(b"\n").index(b"G1 X0 Y200 F6000")
    assert stays is not None and stays.stated_line == (line, line, NEVER)


def test_a_program_end_of_rs274_moves_nothing() -> None:
    table = profile_table("rs274", capture={"first_layer": 1})
    text = job(*OFF, "M2").replace(b"M82\n", b"").replace(b" E", b" A")
    done = apply(text, build_profile(table, "heron.toml"), path="part")
    assert done.poses[-1].ending is not None and done.poses[-1].ending.at_park
    assert b"M30" not in text


def test_a_keep_out_box_between_park_and_home_brings_the_head_back_over_the_part() -> None:
    clip = {"name": "clip", "x_mm": [0, 3], "y_mm": [205, 235], "z_mm": [0, 30]}
    tables = {"machine": {"keep_out": [clip]}, "park": {"x_mm": 110, "y_mm": 215}}
    assert ending(*OFF, **tables).at_park  # type: ignore[union-attr]
    stays = ending(*OFF, "G28 X0", **tables)
    assert stays is not None and not stays.at_park


FORBIDDEN = {
    **dict.fromkeys(HOME, (True, False)),
    "goes down by steps": (True,),  # above the part it is still higher than the job
    "goes down": (True,),
    "homes Z": (True,),
}


@pytest.mark.parametrize(
    ("name", "at_park"), [(name, at_park) for name, ways in FORBIDDEN.items() for at_park in ways]
)
def test_the_witness_refuses_a_head_that_stays_without_right(
    name: str, at_park: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    away = (PARK[0] - 60, PARK[1] - 60) if at_park else (0.0, 0.0)
    stays = Ending(at_park=at_park, offset_mm=(*away, HOP_MM), stated_line=(NEVER,) * 3)
    monkeypatch.setattr(poses, "find_ending", lambda *_: stays)
    with pytest.raises(ProofError, match="the head does not come back, and after it"):
        posed(*(HOME | ABOVE)[name], firmware=family_of(name))


def test_the_witness_refuses_to_stay_where_printing_goes_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stays = Ending(at_park=False, offset_mm=(0.0, 0.0, HOP_MM), stated_line=(NEVER,) * 3)
    true = poses.find_paths

    def all_stay(*given: Any, **wishes: Any) -> Any:
        from dataclasses import replace

        placed, findings = true(*given, **wishes)
        return [replace(one, ending=stays) for one in placed], findings

    monkeypatch.setattr(poses, "find_paths", all_stay)
    with pytest.raises(ProofError, match=r"after it 'G1 X90 Y60 E5 F1800' may lay plastic"):
        posed(*OFF)
