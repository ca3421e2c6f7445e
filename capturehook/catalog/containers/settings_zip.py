"""Zips with texts of `key = value` lines and one numbered PNG for each layer (`.sl1`, `.sl1s`).

The texts state exposures, layer height and, for printers that tilt the vat, the seconds of a
tilt; no move of a plate. Keys are looked for by meaning and any case, in every text at the top.
Sources of the exposures and of the tilt: the firmware of such a printer, sla-fw
(github.com/achingbrain/sla-fw: slafw/project/project.py, exposure/exposure.py); the sum of the
stated time was met exactly on two jobs of a slicing host.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import PurePosixPath

import numpy as np

from capturehook.catalog.containers.fields import exposures
from capturehook.catalog.containers.zip_file import Container, gaps, numbered_images
from capturehook.errors import FileError, Finding, GcodeError, Where
from capturehook.model.resin_job import LayerCycles, StoredJob, Tilt

SUFFIXES = (".ini", ".cfg", ".conf", ".txt")
_LINE = re.compile(r"^[ \t]*([A-Za-z_][\w.]*)[ \t]*=([^\r\n]*)", re.MULTILINE)
FIX = "Correct that line, or give the numbers by flags (see --help)"

KEYS = {
    "exposure_s": ("expTime", "exposureTime", "exposure_time"),
    "first_exposure_s": ("expTimeFirst", "initialExposureTime", "initial_exposure_time"),
    "layer_mm": ("layerHeight", "layer_height"),
    "first_layer_mm": ("initialLayerHeight", "initial_layer_height"),
    "fade_layers": ("numFade", "fadedLayers", "faded_layers"),
    "fast_layers": ("numFast",),
    "slow_layers": ("numSlow",),
    "print_s": ("printTime", "print_time"),
    "fast_tilt_s": ("fast_tilt_time",),
    "slow_tilt_s": ("slow_tilt_time",),
    "viscous_tilt_s": ("high_viscosity_tilt_time",),
    "area_percent": ("area_fill",),
    "pixels_x": ("display_pixels_x",),
    "pixels_y": ("display_pixels_y",),
    "wide_mm": ("display_width",),
    "speed": ("expUserProfile",),
    "regions": ("calibrateRegions",),
}
"""What is looked for -> the names it goes by."""
FULL_LAYERS = 3
"""Layers with the first exposure in full (sla-fw)."""
FAST, SLOW, VISCOUS = 0, 1, 2
SLOW_DELAY_S, ALL_SLOW_DELAY_S, VISCOUS_DELAY_S = 1.0, 3.0, 3.5
TOWER_S_PER_MM = 5.0


class SettingsZip:
    """A zip with texts of settings."""

    name = "settings"
    what = "a zip with a text of settings (.sl1, .sl1s)"

    def claims(self, container: Container) -> bool:
        lines = _settings(container)[1]
        return bool(_named(lines, "exposure_s") and _named(lines, "layer_mm"))

    def read(self, container: Container) -> StoredJob:
        name, lines = _settings(container)
        path = str(container.path)
        numbers = _Numbers(path, name, lines)
        images, stem = numbered_images(container.names)
        if not images:
            raise FileError(path, "holds no numbered layer images", "Slice the model again")
        layers = len(images)
        exposure_s = numbers.get("exposure_s", above=0.0)
        first_s = numbers.get("first_exposure_s", above=0.0, default=exposure_s)
        fade = int(numbers.get("fade_layers", default=0.0))
        layer_mm = numbers.get("layer_mm", above=0.0)
        first_mm = numbers.get("first_layer_mm", above=0.0, default=layer_mm)
        light_s = exposures(layers, (FULL_LAYERS, first_s), exposure_s, fade, fade + 1)
        nothing = np.zeros((layers, 1))
        cycles = LayerCycles(
            z_mm=(first_mm + np.arange(layers) * layer_mm).round(5),
            exposure_s=light_s.round(5),
            lift_mm=nothing,
            lift_mm_min=nothing,
            retract_mm=nothing,
            retract_mm_min=nothing,
            rest_s=np.zeros((layers, 4)),
            light_off_s=np.zeros(layers),
            tilt_s=np.zeros(layers),
        )
        pixels_x = numbers.get("pixels_x", default=0.0)
        return StoredJob(
            kind=self.name,
            text_name=name,
            evidence=(
                f"{name}: {_named(lines, 'exposure_s')}, {_named(lines, 'layer_mm')}; "
                f"{layers} numbered images '{stem}...png'"
            ),
            cycles=cycles,
            bottom_layers=min(FULL_LAYERS, layers),
            lacks=("lift", "rests"),
            tilt=_tilt(numbers, layer_mm),
            stated_s=numbers.get("print_s", default=0.0) or None,
            screen_px=(int(pixels_x), int(numbers.get("pixels_y", default=0.0))),
            pitch_mm=numbers.get("wide_mm", default=0.0) / pixels_x if pixels_x else 0.0,
            images=tuple(member for _, member in images),
            findings=(
                *gaps(images, path),
                *_count_findings(numbers, layers),
                *_calibration_findings(numbers),
            ),
        )


def _tilt(numbers: _Numbers, layer_mm: float) -> Tilt | None:
    """The seconds of both tilts with their delays and the tower's step."""
    fast_s = numbers.get("fast_tilt_s", default=-1.0)
    slow_s = numbers.get("slow_tilt_s", default=fast_s)
    if fast_s < 0:
        return None
    slow_layers = numbers.get("slow_layers", default=-1.0)
    speed = int(numbers.get("speed", default=0.0))
    if speed == VISCOUS:
        fast_s = slow_s = numbers.get("viscous_tilt_s", default=slow_s) + VISCOUS_DELAY_S
    elif speed == SLOW:
        fast_s, slow_s = fast_s + ALL_SLOW_DELAY_S, slow_s + ALL_SLOW_DELAY_S
    else:
        slow_s += SLOW_DELAY_S
    tower_s = TOWER_S_PER_MM * layer_mm
    return Tilt(
        fast_s=fast_s + tower_s,
        slow_s=slow_s + tower_s,
        area_share=numbers.get("area_percent", default=50.0) / 100.0,
        slow_layers=int(slow_layers) if slow_layers >= 0 else None,
    )


