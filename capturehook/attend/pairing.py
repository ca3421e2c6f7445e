"""Frames paired with poses while they come, and when the next one is due.

The pairing is that of the audit (:func:`capturehook.audit.chain.best_chain`), over the last
frames only and with an open end. Times are the camera's where pictures hold them; the computer's
only say how far the two clocks are apart, when the next picture should be here, and whether the
camera's clock was set meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.audit.chain import GAP_CAP, Chain, GapModel, best_chain
from capturehook.audit.pairing import JITTER_S, NEAR_S
from capturehook.frames.robust import spread
from capturehook.model.plan import PlanRecord

WINDOW = 40
AHEAD = 64
RATE_ERROR = 0.05  # of one layer's time; of a whole print it is less
RATES = (0.5, 2.0)
RATE_GAPS = 21
TOO_SOON = 0.6
"""Of the planned time: no print is so much faster than planned, so a hand fired."""
JUMP_S = 60.0
"""A camera whose clock says that so much more time has passed than has, was set."""
LATE_S = 15.0
LATE_SHARE = 0.15
LAST_WAIT_S = 600.0
LAST_SHARE = 0.1
FIRST_WAIT_S = 1800.0
OTHER_PLAN_PAIRS = 6
OTHER_PLAN_SHARE = 0.5
OTHER_PLAN_BETWEEN = 4
"""So many frames one after another that belong to no pose: the plan is another job's."""
INTERVALS_LATE = 3
"""A timer is late after so many of its intervals."""
LEAST_FRAMES = 3
"""Fewer may all be shots by hand before the print."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """What a frame is: of a pose ("pose"), of the pose before again ("double"), or of none
    ("between"); the poses that are now known to be missing (indices), by how much the print paused
    before it, and by how much the camera's clock was set."""

    kind: str
    pose: int | None = None
    missing: tuple[int, ...] = ()
    pause_s: float = 0.0
    jump_s: float = 0.0


