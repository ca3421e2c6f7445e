"""How far a job itself retracts, for profiles that leave the length to it.

In: a job that has been read. Out: mm of filament, or the job with that in its profile.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from capturehook.model.profile import RETRACT_MM
from capturehook.read.job import Job

LEAST_MM = 0.01
MOST_MM = 15.0
"""Longer ones unload a filament; so does [retract] length_mm end."""
FEW = 2
"""So many retractions at least make a habit."""


def job_retract_mm(job: Job) -> float:
    """mm of filament that the job most often retracts between two of its lines.

    Of two lengths that are as frequent the longer. Where it retracts less than twice: what its
    settings state, else its one retraction, else 0.8 mm.
    """
    lengths = np.round(_peaks_mm(job), 3)
    lengths = lengths[lengths <= MOST_MM]
    if len(lengths) >= FEW:
        values, counts = np.unique(lengths, return_counts=True)
        return float(values[counts == counts.max()][-1])
    stated = job.stated.retract_mm
    if stated is not None and 0 <= stated <= MOST_MM:
        return stated
    return float(lengths[0]) if len(lengths) else RETRACT_MM


def with_job_retraction(job: Job) -> Job:
    """The job with a number for `length_mm = "job"`; the same where the profile has one."""
    if job.profile.retract.length_mm != "job":
        return job
    retract = job.profile.retract.model_copy(update={"length_mm": job_retract_mm(job)})
    return replace(job, profile=job.profile.model_copy(update={"retract": retract}))


def _peaks_mm(job: Job) -> np.ndarray:
    """(K,) how far filament was back at most, each time that it was back while printing."""
    first, last = int(job.layers.first_move[0]), int(job.layers.last_move[-1])
    row, value = job.read.deficit_mm.row, job.read.deficit_mm.value
    back = (first <= row) & (row <= last) & (value > LEAST_MM)
    row, value = row[back], value[back]
    if not len(row):
        return np.zeros(0)
    peaks: np.ndarray = np.maximum.reduceat(value, np.flatnonzero(np.diff(row, prepend=-2) > 1))
    return peaks
