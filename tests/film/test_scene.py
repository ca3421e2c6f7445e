"""Films of a scene that is drawn apart from ours, measured by a script that imports nothing of it.

Bars at a tenth of a camera's size; `python -m tests.film.measure_film` measures them at full size.
"""

from __future__ import annotations

import numpy as np
import pytest

from capturehook.audit.judge import audit_frames
from capturehook.film.assemble import assemble_film
from capturehook.film.wishes import FilmWishes
from capturehook.frames.listing import load_frames
from capturehook.model.plan import load_plan
from tests.film.measure_film import film_pictures, quality_of
from tests.film.scene import Scene, plan_of

SIZE = (800, 600)


def audited(scene, folder):
    scene.write(folder / "card")
    plan = load_plan(plan_of(scene, folder / "plan.json"))
    return audit_frames(load_frames([folder / "card"]), plan)


def faults(audit):
    return {
        one.frame_index: one.verdict.name for one in audit.by_frame if one.verdict.name != "good"
    }


@pytest.fixture(scope="module")
def shaken(tmp_path_factory):
    scene = Scene(size_px=SIZE, frames=14, photo="table", seed=3).shake(1.0, 0.03, knocks=1)
    return audited(scene.light("lamp", ev=0.2), tmp_path_factory.mktemp("shaken"))


@pytest.fixture(scope="module")
def films(shaken, tmp_path_factory):
    folder = tmp_path_factory.mktemp("films")
    measured = {}
    for name, wishes in (
        ("as shot", FilmWishes(align="none", codec="ffv1")),
        ("default", FilmWishes(even_light="lamps", codec="ffv1")),
    ):
        report = assemble_film(shaken, folder / f"{name}.mkv", wishes)
        measured[name] = quality_of(film_pictures(folder / f"{name}.mkv"), SIZE[0]), report
    return measured


def test_knocks_turns_and_flicker_are_taken_out_by_default(films):
    shot, film = films["as shot"][0], films["default"][0]
    assert shot.rms_px > 1 and shot.light_ev > 0.1 and shot.colour_ev > 0.02
    assert film.rms_px < 0.1 and film.worst_px < 0.25
    assert film.light_ev < 0.01 and film.colour_ev < 0.007


def test_alignment_says_what_it_chose_and_what_is_left(films):
    shot, alignment = films["as shot"][0], films["default"][1].alignment
    assert alignment.model == "turn"
    assert alignment.before_px[0] == pytest.approx(shot.rms_px, rel=0.5)
    assert alignment.after_px[0] < 0.1 < alignment.before_px[0]
    assert "turns and scale undone" in alignment.text()


def test_shaken_shoot_has_no_false_fault_and_a_growing_part_does_not_pump(shaken):
    assert faults(shaken) == {}
    assert not {"creep", "focus-changed"} & {one.code for one in shaken.findings}
    lamps = np.array([one.flicker_ev for one in shaken.by_frame])
    assert np.abs(lamps).max() < 0.6


KINDS = {
    "dark": {"gain": (0.2, 0.2, 0.2)},
    "overexposed": {"gain": (4.0, 4.0, 4.0)},
    "blurred": {"blur_px": 1.4},
    "unreadable": {"damage": 0.5},
    "not parked": {"head_at": (0.45, 0.35)},
    "moved": {"dx": 9.0, "dy": -4.0},
}


@pytest.mark.parametrize("size_px", [(640, 480), (800, 600)])
def test_each_kind_of_fault_is_found_and_nothing_else(tmp_path, size_px):
    scene = Scene(size_px=size_px, frames=24, photo="workshop", seed=5)
    wanted = {}
    for place, (kind, change) in enumerate(KINDS.items()):
        index = 3 + 3 * place
        for name, value in change.items():
            setattr(scene.shots[index], name, value)
        wanted[index] = kind
    assert faults(audited(scene, tmp_path)) == wanted


def test_camera_turned_away_is_lost_and_left_out(tmp_path):
    """A picture of something else: nothing of the still part is found again."""
    scene = Scene(size_px=(480, 360), frames=12, photo="garden", seed=2)
    scene.write(tmp_path / "card")
    other = Scene(size_px=(480, 360), frames=12, photo="table", seed=8)
    other.shots[5].dx, other.shots[5].dy, other.shots[5].turn_deg = 30.0, 20.0, 20.0
    (tmp_path / "other").mkdir()
    other.write(tmp_path / "other")
    name = "DSC_0006.JPG"
    (tmp_path / "card" / name).write_bytes((tmp_path / "other" / name).read_bytes())
    plan = load_plan(plan_of(scene, tmp_path / "plan.json"))
    audit = audit_frames(load_frames([tmp_path / "card"]), plan)
    assert faults(audit) == {5: "moved"}
    assert np.isnan(audit.measures.dx_px[5]) and audit.measures.peak[5] < 0.15


def test_settings_that_change_are_told_with_what_they_did(tmp_path):
    scene = Scene(size_px=(480, 360), frames=12, photo="garden", seed=2)
    for shot in scene.shots[7:]:
        shot.exposure_s, shot.gain = 1 / 60, (0.5, 0.5, 0.5)
    told = [one for one in audited(scene, tmp_path).findings if one.code == "settings-changed"]
    assert [one.where for one in told] == ["DSC_0008.JPG"]
    assert "from 1/30 s f/8 ISO 200 to 1/60 s f/8 ISO 200 (the picture by -1.0" in told[0].text


def test_frame_without_a_time_is_not_early(tmp_path):
    scene = Scene(size_px=(480, 360), frames=12, photo="garden", seed=2)
    scene.shots[4].t_exif = False
    assert faults(audited(scene, tmp_path)) == {}