@dataclass
class Pairing:
    """The frames that count so far, in order.

    Attributes
    ----------
    t_s : time of each on the camera's clock, steps of that clock undone
    seen_s : when each came to rest in the folder, on the caller's clock
    pose_of : index of its pose, -1 for none
    told : poses that were told to be missing
    """

    plan: PlanRecord
    t_s: list[float] = field(default_factory=list)
    seen_s: list[float] = field(default_factory=list)
    pose_of: list[int] = field(default_factory=list)
    told: set[int] = field(default_factory=set)
    clock_s: float = 0.0
    rate: float = 1.0

    def __post_init__(self) -> None:
        self.pose_s = np.array([pose.t_s for pose in self.plan.poses], dtype=np.float64)
        cycle_s = (self.plan.lag_ms + self.plan.exposure_ms + self.plan.write_ms) / 1000
        self.near_s = max(NEAR_S, 2 * cycle_s)
        self.strange, self.between = False, 0

    # --- a frame comes

    def add(self, taken_s: float | None, seen_s: float) -> Placed:
        """Place a frame. ``taken_s`` is what the picture says, None where it says nothing."""
        t_s, jump_s = self.on_one_clock(taken_s, seen_s)
        last = self.last_pose
        if self._is_double(t_s):
            return Placed(kind="double", pose=last, jump_s=jump_s)
        self.t_s.append(t_s)
        self.seen_s.append(seen_s)
        self.pose_of.append(-1)
        chain, first, low = self._chain()
        before = self._paired_before(last)
        self._apply(chain, first, low)
        pose = self.pose_of[-1]
        soon = before is not None and pose >= 0 and self._is_too_soon(before, pose)
        if pose < 0 or soon:
            for series in (self.t_s, self.seen_s, self.pose_of):
                series.pop()
            self.between += 1
            self.strange = self.strange or self.between >= OTHER_PLAN_BETWEEN
            return Placed(kind="between", jump_s=jump_s)
        self.between = 0
        self._fit_rate()
        pause_s = self._pause_s(before, pose)
        return Placed(
            kind="pose", pose=pose, missing=self._missing(), pause_s=pause_s, jump_s=jump_s
        )

    def on_one_clock(self, taken_s: float | None, seen_s: float) -> tuple[float, float]:
        """The frame's time, and by how much the camera's clock was set before it (s)."""
        if not self.t_s:
            return (seen_s if taken_s is None else taken_s), 0.0
        if taken_s is None:
            return max(self.t_s[-1] + 1e-3, self.t_s[-1] + seen_s - self.seen_s[-1]), 0.0
        t_s = taken_s + self.clock_s
        early_s = t_s + self._offset_s() - seen_s  # it came before it was taken
        if (early_s > JUMP_S and self._came_alone(seen_s)) or t_s < self.t_s[-1] - self.near_s:
            self.clock_s -= early_s
            return max(t_s - early_s, self.t_s[-1] + 1e-3), early_s
        return max(t_s, self.t_s[-1] + 1e-3), 0.0

    def _came_alone(self, seen_s: float) -> bool:
        """Neither this file nor the last ones came in a bunch, whose times of coming say little."""
        last = [*self.seen_s[-9:], seen_s]
        return len(set(last)) == len(last)

    def _is_double(self, t_s: float) -> bool:
        last = self.last_pose
        if last is None or self.plan.kind == "resin":
            return False
        near_s = max(self.near_s, self.plan.poses[last].still_s + self.near_s / 2)
        if last + 1 < len(self.pose_s):
            near_s = min(near_s, 0.45 * self.rate * (self.pose_s[last + 1] - self.pose_s[last]))
        return t_s - self._last_t_s() <= near_s

    def _chain(self) -> tuple[Chain, int, int]:
        """The pairing of the last frames, and the first frame and first pose of it."""
        first = max(0, len(self.t_s) - WINDOW)
        while first and self.pose_of[first] < 0:
            first -= 1
        low = max(0, self.pose_of[first]) if first else 0
        high = min(len(self.pose_s), max([low, *self.pose_of[first:]]) + AHEAD)
        frame_s = np.array(self.t_s[first:])
        pose_s = self.pose_s[low:high]
        anchors = ((0, 0),) if first else ()
        chains = [
            best_chain(frame_s, pose_s, self._model(rate), anchors, open_end=True)
            for rate in self._rates(frame_s, pose_s)
        ]
        return min(chains, key=lambda one: one.cost), first, low

    def _rates(self, frame_s: NDArray[np.float64], pose_s: NDArray[np.float64]) -> list[float]:
        """The rate that held so far, and the one of these frames taken one by one."""
        rates = [self.rate]
        if len(frame_s) >= 4 and len(pose_s) >= len(frame_s):
            gaps_s = np.diff(pose_s[: len(frame_s)])
            rate = float(np.median(np.diff(frame_s)) / np.median(gaps_s))
            if RATES[0] < rate < RATES[1] and abs(rate - self.rate) > 0.03:
                rates.append(rate)
        return rates

    def _model(self, rate: float) -> GapModel:
        return GapModel(rate=rate, jitter_s=max(JITTER_S, self._jitter_s()), rate_error=RATE_ERROR)

    def _jitter_s(self) -> float:
        whole = bool(self.t_s) and all(t_s % 1.0 == self.t_s[0] % 1.0 for t_s in self.t_s[-9:])
        return 0.5 if whole else 0.0

    def _apply(self, chain: Chain, first: int, low: int) -> None:
        self.pose_of[first:] = [-1] * (len(self.pose_of) - first)
        for frame, pose in zip(chain.frame_index.tolist(), chain.pose_index.tolist(), strict=True):
            self.pose_of[first + frame] = low + pose
        pairs = len(chain.frame_index)
        f, p = np.array(self.t_s[first:])[chain.frame_index], chain.pose_index + low
        cost = self._model(self.rate).cost(np.diff(f), np.diff(self.pose_s[p]))
        share = float(np.mean(cost >= GAP_CAP)) if pairs > OTHER_PLAN_PAIRS else 0.0
        few = pairs < OTHER_PLAN_SHARE * (len(self.pose_of) - first)
        self.strange = share > OTHER_PLAN_SHARE or (few and len(self.t_s) > OTHER_PLAN_PAIRS)

    def _fit_rate(self) -> None:
        """Median of the planned gaps' ratios, of frames of poses that follow each other."""
        at = [k for k, pose in enumerate(self.pose_of) if pose >= 0][-RATE_GAPS:]
        f, p = np.array(self.t_s)[at], np.array(self.pose_of)[at]
        beside = np.diff(p) == 1
        ratios = np.diff(f)[beside] / np.diff(self.pose_s[p])[beside]
        if len(ratios) >= 3:
            self.rate = float(np.clip(np.median(ratios), *RATES))

    def _is_too_soon(self, before: int, pose: int) -> bool:
        planned_s = self.pose_s[pose] - self.pose_s[self.pose_of[before]]
        gap_s = self.t_s[-1] - self.t_s[before]
        return len(self.t_s) > 3 and gap_s < TOO_SOON * self.rate * planned_s

    def _paired_before(self, last: int | None) -> int | None:
        """Index of the frame of the last pose."""
        if last is None:
            return None
        return max(k for k, pose in enumerate(self.pose_of) if pose >= 0)

    def _pause_s(self, before: int | None, pose: int) -> float:
        if before is None or self.pose_of[before] < 0:
            return 0.0
        planned_s = self.rate * (self.pose_s[pose] - self.pose_s[self.pose_of[before]])
        over_s = self.t_s[-1] - self.t_s[before] - planned_s
        return float(over_s) if over_s > LATE_S + LATE_SHARE * planned_s else 0.0

    def _missing(self) -> tuple[int, ...]:
        """Poses passed over that were not told yet; those before the first frame only once it is
        sure which pose that shows."""
        paired = [pose for pose in self.pose_of if pose >= 0]
        low = 0 if len(paired) >= OTHER_PLAN_PAIRS else paired[0]
        passed = set(range(low, paired[-1])) - set(paired) - self.told
        self.told |= passed
        return tuple(sorted(passed))

    # --- what is due

    @property
    def last_pose(self) -> int | None:
        """Index of the last pose that has a frame."""
        return next((pose for pose in reversed(self.pose_of) if pose >= 0), None)

    def _last_t_s(self) -> float:
        return next(
            t
            for t, pose in zip(reversed(self.t_s), reversed(self.pose_of), strict=True)
            if pose >= 0
        )

    def due_s(self, pose: int) -> float | None:
        """When the frame of a pose should be here, on the caller's clock; None before the first."""
        last = self.last_pose
        if last is None:
            return None
        ahead_s = self.rate * float(self.pose_s[pose] - self.pose_s[last])
        return self._last_t_s() + ahead_s + self._offset_s()

    def slack_s(self, pose: int) -> float:
        """How long after it was due a pose is late."""
        before_s = self.pose_s[pose - 1] if pose else 0.0
        delays = np.array(self.seen_s[-9:]) - np.array(self.t_s[-9:])
        gap_s = self.rate * float(self.pose_s[pose] - before_s)
        return max(LATE_S, LATE_SHARE * gap_s, 4 * spread(delays))

    def _offset_s(self) -> float:
        """How far the caller's clock is ahead of the camera's, the quickest way of a file included:
        files that came in a bunch were long on their way."""
        return float(np.min(np.array(self.seen_s[-9:]) - np.array(self.t_s[-9:])))

    def overdue_s(self, now_s: float) -> float:
        """How long no frame has come although two poses were due; of the last pose: one. 0: none is
        late."""
        last = self.last_pose
        if last is None or last + 1 >= len(self.pose_s):
            return 0.0
        pose = min(last + 2, len(self.pose_s) - 1)
        due_s = self.due_s(pose)
        assert due_s is not None
        late = now_s > due_s + self.slack_s(pose)
        if len(self.t_s) < LEAST_FRAMES:
            late = late and now_s > self.seen_s[-1] + self.first_wait_s()
        return now_s - self.seen_s[-1] if late else 0.0

    def is_over(self, now_s: float) -> bool:
        """The last pose has come, or is so long overdue that it will not."""
        last = self.last_pose
        if last is None:
            return False
        if last == len(self.pose_s) - 1:
            return now_s > self.seen_s[-1] + self.near_s
        due_s = self.due_s(len(self.pose_s) - 1)
        assert due_s is not None
        return now_s > due_s + max(LAST_WAIT_S, LAST_SHARE * self.plan.total_s)

    def first_wait_s(self) -> float:
        """So long after the start of the watching even a late print has reached its first pose."""
        return FIRST_WAIT_S + 2 * float(self.pose_s[0])

    @property
    def planned(self) -> int:
        """Frames that are to come in all."""
        return len(self.pose_s)

    def left(self, taken: int) -> int:
        """Frames that are still to come after so many."""
        last = self.last_pose
        return self.planned - 1 - (-1 if last is None else last)

    # --- across a restart

    def as_json(self, now_s: float) -> dict[str, Any]:
        """``seen_s`` as ages, since the caller's clock ends with its program."""
        return {
            "t_s": self.t_s,
            "age_s": [round(now_s - seen_s, 3) for seen_s in self.seen_s],
            "pose_of": self.pose_of,
            "told": sorted(self.told),
            "clock_s": self.clock_s,
            "rate": self.rate,
        }

    def restore(self, data: dict[str, Any], now_s: float) -> None:
        """What :meth:`as_json` gave, so many seconds ago as ``now_s`` allows for.

        Raises
        ------
        ValueError, KeyError, TypeError
            It is not of this plan.
        """
        self.t_s = [float(t_s) for t_s in data["t_s"]]
        self.seen_s = [now_s - float(age_s) for age_s in data["age_s"]]
        self.pose_of = [int(pose) for pose in data["pose_of"]]
        self.told = {int(pose) for pose in data["told"]}
        self.clock_s, self.rate = float(data["clock_s"]), float(data["rate"])
        poses = {*self.pose_of, *self.told}
        same = len(self.t_s) == len(self.seen_s) == len(self.pose_of)
        numbers = np.array([*self.t_s, *self.seen_s, self.clock_s, self.rate])
        if not same or not np.isfinite(numbers).all():
            raise ValueError("its frames do not fit together")
        if poses and not -1 <= min(poses) <= max(poses) < len(self.pose_s):
            raise ValueError("it names a pose that the plan does not have")


