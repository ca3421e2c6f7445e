"""The profile: one printer, one camera, one way to fire it; as frozen records with units.

Keys carry their unit. Unknown keys are faults that name the nearest known key, and one run
reports every fault it finds. Search order of `find_profile`: a path; ./capture.toml;
the per-user folder by name; the built-in starters.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from capturehook.errors import CaptureHookError, FileError, ProfileError, Where
from capturehook.resin_profile import ResinTable
from capturehook.tables import NotNegative, Positive, Range, Record

SCHEMA = 1
LOCAL_NAME = "capture.toml"
BUILT_IN = Path(__file__).parent / "catalog" / "profiles"

FirmwareName = Literal["marlin", "klipper", "reprapfirmware", "smoothie", "repetier", "rs274"]
TriggerName = Literal["wait", "button", "pin", "camera", "message", "lines"]


class AxisLimits(Record):
    """One number for each axis."""

    x: Positive
    y: Positive
    z: Positive
    e: Positive


class Carriage(Record):
    """The body that moves with the nozzle, measured from the nozzle's axis (seen from above)."""

    left: NotNegative
    """mm from the nozzle to the left edge (towards lower X)."""
    right: NotNegative
    front: NotNegative
    """mm towards lower Y."""
    back: NotNegative
    height: Positive
    """mm from the nozzle tip up to the gantry, which spans the whole width of X."""
    clearance: NotNegative = 3.0
    """mm from the nozzle tip up to the lowest point of the body around it."""


class KeepOut(Record):
    """A box nothing may enter: a bed clip, a lamp, the switch's bracket."""

    name: str
    x_mm: Range
    y_mm: Range
    z_mm: Range = (0.0, 1000.0)


class Machine(Record):
    firmware: FirmwareName
    """Family of firmware: decides dwell units, waits and extrusion modes."""
    x_mm: Range
    """Reachable range of the nozzle."""
    y_mm: Range
    z_mm: Range
    moves: Literal["bed-y", "bed-z", "none"] = "none"
    """What carries the part: a bed that moves in Y, a bed that moves in Z, or nothing."""
    accel_mm_s2: Positive = 1500.0
    travel_accel_mm_s2: Positive | None = None
    retract_accel_mm_s2: Positive | None = None
    junction_mm: Positive | None = None
    """Junction deviation; give this, corner_mm_s or jerk_mm_s."""
    corner_mm_s: Positive | None = None
    """Square-corner velocity."""
    jerk_mm_s: AxisLimits | None = None
    """Classic jerk of each axis."""
    max_mm_min: AxisLimits = AxisLimits(x=18000, y=18000, z=900, e=3600)
    max_accel_mm_s2: AxisLimits = AxisLimits(x=3000, y=3000, z=200, e=5000)
    carriage_mm: Carriage = Carriage(left=35, right=35, front=45, back=30, height=28)
    keep_out: tuple[KeepOut, ...] = ()
    extruder_axis: Literal["auto", "E", "A"] = "auto"
    filament_mm: Positive = 1.75
    volumetric: bool = False
    """E counts mm3 of plastic, not mm of filament."""
    absolute_arc_centres: bool = False
    startup_s: NotNegative = 240.0
    """Heating and homing before the first move: unknown to the job, so stated here."""

    @model_validator(mode="after")
    def _ranges_rise(self) -> Machine:
        for key in ("x_mm", "y_mm", "z_mm"):
            low, high = getattr(self, key)
            if not low < high:
                raise ValueError(f"{key}: [{low:g}, {high:g}] does not rise; give lowest, then highest")
        return self

    @model_validator(mode="after")
    def _one_corner_rule(self) -> Machine:
        given = [key for key in ("junction_mm", "corner_mm_s", "jerk_mm_s") if getattr(self, key) is not None]
        if len(given) > 1:
            raise ValueError(f"{given[1]}: {given[0]} is set too; keep the one your firmware uses")
        return self


class Settle(Record):
    """How the scene calms down after the park move: a damped oscillator."""

    frequency_hz: Positive
    damping: Annotated[float, Field(gt=0, lt=1)]
    start_mm: Positive
    still_mm: Positive


