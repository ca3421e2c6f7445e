"""`capturehook resin` as a person runs it: text, JSON, exit codes, files in place."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sample_truth
from resin_jobs import bar, command_text, settings_text, write_command_job, write_settings_job

from capturehook.cli.main import run
from capturehook.model.plan import load_plan
from tests.jobfile.samples import B1, P1


class Ran:
    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def data(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def resin(capsys: pytest.CaptureFixture[str]) -> Any:
    def call(*words: object) -> Ran:
        with pytest.raises(SystemExit) as done:
            run(["resin", *(str(word) for word in words)])
        text = capsys.readouterr()
        return Ran(int(done.value.code or 0), text.out, text.err)

    return call


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """40 layers of 1 mm: layers 30 to 40 are seen by Tern's camera."""
    text = command_text(40, bottom=2, layer_mm=1.0, lift_mm=6, lifted_ms=1500)
    images = [bar(min(n, 12) + 1) for n in range(40)]
    return write_command_job(tmp_path / "lighthouse.zip", text, images)


def test_resin_of_a_job_tells_layers_time_frames_and_cautions(resin: Any, job: Path) -> None:
    ran = resin(job, "-p", "tern", "--every", 2)
    assert (ran.code, ran.err) == (0, "")
    assert f"{job}: 40 layers, 40.00 mm" in ran.out
    assert "Takes 12 min 54 s" in ran.out  # 60 + 0.4 + 40 x 10.5 + 116 + 177.6 = 774 s
    assert "Hidden below the vat's rim at 35 mm: 29 layers; start the camera before layer 30" in (
        ran.out
    )
    assert "every 2nd frame, numbers 30 to 40 of 40, from the first flash on" in ran.out
    assert "Film: 6 frames at 30 fps and 2 s of hold: 2.2 s" in ran.out
    assert "never look into it" in ran.out
    assert "gloves" in ran.out
    for word in ("405 nm", "gloves", "manual", "Unplug", "licensed", "hands out", "voltage"):
        assert word in ran.out


def test_resin_json_saves_the_plan_it_shows(resin: Any, job: Path, tmp_path: Path) -> None:
    ran = resin(job, "-p", "tern", "--every", 4, "--plan", tmp_path / "plan.json", "--json")
    assert ran.code == 0
    assert ran.data["schema"] == 1
    assert ran.data["job"]["total_s"] == 774.0
    assert ran.data["shoot"]["card_frames"] == [32, 36, 40]
    assert ran.data["shoot"]["frames"] == 3
    plan = load_plan(tmp_path / "plan.json")
    assert [pose.layer for pose in plan.poses] == [32, 36, 40]
    assert ran.data["poses"] == json.loads((tmp_path / "plan.json").read_text())["poses"]


def test_resin_without_a_job_uses_the_profile_alone(resin: Any) -> None:
    """1200 layers; z + 6 > 35 from layer 581 on: 620 frames."""
    ran = resin("-p", "tern", "--json")
    assert ran.code == 0
    assert (ran.data["job"]["layers"], ran.data["shoot"]["frames"]) == (1200, 620)
    # 60 + 1200 x (1 + 6 + 1.5 + 2.4) + 6 x 30 + 1194 x 2.5 + 68.75
    assert ran.data["job"]["total_s"] == 60 + 1200 * 10.9 + 180 + 2985 + 68.75
    assert resin("-p", "tern", "--layers", 600, "--json").data["job"]["layers"] == 600


def test_resin_pose_and_strip_in_place_give_the_same_file(resin: Any, job: Path) -> None:
    before = job.read_bytes()
    ran = resin(job, "-p", "tern", "--pose", "--every", 10)
    assert ran.code == 0
    assert ran.out.startswith(f"{job}: 4 poses, ")
    assert ran.out.count("\n") == 1
    assert "empty vat" in ran.err
    assert job.read_bytes() != before
    assert "The job holds 4 poses of its own" in resin(job, "-p", "tern").out
    assert resin(job, "--strip").out == f"{job}: poses taken out\n"
    assert job.read_bytes() == before
    assert resin(job, "--strip").out == f"{job}: held no poses\n"


