"""A light sensor across the camera's socket: does it fire, does it re-arm, what to move.

In: a LightSensor. Out: LightAdvice with its findings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from capturehook.errors import Finding
from capturehook.physics import circuit
from capturehook.rig.advice import LIGHT, Caution
from capturehook.rig.light_sensor import (
    GAMMA_SPREAD,
    Comparator,
    LightSensor,
    Shift,
    find_comparator,
    find_gamma,
    find_reach_mm,
    find_shift,
)
from capturehook.rig.trigger_advice import MEASURE

SLOW_TAIL = 5.0
"""Real cells creep towards darkness for seconds: the re-arming time is taken this many times
(common practice, no source)."""
SMALL_SOURCE = 5.0
"""A lamp this many times its size away counts as small (photometrists' rule)."""

LEAST_SWING = 0.2
"""Of the supply: twice the 5 to 10 % by which a comparator must let go (common practice)."""

Verdict = Literal["yes", "perhaps", "no"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LightAdvice:
    sensor: LightSensor
    fires: Verdict
    fires_margin: float
    """fires_ohm over the lit reading: over 1 fires."""
    rearms: Verdict
    rearms_margin: float
    """The covered reading over quiet_ohm: over 1 re-arms."""
    gamma: float
    gamma_measured: bool
    reach_mm: float | None
    """Farthest place that fires with the margin wanted; None where no place does."""
    shift: Shift | None
    comparator: Comparator
    fire_s: float
    """From light-on to the camera's release."""
    rearm_s: float
    notes: tuple[str, ...]
    steps: tuple[str, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[Caution, ...] = LIGHT


def advise_light(sensor: LightSensor, edge: str = "light-on") -> LightAdvice:
    """Verdicts, margins and what to move, for one sensor before one light.

    ``edge`` is the change of light that shall fire, as the profile states it.

    Raises
    ------
    CaptureHookError
        Two lit readings that no gamma explains.
    """
    gamma, measured = find_gamma(sensor)
    reach_mm = find_reach_mm(sensor, gamma, measured)
    shift = find_shift(sensor)
    fire_s = circuit.crossing_s(
        sensor.covered_ohm, sensor.lit_ohm, sensor.fires_ohm, gamma, sensor.rise_s
    )
    rearm_s = circuit.crossing_s(
        sensor.lit_ohm, sensor.covered_ohm, sensor.quiet_ohm, gamma, sensor.fall_s
    )
    findings = (
        *_edge_findings(edge),
        *_fire_findings(sensor, reach_mm, shift),
        *_rearm_findings(sensor, shift),
        *_time_findings(sensor, fire_s, rearm_s),
        *_law_findings(gamma, measured),
    )
    return LightAdvice(
        sensor=sensor,
        fires=_verdict(sensor.lit_ohm <= sensor.fires_ohm, sensor.lit_ohm >= sensor.quiet_ohm),
        fires_margin=sensor.fires_ohm / sensor.lit_ohm,
        rearms=_verdict(
            sensor.covered_ohm >= sensor.quiet_ohm, sensor.covered_ohm <= sensor.fires_ohm
        ),
        rearms_margin=sensor.covered_ohm / sensor.quiet_ohm,
        gamma=gamma,
        gamma_measured=measured,
        reach_mm=reach_mm,
        shift=shift,
        comparator=find_comparator(sensor),
        fire_s=fire_s,
        rearm_s=rearm_s,
        notes=(_source_note(sensor, reach_mm), *(() if measured else (_GAMMA_NOTE,)), *_NOTES),
        steps=(*MEASURE, *_STEPS),
        findings=findings,
    )


_GAMMA_NOTE = (
    f"The cell's gamma is assumed, give or take {GAMMA_SPREAD:g}: a second reading at another "
    "distance, lamp the same, measures it."
)

_NOTES = (
    "At 405 nm a cadmium-sulphide cell answers with a tenth to a third of its peak (near 540 nm), "
    "and lux mean nothing there: trust readings with the light on and off, not a luxmeter.",
    "The contact stays closed as long as the light is on: set single frames, not burst or bulb.",
    "A silicon photodiode or a UV sensor is quicker and better at 405 nm, with an amplifier.",
)

_STEPS = (
    "Find the camera's range with a variable resistor across tip and sleeve: the largest value "
    "that always releases, the smallest that never does.",
    "Fix the sensor in its place, cover on. Read it with the light off after 10 s in the dark "
    "(covered), and with the light on (lit). Sensor off the camera while reading.",
    "Shade it from the room: stray light is what keeps it from re-arming.",
)


def _source_note(sensor: LightSensor, reach_mm: float | None) -> str:
    """Whether the inverse square law may be trusted over the distances at hand."""
    nearest_mm = min(sensor.lit_mm, reach_mm or sensor.lit_mm)
    if sensor.panel_mm is None:
        return (
            f"Distances hold for a light smaller than {nearest_mm / SMALL_SOURCE:.0f} mm across (a "
            "fifth of the distance); before a larger panel moving gains less: give its size."
        )
    if nearest_mm < SMALL_SOURCE * sensor.panel_mm:
        return (
            f"{nearest_mm:.0f} mm is within {SMALL_SOURCE:g} times the panel's "
            f"{sensor.panel_mm:g} mm: inverse square fails there, so distances are worked out for "
            "an even disc. Move in small steps and read at each."
        )
    return "The light is small enough at these distances for the inverse square law."


def _verdict(yes: bool, no: bool) -> Verdict:
    return "yes" if yes else "no" if no else "perhaps"


def _edge_findings(edge: str) -> Iterator[Finding]:
    if edge == "light-on":
        return
    yield Finding(
        "light-edge",
        "[resin.sensor] edge",
        f'the profile says edge = "{edge}", but a bare sensor across the socket fires when the '
        "light comes on: build the circuit of `trigger light-off`, or set the edge to "
        '"light-on"',
    )


def _fire_findings(
    sensor: LightSensor, reach_mm: float | None, shift: Shift | None
) -> Iterator[Finding]:
    margin = sensor.fires_ohm / sensor.lit_ohm
    if margin >= sensor.margin:
        return
    target_ohm = sensor.fires_ohm / sensor.margin
    what = (
        f"{sensor.lit_ohm:g} ohm lit is above the {sensor.fires_ohm:g} ohm that always fires"
        if margin < 1
        else f"{sensor.lit_ohm:g} ohm lit fires with a margin of only {margin:.2f}"
    )
    ways = [f"wanted are {target_ohm:.0f} ohm or less"]
    if reach_mm is not None and reach_mm < sensor.lit_mm:
        ways.append(
            f"move the sensor {sensor.lit_mm - reach_mm:.0f} mm closer, from {sensor.lit_mm:g} to "
            f"{reach_mm:.0f} mm, and read again"
        )
    else:
        ways.append(
            "no place before this light is near enough: take a larger or more sensitive cell"
        )
    if shift is not None and shift.how == "parallel":
        ways.append(f"or put {shift}")
    elif reach_mm is None:
        ways.append(_comparator_text(sensor))
    yield Finding("no-fire" if margin < 1 else "thin-fire", "lit", "; ".join([what, *ways]))


def _rearm_findings(sensor: LightSensor, shift: Shift | None) -> Iterator[Finding]:
    margin = sensor.covered_ohm / sensor.quiet_ohm
    if margin >= sensor.margin:
        return
    what = (
        f"{sensor.covered_ohm:g} ohm covered is below the {sensor.quiet_ohm:g} ohm that never fire"
        if margin < 1
        else f"{sensor.covered_ohm:g} ohm covered re-arms with a margin of only {margin:.2f}"
    )
    ways = [
        f"wanted are {sensor.quiet_ohm * sensor.margin:.0f} ohm or more",
        "shade the sensor (a tube, a hood, black tape at its back) and read it covered again",
    ]
    if shift is not None and shift.how == "series":
        ways.append(f"or put {shift}")
    elif shift is None:
        ways.append(_comparator_text(sensor))
    yield Finding("no-rearm" if margin < 1 else "thin-rearm", "covered", "; ".join([what, *ways]))


def _comparator_text(sensor: LightSensor) -> str:
    fixed = find_comparator(sensor)
    if fixed.lit_share - fixed.covered_share < LEAST_SWING:
        return (
            "covered and lit are too alike for any circuit: more light when lit, less when covered"
        )
    return (
        f"no resistor gives both margins; a comparator before an opto-isolator would: "
        f"{fixed.fixed_ohm:g} ohm below the sensor swings from {fixed.covered_share * 100:.0f} to "
        f"{fixed.lit_share * 100:.0f} % of a supply of its own"
    )


def _time_findings(sensor: LightSensor, fire_s: float, rearm_s: float) -> Iterator[Finding]:
    on_s, off_s = sensor.light_on_s, sensor.light_off_s
    if on_s is not None and math.isfinite(fire_s) and fire_s + sensor.hold_s > on_s:
        yield Finding(
            "light-short",
            "light on",
            f"the sensor needs {fire_s * 1000:.0f} ms and the camera a press of "
            f"{sensor.hold_s * 1000:.0f} ms; the light is on for {on_s * 1000:.0f} ms. Take a "
            "quicker sensor, move it closer, or stretch the press with a timer",
        )
    if off_s is not None and math.isfinite(rearm_s) and SLOW_TAIL * rearm_s > off_s:
        yield Finding(
            "dark-short",
            "light off",
            f"re-arming takes about {SLOW_TAIL * rearm_s:.2f} s (the slow tail counted), the "
            f"light is off for {off_s:g} s: frames will be missed. Lengthen the rest by "
            f"{SLOW_TAIL * rearm_s - off_s:.2f} s, or move the sensor away",
        )


def _law_findings(gamma: float, measured: bool) -> Iterator[Finding]:
    if measured and not 0.4 <= gamma <= 1.1:
        yield Finding(
            "gamma-odd",
            "lit",
            f"gamma comes out as {gamma:.2f}, cells have 0.5 to 0.9: the light is no small "
            "source there, or stray light changed. Give --panel-mm, or read again",
        )
