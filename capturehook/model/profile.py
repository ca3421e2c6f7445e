"""The profile: one printer, one camera, one way to fire it; as frozen records with units.

Keys carry their unit. What no single key can show is checked by `profile/checks.py`.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator
from pydantic_core import PydanticCustomError

from capturehook.model.camera import Camera as Camera
from capturehook.model.resin import ResinTable
from capturehook.model.tables import (
    Accel,
    Count,
    Damping,
    Flag,
    Hertz,
    Milliseconds,
    NotNegative,
    Number,
    Positive,
    Range,
    Record,
    choose_one,
    default_table,
    registered,
)

Name = Annotated[str, Field(strict=True)]
"""One of a register's names; which there are comes with the context of a validation."""
_SOME_LAYERS = r"^ *[0-9]+ *(- *[0-9]* *)?(, *[0-9]+ *(- *[0-9]* *)?)*$"


class AxisLimits(Record):
    """One number for each axis."""

    x: Positive
    """This axis; e in mm of filament."""
    y: Positive
    """This axis; e in mm of filament."""
    z: Positive
    """This axis; e in mm of filament."""
    e: Positive
    """This axis; e in mm of filament."""


class Carriage(Record):
    """The body that moves with the nozzle, measured from the nozzle's axis (seen from above)."""

    left: NotNegative
    """mm from the nozzle to this edge; left is towards lower X, front towards lower Y."""
    right: NotNegative
    """mm from the nozzle to this edge; left is towards lower X, front towards lower Y."""
    front: NotNegative
    """mm from the nozzle to this edge; left is towards lower X, front towards lower Y."""
    back: NotNegative
    """mm from the nozzle to this edge; left is towards lower X, front towards lower Y."""
    height: Positive
    """mm from the tip up to the gantry, which spans the whole of X."""
    clearance: NotNegative = 3.0
    """mm from the tip up to the lowest point of the body."""


ROUNDED = 1e-9
"""By what a place on the very edge may seem to lie outside."""


class KeepOut(Record):
    """A box nothing may enter: a bed clip, a lamp, the switch's bracket."""

    name: Annotated[str, Field(max_length=80)]
    """What stands there."""
    x_mm: Range
    """mm, lowest and highest place on this axis."""
    y_mm: Range
    """mm, lowest and highest place on this axis."""
    z_mm: Range = (0.0, 1000.0)
    """mm, lowest and highest place on this axis."""


