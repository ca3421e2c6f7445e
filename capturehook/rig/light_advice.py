"""A light sensor across the camera's socket: does it fire, does it re-arm, what to move.

In: resistances read with a meter, covered and lit, and the range in which the camera
releases. Out: LightAdvice. The light is counted in the sensor's own units, so no luxmeter is
needed (at 405 nm one would be no help).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from capturehook.errors import CaptureHookError, Finding
from capturehook.physics import circuit
from capturehook.rig.cautions import LIGHT, Caution
from capturehook.rig.plain import check_number
from capturehook.rig.trigger_advice import MEASURE

GAMMA, GAMMA_SPREAD = 0.7, 0.1
"""Middle of light-resistor datasheets (0.5 to 0.8), and their tolerance."""
RISE_S, FALL_S = 0.03, 0.03
"""Datasheets: 20 to 30 ms to 63 %, 30 ms to 37 %."""
OHMS = (0.1, 1e10)
"""What a meter can read."""
SLOW_TAIL = 5.0
"""Real cells creep towards darkness for seconds: the re-arming time is taken this many times
(common practice, no source)."""
SMALL_SOURCE = 5.0
"""A lamp this many times its size away counts as small (photometrists' rule)."""

LEAST_SWING = 0.2
"""Of the supply: twice the 5 to 10 % by which a comparator must let go (common practice)."""

Verdict = Literal["yes", "perhaps", "no"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LightSensor:
    """A sensor as read, the camera's thresholds, and the light that switches it.

    ``lit`` holds (distance_mm, ohm): first the place in use, then, if there is one, a second
    place from which gamma follows. The camera fires surely at ``fires_ohm`` and below, and
    surely stays quiet at ``quiet_ohm`` and above. ``panel_mm`` is the size of the light source.
    """

    covered_ohm: float
    lit: tuple[tuple[float, float], ...]
    fires_ohm: float
    quiet_ohm: float
    gamma: float | None = None
    panel_mm: float | None = None
    rise_s: float = RISE_S
    fall_s: float = FALL_S
    light_on_s: float | None = None
    light_off_s: float | None = None
    hold_s: float = 0.1
    margin: float = 1.5

    def __post_init__(self) -> None:
        for name in ("covered_ohm", "fires_ohm", "quiet_ohm"):
            check_number(name, getattr(self, name), *OHMS)
        for name in ("light_on_s", "light_off_s", "rise_s", "fall_s"):
            if getattr(self, name) is not None:
                check_number(name, getattr(self, name), 1e-6, 1e6)
        check_number("hold_s", self.hold_s, 0, 1e6)
        if self.panel_mm is not None:
            check_number("panel_mm", self.panel_mm, 0.1, 1e5)
        if self.gamma is not None:
            check_number("gamma", self.gamma, 0.1, 3)
        check_number("margin", self.margin, 1, 100)
        for distance_mm, ohm in self.lit:
            check_number("lit mm", distance_mm, 0.1, 1e5)
            check_number("lit ohm", ohm, *OHMS)
        self._check_order()

    def _check_order(self) -> None:
        if not 1 <= len(self.lit) <= 2:
            raise CaptureHookError(
                "lit",
                f"{len(self.lit)} readings were given",
                "Give one (distance in mm, ohm), or a second one at another distance for gamma",
            )
        if not all(ohm < self.covered_ohm for _, ohm in self.lit):
            raise CaptureHookError(
                "lit",
                f"{max(ohm for _, ohm in self.lit):g} ohm is not below the covered reading of "
                f"{self.covered_ohm:g} ohm",
                "Check which reading is which: a light resistor falls when it is lit",
            )
        if self.fires_ohm > self.quiet_ohm:
            raise CaptureHookError(
                "fires_ohm",
                f"{self.fires_ohm:g} ohm is above quiet_ohm ({self.quiet_ohm:g})",
                "fires_ohm is the largest that always releases, quiet_ohm the smallest that never "
                "does",
            )

    @property
    def lit_mm(self) -> float:
        return self.lit[0][0]

    @property
    def lit_ohm(self) -> float:
        return self.lit[0][1]

    @property
    def across_mm(self) -> float:
        return self.panel_mm or 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A fixed resistor that moves both readings, and what they become."""

    how: Literal["series", "parallel"]
    ohm: float
    lit_ohm: float
    covered_ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparator:
    """Where no resistor helps: a divider and a comparator between sensor and isolator."""

    fixed_ohm: float
    lit_share: float
    covered_share: float
    """Of the supply, over the fixed resistor, sensor on top."""


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


def advise_light(sensor: LightSensor) -> LightAdvice:
    """Verdicts, margins and what to move, for one sensor before one light.

    Raises
    ------
    CaptureHookError
        Two lit readings that no gamma explains.
    """
    gamma, measured = _gamma(sensor)
    reach_mm = find_reach_mm(sensor, gamma, measured)
    shift = find_shift(sensor)
    fire_s = circuit.crossing_s(
        sensor.covered_ohm, sensor.lit_ohm, sensor.fires_ohm, gamma, sensor.rise_s
    )
    rearm_s = circuit.crossing_s(
        sensor.lit_ohm, sensor.covered_ohm, sensor.quiet_ohm, gamma, sensor.fall_s
    )
    findings = (
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
        comparator=_comparator(sensor),
        fire_s=fire_s,
        rearm_s=rearm_s,
        notes=(_source_note(sensor, reach_mm), *(() if measured else (_GAMMA_NOTE,)), *_NOTES),
        steps=(*MEASURE, *_STEPS),
        findings=findings,
    )


_GAMMA_NOTE = (
    f"The cell's gamma is assumed, and {GAMMA_SPREAD:g} of doubt allowed for: a second reading at "
    "another distance, lamp the same, tells it."
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


def _gamma(sensor: LightSensor) -> tuple[float, bool]:
    """(gamma, whether it was measured): given, from two readings, or the usual one."""
    if sensor.gamma is not None:
        return sensor.gamma, True
    if len(sensor.lit) == 1:
        return GAMMA, False
    (near_mm, near_ohm), (far_mm, far_ohm) = sorted(sensor.lit)
    try:
        return circuit.gamma_from_distances(
            circuit.disc_distance_mm(near_mm, sensor.across_mm),
            near_ohm,
            circuit.disc_distance_mm(far_mm, sensor.across_mm),
            far_ohm,
            sensor.covered_ohm,
        ), True
    except ValueError as fault:
        raise CaptureHookError(
            "lit",
            f"{near_ohm:g} ohm at {near_mm:g} mm and {far_ohm:g} ohm at {far_mm:g} mm do not fit "
            "one lamp",
            "Read both again: farther from the light the resistance must be higher",
        ) from fault


def find_reach_mm(sensor: LightSensor, gamma: float, measured: bool) -> float | None:
    """Farthest distance that fires with the margin wanted; cautious where gamma is a guess.

    Moving closer helps less with a small gamma, moving away costs more with a large one.
    """
    target_ohm = sensor.fires_ohm / sensor.margin
    if target_ohm >= sensor.covered_ohm:
        return None
    if not measured:
        gamma += -GAMMA_SPREAD if target_ohm < sensor.lit_ohm else GAMMA_SPREAD
    bent_mm = circuit.distance_for_ohm_mm(
        target_ohm,
        sensor.lit_ohm,
        circuit.disc_distance_mm(sensor.lit_mm, sensor.across_mm),
        gamma,
        sensor.covered_ohm,
    )
    square = bent_mm**2 - (sensor.across_mm / 2) ** 2
    return math.sqrt(square) if square > 0 else None


def find_shift(sensor: LightSensor) -> Shift | None:
    """A resistor one can buy that gives both margins; None if none is needed or none can.

    Side by side: 1/R <= 1/(quiet m) - 1/covered and >= m/fires - 1/lit. In a row: R >= quiet m -
    covered and <= fires/m - lit (Kirchhoff).
    """
    low_ohm = sensor.quiet_ohm * sensor.margin
    high_ohm = sensor.fires_ohm / sensor.margin
    if sensor.lit_ohm <= high_ohm and sensor.covered_ohm >= low_ohm:
        return None
    if sensor.lit_ohm > high_ohm and sensor.covered_ohm > low_ohm:
        least = 1 / (1 / low_ohm - 1 / sensor.covered_ohm)
        most = 1 / (1 / high_ohm - 1 / sensor.lit_ohm)
        return _shift(sensor, "parallel", least, most)
    if sensor.covered_ohm < low_ohm and sensor.lit_ohm < high_ohm:
        return _shift(sensor, "series", low_ohm - sensor.covered_ohm, high_ohm - sensor.lit_ohm)
    return None


def _shift(
    sensor: LightSensor, how: Literal["series", "parallel"], least_ohm: float, most_ohm: float
) -> Shift | None:
    if least_ohm > most_ohm:
        return None
    ohm = circuit.preferred_between_ohm(least_ohm, most_ohm)
    if ohm is None:
        return None
    if how == "series":
        lit_ohm, covered_ohm = sensor.lit_ohm + ohm, sensor.covered_ohm + ohm
    else:
        lit_ohm = circuit.parallel_ohm(sensor.lit_ohm, ohm)
        covered_ohm = circuit.parallel_ohm(sensor.covered_ohm, ohm)
    return Shift(how=how, ohm=ohm, lit_ohm=lit_ohm, covered_ohm=covered_ohm)


def _comparator(sensor: LightSensor) -> Comparator:
    fixed_ohm = circuit.preferred_ohm(
        circuit.best_divider_ohm(sensor.lit_ohm, sensor.covered_ohm), circuit.E12
    )
    return Comparator(
        fixed_ohm=fixed_ohm,
        lit_share=circuit.divider_v(1, sensor.lit_ohm, fixed_ohm),
        covered_share=circuit.divider_v(1, sensor.covered_ohm, fixed_ohm),
    )


def _fire_findings(
    sensor: LightSensor, reach_mm: float | None, shift: Shift | None
) -> list[Finding]:
    margin = sensor.fires_ohm / sensor.lit_ohm
    if margin >= sensor.margin:
        return []
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
        ways.append(_shift_text(shift))
    elif reach_mm is None:
        ways.append(_comparator_text(sensor))
    return [Finding("no-fire" if margin < 1 else "thin-fire", "lit", "; ".join([what, *ways]))]


def _rearm_findings(sensor: LightSensor, shift: Shift | None) -> list[Finding]:
    margin = sensor.covered_ohm / sensor.quiet_ohm
    if margin >= sensor.margin:
        return []
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
        ways.append(_shift_text(shift))
    elif shift is None:
        ways.append(_comparator_text(sensor))
    return [
        Finding("no-rearm" if margin < 1 else "thin-rearm", "covered", "; ".join([what, *ways]))
    ]


def _shift_text(shift: Shift) -> str:
    place = "in series with" if shift.how == "series" else "side by side with"
    return (
        f"or put {shift.ohm:g} ohm {place} the sensor: {shift.lit_ohm:.0f} ohm lit, "
        f"{shift.covered_ohm:.0f} ohm covered"
    )


def _comparator_text(sensor: LightSensor) -> str:
    fixed = _comparator(sensor)
    if fixed.lit_share - fixed.covered_share < LEAST_SWING:
        return (
            "covered and lit are too alike for any circuit: more light when lit, less when covered"
        )
    return (
        f"no resistor gives both margins; a comparator before an opto-isolator would: "
        f"{fixed.fixed_ohm:g} ohm below the sensor swings from {fixed.covered_share * 100:.0f} to "
        f"{fixed.lit_share * 100:.0f} % of a supply of its own"
    )


def _time_findings(sensor: LightSensor, fire_s: float, rearm_s: float) -> list[Finding]:
    found = []
    on_s, off_s = sensor.light_on_s, sensor.light_off_s
    if on_s is not None and math.isfinite(fire_s) and fire_s + sensor.hold_s > on_s:
        found.append(
            Finding(
                "light-short",
                "light on",
                f"the sensor needs {fire_s * 1000:.0f} ms and the camera a press of "
                f"{sensor.hold_s * 1000:.0f} ms; the light is on for {on_s * 1000:.0f} ms. Take a "
                "quicker sensor, move it closer, or stretch the press with a timer",
            )
        )
    if off_s is not None and math.isfinite(rearm_s) and SLOW_TAIL * rearm_s > off_s:
        found.append(
            Finding(
                "dark-short",
                "light off",
                f"re-arming takes about {SLOW_TAIL * rearm_s:.2f} s (the slow tail counted), the "
                f"light is off for {off_s:g} s: frames will be missed. Lengthen the rest by "
                f"{SLOW_TAIL * rearm_s - off_s:.2f} s, or move the sensor away",
            )
        )
    return found


def _law_findings(gamma: float, measured: bool) -> list[Finding]:
    found = []
    if measured and not 0.4 <= gamma <= 1.1:
        found.append(
            Finding(
                "gamma-odd",
                "lit",
                f"gamma comes out as {gamma:.2f}, cells have 0.5 to 0.9: the light is no small "
                "source there, or stray light changed. Give --panel-mm, or read again",
            )
        )
    return found