def parse_settings(text: str) -> dict[str, str]:
    """`key = value` lines -> dict by lower-case key; all other lines are skipped."""
    return {key.lower(): value.strip() for key, value in _LINE.findall(text)}


def _settings(container: Container) -> tuple[str, dict[str, str]]:
    """The lines of all texts at the top, and the name of the one that states the exposure;
    where two texts state a key, that one's holds."""
    first, found = "", dict[str, str]()
    for name in container.names:
        if "/" in name or PurePosixPath(name).suffix.lower() not in SUFFIXES:
            continue
        lines = parse_settings(container.read_text(name).decode("utf-8-sig", "replace"))
        if not first and _named(lines, "exposure_s") and _named(lines, "layer_mm"):
            first, found = name, {**found, **lines}
        else:
            found = {**lines, **found}
    return first, found


def _count_findings(numbers: _Numbers, layers: int) -> Iterator[Finding]:
    """Fast and slow layers together should be all layers."""
    counts = [numbers.get(key, default=-1.0) for key in ("fast_layers", "slow_layers")]
    if min(counts) < 0 or sum(counts) == layers:
        return
    text = f"states {sum(counts):.0f} layers, but the container holds {layers} layer images"
    yield Finding("resin-layer-count", f"{numbers.path}: {numbers.name}", text)


def _calibration_findings(numbers: _Numbers) -> Iterator[Finding]:
    """A job that tries several exposures side by side keeps the lamp on, longer than stated."""
    regions = numbers.get("regions", default=0.0)
    if regions >= 1:
        text = (
            f"tries exposures in {regions:.0f} regions: the lamp stays on through all of them in "
            "one pulse, longer than the exposure stated"
        )
        yield Finding("resin-calibration", f"{numbers.path}: {numbers.name}", text)


def _named(lines: dict[str, str], what: str) -> str | None:
    """The name under which the settings hold it, as in KEYS."""
    return next((key for key in KEYS[what] if key.lower() in lines), None)


class _Numbers:
    """Settings as numbers."""

    def __init__(self, path: str, name: str, lines: dict[str, str]) -> None:
        self.path, self.name, self.lines = path, name, lines

    def get(self, what: str, above: float | None = None, default: float | None = None) -> float:
        """One number.

        Raises
        ------
        GcodeError
            It is no number, or none such a setting can have.
        """
        key = _named(self.lines, what)
        if key is None and default is not None:
            return default
        where = Where(self.path, key=f"{self.name}: {key or KEYS[what][0]}")
        if key is None:
            raise GcodeError(where, "is missing", FIX)
        text = self.lines[key.lower()]
        try:
            value = float(text)
        except ValueError as fault:
            raise GcodeError(where, f"'{text}' is not a number", FIX) from fault
        if not 0.0 <= value < 1e8 or (above is not None and value <= above):
            raise GcodeError(where, f"{text} cannot be", FIX)
        return value