class Park(Record):
    x_mm: float
    y_mm: float
    clear_mm: Positive = 0.8
    """Above the highest printed point, while moving in XY."""
    travel_mm_min: Positive = 9000.0
    hop_mm_min: Positive = 720.0
    settle_ms: Annotated[int, Field(ge=0, le=60_000)] = 180
    settle: Settle | None = None
    """Instead of settle_ms: computed from the oscillator."""


class Retract(Record):
    by: Literal["moves", "firmware"] = "moves"
    """Moves of the extruder, or the firmware's own G10/G11."""
    length_mm: Annotated[float, Field(ge=0, le=15)] = 0.8
    feed_mm_min: Positive = 2100.0
    extra_prime_mm: Annotated[float, Field(ge=0, le=1)] = 0.0
    wipe_mm: Annotated[float, Field(ge=0, le=10)] = 0.0
    """Wipe back this far along the last extruded path before leaving."""


class Camera(Record):
    lag_ms: NotNegative = 120.0
    """From the trigger to the opening shutter: the slowest seen, not the average."""
    exposure_ms: Positive = 250.0
    write_ms: NotNegative = 900.0
    """Least time from the end of one exposure to the next trigger."""
    margin_ms: NotNegative = 100.0
    min_hold_ms: NotNegative = 100.0
    """Shortest press the camera takes for one."""
    interval_s: Positive | None = None
    """The camera's own interval timer, free-running (with trigger by = "wait")."""
    jitter_ms: NotNegative = 0.0
    drift_ppm: NotNegative = 50.0
    sensor_mm: tuple[Positive, Positive] = (23.5, 15.6)
    pixels: tuple[Annotated[int, Field(gt=0)], Annotated[int, Field(gt=0)]] = (6000, 4000)
    focal_mm: Positive = 35.0
    f_number: Positive = 8.0
    iso: Positive = 100.0
    distance_mm: Positive | None = None
    """From the subject to the lens (not to the sensor)."""
    card_gb: Positive | None = None
    frame_mb: Positive = 10.0
    battery_frames: Positive | None = None
    battery_h: Positive | None = None


class Trigger(Record):
    by: TriggerName = "wait"
    x_mm: float | None = None
    """button: where the contact closes (one of x_mm, y_mm is the approach axis)."""
    y_mm: float | None = None
    axis: Literal["x", "y"] = "x"
    """button: approach axis."""
    direction: Literal["+", "-"] = "+"
    start_mm: Positive = 5.0
    """button: how far before the contact the slow approach begins."""
    pretravel_mm: NotNegative = 0.5
    """button: from first touch to the contact closing."""
    overtravel_mm: Positive = 0.5
    """button: from the contact closing to the mechanical stop."""
    press_share: Annotated[float, Field(gt=0, le=0.9)] = 0.5
    """button: share of the over-travel that is used."""
    differential_mm: NotNegative = 0.1
    """button: how far it must go back to open again."""
    repeat_mm: NotNegative = 0.05
    """button: spread of carriage position and operating point together."""
    approach_mm_min: Positive = 300.0
    release_mm_min: Positive = 600.0
    hold_ms: Annotated[int, Field(ge=0, le=60_000)] = 200
    """button, pin: how long the contact stays closed."""
    pin: str | int | None = None
    """pin: number, or name where the firmware names its pins."""
    on: Annotated[float, Field(ge=0, le=255)] | None = None
    """pin: value that closes the contact (the firmware's full scale unless given)."""
    text: str | None = None
    """message: what is sent to the host or the display."""
    lines: tuple[str, ...] = ()
    """lines: commands of your own, sent as they are."""
    allow: tuple[str, ...] = ()
    """lines: commands that are refused (heaters, homing, limits) unless named here."""


