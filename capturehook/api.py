"""The library's door, one call for each part of the job; see docs/python_api.md.

Each takes bytes or paths and a Profile and returns a record; none prints; every fault a
person can put right is a CaptureHookError.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capturehook.audit.judge import Audit
    from capturehook.block.pipeline import Applied
    from capturehook.film.assemble import FilmReport, FilmWishes
    from capturehook.frames.listing import Clock
    from capturehook.frames.measure import Rectangle
    from capturehook.model.plan import PlanRecord
    from capturehook.model.profile import Profile
    from capturehook.report.survey import Survey

Progress = Callable[[int], None]
"""Told how much is done, as a count."""


def apply(
    data: bytes,
    profile: Profile,
    *,
    path: str = "job",
    skip_unsafe: bool = False,
    remaining_time: bool = False,
) -> Applied:
    """A job with its pose blocks put in and proved; blocks of an earlier run are replaced.

    Parameters
    ----------
    data : the job's bytes
    path : how messages name the job
    skip_unsafe : leave out poses that cannot be made safely, as findings
    remaining_time : also correct the job's own remaining-time lines (M73)

    Returns
    -------
    Applied, with ``data`` (bytes to print), ``poses`` and ``findings``

    Raises
    ------
    GcodeError, LayerError, PlanError, PoseError, ProofError
    """
    from capturehook.block.pipeline import apply_job, read_job

    job = read_job(data, path, profile)
    return apply_job(job, skip_unsafe=skip_unsafe, remaining_time=remaining_time)


def strip(data: bytes, *, path: str = "job") -> bytes:
    """The job without anything `apply` put in: byte for byte the original.

    Raises
    ------
    GcodeError
        A block begins and has no end.
    """
    from capturehook.block.fence import strip_bytes

    return strip_bytes(data, path)


def inspect(data: bytes, profile: Profile, *, path: str = "job") -> Survey:
    """What a job is: marks and evidence, layers, extents, modes, filament, time, doubts.

    Raises
    ------
    GcodeError, LayerError
    """
    from capturehook.block.pipeline import read_job
    from capturehook.report.survey import survey_job

    return survey_job(read_job(data, path, profile), data)


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
    list_path: Path | None = None,
    progress: Progress | None = None,
) -> FilmReport:
    """Audited frames -> film. The frames themselves are never changed.

    Parameters
    ----------
    audited : what `audit` gave
    out : the film; its ending (.mp4 .mov .mkv .webm) chooses the container
    wishes : speed, shape, filling, alignment, light; None takes the plan's and the usual
    list_path : write the chosen frames as CSV too
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

    return assemble_film(audited, out, wishes, list_path=list_path, progress=progress)
