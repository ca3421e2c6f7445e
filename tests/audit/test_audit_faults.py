"""Drawn shoots with one fault each through the whole audit; clean ones without an alarm."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from capturehook.audit.judge import audit_frames
from capturehook.errors import FrameError
from capturehook.film.recipe import plan_film
from capturehook.film.wishes import FilmWishes
from capturehook.frames.listing import load_frames
from tests.frames.shoot import Shoot, Shot, make_plan, make_shoot

POSES = 24
FIRST, MIDDLE, LAST = 0, 10, POSES - 1


def audited(shoot, folder, **wishes):
    shoot.write(folder)
    return audit_frames(load_frames([folder]), shoot.plan, **wishes)


def verdicts(audit):
    return [one.verdict.name for one in audit.by_frame]


def odd_ones(audit):
    """frame_index -> verdict of all that are not good."""
    return {i: name for i, name in enumerate(verdicts(audit)) if name != "good"}


def codes(audit):
    return [finding.code for finding in audit.findings]


@pytest.mark.parametrize("poses", [1, 2, 3])
def test_shoot_of_a_few_frames_is_audited_all_the_same(tmp_path, poses):
    audit = audited(make_shoot(poses), tmp_path)
    assert odd_ones(audit) == {} and audit.filmable == poses


def test_one_frame_for_many_poses_is_audited_all_the_same(tmp_path):
    shoot = make_shoot(POSES)
    del shoot.shots[1:]
    audit = audited(shoot, tmp_path)
    assert sum(one.verdict.name == "missing" for one in audit.by_pose) == POSES - 1


@pytest.mark.parametrize("poses", [5, 24, 60])
@pytest.mark.parametrize("even", [False, True], ids=["uneven", "even"])
def test_clean_shoot_has_no_finding_at_all(tmp_path, poses, even):
    audit = audited(make_shoot(poses, even=even), tmp_path)
    assert odd_ones(audit) == {} and codes(audit) == []
    assert audit.filmable == poses


def test_clean_shoot_with_whole_seconds_has_no_finding(tmp_path):
    shoot = make_shoot(POSES)
    shoot.sub_seconds = False
    assert codes(audited(shoot, tmp_path)) == []


def test_clean_shoot_of_a_resin_printer_has_no_finding(tmp_path):
    shoot = make_shoot(POSES, kind="resin", moves="plate", even=True)
    assert codes(audited(shoot, tmp_path)) == []


def test_frames_a_light_sensor_takes_besides_the_planned_ones_are_between(tmp_path):
    """Every layer fires, the plan keeps each third; a shot long before is still one by hand."""
    shoot = make_shoot(POSES, kind="resin", moves="plate")
    kept = replace(shoot.plan, poses=shoot.plan.poses[2::3])
    shoot.shots.insert(0, Shot(t_s=-500.0, grown=0.0))
    shoot.write(tmp_path)
    audit = audit_frames(load_frames([tmp_path]), kept)
    assert [one.frame_index for one in audit.by_pose] == list(range(3, POSES + 1, 3))
    named = Counter(verdicts(audit))
    assert named == {"good": 8, "between": 14, "test shot": 3}  # two layers before the first kept
    filament = audit_frames(audit.frames, replace(kept, kind="filament", moves="bed-y"))
    assert "between" not in verdicts(filament)


def test_clean_shoot_into_dusk_has_no_finding(tmp_path):
    shoot = make_shoot(40)
    for index, shot in enumerate(shoot.shots):
        shot.ev = -1.5 * index / 40
    assert codes(audited(shoot, tmp_path)) == []


def test_clean_shoot_with_restarting_names_on_two_cards_has_no_finding(tmp_path):
    shoot = make_shoot(POSES)
    shoot.first_number = 9992
    shoot.write(tmp_path / "a", part=slice(0, 13))
    shoot.write(tmp_path / "b", part=slice(13, None))
    audit = audit_frames(load_frames([tmp_path / "a", tmp_path / "b"]), shoot.plan)
    assert odd_ones(audit) == {} and codes(audit) == []
    assert [one.frame_index for one in audit.by_pose] == list(range(POSES))


@pytest.mark.parametrize("poses", [8, 30])
def test_carriage_that_rises_with_the_part_is_no_fault_but_one_over_it_is(tmp_path, poses):
    shoot = make_shoot(poses)
    for shot in shoot.shots:
        shot.carriage = (0.06, 0.85 - 0.6 * shot.grown)
    assert codes(audited(shoot, tmp_path / "clean")) == []
    astray = shoot.shots[poses // 2]
    astray.carriage = (0.5, astray.carriage[1] - 0.05)
    audit = audited(shoot, tmp_path / "astray")
    assert odd_ones(audit) == {poses // 2: "not parked"}


ONE_FAULT = {
    "blurred": {"blur": 1.2},
    "moved": {"dx": 3.4},
    "dark": {"ev": -2.0},
    "overexposed": {"ev": 1.6},
    "not parked": {"carriage": (0.5, 0.2)},
}


@pytest.mark.parametrize("place", [FIRST, MIDDLE, LAST])
@pytest.mark.parametrize("name", ONE_FAULT)
def test_one_spoilt_frame_is_found_and_no_other(tmp_path, name, place):
    shoot = make_shoot(POSES)
    shoot.shots[place] = replace(shoot.shots[place], **ONE_FAULT[name])
    audit = audited(shoot, tmp_path)
    assert odd_ones(audit) == {place: name}
    assert codes(audit) == [name.replace(" ", "-")]
    assert audit.by_pose[place].verdict.name == name


def test_shift_of_a_moved_frame_is_measured(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots[MIDDLE].dx, shoot.shots[MIDDLE].dy = 3.4, -1.3
    moved = audited(shoot, tmp_path).by_frame[MIDDLE]
    assert (moved.dx_px, moved.dy_px) == pytest.approx((3.4, -1.3), abs=0.15)


def test_turned_frame_is_moved_and_its_turn_is_measured(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots[MIDDLE].turn_deg = 1.0
    audit = audited(shoot, tmp_path)
    assert odd_ones(audit) == {MIDDLE: "moved"}
    assert audit.measures.turn_deg[MIDDLE] == pytest.approx(1.0, abs=0.2)


def test_missing_frame_is_a_missing_pose(tmp_path):
    shoot = make_shoot(POSES)
    del shoot.shots[MIDDLE]
    audit = audited(shoot, tmp_path)
    assert codes(audit) == ["missing"] and odd_ones(audit) == {}
    assert audit.by_pose[MIDDLE].verdict.name == "missing"
    assert f"pose {MIDDLE + 1}" in audit.findings[0].text


@pytest.mark.parametrize("spoilt", [{}, {"blur": 1.5}, {"dx": 5.0}])
def test_of_a_double_the_better_frame_is_kept(tmp_path, spoilt):
    shoot = make_shoot(POSES)
    again = replace(shoot.shots[MIDDLE], t_s=shoot.shots[MIDDLE].t_s + 1.7)
    shoot.shots[MIDDLE] = replace(shoot.shots[MIDDLE], **spoilt)
    shoot.shots.append(again)
    audit = audited(shoot, tmp_path)
    worse = MIDDLE if spoilt else MIDDLE + 1
    assert odd_ones(audit) == {worse: "double"}
    assert codes(audit) == ["double"]


def test_late_frame_whose_picture_is_fine_is_late_only(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots[MIDDLE].t_s += 6
    audit = audited(shoot, tmp_path)
    assert odd_ones(audit) == {MIDDLE: "late"} and codes(audit) == ["late"]


def test_late_frame_with_the_nozzle_on_its_way_is_not_parked(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots[MIDDLE].t_s += 6
    shoot.shots[MIDDLE].carriage = (0.5, 0.3)
    assert odd_ones(audited(shoot, tmp_path)) == {MIDDLE: "not parked"}


def test_test_shots_before_and_after_are_called_so(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots += [
        Shot(t_s=-120, grown=0, carriage=(0.6, 0.5)),
        Shot(t_s=shoot.shots[-1].t_s + 300, grown=1, blur=2),
    ]
    audit = audited(shoot, tmp_path)
    assert odd_ones(audit) == {0: "test shot", POSES + 1: "test shot"}
    assert codes(audit) == ["test-shot"]


def test_flicker_of_three_tenths_is_said_and_spoils_no_frame(tmp_path):
    shoot = make_shoot(POSES)
    for index, shot in enumerate(shoot.shots):
        shot.ev = 0.3 * (-1) ** index
    audit = audited(shoot, tmp_path)
    assert odd_ones(audit) == {} and codes(audit) == ["flicker"]
    strays = np.array([one.flicker_ev for one in audit.by_frame])
    assert np.abs(strays) == pytest.approx(np.full(POSES, 0.3), abs=0.04)


def test_camera_knocked_for_good_is_one_finding_at_the_right_frame(tmp_path):
    shoot = make_shoot(POSES)
    for shot in shoot.shots[14:]:
        shot.dx, shot.dy = 4.0, -2.0
    audit = audited(shoot, tmp_path)
    assert odd_ones(audit) == {} and codes(audit) == ["bumped"]
    assert audit.findings[0].where == "pict0015.jpg"


def test_creeping_tripod_is_said(tmp_path):
    shoot = make_shoot(POSES)
    for index, shot in enumerate(shoot.shots):
        shot.dy = 0.2 * index
    audit = audited(shoot, tmp_path)
    assert odd_ones(audit) == {} and codes(audit) == ["creep"]


def test_focus_that_changes_for_good_is_said_at_the_right_frame(tmp_path):
    shoot = make_shoot(POSES)
    for shot in shoot.shots[15:]:
        shot.blur = 1.2
    audit = audited(shoot, tmp_path)
    assert codes(audit) == ["focus-changed"]
    assert audit.findings[0].where == "pict0016.jpg"


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda t_s: t_s * 1.03, "drift"),
        (lambda t_s: t_s + 500 * (t_s > 500), "pause"),
    ],
)
def test_clock_drift_and_pause_are_said_and_harm_nothing(tmp_path, change, code):
    shoot = make_shoot(POSES)
    for shot in shoot.shots:
        shot.t_s = float(change(shot.t_s))
    audit = audited(shoot, tmp_path)
    assert odd_ones(audit) == {} and codes(audit) == [code]
    assert audit.filmable == POSES


@pytest.mark.parametrize("by_s", [3600, -3600])
def test_daylight_saving_in_mid_shoot_is_said_and_harms_nothing(tmp_path, by_s):
    shoot = make_shoot(POSES)
    shoot.clock_jump_s = {12: by_s}
    audit = audited(shoot, tmp_path)
    assert odd_ones(audit) == {} and codes(audit) == ["clock-jump"]
    assert [one.frame_index for one in audit.by_pose] == list(range(POSES))


def test_damaged_frame_is_unreadable_and_the_rest_is_judged(tmp_path):
    shoot = make_shoot(POSES)
    written = shoot.write(tmp_path)
    data = written[MIDDLE].read_bytes()
    written[MIDDLE].write_bytes(data[: len(data) // 3])
    audit = audit_frames(load_frames([tmp_path]), shoot.plan)
    assert odd_ones(audit) == {MIDDLE: "unreadable"} and codes(audit) == ["unreadable"]
    assert audit.by_pose[MIDDLE].verdict.name == "unreadable"


def test_even_gaps_with_one_lost_at_an_end_ask_for_an_anchor(tmp_path):
    shoot = make_shoot(POSES, even=True)
    del shoot.shots[0]
    audit = audited(shoot, tmp_path)
    assert "alias" in codes(audit)
    told = audit_frames(audit.frames, shoot.plan, anchors={"pict0003.jpg": 4})
    assert codes(told) == ["missing"] and told.by_pose[0].verdict.name == "missing"
    with pytest.raises(FrameError, match="there is no frame nowhere"):
        audit_frames(audit.frames, shoot.plan, anchors={"nowhere.jpg": 4})


def test_named_static_part_gives_the_same_verdicts(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots[MIDDLE].dx = 3.4
    audit = audited(shoot, tmp_path, static_px=(100, 10, 55, 60))
    assert odd_ones(audit) == {MIDDLE: "moved"}
    with pytest.raises(FrameError, match="is not inside the picture of 160 x 120 px"):
        audit_frames(audit.frames, shoot.plan, static_px=(150, 10, 55, 60))


def test_scene_without_texture_says_that_it_cannot_measure(tmp_path, monkeypatch):
    from tests.frames import shoot as drawing

    monkeypatch.setattr(drawing, "STILL", np.full((120, 160), 0.5))
    monkeypatch.setattr(drawing, "coded_scene", drawing.coded_scene.__wrapped__)
    made = make_shoot(8)
    for shot in made.shots:
        shot.carriage = None
    assert "no-static-area" in codes(audited(made, tmp_path))


def test_without_a_plan_the_pictures_are_judged_among_themselves(tmp_path):
    shoot = make_shoot(POSES)
    shoot.shots[MIDDLE].blur = 1.5
    shoot.write(tmp_path)
    audit = audit_frames(load_frames([tmp_path]))
    assert odd_ones(audit) == {MIDDLE: "blurred"}
    assert audit.filmable == POSES - 1 and audit.by_pose == ()


def timer_shoot(poses=9, interval_s=2.0, still_s=3.0, *, rate=1.0, lead_s=10.0, hidden=()):
    """A free-running timer: parked only while a pose lasts, the carriage anywhere else."""
    rng = np.random.default_rng(1)
    plan = make_plan(poses, interval_s=interval_s, gap_s=(12, 26))
    plan = replace(plan, poses=tuple(replace(pose, still_s=still_s) for pose in plan.poses))
    due_s = np.array([pose.t_s for pose in plan.poses]) * rate
    shots, parked = [], {}
    for t_s in np.arange(-lead_s + 0.7, due_s[-1] + 10, interval_s):
        pose = int(np.searchsorted(due_s, t_s, side="right")) - 1
        if pose >= 0 and t_s < due_s[pose] + still_s and pose not in hidden:
            parked.setdefault(pose, []).append(len(shots))
            shots.append(Shot(t_s=float(t_s), grown=(pose + 1) / poses))
        else:
            place = (rng.uniform(0.3, 0.7), rng.uniform(0.2, 0.8))
            grown = max(0.0, (pose + 0.5) / poses)
            shots.append(Shot(t_s=float(t_s), grown=grown, carriage=place))
    return Shoot(plan=plan, shots=shots), parked


@pytest.mark.parametrize(
    "wishes", [{}, {"rate": 1.03}, {"lead_s": 80.0}, {"interval_s": 4.0, "still_s": 5.0}]
)
def test_interval_shoot_gives_each_pose_a_parked_frame(tmp_path, wishes):
    shoot, parked = timer_shoot(**wishes)
    audit = audited(shoot, tmp_path)
    for index, one in enumerate(audit.by_pose):
        assert one.verdict.name == "good" and one.frame_index in parked[index]
    assert set(Counter(verdicts(audit))) == {"good", "between"}
    assert codes(audit) == []


def test_interval_shoot_takes_the_sharper_of_two_parked_frames(tmp_path):
    shoot, parked = timer_shoot(still_s=4.5)
    pose = next(k for k, frames in parked.items() if len(frames) > 1)
    shoot.shots[parked[pose][0]].blur = 1.0
    audit = audited(shoot, tmp_path)
    assert audit.by_pose[pose].frame_index in parked[pose][1:]


def test_interval_shoot_names_the_pose_nobody_saw_parked(tmp_path):
    shoot, parked = timer_shoot(hidden=(5,))
    audit = audited(shoot, tmp_path)
    assert audit.by_pose[5].verdict.name in ("not parked", "missing")
    right = [one.frame_index in parked.get(k, []) for k, one in enumerate(audit.by_pose)]
    assert [k for k, is_right in enumerate(right) if not is_right] == [5]


def test_first_layer_that_shines_otherwise_than_those_after_it_is_no_fault(tmp_path):
    """Its lines lie the other way; no frame before it can tell that nothing else moved."""
    shoot = make_shoot(POSES)
    shoot.write(tmp_path)
    first = tmp_path / "pict0001.jpg"
    with Image.open(first) as picture:
        exif, pixels = picture.getexif(), np.asarray(picture).copy()
    pixels[112:119, 20:60] = np.clip(pixels[112:119, 20:60].astype(int) + 32, 0, 255)
    Image.fromarray(pixels.astype(np.uint8)).save(first, quality=95, exif=exif)
    assert odd_ones(audit_frames(load_frames([tmp_path]), shoot.plan)) == {}


def test_plate_that_sinks_in_the_whole_picture_is_not_taken_for_a_moving_camera(tmp_path):
    """All in sight moves from frame to frame, and not all of it alike, as over a bed that sinks."""
    shoot = make_shoot(20, moves="bed-z")
    for index, shot in enumerate(shoot.shots):
        shot.dy, shot.turn_deg = 2.0 * index, 1.5 * index
    audit = audited(shoot, tmp_path)
    assert "no-static-area" in codes(audit)
    assert not {"moved", "bumped", "creep"} & {*codes(audit), *verdicts(audit)}
    corrections = plan_film(audit, FilmWishes()).corrections.values()
    assert {(one.dx_px, one.dy_px) for one in corrections} == {(0.0, 0.0)}
