"""The [resin] table of a profile: the cycle of one layer, the vat, the light sensor, the pose.

Kept beside `profile.py` and below every stage, so that `profile.py` can check it without
importing `resin/`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from capturehook.model.tables import (
    Flag,
    Milliseconds,
    NotNegative,
    Positive,
    Record,
    default_table,
)

Count = Annotated[int, Field(strict=True, ge=0, le=100_000)]


class Stage(Record):
    """One stage of a lift or of a retract: so far, that fast."""

    mm: Positive
    """mm of travel."""
    mm_min: Positive
    """mm/min."""


Stages = Annotated[tuple[Stage, ...], Field(min_length=1, max_length=8)]


class Sensor(Record):
    """A light sensor at the rim of the lamp's screen that closes the camera's release contact."""

    edge: Literal["light-on", "light-off"] = "light-on"
    """Which change of the light fires the camera."""
    delay_ms: NotNegative = 0.0
    """ms, from that change to the release (delay circuit)."""
    min_pulse_ms: NotNegative = 60.0
    """ms, shortest light that closes the contact."""
    rearm_ms: NotNegative = 300.0
    """ms of darkness before it can close again."""
    min_power: Annotated[float, Field(strict=True, gt=0, le=1)] = 0.2
    """Dimmest lamp it sees, of full power."""
    false_starts_s: tuple[Positive, ...] = ()
    """s, lengths of flashes before the first layer (a lamp test)."""


class PlateSwitch(Record):
    """A switch across the camera's release that the plate presses at the top of its travel."""

    over_travel_mm: Annotated[float, Field(strict=True, gt=0, le=20)] = 0.3
    """mm from the contact closing up to z_mm of the pose."""
    most_over_travel_mm: Annotated[float, Field(strict=True, gt=0, le=50)] = 2.0
    """mm beyond its contact at which the switch breaks."""
    approach_mm: Annotated[float, Field(strict=True, ge=0.2, le=50)] = 2.0
    """mm below the contact where the plate settles and drips."""
    approach_mm_min: Positive = 180.0
    """mm/min, speed of the press."""
    repeat_mm: Annotated[float, Field(strict=True, ge=0, le=2)] = 0.05
    """mm, spread of the height at which it closes."""
    passable: Flag = False
    """The plate can go past it, as past a side lever."""


class PlatePose(Record):
    """Where the plate waits, lamp off, while a frame is taken."""

    z_mm: Positive = 120.0
    """mm above the film of the vat, the same for every frame."""
    travel_mm_min: Positive = 180.0
    """mm/min, speed up and back down."""
    gentle_mm: Annotated[float, Field(strict=True, ge=0.1, le=50)] = 1.0
    """mm, last part of the path back, at the job's feed."""
    settle_ms: Milliseconds = 1000
    """ms before the camera is fired: swing and drips."""
    lines: Annotated[tuple[str, ...], Field(max_length=20)] = ()
    """The machine's lines that fire the camera; none with a switch."""
    switch: PlateSwitch = default_table(PlateSwitch)
    """That switch."""

    @property
    def contact_mm(self) -> float:
        """Height at which the plate closes the switch."""
        return self.z_mm - self.switch.over_travel_mm

    @model_validator(mode="after")
    def _switch_closes_and_lives(self) -> PlatePose:
        switch = self.switch
        if self.lines:
            return self
        if switch.over_travel_mm < 3 * switch.repeat_mm:
            raise ValueError(
                f"switch: over_travel_mm {switch.over_travel_mm:g} is less than three times "
                f"repeat_mm {switch.repeat_mm:g}: it may not close; press further"
            )
        if switch.over_travel_mm > switch.most_over_travel_mm:
            raise ValueError(
                f"switch: over_travel_mm {switch.over_travel_mm:g} is more than the "
                f"{switch.most_over_travel_mm:g} it stands; lower z_mm or the over-travel"
            )
        return self


class ResinTable(Record):
    """How a resin printer spends the time of one layer; also what a job leaves unsaid."""

    layers: Annotated[int, Field(strict=True, ge=1, le=100_000)] | None = None
    """How many layers, for a timeline without a job."""
    layer_mm: Positive = 0.05
    """mm, height of a layer."""
    first_layer_mm: Positive | None = None
    """mm, height of the first layer, where it differs."""
    bottom_layers: Count = 5
    """First layers, which are exposed longer."""
    bottom_exposure_s: Positive = 30.0
    """s of light for each of them."""
    exposure_s: Positive = 2.5
    """s of light for a normal layer."""
    transition_layers: Count = 0
    """Layers after them, of falling exposure."""
    transition: Literal["between", "reaching"] = "between"
    """Whether the last of them is still longer than normal, or normal already."""
    rest_before_s: NotNegative = 1.0
    """s, plate down and still, before the light."""
    rest_after_s: NotNegative = 0.0
    """s, light off, before the lift."""
    rest_lifted_s: NotNegative = 0.0
    """s, at the top of the lift."""
    light_off_s: NotNegative = 0.0
    """s, least darkness between exposures, if it is a setting."""
    light_off_from: Literal["lift", "retract", "none"] | None = None
    """lift: counted from the lift, moves included; retract: a rest after it; none: not counted.
    Default: as the job's kind has it, else lift."""
    moves: Literal["job", "lift"] = "job"
    """As the job states, or as lift and retract here."""
    tilt_s: NotNegative = 0.0
    """s, down and up of a vat that tilts instead of a lift."""
    lift: Stages = (Stage(mm=6, mm_min=60),)
    """Stages up: one, or slow, then fast."""
    retract: Stages = (Stage(mm=6, mm_min=150),)
    """Stages down: as far as the lift in all."""
    bottom_lift: Stages | None = None
    """The same for the bottom layers."""
    bottom_retract: Stages | None = None
    """The same for the bottom layers."""
    layer_extra_s: Annotated[float, Field(strict=True, ge=0, le=10)] = 0.0
    """s, lost on each layer; 0.1 to 0.3 is common."""
    startup_s: NotNegative = 0.0
    """s, homing and the travel down, before the first layer."""
    vat_rim_mm: NotNegative = 35.0
    """mm above the film of the vat, below which nothing is seen."""
    sensor: Sensor = default_table(Sensor)
    """The light sensor that fires the camera."""
    pose: PlatePose = default_table(PlatePose)
    """Where the plate waits, for jobs that carry their own lines."""

    @model_validator(mode="after")
    def _comes_back_as_far_as_it_went(self) -> ResinTable:
        pairs = (
            ("retract", self.lift, self.retract),
            ("bottom_retract", self.bottom_lift or self.lift, self.bottom_retract or self.retract),
        )
        for key, up, down in pairs:
            up_mm, down_mm = (sum(stage.mm for stage in stages) for stages in (up, down))
            if abs(up_mm - down_mm) > 1e-6:
                raise ValueError(
                    f"{key}: comes down {down_mm:g} mm but the lift is {up_mm:g} mm; "
                    "make both equally long"
                )
        return self

    @model_validator(mode="after")
    def _bottom_fits(self) -> ResinTable:
        if self.layers is not None and self.bottom_layers > self.layers:
            raise ValueError(
                f"bottom_layers: {self.bottom_layers} is more than the {self.layers} of layers; "
                "lower it"
            )
        return self
