"""`capturehook trial`: short cold jobs that commission the rig, and what their frames say."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli import show
from capturehook.cli.options import JSON, PROFILE

if TYPE_CHECKING:
    from capturehook.rig.trial_program import Trial
    from capturehook.rig.trial_read import TrialReading

_Function = Callable[..., Any]


@click.group("trial", short_help="Short cold jobs that commission the rig, and their evaluation.")
def trial_command() -> None:
    """Cold jobs that try the rig: the poses in air, the switch, stillness and lag, resin.

    `trial read` takes the side file (.json) written with each.

    \b
    Example: where does the switch close, ten times
      capturehook trial press -p heron -o press.gcode
    """


def _written(function: _Function) -> _Function:
    for option in (
        JSON,
        click.option(
            "-o",
            "--out",
            type=click.Path(path_type=Path, dir_okay=False),
            required=True,
            help="The job to write; its side file ends in .json.",
        ),
        PROFILE,
    ):
        function = option(function)
    return function


_HEIGHT = click.option(
    "--z-mm", type=float, default=30.0, show_default=True, help="Height of the nozzle throughout."
)


@trial_command.command("air")
@click.argument("job")
@click.option("--poses", type=click.IntRange(1, 50), default=3, show_default=True, help="How many.")
@click.option(
    "--lift-mm",
    type=click.FloatRange(5, 200),
    default=20.0,
    show_default=True,
    help="How much higher than in the job.",
)
@_written
def air_command(
    job: str, poses: int, lift_mm: float, profile: str | None, out: Path, as_json: bool
) -> int:
    """The first poses of a JOB in air: lifted, no heat, no filament.

    \b
    Example:  capturehook trial air lighthouse.gcode -p heron --poses 3 -o air.gcode
    """
    from capturehook.api import apply
    from capturehook.cli.job import read_job_file
    from capturehook.profile import load_profile
    from capturehook.rig.trial import air_trial

    loaded = load_profile(profile)
    data, path = read_job_file(job)
    posed = apply(data, loaded, path=path)
    return _write(air_trial(posed.poses[:poses], loaded, lift_mm), out, as_json)


@trial_command.command("press")
@click.option("--times", type=click.IntRange(1, 50), default=10, show_default=True, help="Sweeps.")
@click.option(
    "--step-mm",
    type=click.FloatRange(0.01, 0.5),
    default=0.05,
    show_default=True,
    help="Between two presses of a sweep.",
)
@_HEIGHT
@_written
def press_command(
    times: int, step_mm: float, z_mm: float, profile: str | None, out: Path, as_json: bool
) -> int:
    """Steps towards the switch, released between: where its contact closes.

    \b
    Example:  capturehook trial press -p mine.toml -o press.gcode
    """
    from capturehook.profile import load_profile
    from capturehook.rig.trial import press_trial

    trial = press_trial(load_profile(profile), times=times, step_mm=step_mm, z_mm=z_mm)
    return _write(trial, out, as_json)


@trial_command.command("still")
@click.option(
    "--times", type=click.IntRange(1, 10), default=2, show_default=True, help="Settle ladders."
)
@_HEIGHT
@_written
def still_command(times: int, z_mm: float, profile: str | None, out: Path, as_json: bool) -> int:
    """Ladders of settle and hold times, an even move: swing, lag, least hold.

    \b
    Example:  capturehook trial still -p mine.toml -o still.gcode
    """
    from capturehook.profile import load_profile
    from capturehook.rig.trial import still_trial

    return _write(still_trial(load_profile(profile), times=times, z_mm=z_mm), out, as_json)


@trial_command.command("resin")
@click.argument("job", type=click.Path(path_type=Path, dir_okay=False))
@click.option("-p", "--profile", metavar="PROFILE", help="Profile with a [resin] table.")
@click.option(
    "--layers",
    nargs=2,
    type=int,
    default=(20, 120),
    show_default=True,
    metavar="FIRST LAST",
    help="Two layers far apart.",
)
@JSON
def resin_trial_command(
    job: Path, profile: str | None, layers: tuple[int, int], as_json: bool
) -> int:
    """What to count and to clock on a resin printer.

    \b
    Example:  capturehook trial resin lighthouse.zip -p tern --layers 20 120
    """
    from capturehook.resin.job import load_resin_profile, read_job
    from capturehook.rig.trial_resin import resin_trial

    _, table = load_resin_profile(profile)
    return _show_reading(resin_trial(read_job(job, table).timeline, layers), as_json)


@trial_command.command("read")
@click.argument("frames", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--trial",
    "side",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The trial's side file.",
)
@PROFILE
@click.option(
    "--box",
    nargs=4,
    type=int,
    metavar="X Y WIDE HIGH",
    help="The target in the picture, px (all of it).",
)
@JSON
def read_command(
    frames: tuple[Path, ...],
    side: Path,
    profile: str | None,
    box: tuple[int, int, int, int] | None,
    as_json: bool,
) -> int:
    """What the FRAMES of a `press` or `still` trial say, as profile lines.

    \b
    Example:  capturehook trial read card/ --trial still.json -p mine.toml
    """
    from capturehook.frames.listing import load_frames
    from capturehook.frames.target import target_shifts
    from capturehook.profile import load_profile
    from capturehook.rig.trial_read import frames_to_follow, load_record, read_press, read_still

    record, taken = load_record(side), load_frames(frames)
    if record["trial"] == "press":
        return _show_reading(read_press(record, taken.t_s), as_json)
    paths = [frame.path for frame in taken.frames]
    rest, wanted = frames_to_follow(record, taken.t_s)
    shifts = target_shifts(paths, rest, box, wanted)
    return _show_reading(read_still(record, taken.t_s, shifts, load_profile(profile)), as_json)


def _write(trial: Trial, out: Path, as_json: bool) -> int:
    """The job and its side file, and what the job will do."""
    import json

    from capturehook.files import write_atomically

    side = out.with_suffix(".json")
    if side == out:
        raise click.UsageError("The job must not end in .json: that is its side file.")
    write_atomically(side, (json.dumps(trial.record(), indent=1) + "\n").encode())
    write_atomically(out, trial.text.encode("ascii"))
    if as_json:
        show.emit_json({**trial.record(), "seconds": trial.seconds, "path": str(out)})
        return 0
    steps = "poses" if trial.kind == "air" else "presses"
    show.say(f"{out}: {len(trial.steps)} {steps}, {show.duration(trial.seconds)}; {side}")
    show.show_list("It will do this", trial.says, numbered=True)
    show.show_list("Take care", (caution.text for caution in trial.cautions))
    return 0


def _show_reading(reading: TrialReading, as_json: bool) -> int:
    from capturehook.rig.advice import as_plain

    if as_json:
        show.emit_json({"schema": 1, **as_plain(reading)})
        return show.exit_code(reading.findings)
    if reading.facts:
        show.show_facts(reading.facts)
    if reading.profile:
        show.say()
        show.say("For the profile")
        for line in reading.profile:
            show.say(f"    {line}")
    show.show_findings(reading.findings)
    return show.exit_code(reading.findings)
