"""What `apply` would do, as one record: the dry run."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from capturehook.block.poses import PosedJob
from capturehook.clock.clocking import times_of
from capturehook.model.pose import Pose
from capturehook.model.profile import Capture, Profile, Retract
from capturehook.model.state import State
from capturehook.report.cost import added_seconds

SCHEMA = 1


def film_seconds(capture: Capture, frames: int) -> Fraction:
    """Length of the film, exact: every frame once, the last one held."""
    if not frames:
        return Fraction(0)
    return frames / Fraction(capture.fps) + Fraction(str(capture.hold_last_s))


def drawn_back_mm(state: State, retract: Retract) -> float:
    """How far the job itself has retracted (a firmware's own stroke is taken
    from the profile)."""
    return retract.stroke_mm if state.fw_retracted else state.deficit_mm


def dry_run_record(applied: PosedJob) -> dict[str, Any]:
    """Poses, costs and findings of an `apply` that writes nothing.

    ``x_mm``, ``y_mm`` and ``e_retracted_mm`` are where the job's nozzle and filament stand
    before the block; ``line`` is the line of the job (from 1) before which it goes.
    """
    job, profile = applied.job, applied.job.profile
    added_s = [round(second, 3) for second in added_seconds(job, applied.poses).tolist()]
    total_added_s, print_s = round(sum(added_s), 3), round(times_of(job).total_s, 3)
    return {
        "schema": SCHEMA,
        "job": {
            "path": job.source.path,
            "lines": job.source.line_count,
            "marks": job.layers.marks,
            "layers": len(job.layers),
            "print_s": print_s,
        },
        "poses": [
            {**_placed(pose, profile), "added_s": added}
            for pose, added in zip(applied.poses, added_s, strict=True)
        ],
        "added_s": total_added_s,
        "total_s": round(print_s + total_added_s, 3),
        "film_s": round(float(film_seconds(profile.capture, len(applied.poses))), 6),
        "findings": [finding.as_json() for finding in applied.findings],
    }


def _placed(pose: Pose, profile: Profile) -> dict[str, Any]:
    state = pose.state
    return {
        "pose": pose.pose,
        "layer": pose.layer,
        "z_mm": round(pose.z_mm, 4),
        "line": pose.line_no,
        "x_mm": round(state.x_mm, 4),
        "y_mm": round(state.y_mm, 4),
        "e_retracted_mm": round(drawn_back_mm(state, profile.retract), 5),
    }
