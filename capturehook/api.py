"""The library's door, one call for each part of the job; see docs/python_api.md.

Each takes bytes or paths and a Profile and returns a record; none prints; every fault a
person can put right is a CaptureHookError.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from capturehook.pipeline import Applied
    from capturehook.plan.record import PlanRecord
    from capturehook.profile import Profile
    from capturehook.survey import Survey


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
    from capturehook.pipeline import apply_job, read_job

    job = read_job(data, path, profile)
    return apply_job(job, skip_unsafe=skip_unsafe, remaining_time=remaining_time)


def strip(data: bytes, *, path: str = "job") -> bytes:
    """The job without anything `apply` put in: byte for byte the original.

    Raises
    ------
    GcodeError
        A block begins and has no end.
    """
    from capturehook.splice.fence import strip_bytes

    return strip_bytes(data, path)


def inspect(data: bytes, profile: Profile, *, path: str = "job") -> Survey:
    """What a job is: marks and evidence, layers, extents, modes, filament, time, doubts.

    Raises
    ------
    GcodeError, LayerError
    """
    from capturehook.pipeline import read_job
    from capturehook.survey import survey_job

    return survey_job(read_job(data, path, profile), data)


def plan(data: bytes, profile: Profile, *, path: str = "job", skip_unsafe: bool = False) -> PlanRecord:
    """The shoot: the predicted second of each frame; what `audit` compares frames with.

    Raises
    ------
    GcodeError, LayerError, PlanError, PoseError
    """
    from capturehook.plan.shoot import plan_shoot

    return plan_shoot(apply(data, profile, path=path, skip_unsafe=skip_unsafe)).record()


def audit(folders: Sequence[Path], plan: PlanRecord, **options: Any) -> Any:
    """Frames against the plan: a verdict for each frame and each pose; see `video.audit`.

    Raises
    ------
    FrameError
        No frames, or frames that cannot be read.
    """
    from capturehook.video.audit import audit_frames

    return audit_frames(folders, plan, **options)


def assemble(folders: Sequence[Path], out: Path, **options: Any) -> Any:
    """Frames -> film; see `video.assemble`. The frames themselves are never changed.

    Raises
    ------
    FrameError
        No frames, or a film that cannot be written.
    """
    from capturehook.video.assemble import assemble_film

    return assemble_film(folders, out, **options)