class Machine(Record):
    """The printer: its firmware, its reach, how fast it moves and how big its head is."""

    firmware: Name
    """Family of firmware."""
    sliced_for: Annotated[str, Field(max_length=40)] | None = None
    """The host's flavour of G-code, if it differs on purpose."""
    x_mm: Range
    """mm, lowest and highest place that the nozzle can reach."""
    y_mm: Range
    """mm, lowest and highest place that the nozzle can reach."""
    z_mm: Range
    """mm, lowest and highest place that the nozzle can reach."""
    round: Flag = False
    """The reach is the circle inside x_mm and y_mm, as a delta's."""
    moves: Literal["bed-y", "bed-z", "none"] = "none"
    """What carries the part: a bed that moves in Y or in Z, or nothing."""
    accel_mm_s2: Accel = 1500.0
    """mm/s2, printing moves, unless the job sets it."""
    travel_accel_mm_s2: Accel | None = None
    """mm/s2, travel moves; else accel_mm_s2."""
    retract_accel_mm_s2: Accel | None = None
    """mm/s2, the extruder alone; else accel_mm_s2."""
    junction_mm: Positive | None = None
    """mm, junction deviation; give this, corner_mm_s or jerk_mm_s."""
    corner_mm_s: Positive | None = None
    """mm/s, square-corner velocity."""
    jerk_mm_s: AxisLimits | None = None
    """mm/s, classic jerk of each axis."""
    max_mm_min: AxisLimits = default_table(AxisLimits, x=18000.0, y=18000.0, z=900.0, e=3600.0)
    """mm/min, highest speed of each axis."""
    max_accel_mm_s2: AxisLimits = default_table(AxisLimits, x=3000.0, y=3000.0, z=200.0, e=5000.0)
    """mm/s2, highest acceleration of each axis."""
    carriage_mm: Carriage = default_table(
        Carriage, left=35.0, right=35.0, front=45.0, back=30.0, height=28.0
    )
    """mm, the body around the nozzle."""
    keep_out: tuple[KeepOut, ...] = ()
    """Boxes nothing may enter: bed clips, lamps, brackets."""
    extruder_axis: Literal["auto", "E", "A"] = "auto"
    """E, A (some RS-274 controllers), or as the job has it."""
    filament_mm: Positive = 1.75
    """mm, diameter of the filament."""
    volumetric: Flag = False
    """E counts mm3 of plastic, not mm of filament."""
    absolute_arc_centres: Flag = False
    """I and J are places (RS-274 G90.1)."""
    startup_s: NotNegative = 240.0
    """s, heating and homing, which no job states."""

    @field_validator("firmware")
    @classmethod
    def _is_registered(cls, name: str, info: ValidationInfo) -> str:
        return registered(name, info, "firmware")

    def reaches(self, x_mm: Any, y_mm: Any) -> Any:
        """Is a place within X and Y? Numbers or arrays, mm."""
        (left, right), (front, back) = self.x_mm, self.y_mm
        if self.round:
            across = (2 * x_mm - left - right) / (right - left)
            along = (2 * y_mm - front - back) / (back - front)
            return across**2 + along**2 <= 1 + ROUNDED
        return (left <= x_mm) & (x_mm <= right) & (front <= y_mm) & (y_mm <= back)

    @model_validator(mode="after")
    def _one_corner_rule(self) -> Machine:
        choose_one(
            self, "junction_mm", "corner_mm_s", "jerk_mm_s", "keep the one your firmware uses"
        )
        return self


class Settle(Record):
    """How the scene settles after the park move: a damped oscillator."""

    frequency_hz: Hertz
    """Hz, of the scene's swing."""
    damping: Damping
    """Damping ratio: 0.05 swings long, 0.3 calms at once."""
    start_mm: Positive
    """mm, swing when the park move ends."""
    still_mm: Positive | None = None
    """mm, swing that no longer shows (else by [camera] blur_px)."""


class Park(Record):
    """Where the nozzle waits while the frame is taken."""

    x_mm: Number
    """mm, X of the park point."""
    y_mm: Number
    """mm, Y of it; on a bed that moves in Y where the bed stands."""
    clear_mm: Positive = 0.8
    """mm above the highest printed point."""
    travel_mm_min: Positive = 9000.0
    """mm/min, speed to the park point and back."""
    hop_mm_min: Positive = 720.0
    """mm/min, speed up and down in Z."""
    settle_ms: Milliseconds = 180
    """ms from standing still to firing the camera."""
    settle: Settle | None = None
    """Instead of settle_ms: computed."""


RETRACT_MM = 0.8
"""Where neither a job nor a profile says more: short enough for every hot end (common practice)."""


class Retract(Record):
    """How the filament is retracted for the travel to the park point."""

    by: Literal["moves", "firmware"] = "moves"
    """Moves of the extruder, or the firmware's own G10/G11."""
    length_mm: Annotated[float, Field(strict=True, ge=0, le=15)] | Literal["job"] = "job"
    """mm of filament in all; "job": as much as the job retracts at its own travels, else as its
    settings state, else 0.8."""
    feed_mm_min: Positive = 2100.0
    """mm/min of filament."""
    extra_prime_mm: Annotated[float, Field(strict=True, ge=0, le=1)] = 0.0
    """mm of filament on top after coming back."""
    wipe_mm: Annotated[float, Field(strict=True, ge=0, le=10)] = 0.0
    """mm back along the last line before leaving."""

    @property
    def stroke_mm(self) -> float:
        """mm of filament; what "job" comes to where no job is at hand."""
        return RETRACT_MM if self.length_mm == "job" else float(self.length_mm)


