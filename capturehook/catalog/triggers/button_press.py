"""`button`: the head itself presses a microswitch, slowly and never down to its stop.

How to measure the contact, and the cautions: docs/howto/button.md.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from capturehook.catalog.triggers.pin_pulse import hold_short
from capturehook.errors import Finding
from capturehook.model.block import BlockLine, Role
from capturehook.model.contracts import Fire, Firmware, dwell_lines, wait_lines

if TYPE_CHECKING:
    from capturehook.model.profile import Profile

HOMING_MM = 5.0
"""Homing strikes the end and backs off by about this much (common practice, no source)."""
INSIDE_MM = 50.0
"""A switch farther from the end of its axis stands where parts are printed (ours, no source)."""
SLOW_MM_MIN = 600.0
"""Fastest common approach, 10 mm/s (common practice, no source)."""
LEAST_SHARE = 0.7
"""Makers ask that a normally open contact be driven to 70 to 100 % of the rated over-travel
(e.g. Unionwell, mechanical precautions for snap-action switches); less, and the contact force
is unstable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PressPoints:
    """Places on the approach axis, in mm, in the order the head meets them.

    Attributes
    ----------
    axis, sign : the approach axis, and +1 or -1 for its direction
    cross_mm : where the head stands on the other axis
    start_mm : the slow approach begins here, and the release ends here
    touch_mm : the plunger is first met
    contact_mm : the contact closes
    press_mm : the head stops here and holds
    deepest_mm : the deepest the head may come when it stops at ``press_mm``
    stop_mm : the plunger's mechanical stop
    """

    axis: Literal["x", "y"]
    sign: int
    cross_mm: float
    start_mm: float
    touch_mm: float
    contact_mm: float
    press_mm: float
    deepest_mm: float
    stop_mm: float


def press_points(profile: Profile) -> PressPoints:
    """Every point of a press, from where the contact closes and the switch's own figures.

    Where the profile gives no place on the other axis, the head presses in line with the
    park point.

    Raises
    ------
    ValueError
        "trigger.key: what; advice", where the contact has no place on the approach axis.
    """
    trigger, park = profile.trigger, profile.park
    places = {"x": (trigger.x_mm, trigger.y_mm), "y": (trigger.y_mm, trigger.x_mm)}
    contact, across = places[trigger.axis]
    if contact is None:
        raise ValueError(
            f"trigger.{trigger.axis}_mm: is missing; add where the contact closes on {trigger.axis}"
        )
    sign = 1 if trigger.direction == "+" else -1
    in_line = park.y_mm if trigger.axis == "x" else park.x_mm
    press = trigger.press_share * trigger.overtravel_mm
    return PressPoints(
        axis=trigger.axis,
        sign=sign,
        cross_mm=in_line if across is None else across,
        start_mm=contact - sign * trigger.start_mm,
        touch_mm=contact - sign * trigger.pretravel_mm,
        contact_mm=contact,
        press_mm=contact + sign * press,
        deepest_mm=contact + sign * (press + trigger.repeat_mm),
        stop_mm=contact + sign * trigger.overtravel_mm,
    )


def closed_ms(profile: Profile) -> float:
    """How long the contact is closed in all: longer than the hold, since the head comes and goes.

    Source: kinematics, hold + d/v_in + (d + MD)/v_out, with the press depth d past the contact
    and the movement differential MD.
    """
    trigger = profile.trigger
    depth_mm = trigger.press_share * trigger.overtravel_mm
    closing_s = depth_mm / trigger.approach_mm_min * 60
    opening_s = (depth_mm + trigger.differential_mm) / trigger.release_mm_min * 60
    return profile.contact_ms + 1000 * (closing_s + opening_s)


def trigger_path(profile: Profile) -> list[tuple[float, float]]:
    """Level points (X, Y in mm) the trigger itself visits, from the park point on.

    Empty for triggers that do not move the head.
    """
    if profile.trigger.by != "button":
        return []
    points, park = press_points(profile), profile.park
    along = (points.start_mm, points.deepest_mm)
    spots = [(a, points.cross_mm) if points.axis == "x" else (points.cross_mm, a) for a in along]
    return [(park.x_mm, park.y_mm), *spots]


