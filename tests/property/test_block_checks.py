"""The checks of blocks can fail: a block made by hand passes, each single fault is found."""

from __future__ import annotations

import pytest

from capturehook.profile import build_profile
from tests.block_checks import complaints, limits_of
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table
from tests.variants import for_firmware

JOB = make_job(Recipe(layers=2, relative_e=False)).data
ANCHOR = b";LAYER_CHANGE\n;Z:0.4\n"

GOOD = """; capturehook pose 1 begin layer 1 z 0.20
G1 E{e0} F2100
G1 Z1 F720
G1 X8 Y215 F9000
M400
G4 P180
G4 P470
G1 X{x} Y{y} F9000
G1 Z0.2 F720
G1 E{e1} F2100
G1 F2400
; capturehook pose 1 end
"""


def with_block(text: str) -> bytes:
    head, mark, tail = JOB.partition(ANCHOR)
    return head + text.encode() + mark + tail


def good_block() -> str:
    last = JOB.partition(ANCHOR)[0].decode().strip().splitlines()[-1].split()
    words = {word[0]: word[1:] for word in last}
    e1 = float(words["E"])
    return GOOD.format(e0=f"{e1 - 0.8:.5f}", e1=words["E"], x=words["X"], y=words["Y"])


def found(text: str, firmware: str = "marlin") -> list[str]:
    limits = limits_of(build_profile(profile_table(firmware), "heron.toml"))
    return complaints(JOB, with_block(text), limits, poses=1)


def test_good_block_has_no_complaint() -> None:
    assert found(good_block()) == []


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("G1 F2400\n", "", "feed_mm_min"),
        ("G1 F2400\n", "G1 F2400\nG91\n", "absolute"),
        ("G1 F2400\n", "G1 F2400\nM106 S9\n", "never sends"),
        ("M400\n", "M104 S0\n", "never sends"),
        ("M400\n", "G28\n", "never sends"),
        ("M400\n", "M204 S500\n", "never sends"),
        ("G1 Z0.2 F720\n", "G1 Z0.3 F720\n", "does not come back"),
        ("G1 Z1 F720\n", "G1 Z0.6 F720\n", "clearance"),
        ("G1 Z1 F720\n", "G1 Z1 F9000\n", "limit 900"),
        ("G1 X8 Y215 F9000\n", "G1 X-8 Y215 F9000\n", "outside"),
        ("G1 X8 Y215 F9000\n", "G1 X8 Y215.1e-05 F9000\n", "plain form"),
        ("G1 X8 Y215 F9000\n", "G1 X8 Y215 F9000 ; " + "long " * 30 + "\n", "too long"),
        ("G1 X8 Y215 F9000\n", "g1 x8 y215 f9000\n", "plain form"),
        ("G1 X8 Y215 F9000\n", "G1 X8 Y215 F9000\r\n", "line end"),
        ("G4 P470\n", "", "stands still"),
        ("pose 1 begin", "pose 2 begin", "bytes outside"),
        ("G1 X8 Y215 F9000\n", "G1 X8 Y215 Z0.1 F9000\n", "below the layer"),
    ],
)
def test_each_fault_is_found(old: str, new: str, told: str) -> None:
    text = good_block()
    assert old in text
    assert any(told in one for one in found(text.replace(old, new, 1))), found(
        text.replace(old, new, 1)
    )


def test_travel_without_retraction_is_found() -> None:
    lines = good_block().splitlines(keepends=True)
    text = "".join(line for line in lines if not line.startswith("G1 E"))
    assert any("drawn back" in one for one in found(text))


def test_priming_away_from_the_part_is_found() -> None:
    lines = good_block().splitlines(keepends=True)
    prime = next(line for line in lines[3:] if line.startswith("G1 E"))
    lines.remove(prime)
    lines.insert(lines.index("M400\n"), prime)
    assert any("pushes filament" in one for one in found("".join(lines)))


def test_dwell_in_the_wrong_unit_is_found() -> None:
    # RS-274 counts P in seconds: 470 would be eight minutes.
    job = for_firmware(JOB, "rs274")
    block = good_block().replace(" E", " A").replace("M400\n", "")
    head, mark, tail = job.partition(ANCHOR)
    limits = limits_of(build_profile(profile_table("rs274"), "heron.toml"))
    wrong = complaints(job, head + block.encode() + mark + tail, limits)
    assert len(wrong) == 1
    assert "stands still 650 s" in wrong[0]


def test_block_inside_a_label_pair_is_found() -> None:
    job = make_job(Recipe(layers=2, labels="command")).data
    head, mark, tail = job.partition(b"EXCLUDE_OBJECT_END")
    block = b"; capturehook pose 1 begin layer 1 z 0.20\n; capturehook pose 1 end\n"
    limits = limits_of(build_profile(profile_table("marlin"), "heron.toml"))
    wrong = complaints(job, head + block + mark + tail, limits)
    assert any("inside" in one for one in wrong)
