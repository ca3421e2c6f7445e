"""Many frames from a free-running interval timer: which of them show a pose.

The times alone cannot tell, as the timer knows nothing of the print. But frames of two poses
in a row look alike (only a layer grew), while frames of a moving printer do not. So the path
through the frames is sought whose steps are as long as planned and whose pictures are alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capturehook.audit.chain import Anchor, Chain
from capturehook.audit.odd import ODD_SHARE, noise_of, odd_share, steady_area
from capturehook.audit.pairing import Match, check_anchors, fit_clock
from capturehook.audit.verdicts import Flags, Ints
from capturehook.errors import FrameError
from capturehook.frames.listing import FrameList
from capturehook.frames.measure import Measures
from capturehook.frames.robust import Series
from capturehook.model.plan import PlanRecord

RATE_SLACK = 0.05
SPAN_SLACK = 0.12
PAUSE_COST = 1.5
SKIP_COST = 0.7
TIME_WEIGHT = 0.15
LOOK_STEP = 3


def match_interval(
    frames: FrameList, measures: Measures, plan: PlanRecord, anchors: tuple[Anchor, ...] = ()
) -> Match:
    """Frames near each pose, and for each pose the best of them (parked, then sharpest).

    Raises
    ------
    FrameError
        The frames have no times, or are fewer than two.
    """
    check_anchors(anchors, len(frames), plan)
    if frames.clock == "order" or len(frames) < 2:
        raise FrameError(
            "frames",
            "an interval-timer shoot cannot be matched without capture times",
            "Copy the files so that their times are kept, or use the camera's own files",
        )
    interval_s = float(np.median(np.diff(frames.t_s)))
    pose_s = np.array([pose.t_s for pose in plan.poses])
    looks = _small_looks(measures)
    search = _PathSearch(
        frames.t_s, pose_s, looks, interval_s, {pose: frame for frame, pose in anchors}
    )
    chain = search.best()
    clock = fit_clock(frames.t_s, pose_s, chain, max(frames.step_s, interval_s))
    expected_s = clock.offsets_s(len(pose_s)) + clock.rate * pose_s
    pose_of, first_of = _best_near(frames, measures, plan, chain, expected_s, interval_s)
    return Match(
        pose_of=pose_of,
        first_of=first_of,
        late_s=np.full(len(frames), np.nan),
        expected_s=expected_s,
        clock=clock,
    )


def _small_looks(measures: Measures) -> NDArray[np.int16]:
    """(F, pixels) miniatures smaller still, exposure evened roughly by their own mean."""
    look = measures.look[:, ::LOOK_STEP, ::LOOK_STEP].mean(axis=3, dtype=np.float32)
    flat = look.reshape(len(look), -1)
    mean = np.maximum(flat.mean(axis=1, keepdims=True), 1.0)
    return np.asarray((flat * (np.median(mean) / mean)).astype(np.int16))


class _PathSearch:
    """A frame for each pose by dynamic programme (textbook), one pose after another."""

    def __init__(
        self,
        frame_s: Series,
        pose_s: Series,
        looks: NDArray[np.int16],
        interval_s: float,
        anchors: dict[int, int],
    ) -> None:
        self.frame_s, self.pose_s, self.looks = frame_s, pose_s, looks
        self.interval_s, self.anchors = interval_s, anchors
        spread = np.abs(looks[: len(looks) // 2] - looks[len(looks) - len(looks) // 2 :])
        self.unlike = max(1.0, float(spread.mean()))
        self.lost_s = SPAN_SLACK * float(pose_s[-1] - pose_s[0]) + 60.0
        self.origins: list[Ints] = []

    def best(self) -> Chain:
        frames, poses = len(self.frame_s), len(self.pose_s)
        cost = np.zeros(frames)
        self._allow(cost, 0)
        self.origins.append(np.full(frames, -1, np.int64))
        best, end = float(cost.min()) + SKIP_COST * (poses - 1), (0, int(cost.argmin()))
        for pose in range(1, poses):  # each pose rests on the one before it
            cost, origin = self._step(cost, pose)
            self.origins.append(origin)
            value = float(cost.min()) + SKIP_COST * (poses - 1 - pose)
            if value <= best:
                best, end = value, (pose, int(cost.argmin()))
        return self._walk_back(end, best)

    def _step(self, cost: Series, pose: int) -> tuple[Series, Ints]:
        gap_s = float(self.pose_s[pose] - self.pose_s[pose - 1])
        slack_s = max(1.01 * self.interval_s, RATE_SLACK * gap_s)
        frames = np.arange(len(cost))
        first = np.searchsorted(self.frame_s, self.frame_s - gap_s - slack_s)
        last = np.searchsorted(self.frame_s, self.frame_s - gap_s + slack_s, side="right")
        last = np.minimum(last, frames)
        best = np.full(len(cost), SKIP_COST * pose)
        origin = np.full(len(cost), -1, np.int64)
        lowest = np.minimum.accumulate(np.concatenate([[np.inf], cost[:-1]]))
        holder = np.maximum.accumulate(np.where(cost <= np.minimum.accumulate(cost), frames, 0))
        paused = np.concatenate([[0], holder[:-1]])
        self._offer(best, origin, paused, lowest + PAUSE_COST, first > paused)
        for offset in range(int((last - first).max(initial=0))):
            before = first + offset
            usable = before < last
            before = np.where(usable, before, 0)
            error = np.abs(self.frame_s - self.frame_s[before] - gap_s) / slack_s
            self._offer(best, origin, before, cost[before] + TIME_WEIGHT * error, usable)
        self._allow(best, pose)
        return best, origin

    def _offer(self, best: Series, origin: Ints, before: Ints, cost: Series, usable: Flags) -> None:
        """Where coming from ``before`` is cheaper, take it; only promising pairs are compared."""
        rows = np.flatnonzero(usable & (cost < best))
        if len(rows) == 0:
            return
        unlike = np.abs(self.looks[rows] - self.looks[before[rows]]).mean(axis=1) / self.unlike
        total = cost[rows] + unlike
        better = total < best[rows]
        best[rows[better]], origin[rows[better]] = total[better], before[rows[better]]

    def _allow(self, cost: Series, pose: int) -> None:
        """Frames that cannot show this pose, by an anchor or by its time."""
        if pose in self.anchors:
            cost[np.arange(len(cost)) != self.anchors[pose]] = np.inf
        early_s = self.frame_s[0] + (self.pose_s[pose] - self.pose_s[0]) * 0.9 - self.lost_s
        cost[self.frame_s < early_s] = np.inf

    def _walk_back(self, end: tuple[int, int], cost: float) -> Chain:
        pose, frame = end
        pairs = []
        while frame >= 0:
            pairs.append((frame, pose))
            frame, pose = int(self.origins[pose][frame]), pose - 1
        frame_index, pose_index = np.array(pairs[::-1]).T
        return Chain(frame_index=frame_index, pose_index=pose_index, cost=cost)


def _best_near(
    frames: FrameList,
    measures: Measures,
    plan: PlanRecord,
    chain: Chain,
    expected_s: Series,
    interval_s: float,
) -> tuple[Ints, Flags]:
    looks = measures.look
    pose_of = np.full(len(frames), -1, np.int64)
    first_of = np.zeros(len(frames), bool)
    along = dict(zip(chain.pose_index.tolist(), chain.frame_index.tolist(), strict=True))
    steady = steady_area(looks[chain.frame_index])
    noise = noise_of(looks[chain.frame_index])
    for pose in range(len(plan.poses)):
        centre_s = frames.t_s[along[pose]] if pose in along else expected_s[pose]
        reach_s = plan.poses[pose].still_s + interval_s
        near = np.flatnonzero((np.abs(frames.t_s - centre_s) <= reach_s) & measures.readable)
        near = near[pose_of[near] < 0]
        if len(near) == 0:
            continue
        before = looks[[along[k] for k in range(pose - 3, pose) if k in along]]
        after = looks[[along[k] for k in range(pose + 1, pose + 4) if k in along]]
        odd = np.array([odd_share(looks[index], before, after, steady, noise) for index in near])
        parked = near[odd <= max(ODD_SHARE, 2 * float(odd.min()))]
        chosen = parked[np.argmax(np.nan_to_num(measures.sharp_static[parked]))]
        pose_of[parked], first_of[chosen] = pose, True
    return pose_of, first_of