@dataclass
class Ticks(Pairing):
    """The frames of a free-running timer: any may be the parked one; the audit finds out."""

    def __post_init__(self) -> None:
        Pairing.__post_init__(self)
        assert self.plan.interval_s is not None
        self.interval_s = self.plan.interval_s

    def add(self, taken_s: float | None, seen_s: float) -> Placed:
        t_s, jump_s = self.on_one_clock(taken_s, seen_s)
        self.t_s.append(t_s)
        self.seen_s.append(seen_s)
        self.pose_of.append(-1)
        return Placed(kind="pose", jump_s=jump_s)

    @property
    def planned(self) -> int:
        return int(self.plan.total_s / self.interval_s) + 1

    def left(self, taken: int) -> int:
        return max(0, self.planned - taken)

    def overdue_s(self, now_s: float) -> float:
        wait_s = now_s - self.seen_s[-1]
        return wait_s if wait_s > INTERVALS_LATE * self.interval_s + 15 else 0.0

    def is_over(self, now_s: float) -> bool:
        if not self.t_s:
            return False
        end_s = self.seen_s[0] + float(self.pose_s[-1]) + self.interval_s
        return now_s > end_s and self.overdue_s(now_s) > 0


def pairing_of(plan: PlanRecord) -> Pairing:
    """The pairing for the camera's trigger in a plan."""
    return Pairing(plan) if plan.interval_s is None else Ticks(plan)
