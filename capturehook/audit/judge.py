"""Frames against the plan: a verdict for every frame and every pose.

In: a FrameList and a PlanRecord (or none: then only the pictures are judged). Out: an Audit.
The frames are only read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.audit import verdicts as v
from capturehook.audit.chain import Anchor
from capturehook.audit.faults import Faults, find_faults
from capturehook.audit.interval import match_interval
from capturehook.audit.pairing import ClockFit, Match, late_limit_s, match_frames, without_clock
from capturehook.audit.verdicts import Verdict
from capturehook.errors import Finding, FrameError, PlanError, counted
from capturehook.frames.listing import FrameList
from capturehook.frames.measure import Measures, OnPicture, measure_frames
from capturehook.frames.reference import Rectangle
from capturehook.frames.rows import RowStore
from capturehook.model.plan import PlannedPose, PlanRecord

# Verdicts that are summed up in one finding each, the gravest first.
SAID = (v.MISSING, v.UNREADABLE, v.DARK, v.OVEREXPOSED, v.BLURRED, v.NOT_PARKED, v.LATE, v.EARLY)
SAID_SOFTLY = (v.MOVED, v.DOUBLE, v.TEST_SHOT)
MOST_NAMED = 6


TOO_MANY, SPARE = 2, 20
"""Frames for each pose, and test shots, that a shoot by this plan may have at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameVerdict:
    """One frame. ``pose_index`` is None where it shows none; numbers are NaN where unknown."""

    frame_index: int
    name: str
    verdict: Verdict
    pose_index: int | None
    late_s: float
    sharp_ratio: float
    flicker_ev: float
    dx_px: float
    dy_px: float
    odd_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseVerdict:
    """One pose of the plan and the frame that shows it best, None where none does."""

    pose: PlannedPose
    verdict: Verdict
    frame_index: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """All that was found out about a shoot; ``plan`` and ``clock`` may be None."""

    frames: FrameList
    plan: PlanRecord | None
    measures: Measures
    clock: ClockFit | None
    by_frame: tuple[FrameVerdict, ...]
    by_pose: tuple[PoseVerdict, ...]
    expected_s: NDArray[np.float64]
    findings: tuple[Finding, ...]

    @property
    def counts(self) -> dict[str, int]:
        """Verdict -> how many frames, and missing poses."""
        counts = Counter(one.verdict.name for one in self.by_frame)
        counts[v.MISSING.name] += sum(one.verdict is v.MISSING for one in self.by_pose)
        return {name: counts[name] for name in v.VERDICTS if counts[name]}

    @property
    def filmable(self) -> int:
        """Poses (or, without a plan, frames) whose picture is fit for the film."""
        of = self.by_pose if self.plan is not None else self.by_frame
        return sum(one.verdict.usable for one in of)


def audit_frames(
    frames: FrameList,
    plan: PlanRecord | None = None,
    *,
    static_px: Rectangle | None = None,
    anchors: dict[str, int] | None = None,
    progress: Callable[[int], None] | None = None,
    on_picture: OnPicture | None = None,
    store: RowStore | None = None,
) -> Audit:
    """Measure every frame once, match them to the plan and judge them.

    Parameters
    ----------
    static_px : x, y, width, height (original px) of a part of the picture that never changes
    anchors : name of a frame -> number of the pose it shows, known from looking at it
    progress, on_picture, store : see :func:`capturehook.frames.measure.measure_frames`

    Raises
    ------
    FrameError
        An anchor or the static rectangle does not fit; an interval shoot without times.
    """
    _refuse_other_shoot(frames, plan)
    pairs = _anchors(frames, plan, anchors or {})
    timer = plan is not None and plan.interval_s is not None
    measures = measure_frames(
        frames,
        static_px=static_px,
        between=timer,
        progress=progress,
        on_picture=on_picture,
        store=store,
    )
    match = _matched(frames, measures, plan, pairs)
    shown = match.pose_of >= 0
    order = np.flatnonzero(match.first_of & measures.readable) if timer else None
    height = None
    if plan is not None:
        z_mm = np.array([_risen_mm(pose, plan) for pose in plan.poses])
        height = np.where(shown, z_mm[match.pose_of], np.nan)
    faults = find_faults(frames, measures, shown, order, height)
    best = match.first_of if timer else _best_of_each(match, faults, measures)
    judged = _judge_frames(frames, plan, measures, match, faults, best)
    poses = _judge_poses(plan, judged)
    said = _verdict_findings(judged, poses)
    return Audit(
        frames=frames,
        plan=plan,
        measures=measures,
        clock=match.clock,
        by_frame=judged,
        by_pose=poses,
        expected_s=match.expected_s,
        findings=(
            *said,
            *frames.findings,
            *match.findings,
            *faults.findings,
            *measures.area.findings(),
        ),
    )


