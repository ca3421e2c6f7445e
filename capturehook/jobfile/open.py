"""Which kind a job file is, told by its first bytes."""

from __future__ import annotations

from collections.abc import Sequence

from capturehook.errors import FileError
from capturehook.jobfile.blocks import MAGIC as BINARY
from capturehook.jobfile.gzipped import MAGIC as GZIP
from capturehook.jobfile.gzipped import GzipJob, PlainJob
from capturehook.jobfile.record import JobFile, JobText


def open_job(data: bytes, name: str) -> JobFile:
    """A job file of any kind that is known.

    Parameters
    ----------
    name : how messages name it

    Raises
    ------
    FileError
        Damaged, cut, unpacking to more than any job, or holding no job.
    """
    if data.startswith(BINARY):
        from capturehook.jobfile.binary import BinaryJob

        return BinaryJob(data, name)
    if data.startswith(GZIP):
        return GzipJob(data, name)
    if data.startswith(b"PK\x03\x04"):
        from capturehook.jobfile.plates import PlatesJob

        return PlatesJob(data, name)
    return PlainJob(data, name)


def choose_jobs(file: JobFile, name: str, plate: int | None) -> list[int]:
    """Indices of the jobs that are meant: one plate, or all of them.

    Raises
    ------
    FileError
        There is no such plate.
    """
    if plate is None:
        return list(range(len(file.jobs)))
    found = [at for at, job in enumerate(file.jobs) if job.plate == plate]
    if not found:
        raise FileError(name, f"has no plate {plate}", f"It has {_plates(file.jobs)}")
    return found


def only_job(file: JobFile, name: str, plate: int | None) -> JobText:
    """The one job that is meant.

    Raises
    ------
    FileError
        The file has several plates, or not this one.
    """
    chosen = choose_jobs(file, name, plate)
    if len(chosen) > 1:
        raise FileError(name, f"has {_plates(file.jobs)}", "Name one with --plate")
    return file.jobs[chosen[0]]


def _plates(jobs: Sequence[JobText]) -> str:
    numbers = [str(job.plate) for job in jobs if job.plate is not None]
    return f"plates {', '.join(numbers)}" if numbers else "no plates: it is one job"
