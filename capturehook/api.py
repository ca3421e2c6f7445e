"""The library's door, one call for each part of the job; see docs/reference/python_api.md.

Each takes bytes or paths and a Profile and returns a record; none prints; every fault a
person can put right is a CaptureHookError.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capturehook.audit.judge import Audit
    from capturehook.block.poses import PosedJob
    from capturehook.film.assemble import FilmOuts, FilmReport
    from capturehook.film.wishes import FilmWishes
    from capturehook.frames.reference import Rectangle
    from capturehook.frames.times import Clock
    from capturehook.model.plan import PlanRecord
    from capturehook.model.profile import Profile
    from capturehook.read.job import Job
    from capturehook.report.survey import Survey

Progress = Callable[[int], None]
"""Told how much is done, as a count."""


def apply(
    data: bytes,
    profile: Profile,
    *,
    path: str = "job",
    skip_unsafe: bool = False,
    is_whole: bool = False,
    remaining_time: bool = False,
    step: Progress | None = None,
) -> PosedJob:
    """A job with its pose blocks put in and proved; blocks of an earlier run are replaced.

    Parameters
    ----------
    data : the job's bytes
    path : how messages name the job
    skip_unsafe : leave out poses that cannot be made safely, as findings
    is_whole : the job is whole, whatever it looks like (see docs/reference/findings.md)
    remaining_time : also correct the job's own remaining-time lines (M73)
    step : called with the count of poses written

    Returns
    -------
    PosedJob, with ``data`` (bytes to print), ``poses`` and ``findings``

    Raises
    ------
    GcodeError, LayerError, PlanError, PoseError, ProofError
    """
    from capturehook.read.job import read_job

    job = read_job(data, path, profile)
    return pose_job(
        job, skip_unsafe=skip_unsafe, is_whole=is_whole, remaining_time=remaining_time, step=step
    )


def pose_job(
    job: Job,
    *,
    skip_unsafe: bool = False,
    is_whole: bool = False,
    remaining_time: bool = False,
    step: Progress | None = None,
) -> PosedJob:
    """The stages in order, for a job that has been read; see :func:`apply`.

    layers -> stops -> paths -> blocks -> what they cost -> proof -> bytes
    """
    from capturehook.block import poses as block
    from capturehook.place import poses as place
    from capturehook.place.obstacles import refuse_pressing
    from capturehook.read.retraction import with_job_retraction
    from capturehook.read.verdict import refuse_job
    from capturehook.report.budget import within_budget
    from capturehook.report.cost import added_seconds
    from capturehook.report.warnings import job_findings, pose_findings

    job = with_job_retraction(job)
    refuse_job(job, is_whole=is_whole)
    refuse_pressing(job)
    kit = block.kit_of(job)
    stops, left_out = place.place_stops(job, place.choose(job).tolist())
    placed, unsafe = place.find_paths(job, stops, skip_unsafe=skip_unsafe)
    poses = block.write_poses(job, kit, placed, step)
    del stops, placed  # the poses have all that is needed of them
    kept, thinned = within_budget(job, poses)
    findings = [*job_findings(job), *left_out, *unsafe, *pose_findings(job, poses), *thinned]
    if len(kept) < len(poses):
        poses = [replace(poses[at], pose=number) for number, at in enumerate(kept.tolist(), 1)]
    more = []
    if remaining_time:
        more = block.remaining_time(job, poses, added_seconds(job, poses))
    digest, pieces = block.splice_poses(job, kit, poses, more)
    return block.PosedJob(job, poses, findings, digest, pieces)


def strip(data: bytes, *, path: str = "job") -> bytes:
    """The job without anything `apply` put in: byte for byte the original.

    Raises
    ------
    GcodeError
        A block begins and has no end.
    """
    from capturehook.jobfile.fence import strip_bytes

    return strip_bytes(data, path)


def inspect(data: bytes, profile: Profile, *, path: str = "job") -> Survey:
    """What a job is: marks and evidence, layers, extents, modes, filament, time, warnings.

    Raises
    ------
    GcodeError, LayerError
    """
    from capturehook.read.job import read_job
    from capturehook.report.survey import survey_job

    return survey_job(read_job(data, path, profile))


def plan(
    data: bytes, profile: Profile, *, path: str = "job", skip_unsafe: bool = False
) -> PlanRecord:
    """The shoot: the predicted second of each frame; what `audit` compares frames with.

    Raises
    ------
    GcodeError, LayerError, PlanError, PoseError
    """
    from capturehook.report.shoot import plan_shoot

    return plan_shoot(apply(data, profile, path=path, skip_unsafe=skip_unsafe)).record()


def audit(
    places: Sequence[Path | str],
    plan: PlanRecord | Path | None = None,
    *,
    clock: Clock | None = None,
    static_px: Rectangle | None = None,
    anchors: dict[str, int] | None = None,
    progress: Progress | None = None,
) -> Audit:
    """Frames against the plan: a verdict for each frame and each pose. Pictures are only read.

    Parameters
    ----------
    places : folders (each is one card) or files
    plan : what `plan` gave, or the path of a saved one; None judges the pictures alone
    clock : the kind of time to go by; None takes the best there is
    static_px : x, y, width, height of a part of the picture that never changes, original px
    anchors : name of a frame -> number of the pose it shows, known from looking at it
    progress : called with the count of frames measured

    Returns
    -------
    Audit, with ``by_frame`` (F verdicts), ``by_pose`` (P verdicts) and ``findings``

    Raises
    ------
    FrameError
        No pictures, none that can be read, or an anchor or rectangle that does not fit.
    FileError, PlanError
        A place that does not exist, or a file that holds no plan.
    """
    from capturehook.audit.judge import audit_frames
    from capturehook.frames.listing import load_frames
    from capturehook.model.plan import load_plan

    record = load_plan(plan) if isinstance(plan, Path) else plan
    frames = load_frames(places, clock=clock)
    return audit_frames(frames, record, static_px=static_px, anchors=anchors, progress=progress)


def assemble(
    audited: Audit,
    out: Path,
    wishes: FilmWishes | None = None,
    *,
    outs: FilmOuts | None = None,
    progress: Progress | None = None,
) -> FilmReport:
    """Audited frames -> film. The frames themselves are never changed.

    Parameters
    ----------
    audited : what `audit` gave
    out : the film; its ending (.mp4 .mov .mkv .webm) chooses the container
    wishes : speed, shape, filling, alignment, light; None takes the plan's and the defaults
    outs : what is written beside it: list, edit list, images, preview, poster, slit picture
    progress : called with the count of film pictures rendered

    Returns
    -------
    FilmReport, with ``seconds``, ``frames``, ``chosen`` and ``findings``

    Raises
    ------
    FrameError
        No frame is fit, a wish cannot be met, or there is no encoder.
    FileError
        The film cannot be written; what stood there is unchanged.
    """
    from capturehook.film.assemble import assemble_film

    return assemble_film(audited, out, wishes, outs=outs, progress=progress)
