"""Frames paired with poses in order, from the gaps between their times alone.

A dynamic programme over (frame, pose) pairs, as in aligning two sequences (textbook). A pair
is judged by its gap to the pair before it, so neither the clock's offset nor a pause or a
clock set forward in mid-shoot matters: a wrong gap costs at most GAP_CAP, once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from capturehook.audit.verdicts import Ints
from capturehook.frames.robust import Series

GAP_CAP = 8.0  # four standard deviations; also the price of a pause
SKIP_POSE = 5.0  # a missing frame
SKIP_FRAME = 4.0  # a double, or a shot by hand
SKIP_FRAME_AT_END = 1.5  # shots by hand before the job and after it are usual
SKIP_FRAME_AT_LIVE_END = 8.5  # what comes last after a pause is a pose's all the same
FRAMES_BACK = 3
POSES_BACK = 64
BAND = 40
ANCHOR_BONUS = 1e6

Anchor = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class GapModel:
    """What a gap between frames may be: ``rate`` x planned gap, give or take.

    Its standard deviation is jitter_s and rate_error x planned gap, added in quadrature.
    """

    rate: float
    jitter_s: float
    rate_error: float

    def cost(self, got_s: Series, planned_s: Series) -> Series:
        """Half the squared error in standard deviations, capped."""
        wanted_s = self.rate * planned_s
        variance = self.jitter_s**2 + (self.rate_error * wanted_s) ** 2
        return np.minimum(0.5 * (got_s - wanted_s) ** 2 / variance, GAP_CAP)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """K pairs, rising in both: (K,) frame_index, (K,) pose_index; and what they cost."""

    frame_index: Ints
    pose_index: Ints
    cost: float


def best_chain(
    frame_s: Series,
    pose_s: Series,
    model: GapModel,
    anchors: tuple[Anchor, ...] = (),
    *,
    open_end: bool = False,
) -> Chain:
    """The cheapest pairing of (F,) rising frame times with (P,) rising pose times.

    ``anchors`` are pairs known from elsewhere. With an ``open_end`` the shoot is still going on:
    poses after the last frame cost nothing, and the last frames rather show one than none. Cost
    is F x band x POSES_BACK.
    """
    search = _Search(frame_s, pose_s, model, anchors, open_end)
    for index in range(len(frame_s)):  # each frame rests on the ones before it
        search.add_frame(index)
    return search.best()


def chain_cost(frame_s: Series, pose_s: Series, chain: Chain, model: GapModel) -> float:
    """What a given pairing costs, by the same prices."""
    i, j = chain.frame_index, chain.pose_index
    if len(i) == 0:
        return float("inf")
    gaps = model.cost(np.diff(frame_s[i]), np.diff(pose_s[j]))
    inner = SKIP_FRAME * (np.diff(i) - 1).sum() + SKIP_POSE * (np.diff(j) - 1).sum()
    outer = _end_cost(i[0], j[0]) + _end_cost(len(frame_s) - 1 - i[-1], len(pose_s) - 1 - j[-1])
    return float(gaps.sum() + inner + outer)


def shifted(chain: Chain, by: int, poses: int) -> Chain:
    """The same frames ``by`` poses later; what falls off the plan is dropped."""
    pose_index = chain.pose_index + by
    kept = (pose_index >= 0) & (pose_index < poses)
    return Chain(
        frame_index=chain.frame_index[kept], pose_index=pose_index[kept], cost=float("nan")
    )


def with_other_frames(chain: Chain, by: int, frames: int) -> Chain:
    """The same poses ``by`` frames earlier, which is each frame ``by`` poses later; what falls
    off the card is dropped. It differs from :func:`shifted` where there are frames to spare."""
    frame_index = chain.frame_index - by
    kept = (frame_index >= 0) & (frame_index < frames)
    return Chain(
        frame_index=frame_index[kept], pose_index=chain.pose_index[kept], cost=float("nan")
    )


def _end_cost(frames: int | np.integer, poses: int | np.integer) -> float:
    return SKIP_FRAME_AT_END * int(frames) + SKIP_POSE * int(poses)


class _Search:
    """The table, row by row; only rows that are still needed and the path back are kept."""

    def __init__(
        self,
        frame_s: Series,
        pose_s: Series,
        model: GapModel,
        anchors: tuple[Anchor, ...],
        open_end: bool,
    ) -> None:
        self.frame_s, self.pose_s, self.model = frame_s, pose_s, model
        self.last_pose_cost = 0.0 if open_end else SKIP_POSE
        self.last_frame_cost = SKIP_FRAME_AT_LIVE_END if open_end else SKIP_FRAME_AT_END
        self.anchors = dict(anchors)
        self.frames, self.poses = len(frame_s), len(pose_s)
        self.band = BAND + abs(self.frames - self.poses) if not anchors else self.poses
        back = min(POSES_BACK, max(1, self.poses - 1))
        # (P, back): planned gap from pose j-k to pose j, k = back..1; rows of the table are
        # padded in front likewise, so that one window of a row lines up with one row of this.
        padded = np.concatenate([np.full(back, np.nan), pose_s])
        earlier = np.lib.stride_tricks.sliding_window_view(padded, back)[: self.poses]
        self.planned_s = pose_s[:, None] - earlier
        self.skipped = SKIP_POSE * np.arange(back - 1, -1, -1.0)
        self.back = back
        self.rows: list[Series] = []  # the last FRAMES_BACK, whole width
        self.from_: list[Ints] = []  # pair before, as frame * P + pose; -1: none
        self.starts: list[int] = []
        self.ends: list[float] = []
        self.end_pose: list[int] = []
        self.jump = np.full(self.poses, np.inf)  # best way to get here over a break
        self.jump_from = np.full(self.poses, -1, np.int64)

    def add_frame(self, index: int) -> None:
        low, high = max(0, index - self.band), min(self.poses, index + self.band + 1)
        if low >= high:
            low, high = max(0, self.poses - 1), self.poses
        pose = np.arange(low, high)
        cost = SKIP_FRAME_AT_END * index + SKIP_POSE * pose.astype(np.float64)
        origin = np.full(high - low, -1, np.int64)
        cost, origin = self._from_recent(index, low, high, cost, origin)
        cost, origin = self._over_break(index, low, high, cost, origin)
        if index in self.anchors:
            cost = cost - ANCHOR_BONUS * (pose == self.anchors[index])
        self._keep(index, low, cost, origin)

    def _from_recent(
        self, index: int, low: int, high: int, cost: Series, origin: Ints
    ) -> tuple[Series, Ints]:
        """The pair before is one of the last few frames and some earlier pose."""
        for age, row in enumerate(reversed(self.rows), start=1):
            padded = np.concatenate([np.full(self.back, np.inf), row])
            before = np.lib.stride_tricks.sliding_window_view(padded, self.back)[low:high]
            got_s = self.frame_s[index] - self.frame_s[index - age]
            gap = self.model.cost(np.asarray(got_s), self.planned_s[low:high])
            total = before + np.nan_to_num(gap, nan=np.inf) + self.skipped + SKIP_FRAME * (age - 1)
            best = np.argmin(total, axis=1)
            value = total[np.arange(high - low), best]
            source = (index - age) * self.poses + np.arange(low, high) - self.back + best
            better = value < cost
            cost, origin = np.where(better, value, cost), np.where(better, source, origin)
        return cost, origin

    def _over_break(
        self, index: int, low: int, high: int, cost: Series, origin: Ints
    ) -> tuple[Series, Ints]:
        """The pair before is anywhere earlier, its gap unknown."""
        if not self.rows:
            return cost, origin
        place = np.arange(self.poses)
        landed = np.concatenate([[np.inf], self.rows[-1][:-1]])
        waited = self.jump + SKIP_FRAME
        base = np.minimum(landed, waited)
        base_from = np.where(landed <= waited, (index - 1) * self.poses + place - 1, self.jump_from)
        slope = base - SKIP_POSE * place
        lowest = np.minimum.accumulate(slope)
        at = np.maximum.accumulate(np.where(slope == lowest, place, 0))
        self.jump, self.jump_from = lowest + SKIP_POSE * place, base_from[at]
        value = self.jump[low:high] + GAP_CAP
        better = value < cost
        return np.where(better, value, cost), np.where(better, self.jump_from[low:high], origin)

    def _keep(self, index: int, low: int, cost: Series, origin: Ints) -> None:
        row = np.full(self.poses, np.inf)
        row[low : low + len(cost)] = cost
        self.rows = [*self.rows[-FRAMES_BACK + 1 :], row]
        self.from_.append(origin)
        self.starts.append(low)
        left = self.last_frame_cost * (self.frames - 1 - index)
        after = self.poses - 1 - np.arange(low, low + len(cost))
        finish = cost + left + self.last_pose_cost * after
        self.end_pose.append(low + int(np.argmin(finish)))
        self.ends.append(float(finish.min()))

    def best(self) -> Chain:
        frame = int(np.argmin(self.ends))
        cost, pose = self.ends[frame], self.end_pose[frame]
        pairs = []
        while True:  # walk back along the pairs
            pairs.append((frame, pose))
            source = int(self.from_[frame][pose - self.starts[frame]])
            if source < 0:
                break
            frame, pose = divmod(source, self.poses)
        frame_index, pose_index = np.array(pairs[::-1]).T
        return Chain(frame_index=frame_index, pose_index=pose_index, cost=cost)
