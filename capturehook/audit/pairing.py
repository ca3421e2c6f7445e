"""Frames against the plan by time: which frame shows which pose, and what the clocks did.

In: frame times and a PlanRecord. Out: a Match. Offset and rate of the clock are fitted with
statistics that bad frames cannot bend; where the print paused or the camera's clock was set,
a new piece begins with its own offset.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from capturehook.audit.chain import (
    Anchor,
    Chain,
    GapModel,
    best_chain,
    chain_cost,
    shifted,
    with_other_frames,
)
from capturehook.audit.verdicts import Flags, Ints
from capturehook.errors import Finding, FrameError, counted
from capturehook.frames.listing import FrameList
from capturehook.frames.robust import Series, find_steps, running_median, spread, theil_sen
from capturehook.model.plan import PlanRecord

JITTER_S = 0.3
RATE_ERROR = 0.02  # print-time models err by 1 to 5 % (common practice, no source)
LEAST_PAUSE_S = 3.0
ZONE_STEP_S = 1800.0
ALIAS_MARGIN = 2.0
ALIAS_REACH = 3
STRANGE_RATE, FOREIGN_RATE = 0.02, 0.15
LATE_LEAST_S = 0.5
NEAR_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A stretch of the shoot with one clock offset; ``jump_s`` is the step that began it."""

    first_pose: int
    offset_s: float
    jump_s: float = 0.0
    kind: str = "start"  # start, pause, clock


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFit:
    """camera time = offset of the piece + rate x planned time, within ``spread_s``."""

    rate: float
    pieces: tuple[Piece, ...]
    spread_s: float
    step_s: float

    def offsets_s(self, poses: int) -> Series:
        """(P,) the offset in force at each pose."""
        offsets = np.empty(poses)
        for piece in self.pieces:
            offsets[piece.first_pose :] = piece.offset_s
        return offsets


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Which frame shows which pose.

    Attributes
    ----------
    pose_of : (F,) int64, pose index of each frame, -1 for none; more frames may share a pose
    first_of : (F,) bool, the frame is the one that fits the pose in time
    late_s : (F,) float64, how much later than its neighbours, NaN without a pose or a clock
    expected_s : (P,) float64, camera time at which each pose was due, NaN without a clock
    clock : None where only the order of the frames is known
    """

    pose_of: Ints
    first_of: Flags
    late_s: Series
    expected_s: Series
    clock: ClockFit | None
    findings: tuple[Finding, ...] = field(default=())


def match_frames(frames: FrameList, plan: PlanRecord, anchors: tuple[Anchor, ...] = ()) -> Match:
    """Pair frames with poses, one trigger for each pose.

    Parameters
    ----------
    anchors : pairs (frame_index, pose index from 0) known from looking at the frame

    Raises
    ------
    FrameError
        The plan has no pose, or an anchor names none.
    """
    check_anchors(anchors, len(frames), plan)
    if frames.clock == "order":
        return _by_order(len(frames), plan)
    pose_s = np.array([pose.t_s for pose in plan.poses])
    model = GapModel(rate=1.0, jitter_s=_jitter_s(frames.step_s), rate_error=RATE_ERROR)
    chain = _best_of(frames.t_s, pose_s, model, anchors)
    clock = fit_clock(frames.t_s, pose_s, chain, frames.step_s)
    jitter_s = max(model.jitter_s, clock.spread_s)
    better = GapModel(rate=clock.rate, jitter_s=jitter_s, rate_error=RATE_ERROR / 2)
    chain = best_chain(frames.t_s, pose_s, better, anchors)
    clock = fit_clock(frames.t_s, pose_s, chain, frames.step_s)
    findings = [*_said_of(clock, plan), *_alias(frames.t_s, pose_s, chain, better, anchors)]
    return _paired(frames, plan, chain, clock, tuple(findings))


def check_anchors(anchors: tuple[Anchor, ...], frames: int, plan: PlanRecord) -> None:
    """Refuse a plan without poses, and anchors outside the shoot."""
    if not plan.poses:
        raise FrameError(plan.job, "the plan has no poses", "Make the plan anew")
    for frame, pose in anchors:
        if not (0 <= frame < frames and 0 <= pose < len(plan.poses)):
            raise FrameError(
                "--anchor",
                f"there is no pose {pose + 1} (the plan has {len(plan.poses)})",
                "Give the name of a frame and the number of the pose it shows",
            )


def _jitter_s(step_s: float) -> float:
    """A gap holds two stamps, each uniform over its step: step / sqrt(6) together."""
    return float(np.hypot(JITTER_S, step_s / 6**0.5))


def _best_of(
    frame_s: Series, pose_s: Series, model: GapModel, anchors: tuple[Anchor, ...]
) -> Chain:
    """The chain for a clock at its nominal rate or, if cheaper, at the rate of the whole span."""
    chain = best_chain(frame_s, pose_s, model, anchors)
    if len(pose_s) < 3 or len(frame_s) < 3:
        return chain
    rate = float(np.median(np.diff(frame_s)) / np.median(np.diff(pose_s)))
    if 0.03 < abs(rate - 1) < 0.5:
        other = best_chain(frame_s, pose_s, replace(model, rate=rate), anchors)
        return min(chain, other, key=lambda one: one.cost)
    return chain


def fit_clock(frame_s: Series, pose_s: Series, chain: Chain, step_s: float) -> ClockFit:
    """Rate and piecewise offset of the camera's clock against the plan, from paired times."""
    f, p = frame_s[chain.frame_index], pose_s[chain.pose_index]
    if len(f) < 3:
        piece = Piece(first_pose=0, offset_s=float(np.median(f - p)))
        return ClockFit(rate=1.0, pieces=(piece,), spread_s=0.0, step_s=step_s)
    rate = _gap_rate(f, p)
    steps: list[int] = []
    for _ in range(3):  # pieces depend on the rate and the rate on the pieces: it settles at once
        rest = f - rate * p
        noise_s = spread(np.diff(rest))
        steps = find_steps(rest, max(LEAST_PAUSE_S, 8 * noise_s, 2.5 * step_s))
        levelled = f - _levels(rest, steps)
        rate, _ = theil_sen(p, levelled)
    rest = f - rate * p
    levels = _levels(rest, steps)
    pieces = _pieces(rest, levels, steps, chain, step_s)
    return ClockFit(rate=rate, pieces=pieces, spread_s=spread(rest - levels), step_s=step_s)


