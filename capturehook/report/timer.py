"""Shooting by the camera's own interval timer: what is caught, what is lost, what would help.

The timer runs free, at an unknown phase to the printer. So every pose is laid against
a spread of phases, at the seconds the clock predicts, with the timer's drift.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding, counted
from capturehook.model.profile import Camera
from capturehook.physics.interval import frame_chance, sure_interval_s, sure_still_s

Floats = NDArray[np.float64]

PHASES = 240
"""Phases of the timer that are tried."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Catch:
    """What standing still for ``still_s`` at each pose catches.

    Attributes
    ----------
    chance : that a pose holds a whole exposure
    lost_frames : poses without one, on average
    run, worst_run : most poses in a row without one, on average and at the worst phase
    added_s : what all poses then add to the print
    """

    still_s: float
    chance: float
    lost_frames: float
    run: float
    worst_run: int
    added_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TimerShoot:
    """The shoot as planned, and what would make it sure.

    ``sure_interval_s`` is None where the camera cannot keep up with it.
    """

    interval_s: float
    planned: Catch
    choices: tuple[Catch, ...]
    sure_still_s: float
    sure_interval_s: float | None
    frames_taken: int
    advice: str


def plan_timer(
    camera: Camera, fire_s: Floats, still_s: Floats, added_s: float, total_s: float
) -> TimerShoot:
    """Lay P poses against a free-running timer.

    Parameters
    ----------
    fire_s, still_s : (P,) when the scene is still, and for how long
    added_s, total_s : what the poses add as planned, and the whole print with them
    """
    interval_s = camera.interval_s
    assert interval_s is not None
    exposure_s, jitter_s = camera.open_ms / 1000, camera.jitter_ms / 1000
    least_s = float(still_s.min(initial=np.inf)) if len(still_s) else 0.0
    slowest_s = interval_s * (1 + camera.drift_ppm * 1e-6)
    sure_s = sure_still_s(exposure_s, slowest_s, 1, jitter_s)
    shares = (0.25, 0.5, 0.75, 1.0)
    tries = [exposure_s + jitter_s + share * slowest_s for share in shares]
    longest_s = sure_interval_s(least_s, exposure_s, 1, jitter_s)
    can_keep_up = longest_s >= exposure_s + camera.write_ms / 1000
    planned = _catch(camera, fire_s, least_s, least_s, added_s)
    return TimerShoot(
        interval_s=interval_s,
        planned=planned,
        choices=tuple(_catch(camera, fire_s, least_s, still, added_s) for still in tries),
        sure_still_s=sure_s,
        sure_interval_s=longest_s if can_keep_up else None,
        frames_taken=int(total_s // interval_s) + 1,
        advice=_advice(planned, sure_s, longest_s if can_keep_up else None, len(fire_s)),
    )


def _catch(
    camera: Camera, fire_s: Floats, planned_s: float, still_s: float, added_s: float
) -> Catch:
    interval_s, exposure_s = camera.interval_s or 0.0, camera.open_ms / 1000
    more_s = still_s - planned_s
    later_s = fire_s + more_s * np.arange(len(fire_s))
    hits = caught(
        later_s, still_s, exposure_s, interval_s, camera.jitter_ms / 1000, camera.drift_ppm
    )
    runs = longest_runs(~hits)
    chance = frame_chance(still_s, exposure_s, interval_s, camera.jitter_ms / 1000)
    return Catch(
        still_s=still_s,
        chance=chance,
        lost_frames=len(fire_s) * (1 - chance),
        run=float(runs.mean()) if len(runs) else 0.0,
        worst_run=int(runs.max(initial=0)),
        added_s=added_s + more_s * len(fire_s),
    )


def caught(
    fire_s: Floats,
    still_s: float,
    exposure_s: float,
    interval_s: float,
    jitter_s: float = 0.0,
    drift_ppm: float = 0.0,
    phases: int = PHASES,
) -> NDArray[np.bool_]:
    """(phases, P) True where a whole exposure falls within a pose's still time.

    Source: the first start at or after t is f + ceil((t - f)/I) I (geometry of intervals); with
    jitter the one before or after it may be the one that fits. The jitter is drawn from a seed.
    """
    step_s = interval_s * (1 + drift_ppm * 1e-6)
    phase = (np.arange(phases) + 0.5)[:, None] * interval_s / phases
    first = phase + np.ceil((fire_s - phase) / step_s - 1e-12) * step_s
    last_s = fire_s + still_s - exposure_s + 1e-9
    dice = np.random.default_rng(1)
    hits = np.zeros(first.shape, bool)
    for neighbour in (-1, 0, 1) if jitter_s else (0,):
        start = first + neighbour * step_s + jitter_s * dice.uniform(-0.5, 0.5, first.shape)
        hits |= (start >= fire_s - 1e-9) & (start <= last_s)
    return hits


def longest_runs(missed: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(phases,) most columns in a row that are True, for each row of (phases, P)."""
    longest = np.zeros(len(missed), np.int64)
    now = longest.copy()
    for column in missed.T:  # a run depends on the pose before
        now = np.where(column, now + 1, 0)
        longest = np.maximum(longest, now)
    return longest


def _advice(planned: Catch, sure_s: float, interval_s: float | None, poses: int) -> str:
    if planned.chance >= 1:
        return "every pose holds a whole exposure, however the timer stands"
    more_s = sure_s - planned.still_s
    dwell = (
        f"stand still {sure_s:.2f} s ({more_s:.2f} s longer, {poses * more_s / 60:.1f} min in all)"
    )
    if interval_s is None:
        return f"{dwell}; a faster timer is more than the camera can write"
    return f"{dwell}, or set the timer to {interval_s:.2f} s or less"


def timer_findings(camera: Camera, timer: TimerShoot) -> Iterator[Finding]:
    """Warnings about shooting by timer."""
    need_s = (camera.open_ms + camera.write_ms) / 1000
    if timer.interval_s < need_s:
        text = (
            f"a frame each {timer.interval_s:g} s is more than exposure and writing allow "
            f"({need_s:g} s): the camera will leave frames out"
        )
        yield Finding("timer-too-fast", "[camera] interval_s", text)
    planned = timer.planned
    if planned.chance < 1:
        text = (
            f"a pose holds a whole exposure with a chance of {planned.chance:.0%}: about "
            f"{counted(round(planned.lost_frames), 'frame')} lost, up to {planned.worst_run} in a "
            f"row; {timer.advice}"
        )
        yield Finding("timer-misses", "[camera] interval_s", text)
