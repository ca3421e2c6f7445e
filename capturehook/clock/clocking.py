"""By whose limits a job is clocked: the profile's, or those the job itself states."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import FIRMWARES
from capturehook.clock.limits import accel_in_force, retract_from_job, with_job_limits
from capturehook.clock.paths import is_e_only
from capturehook.clock.seconds import Timetable, make_timetable
from capturehook.model.moves import MoveTable
from capturehook.model.profile import Machine, Profile, Retract
from capturehook.read.job import Job


@dataclass(frozen=True, slots=True)
class Clocking:
    """Limits to clock by. ``job`` holds the job's bytes where its own accelerations count."""

    machine: Machine
    retract: Retract
    job: bytes | None = field(default=None, repr=False)

    def accel(self, moves: MoveTable) -> NDArray[np.float64] | None:
        """(M,) mm/s2 in force at each move, by its line in the job; None: the machine's own."""
        return None if self.job is None else accel_in_force(self.job, moves, self.machine)

    def times(self, moves: MoveTable, accel: NDArray[np.float64] | None) -> Timetable:
        return make_timetable(moves, self.machine, self.retract, accel)


def profile_clocking(profile: Profile) -> Clocking:
    """Clock by the profile's [machine] table, as `apply` does."""
    return Clocking(profile.machine, profile.retract)


def job_clocking(profile: Profile, job: bytes) -> Clocking:
    """Clock by what the job says of its machine, where it says anything."""
    return Clocking(
        with_job_limits(profile.machine, job),
        retract_from_job(job, profile.machine.firmware, profile.retract),
        job,
    )


def spares_filament(job: Job) -> bool:
    """M220 leaves moves of filament alone as they are."""
    return FIRMWARES[job.profile.machine.firmware].factors_spare_filament


def timed_moves(job: Job) -> MoveTable:
    """The job's moves with the feeds that the machine runs at: M220 scales them."""
    speeds = np.array([modes.speed for modes in job.read.others.modes])
    if (speeds == 1.0).all():
        return job.moves
    moves: MoveTable | None = job.known.get("timed")
    if moves is None:
        lines = np.array(job.read.others.modes_line, np.int64)
        at = np.maximum(np.searchsorted(lines, job.moves.line_index, side="left") - 1, 0)
        scale = speeds[at]
        if spares_filament(job):
            scale = np.where(is_e_only(job.moves), 1.0, scale)
        moves = replace(job.moves, feed_mm_min=job.moves.feed_mm_min * scale)
        job.known["timed"] = moves
    return moves


def times_of(job: Job) -> Timetable:
    """The job clocked by its profile; once for each job."""
    times: Timetable | None = job.known.get("times")
    if times is None:
        times = make_timetable(timed_moves(job), job.profile.machine, job.profile.retract)
        job.known["times"] = times
    return times
