"""The plan stays with the job: written when the poses go in, found again by the job's digest.

The job's fence carries the digest of its plan, the plan record the same one.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from capturehook.errors import CaptureHookError, FileError, PlanError
from capturehook.files import read_bytes
from capturehook.hosts.run import FINAL_NAME
from capturehook.model.plan import PlanRecord, load_plan

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob

ENDING = ".plan.json"
JOB_ENDINGS = (".gcode.3mf", ".gcode.gz", ".bgcode", ".gcode", ".gco", ".g")
_DIGEST = re.compile(rb"^; capturehook job begin [^\r\n]* plan ([0-9a-f]{12})\b", re.MULTILINE)


def keep_plans(
    done: Sequence[PosedJob],
    plates: Sequence[int | None],
    beside: Path | None,
    plan_to: Path | None = None,
) -> tuple[list[str], list[str]]:
    """Write the plan of each posed job, unless its profile says not to.

    Parameters
    ----------
    beside : the job's file under its final name; None where that is unknown: then the plan
        goes into the per-user folder under its digest
    plan_to : where to instead

    Returns
    -------
    The plans' paths, and what went wrong, a sentence each: a job that is written is never
    called refused because of its plan.
    """
    from capturehook.report.shoot import plan_shoot

    paths: list[str] = []
    faults: list[str] = []
    for posed, plate in zip(done, plates, strict=True):
        if not posed.job.profile.capture.keep_plan and plan_to is None:
            continue
        path = plan_to or plan_path(beside, plate if len(done) > 1 else None, posed.digest)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            if plan_to is None:
                _refuse_foreign(path)
            plan_shoot(posed).record().save(path)
            paths.append(str(path))
        except CaptureHookError as fault:
            faults.append(f"the plan was not kept: {fault}")
        except OSError as fault:
            faults.append(f"the plan was not kept: {path}: {fault.strerror or fault}")
    return paths, faults


def plan_path(beside: Path | None, plate: int | None, digest: str) -> Path:
    """Where the plan of a job goes."""
    if beside is None:
        return _user_folder() / f"{digest}{ENDING}"
    name = beside.name
    ending = next((one for one in JOB_ENDINGS if name.lower().endswith(one)), "")
    stem = name[: len(name) - len(ending)]
    middle = f".plate_{plate}" if plate is not None else ""
    return beside.with_name(f"{stem}{middle}{ENDING}")


def final_path() -> Path | None:
    """The job's final path, where the host says it and its folder is there."""
    told = os.environ.get(FINAL_NAME, "")
    path = Path(told)
    return path if told and path.is_absolute() and path.parent.is_dir() else None


def plan_of(job: Path) -> PlanRecord:
    """The plan of a posed job: the one beside it, or the one in the per-user folder.

    Raises
    ------
    FileError, PlanError
        The job has no poses, or no plan of its digest is found.
    """
    digests = digests_of(job)
    if not digests:
        raise PlanError(str(job), "has no poses, so no plan", "Run `capturehook apply` on it first")
    beside = sorted(job.parent.glob(f"*{ENDING}"))
    users = (_user_folder() / f"{digest}{ENDING}" for digest in digests)
    for path in (*beside, *users):
        try:
            record = load_plan(path)
        except CaptureHookError:
            continue
        if record.digest in digests:
            return record
    raise PlanError(
        str(job),
        f"its plan ({' or '.join(digests)}) is neither beside it nor in {_user_folder()}",
        "Name the plan with --plan, or make it with `capturehook plan --save`",
    )


def chosen_plan(plan: Path | None, job: Path | None) -> PlanRecord | None:
    """The plan that is named, or the job's own; None where neither is.

    Raises
    ------
    FileError, PlanError
        It cannot be read, or is not this job's.
    """
    if plan is None:
        return plan_of(job) if job is not None else None
    record = load_plan(plan)
    if job is not None:
        refuse_other_plan(record, plan, job)
    return record


def refuse_other_plan(record: PlanRecord, plan: Path, job: Path) -> None:
    """Refuse a plan that is not this job's.

    Raises
    ------
    PlanError
    """
    digests = digests_of(job)
    if record.digest not in digests:
        theirs = " or ".join(digests) or "none"
        raise PlanError(
            str(plan),
            f"is plan {record.digest or 'without a digest'}, but {job} was posed by {theirs}",
            "Name the plan of this job, or only the job with --job",
        )


def digests_of(job: Path) -> list[str]:
    """The digests of the plans that a job file was posed by, one for each plate."""
    from capturehook.jobfile.open import open_job

    texts = [one.text for one in open_job(read_bytes(job), str(job)).jobs]
    return [match[1].decode() for text in texts for match in _DIGEST.finditer(text)]


def _user_folder() -> Path:
    import platformdirs

    return platformdirs.user_data_path("capturehook", appauthor=False) / "plans"


def _refuse_foreign(path: Path) -> None:
    """Only a plan record is written over."""
    if path.is_symlink() or path.exists():
        try:
            load_plan(path)
            if not path.is_symlink():
                return
        except CaptureHookError:
            pass
        raise FileError(str(path), "is there and is no plan of ours", "Move it, or use --plan-to")
