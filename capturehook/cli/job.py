"""`apply` and `strip`: pose blocks into a job and out of it; options of commands that read one."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capturehook.cli import show
from capturehook.cli.options import JSON, PROFILE, bundle, option, takes
from capturehook.errors import FileError, counted
from capturehook.files import Look, read_and_look, write_stream_atomically

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.hosts.door import Door
    from capturehook.model.pose import Pose
    from capturehook.model.profile import Profile
    from capturehook.profile.wishes import Wishes

JOB = click.argument("job", metavar="JOB")
OUT = option("-o --out", "Write here, not into JOB; - is standard output.", metavar="OUT")

PLATE = option("--plate", "Of several plates, this one.", int, metavar="N")
SKIP_UNSAFE = option("--skip-unsafe", "Leave out poses that are not safe.", bool)
WHOLE = option("--whole is_whole", "JOB is whole, though it seems cut off.", bool)
RHYTHM = (
    option("--film film_s", "Seconds of film to make.", float, metavar="S"),
    option("--every", "Frame to frame: 2 (layers), 0.4mm or 30s.", metavar="STEP"),
    option("--fps", "Frames of film in a second.", metavar="N"),
)
LAYERS = option("--layers", 'Only these: "2-40,60,80-".', metavar="LIST")
"""They replace the profile's own rhythm."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Which job of a file is posed, and how strictly."""

    skip_unsafe: bool
    plate: int | None
    is_whole: bool


@dataclass(frozen=True, slots=True)
class Target:
    """Where a posed job and its plan go."""

    out: str | None
    dry_run: bool
    plan_to: str | None


READING = bundle("reading", Reading, SKIP_UNSAFE, PLATE, WHOLE)


def wishes_of(**options: Any) -> Wishes:
    from capturehook.profile.wishes import Wishes

    return Wishes(**options)


takes_wishes = bundle("wishes", wishes_of, *RHYTHM, LAYERS)


def wished_profile(profile: str | None, wishes: Wishes) -> Profile:
    """The profile, with what is wished for."""
    from capturehook.profile import load_profile
    from capturehook.profile.wishes import with_wishes

    return with_wishes(load_profile(profile), wishes)


def film_text(profile: Profile, frames: int) -> str:
    """How long a film of so many frames is, and what the held last frame adds."""
    from fractions import Fraction

    from capturehook.report.summary import film_seconds

    capture = profile.capture
    plain_s, held_s = float(frames / Fraction(capture.fps)), float(film_seconds(capture, frames))
    return f"{plain_s:.2f} s, {held_s:.2f} s with the last frame held {capture.hold_last_s:g} s"


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
        sys.stdout.buffer.writelines(pieces)
        sys.stdout.buffer.flush()
        return
    was = look if out is None or Path(out) == Path(job) else None
    notes = write_stream_atomically(Path(target), lambda file: file.writelines(pieces), was)
    for text in notes:
        show.note(f"{target}: {text}")


@click.command("apply", short_help="Put a proved pose block into a job at each chosen layer.")
@JOB
@PROFILE
@bundle(
    "target",
    Target,
    OUT,
    option("--dry-run", "List the blocks that would go in; change nothing.", bool),
    option("--plan-to", "Write the plan here, not beside the job.", metavar="PLAN"),
)
@takes_wishes
@READING
@takes(option("--remaining-time", "Correct the job's M73 lines too.", bool))
@JSON
def apply_command(
    job: str,
    profile: str | None,
    target: Target,
    wishes: Wishes,
    reading: Reading,
    remaining_time: bool,
    as_json: bool,
) -> int:
    """Put a pose block into JOB at each chosen layer.

    A packed JOB stays of its kind; -o with a name in .gcode unpacks it. All plates are filmed
    unless one is named.

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
    from capturehook.read.retraction import with_job_retraction

    data, name, look = read_file(job)
    door, chosen = Door(data, name, reading.plate), wished_profile(profile, wishes)
    done: list[PosedJob] = []
    for text in door.jobs:
        record = with_job_retraction(read_job(text.text, text.name, chosen))
        with show.progress("Placing poses", len(choose(record))) as step:
            done.append(
                pose_job(
                    record,
                    skip_unsafe=reading.skip_unsafe,
                    is_whole=reading.is_whole,
                    remaining_time=remaining_time,
                    step=step,
                )
            )
    notes: tuple[str, ...] = door.file.notes
    faults: list[str] = []
    goes_to = target.out or job
    if not target.dry_run:
        added_s = added_by(done) if remaining_time else None
        notes = _write(door, done, job, target.out, added_s, look) or notes
    for one in done:
        one.pieces.clear()  # they make room for the plan
    if not target.dry_run:
        path = Path(goes_to) if goes_to != "-" else None
        plates = [one.plate for one in door.jobs]
        plan_to = Path(target.plan_to) if target.plan_to else None
        _, faults = keep_plans(done, plates, path, plan_to)
        notes = (*notes, *faults)
    findings = [finding for one in done for finding in one.findings]
    if target.dry_run or as_json:
        _show_dry_runs(done, as_json=as_json, to_stdout=target.dry_run or goes_to != "-")
    elif goes_to != "-":
        for one in done:
            none = remaining_time and "M73" not in one.job.read.others.command
            where = one.job.source.path if len(done) > 1 else goes_to
            film = f"; film {film_text(chosen, len(one.poses))}" if wishes.film_s else ""
            no_m73 = "; it holds no M73 to correct" if none else ""
            show.say(f"{where}: {added_text(one)}{film}{no_m73}")
    for told in notes:
        show.note(f"{name}: {told}")
    show.show_findings(findings)
    return 1 if faults else show.exit_code(findings)


def _write(
    door: Door,
    done: Sequence[PosedJob],
    job: str,
    out: str | None,
    added_s: float | None,
    look: Look | None,
) -> tuple[str, ...]:
    """The posed job, of the kind it was or unpacked; what is to be told of it."""
    if door.file.kind == "plain" or (out is not None and door.unpacks(out)):
        write_job_file(job, out, done[0].pieces, look)
        return ()
    written = door.posed([one.data for one in done], added_s)
    write_job_file(job, out, [written.data], look)
    return written.notes


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
        f"{counted(len(applied.poses), 'pose')} add{'s' * (len(applied.poses) == 1)} "
        f"{show.duration(record['added_s'])} "
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
@takes(OUT, PLATE)
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
            f"{out or job}: {counted(blocks, 'block')} taken out"
            if blocks
            else f"{path}: holds no block"
        )
    for text in written.notes:
        show.note(f"{path}: {text}")
    show.show_findings(findings)
    return show.exit_code(findings)
