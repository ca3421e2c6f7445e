"""`apply`, `strip` and `inspect`: the commands that take a job."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli import show
from capturehook.cli.options import JSON, PROFILE
from capturehook.errors import FileError
from capturehook.files import Look, read_and_look, write_stream_atomically

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.model.pose import Pose
    from capturehook.model.profile import Profile
    from capturehook.report.survey import Survey

JOB = click.argument("job", metavar="JOB")
OUT = click.option(
    "-o", "--out", metavar="OUT", help="Write here instead of into JOB; - is standard output."
)

WHOLE = click.option(
    "--whole", "is_whole", is_flag=True, help="JOB is whole, even if it seems to be cut off."
)
WISHES = (
    click.option("--film", "film_s", type=float, metavar="S", help="Seconds of film to make."),
    click.option("--every", metavar="STEP", help="Frame to frame: 2 (layers), 0.4mm or 30s."),
    click.option("--layers", metavar="LIST", help='Only these layers, like "2-40,60,80-".'),
    click.option("--fps", metavar="N", help="Frames of film in a second."),
)


def wished_profile(profile: str | None, options: dict[str, Any]) -> Profile:
    """The profile, with what the options of WISHES ask for."""
    from capturehook.profile import load_profile
    from capturehook.profile.wishes import Wishes, with_wishes

    return with_wishes(load_profile(profile), Wishes(**options))


def takes_wishes(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command the options of WISHES, which replace the profile's own rhythm."""
    for option in reversed(WISHES):
        command = option(command)
    return command


def film_text(profile: Profile, frames: int) -> str:
    """How long a film of so many frames is, and what the held last frame adds."""
    from fractions import Fraction

    from capturehook.report.summary import film_seconds

    capture = profile.capture
    plain_s, held_s = float(frames / Fraction(capture.fps)), float(film_seconds(capture, frames))
    return f"{plain_s:.2f} s, {held_s:.2f} s with the last frame held {capture.hold_last_s:g} s"


PLATE = click.option(
    "--plate", type=int, metavar="N", help="Of a file with several plates, this one."
)


def read_file(job: str) -> tuple[bytes, str, Look | None]:
    """A file's bytes, how messages name it, and how it looked; - is standard input."""
    if job == "-":
        from capturehook.hosts.pipe import IN, read_input

        return read_input(), IN, None
    data, look = read_and_look(Path(job))
    if data[:4096].lstrip()[:1] in (b"#", b"s", b"n", b"["):  # else it cannot begin a profile
        from capturehook.profile.load import is_profile

        if is_profile(data):
            raise FileError(
                job,
                "is a capturehook profile, not a job",
                f"Name the job; to look at a profile: capturehook profile check {job}",
            )
    return data, job, look


def read_job_file(job: str, plate: int | None = None) -> tuple[bytes, str]:
    """The text of a job file of any kind, and how messages name it; - is standard input."""
    from capturehook.jobfile.open import only_job, open_job

    data, name, _ = read_file(job)
    file = open_job(data, name)
    chosen = only_job(file, name, plate)
    for text in file.notes:
        show.note(f"{name}: {text}")
    return chosen.text, chosen.name


def write_job_file(
    job: str, out: str | None, pieces: Sequence[bytes | memoryview], look: Look | None = None
) -> None:
    """To OUT, or into JOB; standard output for - (and for a job that came from there)."""
    target = out or job
    if target == "-":
        if sys.stdout is None:
            raise FileError("standard output", "is closed", "Write to a file with -o")
        _write_out(pieces)
        return
    was = look if out is None or Path(out) == Path(job) else None
    notes = write_stream_atomically(Path(target), lambda file: file.writelines(pieces), was)
    for text in notes:
        show.note(f"{target}: {text}")


def _write_out(pieces: Sequence[bytes | memoryview]) -> None:
    """To standard output; where that is full, it is pointed away so that nothing is tried again."""
    try:
        sys.stdout.buffer.writelines(pieces)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        raise
    except OSError as fault:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise FileError(
            "standard output", f"cannot be written ({fault.strerror})", "Free some space"
        ) from fault


