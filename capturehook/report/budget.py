"""As many poses as the time that may be added allows, evenly thinned."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding, PlanError, Where, counted
from capturehook.model.pose import Pose
from capturehook.model.profile import Capture
from capturehook.read.job import Job
from capturehook.report.cost import added_seconds

KEY = Where("[capture] added_max_s")


def within_budget(job: Job, poses: Sequence[Pose]) -> tuple[NDArray[np.int64], list[Finding]]:
    """Indices of the poses that [capture] added_max_s has time for; all where it is not set.

    The last pose stays. Thinning is told as a finding, with the numbers.

    Raises
    ------
    PlanError
        Not even one pose fits, or film_s has fixed their number.
    """
    capture = job.profile.capture
    every = np.arange(len(poses))
    if capture.added_max_s is None or not poses:
        return every, []
    added = added_seconds(job, poses)
    if added.sum() <= capture.added_max_s:
        return every, []
    kept = every[:0]
    count = min(len(poses) - 1, int(capture.added_max_s / added.mean()) + 2)
    for number in range(count, 0, -1):
        spread = _spread(len(poses), number)
        if added_seconds(job, [poses[at] for at in spread]).sum() <= capture.added_max_s:
            kept = spread
            break
    text = _conflict(capture, len(poses), float(added.sum()), len(kept))
    if not len(kept):
        raise PlanError(KEY, text, f"Allow {added[-1]:.1f} s or more, or leave the key out")
    if capture.film_s is not None:
        film_s = len(kept) / float(Fraction(capture.fps))
        raise PlanError(KEY, text, f"Take film_s = {film_s:.2f} or less, or raise added_max_s")
    return kept, [Finding("poses-thinned", str(KEY), f"{text}; the others were left out evenly")]


def _spread(poses: int, number: int) -> NDArray[np.int64]:
    """``number`` of the poses, evenly by count; the last among them."""
    return np.unique(np.linspace(poses - 1, 0, number).round().astype(np.int64))


def _conflict(capture: Capture, poses: int, added_s: float, fitting: int) -> str:
    return (
        f"{counted(poses, 'pose')} would add {added_s:.0f} s, {added_s / poses:.1f} s each; "
        f"the {capture.added_max_s:g} s allowed are enough for {fitting or 'none'}"
    )