class Capture(Record):
    every_layers: Annotated[int, Field(ge=1)] | None = None
    every_mm: Positive | None = None
    every_s: Positive | None = None
    film_s: Positive | None = None
    """Exactly fps x film_s frames (the held last frame not counted)."""
    spread: Literal["height", "volume", "time"] = "height"
    """With film_s: what grows evenly from frame to frame."""
    layers: str | None = None
    """Only these, like "2-40,60,80-"."""
    fps: Annotated[str, Field(pattern=r"^[0-9]+(\.[0-9]+)?(/[0-9]+)?$")] = "30"
    first_layer: Annotated[int, Field(ge=1)] = 2
    finished: bool = True
    """A frame of the finished part, before the end code."""
    hold_last_s: NotNegative = 2.0
    min_gap_s: NotNegative = 0.0
    added_max_s: Positive | None = None
    frames_max: Annotated[int, Field(ge=1)] | None = None
    resume: Literal["as-is", "seam", "hidden"] = "as-is"
    spiral_angle_deg: Annotated[float, Field(ge=-360, le=360)] = 90.0
    """Spirals: where round the part the stop is made; 90 is towards the back."""

    @model_validator(mode="before")
    @classmethod
    def _fps_may_be_a_number(cls, raw: Any) -> Any:
        if isinstance(raw, dict) and isinstance(raw.get("fps"), (int, float)) and not isinstance(raw["fps"], bool):
            return {**raw, "fps": f"{raw['fps']:g}"}
        return raw

    @model_validator(mode="after")
    def _one_rhythm(self) -> Capture:
        given = [key for key in ("every_layers", "every_mm", "every_s", "film_s") if getattr(self, key) is not None]
        if len(given) > 1:
            raise ValueError(f"{given[1]}: {given[0]} is set too; choose one of them")
        return self


class Ooze(Record):
    rate_mm3_s: NotNegative = 0.02
    limit_mm3: Positive = 0.5


class Profile(Record):
    """A whole profile. `name` is the file's own name by custom."""

    schema_no: Literal[1] = Field(alias="schema")
    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40)]
    machine: Machine
    park: Park
    retract: Retract = Retract()
    camera: Camera = Camera()
    trigger: Trigger = Trigger()
    capture: Capture = Capture()
    ooze: Ooze = Ooze()
    resin: ResinTable | None = None
    """The resin printer's own table."""

    @model_validator(mode="after")
    def _park_is_reachable(self) -> Profile:
        for key in ("x_mm", "y_mm"):
            low, high = getattr(self.machine, key)
            place = getattr(self.park, key)
            if not low <= place <= high:
                edge = low if place < low else high
                raise ValueError(
                    f"park.{key}: {place:g} is past the end of the axis at {edge:g} "
                    f"(from [machine] {key}); park inside it, or correct the range"
                )
        return self

    @model_validator(mode="after")
    def _feeds_within_limits(self) -> Profile:
        top = self.machine.max_mm_min
        for key, feed, limit in (
            ("park.travel_mm_min", self.park.travel_mm_min, max(top.x, top.y)),
            ("park.hop_mm_min", self.park.hop_mm_min, top.z),
            ("retract.feed_mm_min", self.retract.feed_mm_min, top.e),
        ):
            if feed > limit:
                raise ValueError(
                    f"{key}: {feed:g} is over the machine's limit of {limit:g} "
                    "(from [machine] max_mm_min); slow it down, or correct the limit"
                )
        return self

    @model_validator(mode="after")
    def _trigger_has_what_it_needs(self) -> Profile:
        from capturehook.catalog import TRIGGERS

        TRIGGERS[self.trigger.by].check(self)
        return self


def parse_profile(text: str, path: str) -> Profile:
    """TOML text -> Profile.

    Raises
    ------
    ProfileError
        With every fault found, each with its key.
    """
    import tomli

    try:
        raw = tomli.loads(text)
    except tomli.TOMLDecodeError as fault:
        raise ProfileError(
            [CaptureHookError(path, f"is not valid TOML: {fault}", "Mend that line")]
        ) from fault
    return build_profile(raw, path)


def build_profile(raw: dict[str, Any], path: str) -> Profile:
    """A nested dict -> Profile; see :func:`parse_profile`."""
    try:
        return Profile.model_validate(raw)
    except ValidationError as fault:
        raise ProfileError([_worded(path, one) for one in fault.errors()]) from fault


_ADVICE = {
    "missing": "Add the key",
    "literal_error": "Use one of those",
    "model_type": "Make it a [table]",
}