@click.command("apply", short_help="Put a proved pose block into a job at each chosen layer.")
@JOB
@PROFILE
@OUT
@click.option("--dry-run", is_flag=True, help="List the blocks that would go in; change nothing.")
@click.option("--skip-unsafe", is_flag=True, help="Leave out poses that cannot be made safely.")
@click.option(
    "--remaining-time", is_flag=True, help="Also correct the job's own remaining-time lines (M73)."
)
@takes_wishes
@PLATE
@WHOLE
@click.option("--plan-to", metavar="PLAN", help="Write the plan here instead of beside the job.")
@JSON
def apply_command(
    job: str,
    profile: str | None,
    out: str | None,
    dry_run: bool,
    skip_unsafe: bool,
    remaining_time: bool,
    plate: int | None,
    is_whole: bool,
    plan_to: str | None,
    as_json: bool,
    **options: Any,
) -> int:
    """Put a pose block into JOB at each chosen layer, in place and whole, or not at all.

    JOB is text, or packed (gzip, binary, plates in a zip) and stays of its kind; -o with a name
    in .gcode unpacks it. All plates are filmed unless one is named.

    \b
    capturehook apply lighthouse.gcode -p heron --dry-run
    capturehook apply lighthouse.gcode -p heron
    capturehook apply lighthouse.gcode -p heron --film 4
    capturehook apply - -p heron < lighthouse.gcode > filmed.gcode
    """
    from capturehook.api import pose_job
    from capturehook.hosts.door import Door
    from capturehook.hosts.plans import keep_plans
    from capturehook.hosts.summary import added_text
    from capturehook.place.poses import choose
    from capturehook.read.job import read_job

    data, name, look = read_file(job)
    door, chosen = Door(data, name, plate), wished_profile(profile, options)
    unpacks = out is not None and door.unpacks(out)
    done: list[PosedJob] = []
    for text in door.jobs:
        record = read_job(text.text, text.name, chosen)
        with show.progress("Placing poses", len(choose(record))) as step:
            done.append(
                pose_job(
                    record,
                    skip_unsafe=skip_unsafe,
                    is_whole=is_whole,
                    remaining_time=remaining_time,
                    step=step,
                )
            )
    notes: tuple[str, ...] = door.file.notes
    faults: list[str] = []
    if not dry_run:
        if unpacks or door.file.kind == "plain":
            write_job_file(job, out, done[0].pieces, look)
        else:
            added_s = added_by(done) if remaining_time else None
            written = door.posed([one.data for one in done], added_s)
            write_job_file(job, out, [written.data], look)
            notes = written.notes
        target = Path(out or job) if (out or job) != "-" else None
        plates = [one.plate for one in door.jobs]
        _, faults = keep_plans(done, plates, target, Path(plan_to) if plan_to else None)
        notes = (*notes, *faults)
    findings = [finding for one in done for finding in one.findings]
    if dry_run or as_json:
        _show_dry_runs(done, as_json=as_json, to_stdout=dry_run or (out or job) != "-")
    elif (out or job) != "-":
        for one in done:
            none = remaining_time and "M73" not in one.job.read.others.command
            where = one.job.source.path if len(done) > 1 else out or job
            film = f"; film {film_text(chosen, len(one.poses))}" if options["film_s"] else ""
            no_m73 = "; it holds no M73 to correct" if none else ""
            show.say(f"{where}: {added_text(one)}{film}{no_m73}")
    for told in notes:
        show.note(f"{name}: {told}")
    show.show_findings(findings)
    return 1 if faults else show.exit_code(findings)


def added_by(done: Sequence[PosedJob]) -> float:
    """Seconds that the poses of all plates add."""
    from capturehook.report.cost import added_seconds

    return float(sum(added_seconds(one.job, one.poses).sum() for one in done))


def _show_dry_runs(done: Sequence[PosedJob], *, as_json: bool, to_stdout: bool) -> None:
    from capturehook.report.summary import dry_run_record

    if not as_json or len(done) == 1:
        for one in done:
            if len(done) > 1:
                show.say(one.job.source.path)
            _show_dry_run(one, as_json=as_json, to_stdout=to_stdout)
    elif to_stdout:
        show.emit_json({"schema": 1, "plates": [dry_run_record(one) for one in done]})


def _show_dry_run(applied: PosedJob, *, as_json: bool, to_stdout: bool) -> None:
    from capturehook.report.summary import dry_run_record

    record = dry_run_record(applied)
    if as_json:
        if to_stdout:
            show.emit_json(record)
        return
    rows = zip(record["poses"], applied.poses, strict=True)
    show.show_table(POSE_HEAD, [_pose_row(row, pose) for row, pose in rows])
    show.say(
        f"{len(applied.poses)} poses add {show.duration(record['added_s'])} "
        f"to {show.duration(record['job']['print_s'])} of printing: "
        f"{show.duration(record['total_s'])} in all."
    )
    show.say(f"The film lasts {record['film_s']:.2f} s. Nothing was changed.")


POSE_HEAD = tuple(
    "pose,layer,z_mm,line,x_mm,y_mm,retracted,route,clear_mm,goes on in,added_s".split(",")
)


def _pose_row(row: dict[str, Any], pose: Pose) -> tuple[object, ...]:
    """One line of the dry run, in the order of POSE_HEAD."""
    where = (row[key] for key in ("pose", "layer", "z_mm", "line", "x_mm", "y_mm"))
    route = (pose.route.kind, round(pose.route.clearance_mm, 2))
    return (*where, row["e_retracted_mm"], *route, pose.resume, row["added_s"])


