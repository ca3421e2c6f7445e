"""The layer-change text, run on a small machine that saves and restores as the firmware does.

Sources of the machine below: Marlin, G60 and G61 (marlinfw.org/docs/gcode/G060.html, G061.html,
and its source file G61.cpp: axes named go to the saved place plus the number after the letter);
Klipper, klippy/extras/gcode_move.py (what a saved state holds, and how E is carried over);
RepRapFirmware, G60, G1 R, M120 and M121 (from memory).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.cli.main import main
from capturehook.errors import PlanError
from capturehook.hosts.snippet import layer_change_text
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from tests.strategies import profile_table


@dataclass
class Saving:
    """X Y Z E, modes, feed; and the family's own way to save them."""

    family: str
    place: dict[str, float]
    absolute: bool
    e_absolute: bool
    feed: float = 1800.0
    e_zero: float = 0.0
    saved: dict[str, Any] = field(default_factory=dict)
    visits: list[tuple[float, float, float]] = field(default_factory=list)
    drawn: float = 0.0
    drawn_at: list[float] = field(default_factory=list)

    def modes(self) -> tuple[bool, bool]:
        return self.absolute, self.e_absolute

    def counts_e(self) -> bool:
        return self.e_absolute and (self.absolute or self.family != "klipper")

    def run(self, line: str) -> None:
        code, *words = line.split()
        getattr(self, f"do_{code.lower()}", self.do_other)(
            {word[0]: word[1:] for word in words} if "=" not in line else
            dict(word.split("=") for word in words)
        )  # fmt: skip

    def do_other(self, _: dict[str, str]) -> None:
        """Waits, dwells and pins."""

    def do_g90(self, _: dict[str, str]) -> None:
        self.absolute = True
        self.e_absolute = True if self.family == "marlin" else self.e_absolute

    def do_g91(self, _: dict[str, str]) -> None:
        self.absolute = False
        self.e_absolute = False if self.family == "marlin" else self.e_absolute

    def do_m82(self, _: dict[str, str]) -> None:
        self.e_absolute = True

    def do_m83(self, _: dict[str, str]) -> None:
        self.e_absolute = False

    def do_g1(self, words: dict[str, str]) -> None:
        self.feed = float(words.get("F", self.feed))
        if "R" in words:
            at = self.saved[words["R"]]
            self.move({axis: at[axis] + float(words[axis]) for axis in "XYZ" if axis in words})
            return
        to = {}
        for axis in "XYZ":
            if axis in words:
                to[axis] = float(words[axis]) + (0.0 if self.absolute else self.place[axis])
        if "E" in words:
            step = float(words["E"])
            if self.counts_e():
                step -= self.place["E"] - self.e_zero
            self.place["E"] += step
            self.drawn -= step
        self.move(to)

    def move(self, to: dict[str, float]) -> None:
        self.place |= to
        self.visits.append((self.place["X"], self.place["Y"], self.place["Z"]))
        self.drawn_at.append(self.drawn)

    def do_g60(self, words: dict[str, str]) -> None:
        self.saved[words["S"]] = dict(self.place)

    def do_g61(self, words: dict[str, str]) -> None:
        at = self.saved[words["S"]]
        self.move({axis: at[axis] + float(words[axis]) for axis in "XYZ" if axis in words})

    def do_m120(self, _: dict[str, str]) -> None:
        self.saved["modes"] = (self.modes(), self.feed)

    def do_m121(self, _: dict[str, str]) -> None:
        (self.absolute, self.e_absolute), self.feed = self.saved["modes"]

    def do_save_gcode_state(self, words: dict[str, str]) -> None:
        state = (dict(self.place), self.modes(), self.feed, self.e_zero)
        self.saved[words["NAME"]] = state

    def do_restore_gcode_state(self, words: dict[str, str]) -> None:
        place, modes, self.feed, e_zero = self.saved[words["NAME"]]
        self.absolute, self.e_absolute = modes
        self.e_zero = e_zero + self.place["E"] - place["E"]
        if words.get("MOVE") == "1":
            self.move({axis: place[axis] for axis in "XYZ"})


def profile_of(firmware: str, **changes: Any) -> Profile:
    return build_profile(profile_table(firmware, **changes), "heron.toml")