def test_resin_pose_to_another_file_leaves_the_job(resin: Any, job: Path, tmp_path: Path) -> None:
    before, out = job.read_bytes(), tmp_path / "posed.zip"
    ran = resin(job, "-p", "tern", "--pose", "-o", out, "--plan", tmp_path / "p.json", "--json")
    assert ran.code == 0
    assert job.read_bytes() == before
    assert len(load_plan(tmp_path / "p.json").poses) == 40
    assert ran.data["added_s"] > 40 * 60
    back = tmp_path / "back.zip"
    assert resin(out, "--strip", "-o", back).code == 0
    assert back.read_bytes() == before


def test_resin_pose_that_is_refused_leaves_the_job(resin: Any, tmp_path: Path) -> None:
    path = write_command_job(
        tmp_path / "tall.zip", command_text(25, layer_mm=5.0, lift_mm=6), [bar(1)] * 25
    )
    before = path.read_bytes()
    ran = resin(path, "-p", "tern", "--pose")
    assert ran.code == 1
    assert "layer 23: the plate is at 121 mm there, too near to the pose at 120" in ran.err
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["tall.zip"]


def test_resin_picture_and_area_look_at_the_images(resin: Any, job: Path, tmp_path: Path) -> None:
    """Images differ up to layer 13, so the frames of layers 30 to 40 are alike: a finding."""
    ran = resin(job, "-p", "tern", "--picture", tmp_path / "a.svg")
    assert ran.code == 1
    assert "most in layer 13 (65.00%)" in ran.out
    assert "[resin-nothing-new]" in ran.err
    assert (tmp_path / "a.svg").read_text().startswith("<svg ")
    data = resin(job, "-p", "tern", "--area", "--json").data
    assert data["lit"][:3] == [0.05, 0.1, 0.15]
    assert data["alike"] == [[30, 40]]