def _worded(path: str, error: Any) -> CaptureHookError:
    """One pydantic error as ours: the key, what was found, what to do."""
    place = [str(part) for part in error["loc"]]
    kind, found = error["type"], error.get("input")
    if kind == "value_error":
        key, _, rest = str(error["ctx"]["error"]).partition(": ")
        found_text, _, advice = rest.rpartition("; ")
        place = [*place, *key.split(".")]
        return CaptureHookError(
            Where(path, key=_key_path(place)),
            found_text or rest,
            (advice[:1].upper() + advice[1:]) if found_text else "Correct it",
        )
    where = Where(path, key=_key_path(place))
    if kind == "extra_forbidden":
        near = _nearest(place)
        return CaptureHookError(
            where,
            "unknown key" + (f", nearest is {near}" if near else ""),
            "Rename it, or delete the line" if near else "Delete the line",
        )
    if kind == "missing":
        return CaptureHookError(where, "is missing", "Add the key")
    message = str(error["msg"])
    rule = message.removeprefix("Input ").removeprefix("Value ")
    return CaptureHookError(where, f"{_shown(found)} {rule}", _ADVICE.get(kind, "Correct the value"))


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _key_path(place: list[str]) -> str:
    """['park', 'x_mm'] -> '[park] x_mm', as a person finds it in the file."""
    *tables, key = place
    named = [part for part in tables if not part.isdigit()]
    return f"[{'.'.join(named)}] {key}" if named else key


def _nearest(place: list[str]) -> str | None:
    model: Any = Profile
    for part in place[:-1]:
        if part.isdigit():
            continue
        model = _record_of(model, part)
        if model is None:
            return None
    names = [field.alias or name for name, field in model.model_fields.items()]
    near = difflib.get_close_matches(place[-1], names, n=1, cutoff=0.5)
    if not near:
        near = [name for name in names if name.startswith(place[-1] + "_")][:1]
    return near[0] if near else None


def _record_of(model: Any, key: str) -> Any:
    """The record class that stands behind one key of another, or None."""
    from typing import get_args

    field = model.model_fields.get(key)
    todo = [field.annotation] if field else []
    while todo:
        kind = todo.pop()
        if isinstance(kind, type) and issubclass(kind, Record):
            return kind
        todo.extend(get_args(kind))
    return None


def user_folder() -> Path:
    """Where a person's own profiles live on this system."""
    from platformdirs import user_config_path

    return user_config_path("capturehook", appauthor=False)


def list_profiles() -> Iterator[tuple[str, Path]]:
    """(name, path) of every profile that `find_profile` would find by name, nearest first."""
    seen: set[str] = set()
    for folder in (user_folder(), BUILT_IN):
        for path in sorted(folder.glob("*.toml")):
            if path.stem not in seen:
                seen.add(path.stem)
                yield path.stem, path


def find_profile(wish: str | None) -> Path:
    """The profile file for a path, a name, or nothing at all.

    Raises
    ------
    FileError
        Nothing of that name; lists the names there are.
    """
    if wish is None:
        local = Path(LOCAL_NAME)
        if local.is_file():
            return local
        raise FileError(
            LOCAL_NAME,
            "no profile was named and none stands in this folder",
            "Name one with -p (for a first try: -p heron), or make one with `capturehook profile new`",
        )
    as_path = Path(wish).expanduser()
    if as_path.suffix == ".toml" or "/" in wish or as_path.is_file():
        return as_path
    known = dict(list_profiles())
    if wish in known:
        return known[wish]
    near = difflib.get_close_matches(wish, known, n=1)
    raise FileError(
        wish,
        "there is no profile of that name" + (f", nearest is {near[0]}" if near else ""),
        f"Known are {', '.join(known)}; or give a path that ends in .toml",
    )


def load_profile(wish: str | Path | None) -> Profile:
    """Find, read and check a profile; see :func:`find_profile` and :func:`parse_profile`."""
    path = wish if isinstance(wish, Path) else find_profile(wish)
    return _load(path, path.stat().st_mtime_ns if path.is_file() else 0)


@lru_cache(maxsize=16)
def _load(path: Path, _stamp: int) -> Profile:
    from capturehook.files import read_bytes

    raw = read_bytes(path)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise ProfileError(
            [CaptureHookError(str(path), "is not UTF-8 text", "Save it as UTF-8")]
        ) from fault
    return parse_profile(text, str(path))
