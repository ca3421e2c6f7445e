"""The numbers of a resin job as flags, for `resin` and `rehearse`; and readings of a clock."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli.options import bundle, option

if TYPE_CHECKING:
    from capturehook.model.resin import ResinTable
    from capturehook.rehearse.hanging import Scene
    from capturehook.resin.clock import Reading

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


_LIFT: dict[str, Any] = {"callback": _stages, "metavar": "MM@MM_MIN"}
_SECONDS = click.FloatRange(0.0, 3600)
_OPTIONS = (
    option("--layers", "Without JOB: number of layers.", click.IntRange(1, 100_000)),
    option("--layer-mm", "Layer height.", click.FloatRange(0.001, 2)),
    option("--first-layer-mm", "Height of the first layer.", click.FloatRange(0.001, 5)),
    option("--exposure-s", "Light of a normal layer.", click.FloatRange(0.01, 600)),
    option("--bottom", "Bottom layers x s of light: 5x30.", callback=_bottom, metavar="NxS"),
    option("--transition", "Layers of falling light.", click.IntRange(0, 1000)),
    option("--lift", "Plate up: 6@60.", **_LIFT),
    option("--retract", "Plate down: 6@150.", **_LIFT),
    option("--bottom-lift", "The same for bottom layers.", **_LIFT),
    option("--bottom-retract", "The same for bottom layers.", **_LIFT),
    option("--wait-s", "Rest before the light.", _SECONDS),
    option("--rest-s", "Rest after the light, before the lift.", _SECONDS),
    option("--top-s", "Rest at the top of the lift.", _SECONDS),
    option("--light-off-s", "Light-off time, if the printer has one.", _SECONDS),
    option("--tilt-s", "Tilting vat: down and up.", _SECONDS),
    option("--extra-s", "Time lost on each layer.", click.FloatRange(0.0, 10)),
    option("--startup-s", "Before the first layer.", _SECONDS),
    option(
        "--clock",
        "Time from the start to a layer's light; two of them.",
        multiple=True,
        callback=_readings,
        metavar="LAYER=H:MM:SS",
    ),
    option("--stl", "Without JOB: draw this part, in mm.", click.Path(), metavar="FILE"),
)
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


@dataclass(frozen=True, slots=True)
class Numbers:
    """What flags say of a resin job: those that were given, readings of a clock, a body."""

    flags: dict[str, Any]
    clock: tuple[Reading, ...]
    stl: str | None

    def __bool__(self) -> bool:
        return bool(self.flags or self.clock or self.stl)


def _numbers(clock: tuple[Reading, ...], stl: str | None, **flags: Any) -> Numbers:
    given = {name: value for name, value in flags.items() if value is not None}
    return Numbers(given, clock, stl)


numbers = bundle("given", _numbers, *_OPTIONS)
"""Give a command the options, in order."""


def refuse_of_the_job(given: Numbers) -> None:
    """Refuse what every job holds itself."""
    if given.stl is not None:
        raise click.UsageError("--stl is drawn where there is no JOB; leave one of them out.")
    wrong = [name for name in OF_THE_JOB if name in given.flags]
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


def scene_of(
    path: Path | str | None,
    profile: str | None,
    given: Numbers,
    *,
    draws: bool,
    every: int | None = None,
    screen_mm: float | None = None,
) -> Scene:
    """The job of a file, or of numbers, with its shoot; with what is printed where that is to be
    drawn: an STL file, or a plain body."""
    from capturehook.rehearse.hanging import Scene
    from capturehook.resin.body import SCREEN_MM, body_of_stl, layered, plain_body, with_body
    from capturehook.resin.clock import calibrated
    from capturehook.resin.job import job_of_table, load_resin_profile, read_job
    from capturehook.resin.shoot import plan_shoot

    loaded, table = load_resin_profile(profile)
    table = table_of(table, given.flags, path is not None)
    body = None
    if path is not None:
        job = read_job(Path(path), table)
    else:
        if given.stl is not None:
            body = body_of_stl(Path(given.stl))
            table = table if "layers" in given.flags else layered(table, body)
        job = job_of_table(table, loaded.name)
        if body is None and draws:
            body = plain_body(job.timeline.height_mm, screen_mm or SCREEN_MM)
        job = job if body is None else with_body(job, body)
    if given.clock:
        job, _ = calibrated(job, *given.clock)
    return Scene(
        job=job,
        shoot=plan_shoot(job, loaded, table, every),
        profile=loaded,
        table=table,
        screen_mm=screen_mm,
        body=body,
    )


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
