"""Whole shoots watched in time lapse: each fault told within a layer, and nothing else.

The scene is drawn apart from ours (tests/film/scene.py); the clock is turned by hand.
"""

from __future__ import annotations

import os
from dataclasses import replace

import numpy as np
import pytest

from capturehook.attend.watch import Wishes
from capturehook.errors import FileError
from tests.attend.lapse import LARGE, Lapse
from tests.film.scene import Shot


def test_clean_shoot_rings_never_and_ends_with_the_audit(tmp_path):
    lapse = Lapse(tmp_path, frames=12, size_px=LARGE)
    lapse.run()
    lapse.finish()
    assert lapse.codes() == [] and lapse.attendant.done
    audit = lapse.attendant.audit()
    assert audit.filmable == lapse.frames and audit.findings == ()


def test_part_and_gantry_that_grow_in_large_steps_ring_never(tmp_path):
    lapse = Lapse(tmp_path, frames=12, high=20, photo="workshop", size_px=(640, 480))
    lapse.run()
    assert lapse.codes() == []


def test_four_faults_are_each_told_within_one_layer_and_nothing_else(tmp_path):
    lapse = Lapse(tmp_path, photo="table", frames=18, size_px=LARGE)
    shots = lapse.scene.shots
    shots[6].gain = (0.2, 0.2, 0.2)
    shots[9].blur_px = 2.5
    for shot in shots[15:]:
        shot.dx, shot.dy = 7.0, -4.0
    lapse.run(skip=(12,))
    lapse.finish()
    rung = lapse.rung()
    assert [code for code, _ in rung] == ["dark", "blurred", "missing", "knocked"]
    assert [pose for _, pose in rung] == [6, 9, 13, 16]
    assert set(lapse.codes()) == {"dark", "blurred", "missing", "knocked", "moved"}
    assert lapse.attendant.done


def test_double_overexposed_odd_and_damaged_frames_are_told_within_one_layer(tmp_path):
    lapse = Lapse(tmp_path, photo="workshop", frames=19, size_px=LARGE)
    shots = lapse.scene.shots
    shots[7].gain = (4.0, 4.0, 4.0)
    shots[10].head_at = (0.45, 0.35)
    shots[13].damage = 0.5
    lapse.run(last=17)
    lapse.take(replace(shots[16], t_s=shots[16].t_s + 1.5))
    lapse.run(first=17)
    rung = lapse.rung()
    assert [code for code, _ in rung] == ["overexposed", "not-parked", "unreadable", "double"]
    told_at = [pose - due for (_, pose), due in zip(rung, (7, 10, 13, 16), strict=True)]
    assert all(0 <= late <= 1 for late in told_at), told_at


def test_dark_from_one_frame_on_rings_once(tmp_path):
    lapse = Lapse(tmp_path, frames=10, size_px=LARGE)
    for shot in lapse.scene.shots[7:]:
        shot.gain = (0.15, 0.15, 0.15)
    lapse.run()
    assert lapse.rung() == [("dark", 7)]
    assert lapse.codes().count("dark") == 3


def test_print_that_pauses_is_late_once_and_then_goes_on(tmp_path):
    lapse = Lapse(tmp_path)
    lapse.pause(10, 1500)
    lapse.run()
    assert [code for code, _ in lapse.rung()] == ["late"]
    assert lapse.codes() == ["late", "pause", "back"]
    assert lapse.attendant.pairing.pose_of == list(range(lapse.frames))


def test_camera_that_stops_is_late_within_two_layers(tmp_path):
    lapse = Lapse(tmp_path)
    lapse.run(skip=tuple(range(12, lapse.frames)))
    code, pose = lapse.rung()[0]
    assert code == "late" and pose in (13, 14) and len(lapse.rung()) == 1
    lapse.wait_until(lapse.now_s + 3000, 99, 60.0)
    assert lapse.attendant.done and len(lapse.rung()) == 1