class Trigger(Record):
    """What fires the camera at the park point."""

    by: Name = "wait"
    """wait: nothing is sent (see fired_by). button: the head presses a switch. pin: an output.
    camera: the firmware's camera command. message: a text to the host. lines: your own commands."""
    fired_by: Literal["hand", "sensor"] | None = None
    """wait: what fires the camera without [camera] interval_s: hand (a remote; needs [camera]
    hold_ms of 3000 or so) or sensor (one of your own)."""
    x_mm: Number | None = None
    """button: mm, where the contact closes."""
    y_mm: Number | None = None
    """button: mm, the same on Y."""
    axis: Literal["x", "y"] = "x"
    """button: approach axis."""
    direction: Literal["+", "-"] = "+"
    """button: towards higher or lower numbers."""
    start_mm: Positive = 5.0
    """button: mm before it the slow approach begins."""
    pretravel_mm: NotNegative = 0.5
    """button: mm from first touch to the contact closing."""
    overtravel_mm: Positive = 0.5
    """button: mm from there to the mechanical stop."""
    press_share: Annotated[float, Field(strict=True, gt=0, le=0.95)] = 0.75
    """button: share of the over-travel used; makers ask for 0.7."""
    differential_mm: NotNegative = 0.1
    """button: mm it must go back to open again."""
    repeat_mm: NotNegative = 0.05
    """button: mm, spread of carriage and switch."""
    approach_mm_min: Positive = 300.0
    """button: mm/min towards the switch."""
    least_mm_s: NotNegative = 1.0
    """button: mm/s, slowest press the switch is made for (levers: 5)."""
    release_mm_min: Positive = 600.0
    """button: mm/min away from it."""
    hold_ms: Milliseconds | None = None
    """button, pin: ms the contact is closed. Default: pin 200; button lag, exposure and margin."""
    pin: (
        Annotated[int, Field(strict=True, ge=0, le=10_000)]
        | Annotated[str, Field(max_length=60)]
        | None
    ) = None
    """pin, lines: number or name of the output."""
    on: Annotated[float, Field(strict=True, ge=0, le=255)] | None = None
    """pin: value that closes the contact (else full scale)."""
    text: str | None = None
    """message: what is sent to the host or the display."""
    lines: Annotated[tuple[str, ...], Field(max_length=50)] = ()
    """lines: your own commands."""
    allow: tuple[str, ...] = ()
    """lines: further commands by name, for which you answer."""
    options: dict[str, bool | float | str] = Field(default_factory=dict)
    """Keys of another package's trigger."""

    @field_validator("by")
    @classmethod
    def _is_registered(cls, name: str, info: ValidationInfo) -> str:
        return registered(name, info, "trigger")

    @field_validator("options", mode="before")
    @classmethod
    def _options_are_plain(cls, raw: Any) -> Any:
        if not isinstance(raw, dict):
            raise PydanticCustomError("model_type", "no table")
        for key, value in raw.items():
            if not isinstance(value, (bool, int, float, str)) or value != value:
                raise ValueError(f"{key}: is no number, text, true or false; write one of these")
        return raw


