"""The button trigger: the switch's own figures, points, refusals, doubts and lines."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capturehook.catalog.triggers.button_press import ButtonPress, closed_ms, press_points
from capturehook.model.contracts import Fire
from capturehook.model.profile import Camera, Machine, Park, Profile, Retract, Trigger

BUTTON = ButtonPress()


class PlainFirmware:
    """Waits and dwells as most families write them."""

    def wait(self) -> list[str]:
        return ["M400"]

    def dwell(self, ms: int) -> list[str]:
        return [f"G4 P{ms}"]


def heron(moves: str = "bed-y", camera: dict[str, Any] | None = None, **trigger: Any) -> Profile:
    """A bed-slinger with a switch at the right of its gantry, closing at X228."""
    return Profile.model_construct(
        name="heron",
        machine=Machine(
            firmware="marlin", x_mm=(0, 235), y_mm=(0, 235), z_mm=(0, 250), moves=moves
        ),
        park=Park(x_mm=200, y_mm=215),
        retract=Retract(),
        camera=Camera(**(camera or {})),
        trigger=Trigger(**{"by": "button", "x_mm": 228.0, **trigger}),
    )


def codes(profile: Profile) -> list[str]:
    return [finding.code for finding in BUTTON.findings(profile)]


# A pin-plunger microswitch datasheet: pretravel 0.5 mm max, overtravel 0.5 mm min, movement
# differential 0.1 mm max. A hinge-lever one: overtravel 1.2 mm min, differential 0.8 mm max.
PLUNGER = {"pretravel_mm": 0.5, "overtravel_mm": 0.5, "differential_mm": 0.1}
LEVER = {"pretravel_mm": 4.0, "overtravel_mm": 1.2, "differential_mm": 0.8}


def test_points_of_a_plunger_pressed_to_the_right() -> None:
    """Worked by hand from the datasheet figures: contact at 228, half of the over-travel."""
    points = press_points(heron(**PLUNGER, press_share=0.5))
    assert points.start_mm == pytest.approx(223)
    assert points.touch_mm == pytest.approx(227.5)
    assert points.contact_mm == 228
    assert points.press_mm == pytest.approx(228.25)
    assert points.deepest_mm == pytest.approx(228.3)
    assert points.stop_mm == pytest.approx(228.5)
    assert points.cross_mm == 215  # in line with the park point


def test_points_of_a_lever_pressed_to_the_front() -> None:
    points = press_points(
        heron(axis="y", direction="-", y_mm=9.0, x_mm=30.0, press_share=0.5, **LEVER)
    )
    assert points.touch_mm == pytest.approx(13)
    assert points.press_mm == pytest.approx(8.4)
    assert points.stop_mm == pytest.approx(7.8)
    assert points.cross_mm == 30


def test_default_figures_are_those_of_the_plunger_datasheet() -> None:
    trigger = Trigger(by="button")
    assert trigger.pretravel_mm <= PLUNGER["pretravel_mm"]
    assert trigger.overtravel_mm >= PLUNGER["overtravel_mm"]
    assert trigger.differential_mm <= PLUNGER["differential_mm"]


@pytest.mark.parametrize("figures", [PLUNGER, LEVER])
def test_datasheet_switch_passes_without_a_doubt(figures: dict[str, float]) -> None:
    profile = heron(x_mm=226.0, hold_ms=500, **figures)
    BUTTON.check(profile)
    assert BUTTON.findings(profile) == []


@pytest.mark.parametrize(
    ("trigger", "message"),
    [
        ({"x_mm": None}, "trigger.x_mm: is missing; add where the contact closes on x"),
        (
            {"press_share": 0.9},
            "trigger.press_share: 0.45 mm past the contact, and 0.05 of spread, reach the "
            "switch's stop at 0.5; press less",
        ),
        (
            {"press_share": 0.1},
            "trigger.press_share: 0.05 mm past the contact is no more than the spread "
            "repeat_mm of 0.05: some presses would not close it; press deeper",
        ),
        (
            {"start_mm": 0.5},
            "trigger.start_mm: 0.5 mm before the contact the plunger may be touched already "
            "(pre-travel and spread: 0.55); start farther off",
        ),
        (
            {"x_mm": 234.9},
            "trigger.x_mm: the press point at 235.275 is past the end of the axis at 235 "
            "(from [machine] x_mm); move the switch, or correct the range",
        ),
        (
            {"y_mm": -3.0},
            "trigger.y_mm: the path to the switch at -3 is past the end of the axis at 0 "
            "(from [machine] y_mm); move the switch, or correct the range",
        ),
        (
            {"direction": "-", "x_mm": 232.0},
            "trigger.x_mm: the start point at 237 is past the end of the axis at 235 "
            "(from [machine] x_mm); move the switch, or correct the range",
        ),
        (
            {"x_mm": 150.0},
            "trigger.x_mm: the park point at X200 is on the far side of the plunger, first met "
            "at 149.5; park before it, or turn the direction round",
        ),
        (
            {"approach_mm_min": 20000.0},
            "trigger.approach_mm_min: 20000 is over the machine's limit of 18000 "
            "(from [machine] max_mm_min); slow it down, or correct the limit",
        ),
    ],
)
def test_check_refuses_with_the_numbers(trigger: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        BUTTON.check(heron(**trigger))


@pytest.mark.parametrize(
    ("profile", "code"),
    [
        (heron(x_mm=230.0), "button-in-homing-range"),
        (heron(x_mm=170.0, direction="-"), "button-inside"),
        (heron(start_mm=0.65, differential_mm=0.7), "button-stays-closed"),
        (heron(camera={"min_hold_ms": 700}), "hold-short"),
        (heron(press_share=0.5), "button-depth"),
        (heron(press_share=0.78, repeat_mm=0.1), "button-narrow"),
        (heron(approach_mm_min=900.0), "button-fast"),
        (heron(least_mm_s=5.5), "button-slow"),
    ],
)
def test_each_doubt_is_found_alone(profile: Profile, code: str) -> None:
    BUTTON.check(profile)
    assert codes(profile) == [code]
    assert BUTTON.findings(profile)[0].where.startswith("[trigger] ")


def test_homing_range_is_only_that_of_the_end_pressed_towards() -> None:
    profile = heron(x_mm=3.0, direction="-", start_mm=5.0)
    assert codes(profile) == ["button-in-homing-range"]
    far_end = heron(x_mm=9.0, direction="-")
    assert codes(far_end) == []


def test_lines_of_a_press_are_these() -> None:
    """Hold 200 ms of the 470 ms (lag, exposure, margin); the rest passes at the start point."""
    fire = BUTTON.fire(PlainFirmware(), heron(hold_ms=200, press_share=0.5))  # type: ignore[arg-type]
    assert told(fire) == (
        "G1 X223 Y215 F9000",
        "G1 X228.25 F300",
        "M400",
        "G4 P200",
        "G1 X223 F600",
        "M400",
        "G4 P270",
        "G1 X200 Y215 F9000",
        "M400",
    )
    assert fire.held_ms == 470
    assert fire.shutter_xy_mm == (228.25, 215.0)  # lag 120 ms: it opens while pressed


def test_hold_longer_than_the_exposure_needs_no_second_wait() -> None:
    fire = BUTTON.fire(PlainFirmware(), heron(hold_ms=600))  # type: ignore[arg-type]
    assert [line for line in told(fire) if line.startswith("G4")] == ["G4 P600"]
    assert fire.held_ms == 600


def test_press_along_y_moves_in_y() -> None:
    profile = heron(axis="y", y_mm=226.0, x_mm=30.0, press_share=0.5)
    fire = BUTTON.fire(PlainFirmware(), profile)  # type: ignore[arg-type]
    assert told(fire)[:2] == ("G1 X30 Y221 F9000", "G1 Y226.25 F300")


def told(fire: Fire) -> tuple[str, ...]:
    """The lines as they would stand in a job of plain millimetres."""
    texts = []
    for line in fire.lines:
        named = (("X", line.x_mm), ("Y", line.y_mm))
        words = " ".join(f"{axis}{round(mm, 3):g}" for axis, mm in named if mm is not None)
        texts.append(line.text or f"G1 {words} F{line.feed_mm_min:g}")
    return tuple(texts)


def test_the_default_hold_stands_still_for_the_whole_frame() -> None:
    """lag 120, exposure 1/4 s (exact in powers of two), margin 100: 470 ms, pressed throughout."""
    profile = heron()
    fire = BUTTON.fire(PlainFirmware(), profile)  # type: ignore[arg-type]
    assert [line for line in told(fire) if line.startswith("G4")] == ["G4 P470"]
    assert profile.contact_ms == 470


def test_the_default_hold_follows_the_true_time_of_a_marked_one() -> None:
    """APEX: 30 s as marked is open for 2^5 = 32 s, so the hold is 2 s longer."""
    profile = heron(camera={"exposure_ms": 30_000})
    assert profile.contact_ms == 120 + 32_000 + 100
    assert heron(camera={"exposure_ms": 30_000, "exposure_is": "true"}).contact_ms == 30_220


def test_closed_time_counts_coming_and_going() -> None:
    """By hand: 0.25 mm at 5 mm/s and 0.35 mm at 10 mm/s are 50 + 35 = 85 ms beyond the dwell."""
    assert closed_ms(heron(press_share=0.5, hold_ms=0)) == pytest.approx(85)


def test_defaults_press_where_the_makers_ask() -> None:
    """70 to 100 % of the rated over-travel (Unionwell, mechanical precautions), spread included."""
    trigger = Trigger(by="button")
    depth, spread, rated = trigger.press_share * 0.5, trigger.repeat_mm, trigger.overtravel_mm
    assert 0.7 * rated <= depth - 0 and depth + spread < rated
    assert math.isclose(depth, 0.375)


WORD = re.compile(r"([XYF])(-?[0-9.]+)")


@st.composite
def presses(draw: st.DrawFn) -> dict[str, Any]:
    """A `[trigger]` of a switch near the end of an axis: most pass the check, some do not."""
    direction = draw(st.sampled_from("+-"))
    overtravel_mm = draw(st.floats(0.2, 3))
    press_share = draw(st.floats(0.1, 0.95))
    depth_mm = overtravel_mm * min(press_share, 1 - press_share)
    return {
        "x_mm": draw(st.floats(200, 234) if direction == "+" else st.floats(10, 200)),
        "y_mm": draw(st.one_of(st.none(), st.floats(0, 235))),
        "direction": direction,
        "start_mm": draw(st.floats(1.5, 20)),
        "pretravel_mm": draw(st.floats(0, 4)),
        "overtravel_mm": overtravel_mm,
        "press_share": press_share,
        "differential_mm": draw(st.floats(0, 1)),
        "repeat_mm": depth_mm * draw(st.floats(0, 1.1)),
    }


@pytest.mark.property
@given(presses())
def test_a_press_that_passes_the_check_is_safe(trigger: dict[str, Any]) -> None:
    """Never to the stop, always past the contact, inside the axes, and home again."""
    profile = heron(**trigger)
    try:
        BUTTON.check(profile)
    except ValueError as refusal:
        assert str(refusal).startswith("trigger.") and "; " in str(refusal)
        return
    points = press_points(profile)
    s, repeat = points.sign, trigger["repeat_mm"]
    order = [points.start_mm, points.touch_mm, points.contact_mm, points.press_mm,
             points.deepest_mm, points.stop_mm]  # fmt: skip
    assert sorted(order, key=lambda place: s * place) == order
    assert s * (points.stop_mm - points.press_mm) > repeat
    assert s * (points.press_mm - points.contact_mm) > repeat
    place = {"X": 200.0, "Y": 215.0, "F": 0.0}
    visited = []
    for line in told(BUTTON.fire(PlainFirmware(), profile)):  # type: ignore[arg-type]
        if line.startswith("G1"):
            place |= {word: float(number) for word, number in WORD.findall(line)}
            visited.append((place["X"], place["Y"]))
    assert visited[-1] == (200, 215)
    assert all(-1e-3 <= x <= 235.001 and -1e-3 <= y <= 235.001 for x, y in visited)
    assert max(s * x for x, _ in visited) == pytest.approx(
        max(s * points.press_mm, s * 200.0), abs=1e-3
    )