def test_print_that_starts_hours_late_is_told_once(tmp_path):
    lapse = Lapse(tmp_path, frames=8)
    lapse.begin_s += 7200
    lapse.run()
    assert lapse.codes() == ["late", "back"]


def test_shots_by_hand_before_the_print_do_not_shift_the_poses(tmp_path):
    lapse = Lapse(tmp_path)
    for t_s in (-700.0, -650.0):
        lapse.wait_until(lapse.begin_s + t_s, 0)
        lapse.take(Shot(t_s=t_s, grown=0.0))
    lapse.run()
    assert lapse.rung() == []
    assert lapse.attendant.pairing.pose_of[-10:] == list(range(lapse.frames - 10, lapse.frames))


@pytest.mark.parametrize("by_s", [3600.0, -3600.0])
def test_camera_clock_set_in_mid_shoot_is_told_and_harms_nothing(tmp_path, by_s):
    lapse = Lapse(tmp_path)
    lapse.run(last=12)
    lapse.ahead_s -= by_s
    lapse.run(first=12)
    assert lapse.codes() == ["clock-jump"] and lapse.rung() == []
    assert lapse.attendant.pairing.pose_of == list(range(lapse.frames))


def test_names_that_restart_after_9999_are_followed(tmp_path):
    lapse = Lapse(tmp_path, frames=14, number=9994)
    lapse.run()
    assert lapse.codes() == []
    assert lapse.attendant.pairing.pose_of == list(range(14))


def test_restart_in_mid_shoot_goes_on_where_it_was(tmp_path):
    lapse = Lapse(tmp_path, frames=12, size_px=LARGE)
    lapse.scene.shots[10].blur_px = 2.5
    lapse.run(last=7)
    for index in (7, 8):  # nobody looks meanwhile
        lapse.now_s = lapse.begin_s + lapse.scene.shots[index].t_s + 3
        lapse.take(lapse.scene.shots[index])
    lapse.begin()
    lapse.run(first=9)
    assert lapse.rung() == [("blurred", 10)]
    assert set(lapse.codes()) == {"resumed", "blurred"}
    assert lapse.attendant.pairing.pose_of == list(range(lapse.frames))


def test_state_that_is_damaged_or_foreign_is_refused_with_what_to_do(tmp_path):
    lapse = Lapse(tmp_path / "a", frames=8)
    lapse.run(last=4)
    state = lapse.folder / "plan.attend.json"
    good = state.read_text()
    for bad in (good.replace('"rate": 1', '"rate": 2'), good[:-30], "[]", "{}", "[" * 5000, "\0"):
        assert bad != good
        state.write_text(bad)
        with pytest.raises(FileError, match="Delete it to begin anew"):
            lapse.begin()
        assert state.read_text() == bad
    state.write_text(good)
    other = Lapse(tmp_path / "b", frames=8, seed=9)
    (other.folder / "plan.attend.json").write_text(good)
    with pytest.raises(FileError, match="belongs to the watch of another plan"):
        other.begin()


@pytest.mark.parametrize("gaps_s", [(12, 28), (20, 240), (200, 900)])
def test_plan_of_another_job_is_said_once(tmp_path, gaps_s):
    lapse = Lapse(tmp_path, frames=20)
    t_s = np.cumsum(np.random.default_rng(3).uniform(*gaps_s, 20))
    for shot, due in zip(lapse.scene.shots, t_s.tolist(), strict=True):
        shot.t_s = due
    lapse.run()
    assert "other-plan" in [code for code, _ in lapse.rung()]
    assert lapse.codes().count("other-plan") == 1


@pytest.mark.parametrize("rate", [0.8, 1.3])
def test_print_that_runs_faster_or_slower_than_planned_is_no_other_plan(tmp_path, rate):
    lapse = Lapse(tmp_path)
    for shot in lapse.scene.shots:
        shot.t_s *= rate
    lapse.run()
    assert lapse.rung() == []
    assert lapse.attendant.pairing.pose_of == list(range(lapse.frames))