def test_resin_pose_on_a_settings_job_is_refused(resin: Any, tmp_path: Path) -> None:
    path = write_settings_job(tmp_path / "c.zip", settings_text(), [bar(2)] * 30)
    ran = resin(path, "-p", "tern", "--pose")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        f"{path}: holds no run.gcode, so no line of the machine can fire a camera. "
        "Use a light sensor with this kind of job.\n"
    )


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("a.zip", "--pose", "--strip"), "--pose and --strip do opposite things"),
        (("--pose",), "A JOB is needed"),
        (("a.zip", "--picture", "a.png"), "'a.png' does not end in .svg"),
        (("a.zip", "--layers", 5), "JOB states its own layers and light; leave --layers out"),
        (("a.zip", "-o", "b.zip"), "-o goes with --pose or --strip"),
        (("a.zip", "--pose", "--area"), "--area and --picture look at a job"),
        (("a.zip", "--strip", "--every", 2), "--strip takes all poses out"),
        (("a.zip", "-p", "tern"), "a.zip: cannot be read"),
        (("-p", "heron"), "[resin]: is missing"),
        (("-p", "tren"), "nearest is tern"),
        (("a.zip",), "Name one with -p (for a first try: -p tern)"),
    ],
)
def test_resin_words_that_do_not_fit_say_so(
    resin: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[object, ...],
    found: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = resin(*words)
    assert (ran.code, ran.out) == (2, "")
    assert found in ran.err


@pytest.mark.parametrize("job", [B1, P1, P1.with_name("p1_one_plate.plate_1.gcode.gz")])
def test_resin_sends_jobs_of_filament_printers_to_plan(resin: Any, job: Path) -> None:
    ran = resin(job, "-p", "tern")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.endswith("is a job for a filament printer. Use `capturehook plan JOB`.\n")


def test_resin_error_as_json_is_one_object(resin: Any, tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(b"PK\x03\x04 cut")
    ran = resin(tmp_path / "a.zip", "-p", "tern", "--json")
    assert ran.code == 2
    assert [fault["found"] for fault in ran.data["errors"]] == [
        "is cut short: its table of contents is missing"
    ]


def test_resin_help_shows_an_example(resin: Any) -> None:
    ran = resin("--help")
    assert ran.code == 0
    assert "capturehook resin lighthouse.zip -p tern --every 4 --plan plan.json" in ran.out


BY_HAND = ("-p", "tern", "--layers", 100, "--layer-mm", 0.1, "--exposure-s", 3, "--bottom", "4x40")


def test_resin_by_hand_adds_up(resin: Any) -> None:
    """60 + 4 x 40 + 96 x 3 + fade; lift 3 mm at 60 and 4 at 180, down 7 at 210, rests 2 + 1.5 s.

    Fade: 5 layers exceed 3 s by 37 (1 - k / 6), whose sum is 37 x 2.5 = 92.5 s.
    """
    ran = resin(*BY_HAND, "--lift", "3@60,4@180", "--retract", "7@210", "--wait-s", 2, "--json")
    cycle_s = 3 + 4 / 3 + 2 + 2 + 1.5
    by_hand = 60 + 4 * 40 + 96 * 3 + 92.5 + 100 * cycle_s
    assert ran.data["job"]["total_s"] == pytest.approx(by_hand, abs=1e-3)
    assert (ran.data["job"]["kind"], ran.data["job"]["height_mm"]) == ("numbers", 10.0)


def test_resin_by_hand_of_a_tilting_vat_never_lifts(resin: Any) -> None:
    ran = resin(*BY_HAND, "--tilt-s", 6.5, "--transition", 0, "--json")
    assert ran.data["job"]["phases_s"]["tilt"] == pytest.approx(650)
    assert "lift" not in {k for k, s in ran.data["job"]["phases_s"].items() if s}


def test_resin_clock_readings_are_taken_in(resin: Any) -> None:
    """Two layers 50 apart, 1000 s by the clock; reckoned 50 x (3 + 10.9) = 695 s: 6.1 s each.

    Layer 40 is reckoned 36 x 13.9 + 4 x (40 + 10.9) - 13.9 + 1 s and 39 x 6.1 s in.
    """
    ran = resin(
        *BY_HAND, "--transition", 0, "--clock", "40=0:17:00", "--clock", "90=0:33:40", "--json"
    )
    assert any("by the clock +6.10 s in each layer" in one for one in ran.data["job"]["assumed"])


def test_resin_flags_replace_the_moves_of_a_container(resin: Any, tmp_path: Path) -> None:
    path = tmp_path / "job.goo"
    path.write_bytes(sample_truth.sample("static.goo"))
    own = resin(path, "-p", "tern", "--json").data["job"]
    told = resin(path, "-p", "tern", "--lift", "6@60", "--json").data["job"]
    assert told["phases_s"]["lift"] == pytest.approx(40 * 6.0)
    assert told["phases_s"]["light"] == own["phases_s"]["light"]
    assert own["phases_s"]["lift"] != told["phases_s"]["lift"]
    assert any("as in [resin]" in words for words in told["assumed"])


def test_resin_bracket_is_said(resin: Any, tmp_path: Path) -> None:
    path = tmp_path / "job.ctb"
    path.write_bytes(sample_truth.sample("v2_key0.ctb"))
    ran = resin(path, "-p", "tern")
    assert "Between 9 min 02 s and 11 min 38 s: the light-off time counted from" in ran.out


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("--lift", "6"), "'6' is no way and speed; write 6@60"),
        (("--bottom", "5"), "'5' is no count and seconds; write 5x30"),
        (("--clock", "5=0:10:00"), "give two readings"),
        (("--clock", "5=10:00", "--clock", "9=0:20:00"), "'5=10:00' is no layer and time"),
        (("--lift", "6@60", "--retract", "5@60"), "comes down 5 mm but the lift is 6 mm"),
        (("--bottom", "500x30", "--layers", 100), "500 is more than the 100 of layers"),
    ],
)
def test_resin_flags_that_cannot_be_say_so(
    resin: Any, words: tuple[object, ...], found: str
) -> None:
    ran = resin("-p", "tern", *words)
    assert (ran.code, ran.out) == (2, "")
    assert found in ran.err.replace("\n", " ")


def test_resin_picture_without_a_job_draws_a_tower(resin: Any, tmp_path: Path) -> None:
    ran = resin(*BY_HAND, "--picture", tmp_path / "a.svg", "--json")
    assert (tmp_path / "a.svg").read_text().startswith("<svg ")
    lit = ran.data["lit"]
    assert lit[0] == pytest.approx(np.pi * 3**2 / (120 * 67.5), rel=0.03)
    assert lit[-1] < 0.4 * lit[0]