@click.command("strip", short_help="Take every block out again, byte for byte.")
@JOB
@OUT
@PLATE
@JSON
def strip_command(job: str, out: str | None, plate: int | None, as_json: bool) -> int:
    """Take every block out of JOB: byte for byte the original.

    \b
    capturehook strip lighthouse.gcode
    """
    from capturehook.hosts.door import Door

    data, path, look = read_file(job)
    door = Door(data, path, plate, keep_foreign=True)
    written, blocks = door.stripped()
    stripped, findings = written.data, door.foreign
    if out is not None and door.unpacks(out):
        stripped = door.plain_text()
    if out is not None or stripped != data or job == "-":
        write_job_file(job, out, [stripped], look)
    if as_json and (out or job) != "-":
        show.emit_json(
            {
                "schema": 1,
                "job": path,
                "blocks": blocks,
                "bytes": len(stripped),
                "findings": [one.as_json() for one in findings],
            }
        )
    elif (out or job) != "-":
        show.say(
            f"{out or job}: {blocks} block{'s' * (blocks != 1)} taken out"
            if blocks
            else f"{path}: holds no block"
        )
    for text in written.notes:
        show.note(f"{path}: {text}")
    show.show_findings(findings)
    return show.exit_code(findings)


@click.command("inspect", short_help="Say what a job is, and warn of what to look at.")
@JOB
@PROFILE
@PLATE
@JSON
def inspect_command(job: str, profile: str | None, plate: int | None, as_json: bool) -> int:
    """Say what JOB is: marks and evidence, layers, extents, modes, filament, time, warnings.

    \b
    capturehook inspect lighthouse.gcode -p heron
    """
    from capturehook.profile import load_profile
    from capturehook.profile.load import unnamed_profile
    from capturehook.read.job import read_job
    from capturehook.report.survey import survey_job

    assumed = profile is None and unnamed_profile() is None
    data, path = read_job_file(job, plate)
    record = read_job(data, path, load_profile("heron" if assumed else profile))
    survey = survey_job(record)
    if as_json:
        show.emit_json(survey.as_json())
    else:
        _show_survey(survey)
        if assumed:
            show.note(
                "No profile was given: read as the starter profile heron would "
                "(name yours with -p)."
            )
    return show.exit_code(survey.findings)


def _show_survey(survey: Survey) -> None:
    layers = survey.layers
    facts = [
        ("job", _job_text(survey)),
        ("layers", _layers_text(layers)),
        ("objects", f"{layers['objects']}" + (" (one at a time)" if layers["objects"] > 1 else "")),
        ("printed", _extents_text(survey.extents)),
        ("modes", _modes_text(survey.modes)),
        ("filament", _filament_text(survey.filament, by_firmware=survey.modes["firmware_retract"])),
        ("print time", _times_text(survey)),
        *(("plug-in", str(one)) for one in survey.plugins),
    ]
    for name, text in facts:
        show.say(f"{name:<11}{text}")
    for mark in survey.marks:
        used = "used" if mark["used"] else "not used"
        show.say(f"{'marks':<11}{mark['kind']} ({used}): {mark['evidence']}")
    show.show_findings(survey.findings)


def _job_text(survey: Survey) -> str:
    job = survey.job
    lines = f"{job['lines']:,} lines ({job['line_end']})"
    return f"{job['path']}: {job['bytes']:,} bytes, {lines}, {job['moves']:,} moves"


def _layers_text(layers: dict[str, Any]) -> str:
    low, high = layers["height_mm"]
    height = f"{low:g} mm" if low == high else f"{low:g} to {high:g} mm"
    reach = f"Z {layers['z_first_mm']:g} to {layers['z_top_mm']:g} mm"
    return f"{layers['count']} of {height}, told by {layers['from']}; {reach}"


def _extents_text(extents: dict[str, Any]) -> str:
    ends = ((axis, *extents[f"{axis}_mm"]) for axis in "xyz")
    return " ".join(f"{axis.upper()} {low:g} to {high:g}" for axis, low, high in ends)


def _modes_text(modes: dict[str, Any]) -> str:
    extruder = f"{modes['extruder_axis']} {modes['extruder']}"
    arcs = f", {modes['arcs']} arcs" if modes["arcs"] else ""
    firmware = ", firmware retraction" if modes["firmware_retract"] else ""
    return f"positions {modes['positions']}, {extruder}, {modes['units']}{arcs}{firmware}"


def _filament_text(filament: dict[str, Any], *, by_firmware: bool) -> str:
    longest = f"{filament['longest_retract_mm']:g} mm"
    if by_firmware:
        longest = "by the firmware"
    return (
        f"{filament['length_mm']:,.1f} mm ({filament['volume_cm3']:g} cm3); "
        f"longest retraction {longest}; "
        f"retracted at {filament['retracted_at_layer_changes']} layer changes"
    )


def _times_text(survey: Survey) -> str:
    times = survey.times
    text = show.duration(times["print_s"])
    if times["startup_s"]:
        startup = show.duration(times["startup_s"])
        text += f", {startup} of it for heating and homing as the profile says"
    if times["host_estimate_s"] is not None:
        text += f" (the job's own estimate: {show.duration(times['host_estimate_s'])})"
    return text
