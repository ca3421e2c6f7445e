"""A resin part hanging from its plate, against the geometry of cones and of a pinhole camera."""

from __future__ import annotations

import json
import math
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image

from capturehook.cli.main import run
from capturehook.demo.resin import SCREEN_MM, resin_lighthouse
from capturehook.errors import FrameError, PlanError
from capturehook.model.plan import load_plan
from capturehook.rehearse.canvas import PART, owner_of
from capturehook.rehearse.hanging import (
    HangingStage,
    Scene,
    plate_heights,
    rehearse_resin,
)
from capturehook.rehearse.room import Wishes
from capturehook.rehearse.run import Asked
from capturehook.rehearse.slabs import read_slabs, skin_of, underside
from capturehook.resin.job import load_resin_profile, read_job
from capturehook.resin.pose import insert_poses
from capturehook.resin.shoot import plan_shoot
from tests.resin.resin_jobs import command_text, png, write_command_job

LAYERS = 24
PROFILE, TABLE = load_resin_profile("tern")
WIDE, HIGH = 160, 90
PITCH_MM = SCREEN_MM / WIDE


def disc(radius_mm: float) -> bytes:
    """A layer image with a disc in its middle."""
    x = (np.arange(WIDE) + 0.5 - WIDE / 2) * PITCH_MM
    y = (np.arange(HIGH)[:, None] + 0.5 - HIGH / 2) * PITCH_MM
    return png((np.hypot(x, y) <= radius_mm) * 255)


@pytest.fixture(scope="module")
def cone_job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """24 layers of 1 mm: radius 20 mm at the plate, falling by half a millimetre each."""
    path = tmp_path_factory.mktemp("job") / "cone.zip"
    text = command_text(LAYERS, layer_mm=1.0, lift_mm=6.0)
    return write_command_job(path, text, [disc(20 - 0.5 * k) for k in range(LAYERS)])


@pytest.fixture(scope="module")
def posed_job(cone_job: Path) -> Path:
    posed = cone_job.with_name("posed.zip")
    insert_poses(cone_job, posed, PROFILE, TABLE, every=2)
    return posed


def stage_of(path: Path, size: tuple[int, int] = (320, 180)):
    scene = scene_of(path)
    return HangingStage(scene.hanging, scene.view(Wishes(), size)), scene.shoot


def scene_of(path: Path, every: int | None = None) -> Scene:
    job = read_job(path, TABLE)
    shoot = plan_shoot(job, PROFILE, TABLE, every)
    return Scene(job=job, shoot=shoot, profile=PROFILE, table=TABLE)


def test_slabs_are_as_wide_and_high_as_the_cone(cone_job):
    slabs = read_slabs(read_job(cone_job, TABLE), SCREEN_MM, 24)
    low, high = slabs.bounds_mm()
    assert len(slabs) == LAYERS and slabs.pitch_mm == PITCH_MM
    assert low[:2] == pytest.approx((-20, -20), abs=PITCH_MM)
    assert high[:2] == pytest.approx((20, 20), abs=PITCH_MM)
    assert (low[2], high[2]) == pytest.approx((-LAYERS, 0))
    assert [slabs.done(layer) for layer in (1, 2, LAYERS)] == [1, 2, LAYERS]


def test_skin_lies_on_the_cone_and_its_normals_are_the_cones(cone_job):
    """The side falls in by 1/2: its normal leans down by atan(1/2)."""
    slabs = read_slabs(read_job(cone_job, TABLE), SCREEN_MM, 24)
    skin = skin_of(slabs, 12, 0.3)
    side = np.abs(skin.normal[:, 2]) < 0.95
    out = np.hypot(skin.a_mm[side, 0], skin.a_mm[side, 1])
    assert out == pytest.approx(np.full(len(out), 14.0), abs=1.2 * PITCH_MM)
    radial = skin.a_mm[side, :2] / out[:, None]
    straight = (skin.normal[side, :2] * radial).sum(axis=1)
    lean = np.degrees(np.arctan2(-skin.normal[side, 2], straight))
    assert np.median(lean) == pytest.approx(math.degrees(math.atan(0.5)), abs=4)
    assert np.linalg.norm(skin.normal, axis=1) == pytest.approx(np.ones(len(skin.normal)))


