"""`capturehook resin` as a person runs it: text, JSON, exit codes, files in place."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from resin_jobs import bar, command_text, settings_text, write_command_job, write_settings_job

from capturehook.cli.main import run
from capturehook.model.plan import load_plan


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
        (("--picture", "a.svg"), "A JOB is needed"),
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
