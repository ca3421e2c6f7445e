"""The numbers of a resin job as flags, for `resin` and `rehearse`; and readings of a clock."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from pathlib import Path

    from capturehook.model.resin import ResinTable
    from capturehook.model.resin_job import ResinJob
    from capturehook.resin.body import Body
    from capturehook.resin.clock import Reading

Command = TypeVar("Command", bound=Callable[..., Any])
SECONDS = click.FloatRange(min=0, max=3600)
_BOTTOM = re.compile(r"(\d{1,6})x(\d{1,4}(?:\.\d+)?)", re.ASCII)
_STAGE = re.compile(r"(\d{1,4}(?:\.\d+)?)@(\d{1,6}(?:\.\d+)?)", re.ASCII)
_CLOCK = re.compile(r"(\d{1,6})=(\d{1,3}):([0-5]?\d):([0-5]?\d)", re.ASCII)


def _bottom(
    _context: click.Context, _option: click.Parameter, value: str | None
) -> tuple[int, float] | None:
    """5x30 -> (5, 30.0)."""
    if value is None:
        return None
    found = _BOTTOM.fullmatch(value)
    if found is None:
        raise click.BadParameter(f"{value!r} is no count and seconds; write 5x30")
    return int(found[1]), float(found[2])


def _stages(
    _context: click.Context, _option: click.Parameter, value: str | None
) -> tuple[dict[str, float], ...] | None:
    """3@60,4@180 -> two stages, each mm and mm/min."""
    if value is None:
        return None
    found = [_STAGE.fullmatch(part.strip()) for part in value.split(",")]
    if not all(found):
        raise click.BadParameter(
            f"{value!r} is no way and speed; write 6@60 (mm@mm/min), in stages 3@60,4@180"
        )
    return tuple({"mm": float(one[1]), "mm_min": float(one[2])} for one in found if one)


def _readings(
    _context: click.Context, _option: click.Parameter, values: tuple[str, ...]
) -> tuple[Reading, ...]:
    """100=0:31:40 -> layer 100 lit 1900 s after the start."""
    from capturehook.resin.clock import Reading

    readings = []
    for value in values:
        found = _CLOCK.fullmatch(value)
        if found is None:
            raise click.BadParameter(f"{value!r} is no layer and time; write 100=0:31:40")
        layer, hours, minutes, seconds = map(int, found.groups())
        readings.append(Reading(layer, hours * 3600.0 + minutes * 60.0 + seconds))
    if len(readings) not in (0, 2):
        raise click.BadParameter("give two readings, of layers far apart, or none")
    return tuple(readings)


_OPTIONS = (
    click.option(
        "--layers", type=click.IntRange(1, 100_000), help="Without JOB: number of layers."
    ),
    click.option("--layer-mm", type=click.FloatRange(min=0.001, max=2), help="Layer height."),
    click.option(
        "--first-layer-mm",
        type=click.FloatRange(min=0.001, max=5),
        help="Height of the first layer.",
    ),
    click.option(
        "--exposure-s", type=click.FloatRange(min=0.01, max=600), help="Light of a normal layer."
    ),
    click.option(
        "--bottom", callback=_bottom, metavar="NxS", help="Bottom layers x s of light: 5x30."
    ),
    click.option("--transition", type=click.IntRange(0, 1000), help="Layers of falling light."),
    click.option("--lift", callback=_stages, metavar="MM@MM_MIN", help="Plate up: 6@60."),
    click.option("--retract", callback=_stages, metavar="MM@MM_MIN", help="Plate down: 6@150."),
    click.option(
        "--bottom-lift", callback=_stages, metavar="MM@MM_MIN", help="The same for bottom layers."
    ),
    click.option(
        "--bottom-retract",
        callback=_stages,
        metavar="MM@MM_MIN",
        help="The same for bottom layers.",
    ),
    click.option("--wait-s", type=SECONDS, help="Rest before the light."),
    click.option("--rest-s", type=SECONDS, help="Rest after the light, before the lift."),
    click.option("--top-s", type=SECONDS, help="Rest at the top of the lift."),
    click.option("--light-off-s", type=SECONDS, help="Light-off time, if the printer has one."),
    click.option("--tilt-s", type=SECONDS, help="Tilting vat: down and up."),
    click.option("--extra-s", type=click.FloatRange(0, 10), help="Time lost on each layer."),
    click.option("--startup-s", type=SECONDS, help="Before the first layer."),
    click.option(
        "--clock",
        multiple=True,
        callback=_readings,
        metavar="LAYER=H:MM:SS",
        help="Two readings: time from the start to the light of a layer.",
    ),
)
_STL = click.option(
    "--stl", type=click.Path(), metavar="FILE", help="Without JOB: draw this part, in mm."
)
NAMES = (
    "layers", "layer_mm", "first_layer_mm", "exposure_s", "bottom", "transition", "lift",
    "retract", "bottom_lift", "bottom_retract", "wait_s", "rest_s", "top_s", "light_off_s",
    "tilt_s", "extra_s", "startup_s",
)  # fmt: skip
KEYS = {
    "layer_mm": "layer_mm",
    "first_layer_mm": "first_layer_mm",
    "exposure_s": "exposure_s",
    "transition": "transition_layers",
    "wait_s": "rest_before_s",
    "rest_s": "rest_after_s",
    "top_s": "rest_lifted_s",
    "light_off_s": "light_off_s",
    "tilt_s": "tilt_s",
    "extra_s": "layer_extra_s",
    "startup_s": "startup_s",
    "layers": "layers",
}
"""Flag -> the key of [resin] it stands for."""
OF_THE_JOB = ("layers", "layer_mm", "first_layer_mm", "exposure_s", "bottom", "transition")
MOVES = (
    "lift", "retract", "bottom_lift", "bottom_retract", "wait_s", "rest_s", "top_s",
    "light_off_s", "tilt_s",
)  # fmt: skip


def numbers(command: Command) -> Command:
    """The options, in order."""
    for option in reversed((*_OPTIONS, _STL)):
        command = option(command)
    return command


def taken(words: dict[str, Any]) -> dict[str, Any]:
    """Those of the flags that were given, taken out of all words of a command."""
    found = {name: words.pop(name) for name in NAMES}
    return {name: value for name, value in found.items() if value is not None}


def refuse_of_the_job(flags: dict[str, Any], stl: str | None) -> None:
    """Refuse what every job holds itself."""
    if stl is not None:
        raise click.UsageError("--stl is drawn where there is no JOB; leave one of them out.")
    wrong = [name for name in OF_THE_JOB if name in flags]
    if wrong:
        option = "--" + wrong[0].replace("_", "-")
        raise click.UsageError(f"JOB states its own layers and light; leave {option} out.")


def table_of(table: ResinTable, flags: dict[str, Any], has_job: bool) -> ResinTable:
    """The [resin] table with the flags in it.

    With a job, moves given by flags take the place of those the job states; what a job
    always states itself cannot be given.
    """
    from pydantic import ValidationError

    from capturehook.model.resin import ResinTable

    if not flags:
        return table
    values = {**table.model_dump(exclude_none=True), **_changes(table, flags)}
    if has_job and any(name in flags for name in MOVES):
        values["moves"] = "lift"
    try:
        return ResinTable.model_validate(values)
    except ValidationError as fault:
        first = fault.errors()[0]
        words = str(first["msg"]).removeprefix("Value error, ")
        raise click.UsageError(f"The flags do not fit together: {words}.") from fault


def job_and_body(
    path: Path | None,
    profile_name: str,
    table: ResinTable,
    *,
    flags: dict[str, Any],
    clock: tuple[Reading, ...],
    stl: str | None,
    draws: bool,
    screen_mm: float | None = None,
) -> tuple[ResinJob, Body | None]:
    """The job of a file, or of numbers; with what is printed where that is to be drawn: an STL
    file, or a plain body."""
    from pathlib import Path

    from capturehook.resin.body import SCREEN_MM, body_of_stl, layered, plain_body, with_body
    from capturehook.resin.clock import calibrated
    from capturehook.resin.job import job_of_table, read_job

    body = None
    if path is not None:
        job = read_job(path, table)
    else:
        if stl is not None:
            body = body_of_stl(Path(stl))
            table = table if "layers" in flags else layered(table, body)
        job = job_of_table(table, profile_name)
        if body is None and draws:
            body = plain_body(job.timeline.height_mm, screen_mm or SCREEN_MM)
        job = job if body is None else with_body(job, body)
    if clock:
        job, _ = calibrated(job, *clock)
    return job, body


def _changes(table: ResinTable, flags: dict[str, Any]) -> dict[str, Any]:
    """Flags as keys of [resin]; a lift without a retract comes down at the table's speed."""
    changes = {KEYS[name]: value for name, value in flags.items() if name in KEYS}
    if "bottom" in flags:
        changes["bottom_layers"], changes["bottom_exposure_s"] = flags["bottom"]
    if "lift" in flags or "retract" in flags:
        changes["bottom_lift"] = changes["bottom_retract"] = None
    for up, down in (("lift", "retract"), ("bottom_lift", "bottom_retract")):
        for name, other, speeds in ((up, down, table.retract), (down, up, table.lift)):
            if name in flags:
                changes[name] = flags[name]
                if other not in flags:
                    way_mm = sum(stage["mm"] for stage in flags[name])
                    changes[other] = ({"mm": way_mm, "mm_min": speeds[0].mm_min},)
    if flags.get("tilt_s") is None and ("lift" in flags or "bottom_lift" in flags):
        changes["tilt_s"] = 0.0
    if "layers" in flags and "bottom" not in flags:
        changes["bottom_layers"] = min(table.bottom_layers, flags["layers"])
    return changes