def _gap_rate(f: Series, p: Series) -> float:
    """Median over gaps, long gaps counting more: pauses are few and fall out."""
    ratio = np.diff(f) / np.diff(p)
    weight = np.diff(p)
    order = np.argsort(ratio)
    place = int(np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2))
    return float(ratio[order][min(place, len(order) - 1)])


def _levels(rest: Series, steps: list[int]) -> Series:
    """(K,) the median of each piece, set at every pair of it."""
    levels = np.empty(len(rest))
    for low, high in zip([0, *steps], [*steps, len(rest)], strict=True):
        levels[low:high] = np.median(rest[low:high])
    return levels


def _pieces(
    rest: Series, levels: Series, steps: list[int], chain: Chain, step_s: float
) -> tuple[Piece, ...]:
    pieces = [Piece(first_pose=0, offset_s=float(levels[0]))]
    for index in steps:
        jump_s = float(levels[index] - levels[index - 1])
        pieces.append(
            Piece(
                first_pose=int(chain.pose_index[index]),
                offset_s=float(levels[index]),
                jump_s=jump_s,
                kind=_kind_of_jump(jump_s, max(2.0, 2 * step_s, 4 * spread(rest - levels))),
            )
        )
    return tuple(pieces)


def _kind_of_jump(jump_s: float, tolerance_s: float) -> str:
    """Zones and daylight saving move clocks by half hours; a pause only ever adds time."""
    zones = round(jump_s / ZONE_STEP_S)
    if zones and abs(jump_s - zones * ZONE_STEP_S) <= tolerance_s:
        return "clock"
    return "pause" if jump_s > 0 else "clock"


def _said_of(clock: ClockFit, plan: PlanRecord) -> Iterator[Finding]:
    for piece in clock.pieces[1:]:
        where = f"pose {plan.poses[piece.first_pose].pose}"
        if piece.kind == "pause":
            text = f"the print stood still for {piece.jump_s:.0f} s more than planned before it"
            yield Finding("pause", where, text)
        else:
            text = (
                f"the camera's clock jumped by {piece.jump_s / 60:+.1f} min before it (time zone "
                "or daylight saving, or a pause of just that length); taken into account"
            )
            yield Finding("clock-jump", where, text)
    if abs(clock.rate - 1) > STRANGE_RATE:
        slower = "slower" if clock.rate > 1 else "faster"
        text = (
            f"the print ran {abs(clock.rate - 1) * 100:.1f} % {slower} than planned, or the "
            "camera's clock drifts; taken into account"
        )
        yield Finding("drift", "clock", text)
    if abs(clock.rate - 1) > FOREIGN_RATE:
        text = (
            f"the frames' times are {abs(clock.rate - 1) * 100:.0f} % off the plan's: another "
            "job's plan, or the printer ran at another speed"
        )
        yield Finding("other-plan", "clock", text)


def _alias(
    frame_s: Series, pose_s: Series, chain: Chain, model: GapModel, anchors: tuple[Anchor, ...]
) -> Iterator[Finding]:
    """With equal gaps a set with a few frames too few or too many fits the plan in more than one
    place."""
    if anchors:
        return
    own = chain_cost(frame_s, pose_s, chain, model)

    def costs(by: int) -> float:
        ways = shifted(chain, by, len(pose_s)), with_other_frames(chain, by, len(frame_s))
        return min(chain_cost(frame_s, pose_s, way, model) for way in ways)

    others = [by for by in range(-ALIAS_REACH, ALIAS_REACH + 1) if by]
    near = [by for by in others if costs(by) <= own + ALIAS_MARGIN]
    if near:
        words = (f"{counted(abs(by), 'pose')} {'later' if by > 0 else 'earlier'}" for by in near)
        text = (
            "the gaps are so alike that the frames fit the plan as well "
            f"{' or '.join(words)}; look at one frame and name its pose with --anchor"
        )
        yield Finding("alias", "clock", text)


