"""A family nobody has: one class, one line in the register, and a job can be filmed on it.

What is read of one family differs from every other on purpose: seconds in G4 P, another wait,
another retraction, another corner rule, words alone that move.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from capturehook import apply, inspect, strip
from capturehook.catalog import FIRMWARES
from capturehook.catalog.firmware.common import CommonFirmware, all_three
from capturehook.catalog.firmware.corners import Deviation
from capturehook.clock.limits import limits_from_job, with_job_limits
from capturehook.errors import ProfileError
from capturehook.hosts.snippet import layer_change_text
from capturehook.model.contracts import Axes, CornerRule, Snippet
from capturehook.profile import build_profile
from capturehook.profile.text import schema
from capturehook.testing import check_firmware
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table


class Plover(CommonFirmware):
    """Waits by G4 P0, in seconds; names its pins; knows no prime; saves and restores places."""

    name = "plover"
    g91_forces_relative_e = True
    modal_motion = True
    can_prime = False
    names_pins = True
    full_on = 1.0
    limit_commands = ("M204", "SET_PACE")

    def dwell(self, ms: int) -> list[str]:
        return [f"G4 P{ms / 1000:.3f}"] if ms > 0 else []

    def wait(self) -> list[str]:
        return ["G4 P0"]

    def dwell_ms(self, p: float | None, s: float | None) -> float:
        return 1000.0 * (p or 0.0)

    def set_pin(self, pin: str | int, value: float | None, on: bool) -> list[str]:
        return [f"M42 P{pin} S{1 if on else 0}"]

    def usual_corners(self, accel_mm_s2: float) -> CornerRule:
        return Deviation(0.03)

    def stated_accel(self, code: str, words: Axes) -> Axes:
        return all_three(words.get("A") if code == "M204" else words.get("ACCEL"))

    def layer_change(self, snippet: Snippet) -> list[str]:
        return ["M500", *snippet.retract, snippet.hop, *snippet.park, *snippet.unretract, "M501"]


@pytest.fixture(autouse=True)
def plover(monkeypatch: pytest.MonkeyPatch) -> Iterator[Plover]:
    family = Plover()
    monkeypatch.setitem(FIRMWARES, family.name, family)
    yield family


def plover_profile(**tables: dict[str, object]) -> object:
    table = profile_table("marlin")
    table["machine"] = {**table["machine"], "firmware": "plover"}
    return build_profile({**table, **tables}, "heron.toml")


def test_made_up_family_passes_the_contract(plover: Plover) -> None:
    check_firmware(plover)


def test_made_up_family_is_a_choice_of_the_profile() -> None:
    assert "plover" in schema()["$defs"]["Machine"]["properties"]["firmware"]["enum"]
    table = profile_table("marlin")
    table["machine"] = {**table["machine"], "firmware": "plower"}
    with pytest.raises(ProfileError, match="nearest is plover"):
        build_profile(table, "heron.toml")
    with pytest.raises(ProfileError, match="plover cannot put the number for the extruder back"):
        plover_profile(retract={"length_mm": 0.8, "extra_prime_mm": 0.1})


@pytest.mark.parametrize("relative_e", [True, False])
def test_job_is_filmed_on_the_made_up_family(relative_e: bool) -> None:
    job = make_job(Recipe(marks="A", layers=5, relative_e=relative_e)).data
    profile = plover_profile(trigger={"by": "pin", "pin": "shutter", "hold_ms": 200})
    applied = apply(job, profile)
    assert [pose.layer for pose in applied.poses] == [2, 3, 4, 5]
    for pose in applied.poses:
        lines = [line.text for line in pose.block.lines]
        at = lines.index("M42 Pshutter S1")
        assert lines[at - 1] == "G4 P0" and "G4 P0.200" in lines[at:] and "M400" not in lines
    assert strip(applied.data) == job
    assert inspect(job, profile).layers["count"] == 5


def test_limits_of_the_job_are_read_as_the_made_up_family_says_them(plover: Plover) -> None:
    job = b"M204 A900\nset_pace ACCEL=700\nG1 X1\nG1 X2\nG1 X3\nM204 A5\n"
    said = limits_from_job(job, "plover")
    assert said == dict.fromkeys(
        ("accel_mm_s2", "travel_accel_mm_s2", "retract_accel_mm_s2"), 700.0
    )
    machine = with_job_limits(plover_profile().machine, job)
    assert plover.corner_rule(machine) == Deviation(0.03)


def test_layer_change_text_of_the_made_up_family() -> None:
    text = layer_change_text(plover_profile())
    assert text.lines[0] == "M500" and text.lines[-1] == "M501"