def test_underside_covers_the_whole_disc(cone_job):
    slabs = read_slabs(read_job(cone_job, TABLE), SCREEN_MM, 24)
    skin = underside(slabs, 4, PITCH_MM)
    area_mm2 = (skin.b_mm - skin.a_mm)[:, 0].sum() * PITCH_MM
    assert area_mm2 == pytest.approx(math.pi * 18**2, rel=0.02)
    assert (skin.normal == (0, 0, -1)).all() and (skin.a_mm[:, 2] == -5).all()


def test_plate_is_at_the_pose_or_at_the_top_of_the_lift(cone_job, posed_job):
    posed = read_job(posed_job, TABLE)
    assert set(plate_heights(posed, plan_shoot(posed, PROFILE, TABLE))) == {TABLE.pose.z_mm}
    free = read_job(cone_job, TABLE)
    shoot = plan_shoot(free, PROFILE, TABLE.model_copy(update={"vat_rim_mm": 5.0}))
    # The lift of 6 mm at 60 mm/min takes the 6 s of the delay. The sensor opens 0.3 s after the
    # light, the shutter's middle comes 0.12 + 0.125 s later, and it goes down at 2.5 mm/s.
    expected = [pose.z_mm + 6 - 0.545 * 2.5 for pose in shoot.plan.poses]
    assert plate_heights(free, shoot) == pytest.approx(expected, abs=0.01)


def test_part_grows_downwards_to_where_the_camera_must_see_its_tip(posed_job):
    stage, shoot = stage_of(posed_job)
    px, lowest = [], []
    for shot in stage.shots():
        px.append(shot.part_px)
        rows = np.flatnonzero((owner_of(stage.moving.keys) == PART).any(axis=1))
        lowest.append(rows[-1])
        assert shot.hidden_px == 0 and shot.rgb.shape == (180, 320, 3)
    assert len(px) == len(shoot.plan.poses) == 12
    assert (np.diff(px) > 0).all() and (np.diff(lowest) > 0).all()
    # the disc of the last layer has 8.5 mm radius: its nearest point hangs lowest in the picture
    ring = np.radians(np.arange(0, 360, 5))
    z = np.full_like(ring, TABLE.pose.z_mm - LAYERS)
    points = np.stack([8.5 * np.cos(ring), 8.5 * np.sin(ring), z], axis=1)
    row = stage.moving.view.to_pixels(points)[:, 1].max()
    assert lowest[-1] + 1 == pytest.approx(row, abs=5)  # half a pixel of the image is 4


def test_silhouette_at_the_plate_is_as_wide_as_projection_says(posed_job):
    stage, _ = stage_of(posed_job)
    for _ in stage.shots():
        pass
    columns = np.flatnonzero((owner_of(stage.moving.keys) == PART).any(axis=0))
    ring = np.radians(np.arange(0, 360, 1))
    at_plate = np.full_like(ring, TABLE.pose.z_mm)
    points = np.stack([20 * np.cos(ring), 20 * np.sin(ring), at_plate], axis=1)
    x = stage.moving.view.to_pixels(points)[:, 0]
    pitch_px = PITCH_MM * stage.moving.view.focal_px / stage.moving.view.to_camera(points[0])[2]
    assert columns[0] == pytest.approx(x.min(), abs=pitch_px)
    assert columns[-1] + 1 == pytest.approx(x.max(), abs=pitch_px)


def test_solid_part_has_no_holes_in_the_picture(posed_job):
    """Every row of the part is one run: nothing of the wall shows through."""
    stage, _ = stage_of(posed_job)
    for _ in stage.shots():
        pass
    part = owner_of(stage.moving.keys) == PART
    runs = (np.diff(np.pad(part, ((0, 0), (1, 1))).astype(int), axis=1) == 1).sum(axis=1)
    inside = np.flatnonzero(runs)[2:-2]
    assert (runs[inside] == 1).mean() > 0.97


def test_vats_rim_hides_what_hangs_in_it(tmp_path):
    """Fired at the top of a 6 mm lift the lowest layers are deep in the vat."""
    path = tmp_path / "tall.zip"
    text = command_text(60, layer_mm=1.0, lift_mm=6.0)
    write_command_job(path, text, [disc(12)] * 60)
    scene = scene_of(path, 6)
    assert scene.shoot.by == "light"
    made = rehearse_resin(scene, Wishes(), Asked(size=(160, 90)))
    # 60 mm hang from 66 mm (less what it came down until the exposure), the rim is at 35 mm
    deep_mm = 35 - (66 - 0.545 * 2.5 - 60)
    found = {finding.code: finding.text for finding in made.findings}
    assert found["part-hidden"].startswith(f"{deep_mm:.0f} mm of the finished part's 60 mm")
    assert 0.05 < made.sights[-1].hidden_share < 0.5
    assert made.park is None and made.as_json()["park"] is None


