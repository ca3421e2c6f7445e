"""`capturehook trial`: short cold jobs that commission the rig, and what their frames say."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli import show
from capturehook.cli.options import (
    FILE,
    JSON,
    NEW_FILE,
    PROFILE,
    Takes,
    option,
    profile_option,
    takes,
)

if TYPE_CHECKING:
    from capturehook.rig.trial_program import Trial
    from capturehook.rig.trial_read import TrialReading


@click.group("trial", short_help="Short cold jobs that commission the rig, and their evaluation.")
def trial_command() -> None:
    """Cold jobs that try the rig: the poses in air, the switch, stillness and lag, resin.

    `trial read` takes the side file (.json) written with each.

    \b
    Example: where does the switch close, ten times
      capturehook trial press -p heron -o press.gcode
    """


def _writes(*options: click.Option) -> Takes:
    """Options of a trial that is written, behind its own."""
    out = option(
        "-o --out", "The job to write; its side file ends in .json.", NEW_FILE, required=True
    )

    def give(command: Any) -> Any:
        return takes(*options)(PROFILE(takes(out)(JSON(command))))

    return give


_HEIGHT = option("--z-mm", "Height of the nozzle throughout.", float, 30.0)


@trial_command.command("air")
@click.argument("job")
@_writes(
    option("--poses", "How many.", click.IntRange(1, 50), 3),
    option("--lift-mm", "How much higher than in the job.", click.FloatRange(5, 200), 20.0),
)
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
@_writes(
    option("--times", "Sweeps.", click.IntRange(1, 50), 10),
    option("--step-mm", "Between two presses of a sweep.", click.FloatRange(0.01, 0.5), 0.05),
    _HEIGHT,
)
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
@_writes(option("--times", "Settle ladders.", click.IntRange(1, 10), 2), _HEIGHT)
def still_command(times: int, z_mm: float, profile: str | None, out: Path, as_json: bool) -> int:
    """Ladders of settle and hold times, an even move: swing, lag, least hold.

    \b
    Example:  capturehook trial still -p mine.toml -o still.gcode
    """
    from capturehook.profile import load_profile
    from capturehook.rig.trial import still_trial

    return _write(still_trial(load_profile(profile), times=times, z_mm=z_mm), out, as_json)


@trial_command.command("resin")
@click.argument("job", type=NEW_FILE)
@profile_option("Profile with a [resin] table.")
@takes(option("--layers", "Two layers far apart.", int, (20, 120), metavar="FIRST LAST"))
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
@click.argument("frames", nargs=-1, required=True, type=FILE)
@takes(option("--trial side", "The trial's side file.", NEW_FILE, required=True))
@PROFILE
@takes(option("--box", "The target in the picture, px (all of it).", int, metavar="X Y WIDE HIGH"))
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
    show.show_profile_lines(reading.profile)
    show.show_findings(reading.findings)
    return show.exit_code(reading.findings)