def test_file_that_is_written_slowly_is_waited_for(tmp_path):
    lapse = Lapse(tmp_path, frames=8)
    lapse.run(last=4)
    shot = lapse.scene.shots[4]
    lapse.wait_until(lapse.begin_s + shot.t_s + 3, 4)
    path = lapse.take(shot)
    whole = path.read_bytes()
    for share in (0.2, 0.5, 0.9):
        path.write_bytes(whole[: int(len(whole) * share)])
        for _ in range(4):
            lapse.now_s += 2.0
            lapse.look(4)
    path.write_bytes(whole)
    for _ in range(2):
        lapse.now_s += 2.0
        lapse.look(4)
    lapse.run(first=5)
    assert lapse.codes() == []


def test_pictures_that_lie_unread_are_read_before_any_frame_is_called_late(tmp_path):
    """A busy computer: nobody looks for minutes, and all the while the camera goes on."""
    lapse = Lapse(tmp_path, frames=14)
    lapse.run(last=5)
    for shot in lapse.scene.shots[5:]:
        lapse.take(shot)
    lapse.now_s = lapse.begin_s + lapse.scene.shots[-1].t_s + 1800
    lapse.look(14)
    lapse.finish()
    assert lapse.codes() == [] and lapse.attendant.done
    assert lapse.attendant.pairing.pose_of == list(range(14))


def test_frame_still_on_its_way_is_not_missing_though_the_next_is_there(tmp_path):
    lapse = Lapse(tmp_path, frames=10)
    lapse.run(last=5)
    path, _ = lapse.take(lapse.scene.shots[5]), lapse.take(lapse.scene.shots[6])
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    lapse.now_s = lapse.begin_s + lapse.scene.shots[6].t_s + 3
    for _ in range(4):
        lapse.look(6)
        lapse.now_s += 2.0
    path.write_bytes(whole)
    lapse.run(first=7)
    assert lapse.codes() == []
    assert lapse.attendant.pairing.pose_of == list(range(10))