def _risen_mm(pose: PlannedPose, plan: PlanRecord) -> float:
    """How high the gantry is, or how deep the bed. The head alone may be higher at the finished
    part; a bed that is deeper takes the part out of its place."""
    if plan.moves == "bed-z" or pose.head_z_mm is None:
        return pose.z_mm
    return pose.head_z_mm


def _refuse_other_shoot(frames: FrameList, plan: PlanRecord | None) -> None:
    """Many more frames than a plan asks for: it is another shoot's.

    Raises
    ------
    PlanError
    """
    if plan is None or plan.interval_s is not None:
        return
    found, planned = len(frames), len(plan.poses)
    if found > TOO_MANY * planned + SPARE:
        raise PlanError(
            str(plan.job),
            f"{counted(found, 'frame')}, a plan of {planned}: they do not belong together",
            "Name the plan of this job (or the job with --job); sort out frames of other shoots",
        )


def _anchors(
    frames: FrameList, plan: PlanRecord | None, anchors: dict[str, int]
) -> tuple[Anchor, ...]:
    names = [frame.name for frame in frames.frames]
    numbers = [pose.pose for pose in plan.poses] if plan is not None else []
    pairs = []
    for name, number in anchors.items():
        if name not in names or number not in numbers:
            what = f"frame {name}" if name not in names else f"pose {number}"
            raise FrameError(
                "--anchor",
                f"there is no {what}",
                "Give the file name of a frame and the number of the pose it shows",
            )
        pairs.append((names.index(name), numbers.index(number)))
    return tuple(pairs)


def _matched(
    frames: FrameList, measures: Measures, plan: PlanRecord | None, anchors: tuple[Anchor, ...]
) -> Match:
    if plan is None:
        return without_clock(np.arange(len(frames)), 0)
    if plan.interval_s is not None:
        return match_interval(frames, measures, plan, anchors)
    return match_frames(frames, plan, anchors)


def _best_of_each(match: Match, faults: Faults, measures: Measures) -> NDArray[np.bool_]:
    """(F,) of the frames of one pose: the unspoilt one, then the one that fits in time."""
    best: NDArray[np.bool_] = match.first_of.copy()
    shared, counts = np.unique(match.pose_of[match.pose_of >= 0], return_counts=True)
    for pose in shared[counts > 1]:
        rivals = np.flatnonzero(match.pose_of == pose)
        ill = faults.spoilt[rivals] | ~measures.readable[rivals] | faults.moved[rivals]
        order = np.lexsort([~match.first_of[rivals], ill])
        best[rivals] = False
        best[rivals[order[0]]] = True
    return best