class Capture(Record):
    """Which layers get a frame, and the film they make."""

    every_layers: Count | None = None
    """A frame every so many layers (1 unless another rhythm is set)."""
    every_mm: Positive | None = None
    """mm of height between frames."""
    every_s: Positive | None = None
    """s of printing between frames."""
    film_s: Positive | None = None
    """s of film without the held last frame."""
    spread: Literal["height", "volume", "time"] = "height"
    """With film_s: what grows evenly from frame to frame."""
    layers: Annotated[str, Field(pattern=_SOME_LAYERS, max_length=400)] | None = None
    """Only these, like "2-40,60,80-"."""
    fps: Annotated[str, Field(pattern=r"^[0-9]+(\.[0-9]+)?(/[0-9]+)?$", max_length=20)] = "30"
    """Frames a second: a number, or "30000/1001"."""
    first_layer: Count = 2
    """First layer with a frame, from 1."""
    finished: Flag = True
    """A frame of the finished part, before the end code."""
    hold_last_s: NotNegative = 2.0
    """s the last frame is held in the film."""
    min_gap_s: NotNegative = 0.0
    """s of printing at least between frames; layers are skipped."""
    added_max_s: Positive | None = None
    """s the poses may add to the print at most."""
    frames_max: Count | None = None
    """Frames at most."""
    resume: Literal["as-is", "seam", "hidden"] = "as-is"
    """Where printing goes on: as in the job, at the seam, or within the part."""
    spiral_angle_deg: Annotated[float, Field(strict=True, ge=-360, le=360)] = 90.0
    """deg, spirals: where round the part; 90 is the back."""
    keep_plan: Flag = True
    """Write the plan beside the job, for the audit."""

    @field_validator("fps", mode="before")
    @classmethod
    def _fps_may_be_a_number(cls, raw: Any) -> Any:
        if type(raw) not in (int, float):
            return raw
        return f"{raw:.12g}" if 0 <= raw <= 1e6 else "0"

    @field_validator("fps")
    @classmethod
    def _fps_is_a_speed(cls, fps: str) -> str:
        top, _, bottom = fps.partition("/")
        if not float(bottom or 1) or not 0.1 <= float(top) / float(bottom or 1) <= 1000:
            raise PydanticCustomError("no_film_speed", "not 0.1 to 1000")
        return fps

    @model_validator(mode="after")
    def _one_rhythm(self) -> Capture:
        choose_one(self, "every_layers", "every_mm", "every_s", "film_s", "choose one of them")
        return self


class Ooze(Record):
    """How much a hot nozzle leaks while it waits."""

    rate_mm3_s: NotNegative = 0.02
    """mm3/s, leak of the waiting nozzle."""
    limit_mm3: Positive = 0.5
    """mm3, leak that calls for a warning."""


class Profile(Record):
    """A whole profile. `name` is the file's own name by custom."""

    schema_no: Literal[1] = Field(alias="schema")
    """Form of this file: 1."""
    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40)]
    """Small letters, digits, - and _; as the file."""
    machine: Machine
    """The printer: its firmware, reach, speeds and the size of its head."""
    park: Park
    """Where the nozzle waits while the frame is taken."""
    retract: Retract = default_table(Retract)
    """How the filament is retracted before the travel."""
    camera: Camera = default_table(Camera)
    """The camera's times, its lens and what it has room for."""
    trigger: Trigger = default_table(Trigger)
    """What fires the camera."""
    capture: Capture = default_table(Capture)
    """Which layers get a frame, and the film they make."""
    ooze: Ooze = default_table(Ooze)
    """How much a hot nozzle leaks while it waits."""
    resin: ResinTable | None = None
    """A resin printer's own table; the others then matter little."""

    @property
    def contact_ms(self) -> int:
        """ms the trigger holds the contact closed, counted from the end of a press."""
        if self.trigger.hold_ms is not None:
            return self.trigger.hold_ms
        if self.trigger.by != "button":
            return 200
        return math.ceil(self.camera.frame_ms)

    @property
    def is_by_timer(self) -> bool:
        """The camera's own interval timer takes the frames, whatever the printer does."""
        return self.camera.interval_s is not None and self.trigger.by == "wait"

    @property
    def is_by_hand(self) -> bool:
        """A person fires the camera, frame by frame."""
        by_hand = self.trigger.by == "wait" and self.trigger.fired_by == "hand"
        return by_hand and not self.is_by_timer

    @field_validator("schema_no", mode="before")
    @classmethod
    def _true_is_no_number(cls, raw: Any) -> Any:
        if isinstance(raw, (bool, float)):
            raise PydanticCustomError("literal_error", "not 1")
        return raw