class ButtonPress:
    """Move in line, approach slowly, hold, go back. docs/howto/button.md"""

    name = "button"

    def check(self, profile: Profile) -> None:
        points = press_points(profile)
        _check_stroke(profile)
        _check_ranges(profile, points)
        _check_side(profile, points)
        _check_feeds(profile)

    def findings(self, profile: Profile) -> list[Finding]:
        warnings = (
            *_warnings_of_place(profile, press_points(profile)),
            *_warnings_of_stroke(profile),
        )
        told = [Finding(code, f"[trigger] {key}", text) for code, key, text in warnings]
        return [*told, *hold_short(profile, closed_ms(profile))]

    def fire(self, firmware: Firmware, profile: Profile) -> Fire:
        """From the park point and back to it, all at the height the head is at.

        What is left of the exposure after the hold passes at the start point, so that the
        travel to the park point never falls into it.
        """
        points, trigger, park = press_points(profile), profile.trigger, profile.park
        camera, hold_ms = profile.camera, profile.contact_ms
        shutter_ms = camera.lag_ms + camera.open_ms + camera.margin_ms
        rest_ms = max(0, math.ceil(shutter_ms - hold_ms))

        def at(along_mm: float, role: Role, feed_mm_min: float, *, across: bool) -> BlockLine:
            """A level move along the approach axis, and across it where asked."""
            cross_mm = points.cross_mm if across else None
            x_mm, y_mm = (along_mm, cross_mm) if points.axis == "x" else (cross_mm, along_mm)
            return BlockLine(role, x_mm=x_mm, y_mm=y_mm, feed_mm_min=feed_mm_min)

        wait = wait_lines(firmware)
        lines = (
            at(points.start_mm, Role.PRESS, park.travel_mm_min, across=True),
            at(points.press_mm, Role.PRESS, trigger.approach_mm_min, across=False),
            *wait,
            *dwell_lines(firmware, hold_ms),
            at(points.start_mm, Role.RELEASE, trigger.release_mm_min, across=False),
            *((*wait, *dwell_lines(firmware, rest_ms)) if rest_ms else ()),
            BlockLine(Role.RELEASE, x_mm=park.x_mm, y_mm=park.y_mm, feed_mm_min=park.travel_mm_min),
            *wait,
        )
        open_mm = points.press_mm if hold_ms > camera.lag_ms else points.start_mm
        shutter = (open_mm, points.cross_mm) if points.axis == "x" else (points.cross_mm, open_mm)
        return Fire(lines, held_ms=hold_ms + rest_ms, shutter_xy_mm=shutter)


def _check_stroke(profile: Profile) -> None:
    """Deep enough to close the contact every time, never so deep as to meet the stop."""
    trigger = profile.trigger
    press = trigger.press_share * trigger.overtravel_mm
    if press + trigger.repeat_mm >= trigger.overtravel_mm:
        raise ValueError(
            f"trigger.press_share: {press:g} mm past the contact, and {trigger.repeat_mm:g} of "
            f"spread, reach the switch's stop at {trigger.overtravel_mm:g}; press less"
        )
    if press <= trigger.repeat_mm:
        raise ValueError(
            f"trigger.press_share: {press:g} mm past the contact is no more than the spread "
            f"repeat_mm of {trigger.repeat_mm:g}: some presses would not close it; press deeper"
        )
    least = trigger.pretravel_mm + trigger.repeat_mm
    if trigger.start_mm <= least:
        raise ValueError(
            f"trigger.start_mm: {trigger.start_mm:g} mm before the contact the plunger may be "
            f"touched already (pre-travel and spread: {least:g}); start farther off"
        )


def _check_ranges(profile: Profile, points: PressPoints) -> None:
    machine, across = profile.machine, "y" if points.axis == "x" else "x"
    for what, axis, place in (
        ("the press point", points.axis, points.press_mm),
        ("the start point", points.axis, points.start_mm),
        ("the path to the switch", across, points.cross_mm),
    ):
        low, high = machine.x_mm if axis == "x" else machine.y_mm
        if not low <= place <= high:
            edge = low if place < low else high
            raise ValueError(
                f"trigger.{axis}_mm: {what} at {place:g} is past the end of the axis at {edge:g} "
                f"(from [machine] {axis}_mm); move the switch, or correct the range"
            )
    for x_mm, y_mm in trigger_path(profile)[1:]:
        if not machine.reaches(x_mm, y_mm):
            raise ValueError(
                f"trigger.{points.axis}_mm: the head goes to X{x_mm:g} Y{y_mm:g}, outside "
                "the round bed (from [machine] round); move the switch, or correct the range"
            )