def run_text(machine: Saving, profile: Profile) -> None:
    extrusion = "absolute" if machine.e_absolute else "relative"
    for line in layer_change_text(profile, extrusion).lines:
        machine.run(line)


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(
    family=st.sampled_from(["marlin", "klipper", "reprapfirmware"]),
    x=st.floats(0, 235).map(lambda value: round(value, 3)),
    z=st.floats(0.2, 200).map(lambda value: round(value, 2)),
    e_absolute=st.booleans(),
    length_mm=st.sampled_from([0, 0.8, 4.5]),
)
def test_machine_is_put_back_and_goes_level_above_the_layer(
    family: str, x: float, z: float, e_absolute: bool, length_mm: float
) -> None:
    """After the text the machine is as before it; away from the part it is drawn back and high."""
    profile = profile_of(family, retract={"length_mm": length_mm})
    start = {"X": x, "Y": 100.0, "Z": z, "E": 12.5}
    machine = Saving(family, dict(start), absolute=True, e_absolute=e_absolute)
    run_text(machine, profile)
    assert machine.place == pytest.approx(start, abs=1e-6)
    assert machine.modes() == (True, e_absolute)
    assert machine.e_zero == pytest.approx(0.0)
    if family != "marlin":
        assert machine.feed == 1800.0
    away = [visit for visit in machine.visits if visit[:2] != (x, 100.0)]
    assert (8.0, 215.0) in {visit[:2] for visit in away}
    for (at_x, at_y, at_z), drawn in zip(machine.visits, machine.drawn_at, strict=True):
        if (at_x, at_y) != (x, 100.0):
            assert at_z == pytest.approx(z + 0.8)
            assert drawn == pytest.approx(length_mm)


def test_text_comes_down_only_right_above_where_it_left() -> None:
    machine = Saving("klipper", {"X": 90.0, "Y": 80.0, "Z": 2.0, "E": 0.0}, True, False)
    run_text(machine, profile_of("klipper"))
    before, last = machine.visits[-3:-1]
    assert before == (90.0, 80.0, 2.8)
    assert last == (90.0, 80.0, 2.0)


def test_trigger_and_hold_are_in_the_text() -> None:
    profile = profile_of("klipper", trigger={"by": "pin", "pin": "camera"})
    lines = layer_change_text(profile).lines
    on = lines.index("SET_PIN PIN=camera VALUE=1")
    assert lines.index("G1 X8 Y215 F9000") < lines.index("G4 P180") < on
    assert on < lines.index("SET_PIN PIN=camera VALUE=0")
    hold_ms = [int(line[4:]) for line in lines[on:] if line.startswith("G4 P")]
    assert sum(hold_ms) == 120 + 250 + 100  # lag, exposure, margin


def test_firmware_retraction_is_used_when_the_profile_wishes() -> None:
    lines = layer_change_text(profile_of("klipper", retract={"by": "firmware"})).lines
    assert [line for line in lines if line in ("G10", "G11")] == ["G10", "G11"]
    assert not any(" E" in line for line in lines)


@pytest.mark.parametrize("family", ["smoothie", "repetier", "rs274"])
def test_firmware_that_cannot_go_back_is_refused(family: str) -> None:
    with pytest.raises(PlanError, match=f"{family} cannot save a place and go back to it"):
        layer_change_text(profile_of(family))


def test_marlin_needs_to_know_how_e_counts() -> None:
    with pytest.raises(PlanError, match="cannot save whether E counts absolutely"):
        layer_change_text(profile_of("marlin"))


def test_lines_are_short_and_plain() -> None:
    """Marlin reads 96 letters of a line at most in its smallest build (MAX_CMD_SIZE)."""
    for family in ("marlin", "klipper", "reprapfirmware"):
        for line in layer_change_text(profile_of(family), "relative").lines:
            assert line.isascii()
            assert len(line) < 96
            assert "e-" not in line


def test_snippet_command_keeps_cautions_out_of_the_text() -> None:
    done = CliRunner().invoke(main, ["snippet", "-p", "kestrel"], catch_exceptions=False)
    assert done.stdout.startswith("SAVE_GCODE_STATE")
    assert "!" not in done.stdout
    assert "Nothing is proved" in done.stderr
    assert "one at a time" in done.stderr
    words = ["snippet", "-p", "heron", "--extrusion", "absolute", "--json"]
    found = json.loads(CliRunner().invoke(main, words, catch_exceptions=False).stdout)
    assert found["lines"][-1] == "M82"
    assert len(found["cautions"]) > 6
