"""What a job states of its own printer and settings: firmware, bed, nozzle, retraction, limits.

In: a job's bytes. Out: its settings by key, and a Stated that knows the keys of each kind of
host. Hosts write settings as comments: `; key = value` at the end or the top of the file, a
header of `;KEY:value` or `;  key,value`, or changed settings as JSON in `;SETTING_3` lines. Only
the first and the last part of the file are searched. Keys as found in jobs of two kinds of host
(tests/data; tests/corpus) and in public job files of others, which were not run.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import hypot, isfinite

EDGE_BYTES = 1 << 20
"""Settings and estimates stand in the first or the last so many bytes."""
MOST_LETTERS = 4000
"""Of a setting that is kept; longer ones are texts of start code."""

_LINE = re.compile(rb"\n;[ \t]*([A-Za-z_][\w.]*)[ \t]*[=:,][ \t]*([^\r\n]*)")
_CHANGED = re.compile(rb"\n;SETTING_\d ([^\r\n]*)")
_PART = re.compile(rb'\\+n|\\*"')
_PAIR = re.compile(rb"([a-z_]\w*) = (.*)")

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Setting:
    """The text of one setting, and where its line starts in the job."""

    key: str
    text: str
    offset: int

    def number(self, place: int = 0) -> float | None:
        """The number it holds; of a list the one at ``place``, or its last one."""
        parts = re.split(r"[,;]", self.text)
        try:
            value = float(parts[min(place, len(parts) - 1)].strip().rstrip("%"))
        except ValueError:
            return None
        return value if isfinite(value) else None


def edges(job: bytes) -> bytes:
    """First and last part of a job, where settings and estimates stand."""
    if len(job) <= 2 * EDGE_BYTES:
        return job
    return job[:EDGE_BYTES] + b"\n" + job[-EDGE_BYTES:]


def read_settings(job: bytes) -> dict[str, Setting]:
    """Every comment of the form key and value in the edges of a job; the last of a key counts."""
    text = b"\n" + edges(job)
    shift = len(job) - EDGE_BYTES - (EDGE_BYTES + 1) if len(job) > 2 * EDGE_BYTES else 0
    found: dict[str, Setting] = {}
    for key, raw, at in (*_changed(text), *_lines(text)):
        if len(raw) <= MOST_LETTERS:
            offset = at if at < EDGE_BYTES else at + shift
            found[key] = Setting(key, raw.decode("utf-8", "replace").strip(), offset)
    return found


def _lines(text: bytes) -> Iterator[tuple[str, bytes, int]]:
    for match in _LINE.finditer(text):
        yield match[1].decode(), match[2], match.start()


def _changed(text: bytes) -> Iterator[tuple[str, bytes, int]]:
    """Settings in JSON that is cut into lines; only what was changed stands there."""
    lines = list(_CHANGED.finditer(text))
    if lines:
        whole = b"".join(line[1] for line in lines)
        for part in _PART.split(whole):
            if (match := _PAIR.fullmatch(part)) is not None:
                yield match[1].decode(), match[2], lines[0].start()


@dataclass(frozen=True)
class Stated:
    """Settings under one name each, whatever the host calls them; None where nothing is said."""

    settings: Mapping[str, Setting]

    @staticmethod
    def of(job: bytes) -> Stated:
        return Stated(read_settings(job))

    def first(self, *keys: str) -> Setting | None:
        """The first of these keys that says something."""
        for key in keys:
            one = self.settings.get(key)
            if one is not None and one.text.strip('" ') not in ("", "nil"):
                return one
        return None

    def number(self, *keys: str, place: int = 0) -> float | None:
        """The number of the first of these keys that holds one."""
        for key in keys:
            one = self.first(key)
            value = one.number(place) if one is not None else None
            if value is not None:
                return value
        return None

    @cached_property
    def flavour(self) -> Setting | None:
        """The kind of G-code the host was set to, as it writes it."""
        return self.first("gcode_flavor", "FLAVOR")

    @cached_property
    def bed(self) -> Setting | None:
        return self.first(*BED_KEYS)

    @cached_property
    def bed_mm(self) -> tuple[Range, Range] | None:
        """X and Y of the bed, lowest and highest."""
        outline = self.first("bed_shape", "printable_area")
        if outline is not None:
            return _outline(outline.text)
        for wide, deep, x_from, y_from, sign in BED_SIZES:
            size = self.number(wide), self.number(deep)
            if size[0] and size[1]:
                x_mm, y_mm = (sign * (self.number(key) or 0.0) for key in (x_from, y_from))
                if self._is_centred():
                    x_mm, y_mm = -size[0] / 2, -size[1] / 2
                return (x_mm, x_mm + size[0]), (y_mm, y_mm + size[1])
        return None

    @cached_property
    def bed_form(self) -> str:
        """ "box", "round", "other" (a polygon that is neither), or "" where nothing is stated."""
        outline, shape = self.first("bed_shape", "printable_area"), self.first("machine_shape")
        if outline is not None:
            return _form(outline.text) if self.bed_mm else ""
        is_round = shape is not None and shape.text.strip().lower() == "elliptic"
        return ("round" if is_round else "box") if self.bed_mm else ""

    def _is_centred(self) -> bool:
        one = self.first("machine_center_is_zero")
        return one is not None and one.text.lower() == "true"

    @cached_property
    def height(self) -> Setting | None:
        return self.first(*HEIGHT_KEYS)

    @property
    def height_mm(self) -> float | None:
        return _above_zero(self.number(*HEIGHT_KEYS))

    @property
    def nozzle_mm(self) -> float | None:
        return _above_zero(self.number(*NOZZLE_KEYS))

    @cached_property
    def filament(self) -> Setting | None:
        return self.first(*FILAMENT_KEYS)

    @property
    def filament_mm(self) -> float | None:
        return _above_zero(self.number(*FILAMENT_KEYS))

    @cached_property
    def retract(self) -> Setting | None:
        return self.first(*RETRACT_KEYS)

    @property
    def retract_mm(self) -> float | None:
        """mm of filament retracted; a filament's own value comes before the printer's."""
        return self.number(*RETRACT_KEYS)

    @property
    def retract_mm_min(self) -> float | None:
        per_second = self.number(*RETRACT_SPEED_KEYS)
        if per_second is None:
            return _above_zero(self.number("extruderRetractionSpeed"))
        return _above_zero(per_second * 60)

    @cached_property
    def volumetric(self) -> Setting | None:
        """The setting by which E counts mm3, where one says it does or does not."""
        one = self.first("use_volumetric_e")
        if one is None and self.flavour is not None and "(volumetric)" in self.flavour.text.lower():
            return self.flavour
        return one

    @property
    def is_volumetric(self) -> bool | None:
        return _flag(self.volumetric)

    @cached_property
    def relative_e(self) -> Setting | None:
        return self.first("use_relative_e_distances", "relative_extrusion")

    @property
    def is_relative_e(self) -> bool | None:
        return _flag(self.relative_e)

    def limits(self, place: int = 0) -> dict[str, dict[str, float]]:
        """Axes to numbers above zero, mm/min and mm/s2, as keys of [machine]."""
        found: dict[str, dict[str, float]] = {}
        for key, marks, per in LIMIT_KEYS:
            for axis in "xyze":
                value = self.number(*(mark + axis for mark in marks), place=place)
                if value is not None and value > 0:
                    found.setdefault(key, {})[axis] = value * per
        return found

    def accelerations(self, place: int = 0) -> dict[str, float]:
        """mm/s2 above zero of printing, travel and filament, as keys of [machine]."""
        found = {}
        for key, names in ACCEL_KEYS:
            value = self.number(*names, place=place)
            if value is not None and value > 0:
                found[key] = value
        default = self.number("default_acceleration", "machine_acceleration", place=place)
        if default is not None and default > 0:
            found["accel_mm_s2"] = min(default, found.get("accel_mm_s2", default))
        return found


ROUND_CORNERS, ROUND_SHARE = 12, 0.02
"""A bed of so many corners, each so near to one ellipse (share of its radius), is round."""
BED_KEYS = ("bed_shape", "printable_area", "machine_width", "strokeXoverride", "bed_size_x_mm")
BED_SIZES = (
    ("machine_width", "machine_depth", "", "", 1.0),
    (
        "strokeXoverride",
        "strokeYoverride",
        "originOffsetXoverride",
        "originOffsetYoverride",
        -1.0,
    ),
    ("bed_size_x_mm", "bed_size_y_mm", "", "", 1.0),
)
"""Width and depth; where the origin lies, and which way that is counted."""
HEIGHT_KEYS = (
    "max_print_height",
    "printable_height",
    "machine_height",
    "strokeZoverride",
    "bed_size_z_mm",
)
NOZZLE_KEYS = (
    "nozzle_diameter",
    "machine_nozzle_size",
    "EXTRUDER_TRAIN.0.NOZZLE.DIAMETER",
    "nozzleDiameter",
    "extruderDiameter",
    "nozzle_dia_1",
)
FILAMENT_KEYS = ("filament_diameter", "material_diameter", "fiber_dia_mm")
RETRACT_KEYS = (
    "filament_retract_length",
    "retract_length",
    "filament_retraction_length",
    "retraction_length",
    "retraction_amount",
    "extruderRetractionDistance",
    "destring_length",
)
RETRACT_SPEED_KEYS = (
    "filament_retract_speed",
    "retract_speed",
    "filament_retraction_speed",
    "retraction_speed",
    "retraction_retract_speed",
    "destring_speed_mm_per_s",
)
"""mm/s. One kind of host writes mm/min under a key of its own."""
LIMIT_KEYS = (
    ("max_mm_min", ("machine_max_feedrate_", "machine_max_speed_"), 60.0),
    ("max_accel_mm_s2", ("machine_max_acceleration_",), 1.0),
)
ACCEL_KEYS = (
    ("accel_mm_s2", ("machine_max_acceleration_extruding",)),
    ("retract_accel_mm_s2", ("machine_max_acceleration_retracting",)),
    ("travel_accel_mm_s2", ("machine_max_acceleration_travel",)),
)


def _corners(text: str) -> tuple[list[float], list[float]]:
    """ "0x0,250x0,250x210,0x210" -> X and Y of the corners of a bed."""
    points = re.findall(r"(-?[0-9.]+)x(-?[0-9.]+)", text)
    try:
        return [float(x) for x, _ in points], [float(y) for _, y in points]
    except ValueError:
        return [], []


def _form(text: str) -> str:
    """Of a bed by its corners: they lie on the ellipse within its sides, or on the sides."""
    x_mm, y_mm = _corners(text)
    (left, right), (front, back) = (min(x_mm), max(x_mm)), (min(y_mm), max(y_mm))
    if all(x in (left, right) and y in (front, back) for x, y in zip(x_mm, y_mm, strict=True)):
        return "box"
    from_middle = [
        hypot((2 * x - left - right) / (right - left), (2 * y - front - back) / (back - front))
        for x, y in zip(x_mm, y_mm, strict=True)
    ]
    is_round = len(x_mm) >= ROUND_CORNERS and all(abs(one - 1) < ROUND_SHARE for one in from_middle)
    return "round" if is_round else "other"


def _outline(text: str) -> tuple[Range, Range] | None:
    """The ranges of X and Y that the corners of a bed cover."""
    x_mm, y_mm = _corners(text)
    if len(x_mm) < 3 or min(x_mm) == max(x_mm) or min(y_mm) == max(y_mm):
        return None
    return (min(x_mm), max(x_mm)), (min(y_mm), max(y_mm))


def _above_zero(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None


def _flag(setting: Setting | None) -> bool | None:
    if setting is None:
        return None
    text = setting.text.strip().lower()
    return text in ("1", "true") or "(volumetric)" in text