def _judge_frames(
    frames: FrameList,
    plan: PlanRecord | None,
    measures: Measures,
    match: Match,
    faults: Faults,
    best: NDArray[np.bool_],
) -> tuple[FrameVerdict, ...]:
    judged = []
    for index, frame in enumerate(frames.frames):
        pose = int(match.pose_of[index])
        judged.append(
            FrameVerdict(
                frame_index=index,
                name=frame.name,
                verdict=_verdict_of(
                    index, frames, plan, measures, match, faults, bool(best[index])
                ),
                pose_index=pose if pose >= 0 and plan is not None else None,
                late_s=float(match.late_s[index]),
                sharp_ratio=float(faults.sharp_ratio[index]),
                flicker_ev=float(faults.flicker_ev[index]),
                dx_px=float(measures.dx_px[index]),
                dy_px=float(measures.dy_px[index]),
                odd_share=float(faults.odd_share[index]),
            )
        )
    return tuple(judged)


def _verdict_of(
    index: int,
    frames: FrameList,
    plan: PlanRecord | None,
    measures: Measures,
    match: Match,
    faults: Faults,
    is_best: bool,
) -> Verdict:
    """The first of the rules that holds."""
    pose = int(match.pose_of[index])
    timer = plan is not None and plan.interval_s is not None
    limit_s = late_limit_s(match, plan.poses[pose].still_s) if plan and pose >= 0 else np.inf
    guessed = frames.clock == "camera" and frames.frames[index].taken is None
    late_s = 0.0 if guessed else float(np.nan_to_num(match.late_s[index]))
    rules = (
        (not measures.readable[index], v.UNREADABLE),
        (timer and not is_best, v.BETWEEN),
        (pose < 0 and _is_between(index, plan, match), v.BETWEEN),
        (pose < 0, v.TEST_SHOT),
        (not is_best, v.DOUBLE),
        (faults.dark[index], v.DARK),
        (faults.overexposed[index], v.OVEREXPOSED),
        (faults.blurred[index], v.BLURRED),
        (faults.not_parked[index], v.NOT_PARKED),
        (late_s > limit_s, v.LATE),
        (late_s < -limit_s, v.EARLY),
        (faults.moved[index], v.MOVED),
    )
    return next((verdict for holds, verdict in rules if holds), v.GOOD)


def _is_between(index: int, plan: PlanRecord | None, match: Match) -> bool:
    """A light sensor fires the camera at every layer, whichever of them the plan keeps."""
    shown = np.flatnonzero(match.pose_of >= 0)
    by_light = plan is not None and plan.kind == "resin"
    return bool(by_light and len(shown) and shown[0] < index < shown[-1])


def _judge_poses(
    plan: PlanRecord | None, judged: tuple[FrameVerdict, ...]
) -> tuple[PoseVerdict, ...]:
    if plan is None:
        return ()
    aside = (v.DOUBLE, v.TEST_SHOT, v.BETWEEN)
    shows = {one.pose_index: one for one in judged if one.verdict not in aside}
    return tuple(
        PoseVerdict(
            pose=pose,
            verdict=shows[index].verdict if index in shows else v.MISSING,
            frame_index=shows[index].frame_index if index in shows else None,
        )
        for index, pose in enumerate(plan.poses)
    )


def _verdict_findings(
    judged: tuple[FrameVerdict, ...], poses: tuple[PoseVerdict, ...]
) -> Iterator[Finding]:
    """One finding for each kind of fault there is, naming the first few."""
    for verdict in SAID + SAID_SOFTLY:
        if verdict is v.MISSING:
            names = [f"pose {one.pose.pose}" for one in poses if one.verdict is v.MISSING]
        else:
            names = [one.name for one in judged if one.verdict is verdict]
        if names:
            code = verdict.name.replace(" ", "-")
            text = f"{_counted(verdict, len(names))}: {_listed(names)}"
            yield Finding(code, "poses" if verdict is v.MISSING else "frames", text)


def _counted(verdict: Verdict, count: int) -> str:
    if verdict is v.MISSING:
        return f"{counted(count, 'pose')} without a frame"
    return f"{counted(count, 'frame')} {verdict.name} ({verdict.meaning})"


def _listed(names: list[str]) -> str:
    shown = ", ".join(names[:MOST_NAMED])
    return shown + (f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else "")
