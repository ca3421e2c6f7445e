"""Frames to poses by time alone; shoots are lists of seconds with one known fault."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.audit.chain import GapModel, best_chain, chain_cost
from capturehook.audit.pairing import late_limit_s, match_frames
from capturehook.errors import FrameError
from capturehook.frames.listing import FrameList
from tests.frames.shoot import make_plan

POSES = 60
EPOCH = 1.7e9


def listed(t_s, step_s=0.01, clock="camera"):
    t_s = np.floor(np.sort(np.asarray(t_s, float)) / step_s) * step_s
    return FrameList(frames=(None,) * len(t_s), t_s=t_s, clock=clock, step_s=step_s, findings=())


def times(plan, seed=3, jitter_s=0.05):
    noise = np.random.default_rng(seed).normal(0, jitter_s, len(plan.poses))
    return np.array([pose.t_s for pose in plan.poses]) + EPOCH + noise


def missing(match):
    return sorted(set(range(len(match.expected_s))) - set(match.pose_of.tolist()))


def late(match, still_s=1.2):
    return np.flatnonzero(np.abs(match.late_s) > late_limit_s(match, still_s)).tolist()


def assert_clean(match, count=POSES):
    assert match.pose_of.tolist() == list(range(count))
    assert match.first_of.all() and late(match) == [] and match.findings == ()


both_rhythms = pytest.mark.parametrize("even", [False, True], ids=["uneven", "even"])
both_steps = pytest.mark.parametrize("step_s", [0.01, 1.0])


@both_rhythms
@both_steps
def test_clean_shoot_is_matched_one_to_one_without_a_doubt(even, step_s):
    plan = make_plan(POSES, even=even)
    assert_clean(match_frames(listed(times(plan), step_s), plan))


@both_rhythms
@both_steps
@pytest.mark.parametrize("gone", [[30], [20, 21, 22, 50], list(range(20, 41))])
def test_missing_frames_inside_are_named(even, step_s, gone):
    plan = make_plan(POSES, even=even)
    match = match_frames(listed(np.delete(times(plan), gone), step_s), plan)
    assert missing(match) == gone
    assert match.findings == ()


@pytest.mark.parametrize("gone", [0, POSES - 1])
def test_missing_frame_at_an_end_is_named_when_gaps_differ(gone):
    plan = make_plan(POSES)
    assert missing(match_frames(listed(np.delete(times(plan), gone)), plan)) == [gone]


@pytest.mark.parametrize("gone", [0, POSES - 1])
def test_missing_frame_at_an_end_of_even_gaps_is_said_to_be_ambiguous(gone):
    plan = make_plan(POSES, even=True)
    frames = listed(np.delete(times(plan), gone))
    match = match_frames(frames, plan)
    assert [finding.code for finding in match.findings] == ["alias"]
    anchored = match_frames(frames, plan, anchors=((10, 10 + (gone == 0)),))
    assert missing(anchored) == [gone] and anchored.findings == ()


@pytest.mark.parametrize("early", [0, 3, 5])
def test_frames_too_many_of_even_gaps_are_said_to_be_ambiguous(early):
    """A sensor fires at every layer: the camera was on before the plan's first, or stayed on."""
    plan = make_plan(POSES, even=True)
    gap_s = plan.poses[1].t_s - plan.poses[0].t_s
    inside = times(plan)
    more = inside[0] - gap_s * np.arange(1, early + 1), inside[-1] + gap_s * np.arange(1, 6 - early)
    frames = listed(np.concatenate([*more, inside]))
    assert [finding.code for finding in match_frames(frames, plan).findings] == ["alias"]
    anchored = match_frames(frames, plan, anchors=((early + 10, 10),))
    assert np.flatnonzero(anchored.pose_of == 0).tolist() == [early] and anchored.findings == ()


def test_frames_too_many_of_uneven_gaps_are_no_doubt():
    plan = make_plan(POSES)
    inside = times(plan)
    frames = listed(np.concatenate([inside[0] - np.array([50, 25]), inside]))
    match = match_frames(frames, plan)
    assert match.findings == () and missing(match) == []


@both_rhythms
@both_steps
def test_double_is_given_to_its_pose_and_not_to_the_next(even, step_s):
    plan = make_plan(POSES, even=even)
    t_s = times(plan)
    match = match_frames(listed([*t_s, t_s[25] + 1.7], step_s), plan)
    assert missing(match) == []
    assert match.pose_of[[25, 26]].tolist() == [25, 25]
    assert np.flatnonzero(~match.first_of).tolist() in ([25], [26])


@both_rhythms
@pytest.mark.parametrize("by_s", [4.0, 9.0, -4.0])
def test_frame_fired_off_its_time_is_late_or_early(even, by_s):
    plan = make_plan(POSES, even=even)
    t_s = times(plan)
    t_s[33] += by_s
    match = match_frames(listed(t_s), plan)
    assert missing(match) == [] and late(match) == [33]
    assert match.late_s[33] == pytest.approx(by_s, abs=0.3)


@pytest.mark.parametrize(("rate", "said"), [(1.03, ["drift"]), (0.97, ["drift"]), (1.00005, [])])
def test_clock_rate_is_found_and_said_only_when_strange(rate, said):
    plan = make_plan(POSES)
    t_s = (times(plan) - EPOCH) * rate + EPOCH
    match = match_frames(listed(t_s), plan)
    assert match.clock.rate == pytest.approx(rate, abs=5e-5)
    assert [finding.code for finding in match.findings] == said
    assert missing(match) == [] and late(match) == []