def _check_side(profile: Profile, points: PressPoints) -> None:
    """The head must come to the start point without passing the plunger."""
    park = profile.park.x_mm if points.axis == "x" else profile.park.y_mm
    if points.sign * (points.touch_mm - park) < profile.trigger.repeat_mm:
        raise ValueError(
            f"trigger.{points.axis}_mm: the park point at {points.axis.upper()}{park:g} is on the "
            f"far side of the plunger, first met at {points.touch_mm:g}; park before it, or "
            "turn the direction round"
        )


def _check_feeds(profile: Profile) -> None:
    trigger, limits = profile.trigger, profile.machine.max_mm_min
    limit = limits.x if trigger.axis == "x" else limits.y
    for key, feed in (
        ("approach_mm_min", trigger.approach_mm_min),
        ("release_mm_min", trigger.release_mm_min),
    ):
        if feed > limit:
            raise ValueError(
                f"trigger.{key}: {feed:g} is over the machine's limit of {limit:g} "
                "(from [machine] max_mm_min); slow it down, or correct the limit"
            )


Warn = tuple[str, str, str]


def _warnings_of_place(profile: Profile, points: PressPoints) -> Iterator[Warn]:
    low, high = profile.machine.x_mm if points.axis == "x" else profile.machine.y_mm
    left = high - points.press_mm if points.sign > 0 else points.press_mm - low
    if left < HOMING_MM:
        yield (
            "button-in-homing-range",
            f"{points.axis}_mm",
            f"the press point is {left:.2f} mm from the end of the axis: homing to that end "
            f"presses the switch, perhaps past its stop; keep it {HOMING_MM:g} mm off, or home "
            "to the other end",
        )
    beyond = high - points.stop_mm if points.sign > 0 else points.stop_mm - low
    if beyond > INSIDE_MM:
        yield (
            "button-inside",
            f"{points.axis}_mm",
            f"the switch's stop at {points.axis.upper()}{points.stop_mm:g} is {beyond:g} mm inside "
            f"the machine's reach, over the bed; correct where the contact closes, or [machine] "
            f"{points.axis}_mm if the head ends at the switch",
        )


def _warnings_of_stroke(profile: Profile) -> Iterator[Warn]:
    trigger = profile.trigger
    back = trigger.differential_mm + trigger.repeat_mm
    if trigger.start_mm < back:
        yield (
            "button-stays-closed",
            "start_mm",
            f"the head goes back {trigger.start_mm:g} mm before the contact, but the contact may "
            f"need {back:g} to open (differential and spread); start farther off",
        )
    least_mm = LEAST_SHARE * trigger.overtravel_mm
    window_mm = trigger.overtravel_mm - trigger.repeat_mm - least_mm
    if window_mm < trigger.repeat_mm:
        yield (
            "button-narrow",
            "overtravel_mm",
            f"only {max(0.0, window_mm):.2g} mm lie between {least_mm:.3g} mm (70 % of the "
            "over-travel) and the stop less the spread: take a switch with more over-travel (a "
            "lever has about 1.2 mm), or a bracket that yields",
        )
    elif trigger.press_share < LEAST_SHARE:
        yield (
            "button-depth",
            "press_share",
            f"{trigger.press_share:g} of the over-travel is less than the {LEAST_SHARE:g} that "
            "makers ask for: the contact can chatter; press deeper",
        )
    speed_mm_s = trigger.approach_mm_min / 60
    if speed_mm_s < trigger.least_mm_s:
        yield (
            "button-slow",
            "approach_mm_min",
            f"{speed_mm_s:g} mm/s is slower than the {trigger.least_mm_s:g} mm/s the switch is "
            "made for: it can stop between open and closed; set "
            f"{60 * trigger.least_mm_s:g} or more",
        )
    if trigger.approach_mm_min > SLOW_MM_MIN:
        yield (
            "button-fast",
            "approach_mm_min",
            f"{trigger.approach_mm_min:g} mm/min is a fast approach; stay at "
            f"{SLOW_MM_MIN:g} or less",
        )
