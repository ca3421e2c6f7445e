"""The open kind of job: a zip with a text of `key = value` lines and one PNG for each layer.

The text names exposures and the layer height, never the moves of the plate: those come from
the [resin] table. Keys are looked for by meaning and any case; none but two is required.
"""

from __future__ import annotations

import re
from pathlib import PurePosixPath

from capturehook.errors import FileError, Finding, GcodeError, Where
from capturehook.model.resin import ResinTable
from capturehook.resin.container import Container
from capturehook.resin.job import ResinJob, gaps, numbered_images, time_findings
from capturehook.resin.timeline import exposures, timeline_of_table

SUFFIXES = (".ini", ".cfg", ".conf", ".txt")
_LINE = re.compile(r"^[ \t]*([A-Za-z_][\w.]*)[ \t]*=([^\r\n]*)", re.MULTILINE)

KEYS = {
    "exposure_s": ("expTime", "exposureTime", "exposure_time"),
    "first_exposure_s": ("expTimeFirst", "initialExposureTime", "initial_exposure_time"),
    "layer_mm": ("layerHeight", "layer_height"),
    "fade_layers": ("numFade", "fadedLayers", "faded_layers"),
    "fast_layers": ("numFast",),
    "slow_layers": ("numSlow",),
    "print_s": ("printTime", "print_time"),
}
"""What is looked for -> the names it goes by."""


def parse_settings(text: str) -> dict[str, str]:
    """`key = value` lines -> dict by lower-case key; all other lines are skipped."""
    return {key.lower(): value.strip() for key, value in _LINE.findall(text)}


def find_settings(container: Container) -> tuple[str, dict[str, str]] | None:
    """The member that states exposure and layer height, and its lines; None without one."""
    for name in container.names:
        if "/" in name or PurePosixPath(name).suffix.lower() not in SUFFIXES:
            continue
        lines = parse_settings(container.read_text(name).decode("utf-8-sig", "replace"))
        if _named(lines, "exposure_s") and _named(lines, "layer_mm"):
            return name, lines
    return None


def read_open_zip(
    container: Container, name: str, lines: dict[str, str], table: ResinTable
) -> ResinJob:
    """The job behind a text of settings.

    Raises
    ------
    GcodeError
        A value that is no number, or is out of all reason.
    FileError
        No numbered layer images.
    """
    path = str(container.path)
    images, stem = numbered_images(container.names)
    if not images:
        raise FileError(path, "holds no numbered layer images", "Export the job again")
    layers = len(images)
    exposure_s = _number(lines, "exposure_s", path, name, above=0.0)
    first_s = _number(lines, "first_exposure_s", path, name, above=0.0, default=exposure_s)
    fade = int(_number(lines, "fade_layers", path, name, default=0.0))
    layer_mm = _number(lines, "layer_mm", path, name, above=0.0)
    light_s = exposures(layers, 1, first_s, exposure_s, fade, table.transition)
    stated_s = _number(lines, "print_s", path, name, default=0.0)
    timeline = timeline_of_table(table, layers, light_s, layer_mm, bottom_layers=1)
    return ResinJob(
        path=path,
        kind="settings",
        text_name=name,
        timeline=timeline,
        images=tuple(member for _, member in images),
        stated_s=stated_s or None,
        evidence=(
            f"{name}: {_named(lines, 'exposure_s')}, {_named(lines, 'layer_mm')}",
            f"{layers} numbered images '{stem}...png'",
        ),
        assumed=_assumed(fade, table),
        findings=(
            *gaps(images, path),
            *_count_findings(lines, path, name, layers),
            *time_findings(stated_s, timeline.total_s, path),
        ),
    )


def _assumed(fade: int, table: ResinTable) -> tuple[str, ...]:
    told = ["rests, lift and retract: as in [resin], for the job does not state them"]
    told.append("one layer with the first exposure in full, then the transition")
    if fade:
        told.append(f'{fade} layers of transition, transition = "{table.transition}"')
    return tuple(told)


def _count_findings(lines: dict[str, str], path: str, name: str, layers: int) -> list[Finding]:
    """Fast and slow layers together should be all layers."""
    counts = [
        _number(lines, key, path, name, default=-1.0) for key in ("fast_layers", "slow_layers")
    ]
    if min(counts) < 0 or sum(counts) == layers:
        return []
    text = f"states {sum(counts):.0f} layers, but the container holds {layers} layer images"
    return [Finding("resin-layer-count", f"{path}: {name}", text)]


def _named(lines: dict[str, str], what: str) -> str | None:
    """The name under which the settings hold it, as in KEYS."""
    return next((key for key in KEYS[what] if key.lower() in lines), None)


def _number(
    lines: dict[str, str],
    what: str,
    path: str,
    name: str,
    above: float | None = None,
    default: float | None = None,
) -> float:
    key = _named(lines, what)
    if key is None and default is not None:
        return default
    where = Where(path, key=f"{name}: {key or KEYS[what][0]}")
    if key is None:
        raise GcodeError(where, "is missing", "Export the job again")
    text = lines[key.lower()]
    try:
        value = float(text)
    except ValueError as fault:
        raise GcodeError(where, f"'{text}' is not a number", "Export the job again") from fault
    if not 0.0 <= value < 1e8 or (above is not None and value <= above):
        raise GcodeError(where, f"{text} is out of all reason", "Export the job again")
    return value