def _paired(
    frames: FrameList,
    plan: PlanRecord,
    chain: Chain,
    clock: ClockFit,
    findings: tuple[Finding, ...],
) -> Match:
    pose_s = np.array([pose.t_s for pose in plan.poses])
    expected_s = clock.offsets_s(len(pose_s)) + clock.rate * pose_s
    pose_of = np.full(len(frames), -1, np.int64)
    pose_of[chain.frame_index] = chain.pose_index
    first_of = pose_of >= 0
    _take_in_late(frames.t_s, expected_s, pose_of, first_of)
    _take_in_doubles(frames.t_s, expected_s, plan, pose_of, first_of)
    return Match(
        pose_of=pose_of,
        first_of=first_of,
        late_s=_late_s(frames.t_s, expected_s, pose_of, first_of),
        expected_s=expected_s,
        clock=clock,
        findings=findings,
    )


def _take_in_late(frame_s: Series, expected_s: Series, pose_of: Ints, first_of: Flags) -> None:
    """A frame without a pose, beside a pose without a frame, was fired late (or early)."""
    gaps = np.diff(expected_s, prepend=expected_s[0] - 60.0, append=expected_s[-1] + 60.0)
    for pose in sorted(set(range(len(expected_s))) - set(pose_of.tolist())):
        due = frame_s - expected_s[pose]
        near = (pose_of < 0) & (due > -0.35 * gaps[pose]) & (due < 0.65 * gaps[pose + 1])
        near &= _in_order(pose_of, pose)
        if near.any():
            index = int(np.flatnonzero(near)[np.argmin(np.abs(due[near]))])
            pose_of[index], first_of[index] = pose, True


def _in_order(pose_of: Ints, pose: int) -> Flags:
    """Frames that may show this pose without crossing another pair."""
    place = np.arange(len(pose_of))
    before = place[(pose_of >= 0) & (pose_of < pose)]
    after = place[pose_of > pose]
    low = before.max() if len(before) else -1
    high = after.min() if len(after) else len(pose_of)
    return (place > low) & (place < high)


def _take_in_doubles(
    frame_s: Series, expected_s: Series, plan: PlanRecord, pose_of: Ints, first_of: Flags
) -> None:
    """A frame close after one that fits its pose belongs to that pose too."""
    cycle_s = (plan.lag_ms + plan.exposure_ms + plan.write_ms) / 1000
    owners = np.flatnonzero(first_of)
    for index in np.flatnonzero(pose_of < 0):
        gap_s = np.abs(frame_s[owners] - frame_s[index])
        owner = owners[np.argmin(gap_s)]
        pose = pose_of[owner]
        near_s = max(NEAR_S, 2 * cycle_s, plan.poses[pose].still_s + cycle_s)
        if gap_s.min() <= min(near_s, 0.45 * _shortest_gap(expected_s, pose)):
            pose_of[index] = pose


def _shortest_gap(expected_s: Series, pose: int) -> float:
    near = np.diff(expected_s[max(0, pose - 1) : pose + 2])
    return float(near.min()) if len(near) else np.inf


def _late_s(frame_s: Series, expected_s: Series, pose_of: Ints, first_of: Flags) -> Series:
    """(F,) against the running median of the neighbours, as the plan itself errs slowly."""
    late = np.full(len(frame_s), np.nan)
    owners = np.flatnonzero(first_of)
    rest = frame_s[owners] - expected_s[pose_of[owners]]
    late[owners] = rest - running_median(rest, 9)
    return late


def late_limit_s(match: Match, still_s: float) -> float:
    """Beyond this a frame fell outside its pose's stillness, the noise of the times allowed for."""
    if match.clock is None:
        return np.inf
    noise_s = spread(match.late_s[match.first_of])
    return max(LATE_LEAST_S, still_s, 6 * noise_s, 1.5 * match.clock.step_s)


def _by_order(count: int, plan: PlanRecord) -> Match:
    """No times: the first frame shows the first pose, and so on."""
    poses = len(plan.poses)
    pose_of = np.where(np.arange(count) < poses, np.arange(count), -1)
    findings: tuple[Finding, ...] = ()
    if count != poses:
        text = (
            f"{counted(count, 'frame')} for {counted(poses, 'pose')}, and no times to tell which "
            "is missing or one too many; they are paired from the first on"
        )
        findings = (Finding("counts-differ", "frames", text),)
    return without_clock(pose_of, poses, findings)


def without_clock(pose_of: Ints, poses: int, findings: tuple[Finding, ...] = ()) -> Match:
    """Frames in order, of which no time is told."""
    return Match(
        pose_of=pose_of,
        first_of=pose_of >= 0,
        late_s=np.full(len(pose_of), np.nan),
        expected_s=np.full(poses, np.nan),
        clock=None,
        findings=findings,
    )