def test_slabs_out_of_the_picture_are_left_out_and_nothing_else(tmp_path, monkeypatch):
    path = tmp_path / "tall.zip"
    write_command_job(path, command_text(60, layer_mm=1.0, lift_mm=6.0), [disc(12)] * 60)
    stage, _ = stage_of(path)
    last = list(stage.shots())[-1]
    left_out = (~stage._in_picture(np.array((0, 0, stage.hanging.plate_mm[-1])))).sum()
    assert 5 < left_out < 35  # of 60 mm, 30 hang below the rim and the picture shows a few of them
    every = np.ones(len(stage.hanging.slabs), bool)
    monkeypatch.setattr(HangingStage, "_in_picture", lambda self, offset: every)
    whole, _ = stage_of(path)
    assert (list(whole.shots())[-1].rgb == last.rgb).all()


def test_job_whose_images_are_dark_is_refused(tmp_path):
    path = write_command_job(tmp_path / "dark.zip", command_text(4), [disc(0.0)] * 4)
    with pytest.raises(FrameError, match="no layer image that lights anything"):
        read_slabs(read_job(path, TABLE), SCREEN_MM, 4)


def test_still_of_a_pose_that_is_not_there_is_refused(posed_job, tmp_path):
    asked = Asked(size=(160, 90), stills={13: tmp_path / "still.png"})
    with pytest.raises(PlanError, match="there is no pose 13"):
        rehearse_resin(scene_of(posed_job), Wishes(), asked)


def call(capsys, *words: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        run([str(word) for word in words])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def test_command_draws_film_still_and_frames_of_a_container(posed_job, tmp_path, capsys):
    before = posed_job.read_bytes()
    call(capsys, "resin", posed_job, "-p", "tern", "--plan", tmp_path / "plan.json")
    words = ("-o", tmp_path / "film.mp4", "--still", 12, tmp_path / "still.png", "--json",
             "--frames", tmp_path / "card", "--fault", "missing=3")  # fmt: skip
    code, out, _ = call(capsys, "rehearse", posed_job, "-p", "tern", "--size", "160x90", *words)
    told = json.loads(out)
    assert code == 0 and told["frames"] == 12 and told["park"] is None
    with av.open(str(tmp_path / "film.mp4")) as film:
        assert sum(1 for _ in film.decode(video=0)) == 12 + 60  # tern: 30 fps, held 2 s
    with Image.open(tmp_path / "still.png") as still:
        assert still.size == (160, 90)
    assert len(load_plan(tmp_path / "plan.json").poses) == 12
    assert len(list((tmp_path / "card").iterdir())) == 11
    assert posed_job.read_bytes() == before


def test_options_of_the_other_kind_of_job_are_refused(posed_job, tmp_path, capsys):
    for words in (["--skip-unsafe"], ["--film", 2], ["--fps", 24]):
        code, _, err = call(capsys, "rehearse", posed_job, "-p", "tern", *words)
        assert code == 2 and "--skip-unsafe, --film and --fps are for filament jobs" in err
    for step in ("0.4mm", "0", "30s"):
        code, _, err = call(capsys, "rehearse", posed_job, "-p", "tern", "--every", step)
        assert code == 2 and "resin takes each K-th frame" in err
    job = tmp_path / "lighthouse.gcode"
    job.write_text("G28\n")
    code, _, err = call(capsys, "rehearse", job, "-p", "heron", "--screen-mm", 120)
    assert code == 2 and "--screen-mm and numbers are for resin" in err


def test_sample_is_read_as_the_lighthouse_it_is(tmp_path):
    path = tmp_path / "lighthouse.zip"
    path.write_bytes(resin_lighthouse(40))
    job = read_job(path, TABLE)
    slabs = read_slabs(job, SCREEN_MM, 40)
    low, high = slabs.bounds_mm()
    assert len(job.timeline) == 40 and job.findings == ()
    assert low == pytest.approx((-14, -14, -40), abs=0.3)
    assert high == pytest.approx((14, 14, 0), abs=0.3)