@pytest.mark.parametrize(("rate", "asks"), [(1.1, False), (1.25, True)])
def test_a_print_far_off_its_plan_may_be_another_plans(rate, asks):
    plan = make_plan(POSES)
    match = match_frames(listed((times(plan) - EPOCH) * rate + EPOCH), plan)
    assert ("other-plan" in [finding.code for finding in match.findings]) is asks


def test_twenty_ppm_over_ten_hours_is_the_shift_of_the_textbook():
    # 20 ppm x 36 000 s = 0.72 s (arithmetic).
    plan = make_plan(900, even=True)
    t_s = (times(plan, jitter_s=0.01) - EPOCH) * (1 + 20e-6) + EPOCH
    match = match_frames(listed(t_s), plan)
    assert (match.clock.rate - 1) * 36_000 == pytest.approx(0.72, abs=0.05)


@both_rhythms
@both_steps
@pytest.mark.parametrize(
    ("by_s", "code"), [(60, "pause"), (600, "pause"), (3600, "clock-jump"), (5400, "clock-jump")]
)
def test_pause_or_clock_set_forward_begins_a_new_piece(even, step_s, by_s, code):
    plan = make_plan(POSES, even=even)
    t_s = times(plan)
    t_s[23:] += by_s
    match = match_frames(listed(t_s, step_s), plan)
    assert [finding.code for finding in match.findings] == [code]
    assert [piece.first_pose for piece in match.clock.pieces] == [0, 23]
    assert match.clock.pieces[1].jump_s == pytest.approx(by_s, abs=1.5)
    assert missing(match) == [] and late(match) == []


def test_shots_by_hand_before_after_and_between_belong_to_no_pose():
    plan = make_plan(POSES, even=True)
    t_s = times(plan)
    extra = [t_s[0] - 200, t_s[0] - 17, t_s[30] + 19, t_s[-1] + 90]
    match = match_frames(listed([*t_s, *extra]), plan)
    assert np.flatnonzero(match.pose_of < 0).tolist() == [0, 1, 33, 63]
    assert missing(match) == []


def test_all_faults_at_once_are_told_apart():
    plan = make_plan(POSES)
    t_s = times(plan)
    t_s[33:] += 600
    shots = [*np.delete(t_s, [10, 50]), t_s[0] - 100, t_s[20] + 1.6]
    match = match_frames(listed(shots), plan)
    assert missing(match) == [10, 50]
    assert [finding.code for finding in match.findings] == ["pause"]
    assert int((match.pose_of < 0).sum()) == 1 and int((~match.first_of).sum()) == 2


def test_plan_whose_times_wander_raises_no_alarm():
    plan = make_plan(400)
    walk = np.cumsum(np.random.default_rng(2).normal(0, 0.3, 400))
    match = match_frames(listed(times(plan) + walk), plan)
    assert missing(match) == [] and late(match) == []


def test_frames_without_times_are_paired_in_order_and_a_wrong_count_is_said():
    plan = make_plan(10)
    frames = FrameList(
        frames=(None,) * 9, t_s=np.full(9, np.nan), clock="order", step_s=0.0, findings=()
    )
    match = match_frames(frames, plan)
    assert match.pose_of.tolist() == list(range(9))
    assert [finding.code for finding in match.findings] == ["counts-differ"]


def test_anchor_outside_the_plan_is_refused():
    plan = make_plan(5)
    with pytest.raises(FrameError, match="there is no pose 9"):
        match_frames(listed(times(plan)), plan, anchors=((0, 8),))


def slow_best_cost(frame_s, pose_s, model):
    """Every pairing there is, priced; for a handful of frames only."""
    from itertools import combinations

    from capturehook.audit.chain import Chain

    best = np.inf
    for count in range(1, min(len(frame_s), len(pose_s)) + 1):
        for frames in combinations(range(len(frame_s)), count):
            for poses in combinations(range(len(pose_s)), count):
                chain = Chain(frame_index=np.array(frames), pose_index=np.array(poses), cost=0.0)
                best = min(best, chain_cost(frame_s, pose_s, chain, model))
    return best


@pytest.mark.property
@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(1, 60), min_size=1, max_size=6),
    st.lists(st.floats(1, 60), min_size=1, max_size=6),
)
def test_best_chain_is_as_cheap_as_the_best_of_all_pairings(frame_gaps, pose_gaps):
    frame_s, pose_s = np.cumsum(frame_gaps), np.cumsum(pose_gaps)
    model = GapModel(rate=1.0, jitter_s=0.3, rate_error=0.02)
    chain = best_chain(frame_s, pose_s, model)
    assert (np.diff(chain.frame_index) > 0).all() and (np.diff(chain.pose_index) > 0).all()
    assert chain.cost == pytest.approx(chain_cost(frame_s, pose_s, chain, model))
    assert chain.cost <= slow_best_cost(frame_s, pose_s, model) + 1e-6


@pytest.mark.property
@settings(max_examples=25, deadline=None)
@given(st.sets(st.integers(2, 37), max_size=5), st.integers(0, 2**31), st.floats(0, 1e6))
def test_whatever_is_missing_inside_is_named_whatever_the_offset(gone, seed, offset_s):
    plan = make_plan(40)
    t_s = np.delete(times(plan, seed), sorted(gone)) + offset_s
    assert missing(match_frames(listed(t_s), plan)) == sorted(gone)


@both_rhythms
@pytest.mark.parametrize("after_s", [17, 200])
def test_missing_frame_is_not_made_up_for_by_a_shot_by_hand(even, after_s):
    plan = make_plan(POSES, even=even)
    t_s = times(plan)
    match = match_frames(listed([*np.delete(t_s, 30), t_s[-1] + after_s]), plan)
    assert missing(match) == [30]
    assert np.flatnonzero(match.pose_of < 0).tolist() == [POSES - 1]