@pytest.mark.parametrize("content", [b"", b"half a picture"])
def test_file_that_is_never_whole_hides_a_silent_camera_for_no_layer(tmp_path, content):
    lapse = Lapse(tmp_path)
    lapse.run(last=12)
    for k in range(100):  # written anew all the time, as a picture for focusing is
        lapse.now_s += 2.0
        (lapse.card / "live.jpg").write_bytes(content * (k % 2 + 1))
        os.utime(lapse.card / "live.jpg", (k, k))
        lapse.look(12 + k // 20)
    assert [code for code, _ in lapse.rung()] == ["late"]


def test_frame_written_again_is_told_and_one_over_another_rings(tmp_path):
    lapse = Lapse(tmp_path, frames=10)
    lapse.run(last=5)
    again = lapse.card / "DSC_0005.JPG"
    again.write_bytes(again.read_bytes() + b"\0" * 10)
    lapse.run(first=5, last=7)
    assert lapse.codes() == ["rewritten"]
    lapse.number = 7
    lapse.run(first=7)
    assert lapse.rung() == [("written-over", 7)]
    assert lapse.attendant.pairing.pose_of == list(range(10))


def test_card_that_is_pulled_is_told_once_and_told_back(tmp_path):
    lapse = Lapse(tmp_path, frames=12)
    lapse.run(last=6)
    lapse.card.rename(tmp_path / "pulled")
    lapse.wait_until(lapse.now_s + 20, 6)
    (tmp_path / "pulled").rename(lapse.card)
    lapse.run(first=6)
    assert [code for code, _ in lapse.rung()] == ["folder-gone"]
    assert lapse.codes() == ["folder-gone", "folder-back"]


def test_card_that_is_pulled_from_a_folder_that_stays_is_told(tmp_path):
    lapse = Lapse(tmp_path, frames=12)
    lapse.run(last=6)
    for path in lapse.card.iterdir():
        path.unlink()
    lapse.wait_until(lapse.now_s + 20, 6)
    assert lapse.codes() == ["folder-gone"]


def test_a_thousand_files_of_other_kinds_links_and_hidden_ones_count_for_nothing(tmp_path):
    lapse = Lapse(tmp_path, frames=8)
    secret = tmp_path / "secret"
    secret.mkdir()
    lapse.run(last=3)
    for path in sorted(lapse.card.iterdir()):
        (secret / path.name).write_bytes(path.read_bytes())
    for k in range(1000):
        (lapse.card / f"note{k}.txt").write_text("no picture")
        (lapse.card / f".hidden{k}.jpg").write_text("no picture")
    (lapse.card / "linked.jpg").symlink_to(secret / "DSC_0001.JPG")
    (lapse.card / "more").symlink_to(secret, target_is_directory=True)
    os.mkfifo(lapse.card / "pipe.jpg")
    lapse.run(first=3)
    assert lapse.codes() == []
    assert len(lapse.attendant.taken) == 8


def test_a_thousand_pictures_that_are_none_ring_once(tmp_path):
    lapse = Lapse(tmp_path, frames=12)
    lapse.run(last=5)
    for k in range(1000):
        (lapse.card / f"junk{k}.jpg").write_bytes(b"no picture \xff\xd9")
    lapse.run(first=5)
    assert [code for code, _ in lapse.rung()] == ["unreadable"]
    assert lapse.attendant.pairing.pose_of == list(range(12))


def test_pictures_of_an_older_shoot_do_not_count(tmp_path):
    lapse = Lapse(tmp_path, frames=10)
    for k in range(4):
        lapse.take(Shot(t_s=-90_000.0 + 60 * k, grown=0.5))
    lapse.begin()
    lapse.run()
    assert lapse.codes() == ["old-files"] and lapse.rung() == []


def test_old_card_put_in_during_the_shoot_does_not_count(tmp_path):
    lapse = Lapse(tmp_path, frames=10)
    lapse.run(last=5)
    for k in range(4):
        path = lapse.take(Shot(t_s=-90_000.0 + 60 * k, grown=0.5))
        path.rename(lapse.card / f"OLD_{k:04d}.JPG")
    lapse.number = 6
    lapse.run(first=5)
    assert lapse.codes() == ["old-files"]


def test_card_and_battery_that_will_not_last_ring_once_each(tmp_path):
    lapse = Lapse(tmp_path, frames=12, wishes=Wishes(shots_left=9))
    lapse.run(last=5)
    assert lapse.rung() == [("battery", 0)]
    size = (lapse.card / "DSC_0003.JPG").stat().st_size
    lapse.free = 4 * size
    lapse.run(first=5)
    assert lapse.rung() == [("battery", 0), ("card", 5)]


def test_stated_card_is_held_against_what_the_frames_take(tmp_path):
    lapse = Lapse(tmp_path, frames=12, wishes=Wishes(card_gb=5e-6))
    lapse.run(last=4)
    assert [code for code, _ in lapse.rung()] == ["card"]


def test_interval_timer_is_watched_for_frames_that_stop_and_lamps_that_fail(tmp_path):
    lapse = Lapse(tmp_path, frames=16, size_px=LARGE)
    lapse.plan = replace(lapse.plan, interval_s=60.0)
    lapse.begin()
    for k, shot in enumerate(lapse.scene.shots):
        shot.t_s = 60.0 * k
        shot.head_at = (0.3 + 0.02 * (k % 9), 0.5)
    lapse.scene.shots[9].gain = (0.1, 0.1, 0.1)
    lapse.run(last=14)
    lapse.wait_until(lapse.now_s + 400, 14)
    assert [code for code, _ in lapse.rung()] == ["dark", "late"]
