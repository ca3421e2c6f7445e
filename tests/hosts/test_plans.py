"""The plan stays with the job: where it goes, how it is found, which are refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from capturehook.errors import PlanError
from capturehook.hosts.edit import main
from capturehook.hosts.plans import digests_of, plan_of, plan_path
from capturehook.model.plan import load_plan
from tests.adapters.host_calls import JOB
from tests.cli.calling import call
from tests.jobfile.samples import B3
from tests.jobfile.test_damage import plates


def posed(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str = "part.gcode") -> Path:
    job = tmp_path / name
    job.write_bytes(JOB)
    assert call(capsys, "apply", job, "-p", "heron")[0] in (0, 1)
    return job


def test_apply_writes_the_plan_beside_the_job_with_the_jobs_digest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = posed(tmp_path, capsys)
    record = load_plan(tmp_path / "part.plan.json")
    assert [record.digest] == digests_of(job)
    assert len(record.poses) == 4
    assert plan_of(job) == record
    saved = tmp_path / "saved.json"
    call(capsys, "plan", job, "-p", "heron", "--save", saved)
    assert load_plan(saved).digest == record.digest


def test_plan_of_a_job_that_prints_one_at_a_time_is_read_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where the next object begins, the nozzle is below the layer that was printed last."""
    saved = tmp_path / "plan.json"
    call(capsys, "plan", B3, "-p", "heron", "--save", saved)
    poses = load_plan(saved).poses
    assert any(pose.head_z_mm is not None and pose.head_z_mm < pose.z_mm for pose in poses)


def test_profile_key_and_option_say_where_and_whether(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from capturehook.profile.load import BUILT_IN

    text = (BUILT_IN / "heron.toml").read_text()
    (tmp_path / "quiet.toml").write_text(text.replace("[capture]", "[capture]\nkeep_plan = false"))
    job = tmp_path / "part.gcode"
    job.write_bytes(JOB)
    call(capsys, "apply", job, "-p", tmp_path / "quiet.toml")
    assert not list(tmp_path.glob("*.json"))
    call(capsys, "apply", job, "-p", "heron", "--plan-to", tmp_path / "there.json")
    assert [path.name for path in tmp_path.glob("*.json")] == ["there.json"]


def test_each_plate_has_its_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = tmp_path / "two.gcode.3mf"
    job.write_bytes(plates())
    call(capsys, "apply", job, "-p", "heron")
    names = sorted(path.name for path in tmp_path.glob("*.json"))
    assert names == ["two.plate_1.plan.json", "two.plate_3.plan.json"]


def test_hook_goes_by_the_final_name_else_by_the_digest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    temporary, final = tmp_path / "x.pp", tmp_path / "shop" / "lighthouse.gcode"
    final.parent.mkdir()
    temporary.write_bytes(JOB)
    monkeypatch.setenv("SLIC3R_PP_OUTPUT_NAME", str(final))
    assert main(["-p", "heron", str(temporary)]) == 0
    assert (final.parent / "lighthouse.plan.json").exists()
    assert f"; plan: {final.parent / 'lighthouse.plan.json'}" in capsys.readouterr().err
    monkeypatch.delenv("SLIC3R_PP_OUTPUT_NAME")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    temporary.write_bytes(JOB)
    assert main(["-p", "heron", str(temporary)]) == 0
    (digest,) = digests_of(temporary)
    assert plan_path(None, None, digest).exists()
    assert plan_of(temporary).digest == digest
    assert sorted(path.name for path in tmp_path.iterdir()) == ["data", "shop", "x.pp"]


def test_file_that_is_no_plan_is_not_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "part.plan.json").write_text("my notes")
    job = tmp_path / "part.gcode"
    job.write_bytes(JOB)
    code, _, err = call(capsys, "apply", job, "-p", "heron")
    assert code in (0, 1)
    assert "is there and is no plan of ours" in err
    assert (tmp_path / "part.plan.json").read_text() == "my notes"
    assert b"; capturehook pose 1 begin" in job.read_bytes()


def test_plan_of_another_job_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = posed(tmp_path, capsys)
    other = tmp_path / "other.gcode"
    other.write_bytes(JOB)
    call(capsys, "apply", other, "-p", "heron", "--layers", "2-3")
    frames = tmp_path / "frames"
    frames.mkdir()
    for command in (["audit"], ["assemble", "-o", str(tmp_path / "film.mp4")]):
        words = [*command, frames, "--plan", tmp_path / "other.plan.json", "--job", job]
        code, _, err = call(capsys, *words)
        assert code == 2
        assert "was posed by" in err
    job.write_bytes(JOB)
    with pytest.raises(PlanError, match="has no poses"):
        plan_of(job)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"fps": 30}, "fps is 30"),
        ({"fps": "a"}, "Invalid literal for Fraction"),
        ({"total_s": "long"}, "total_s is 'long'"),
        ({"poses": [{"pose": "one"}]}, "pose is 'one'"),
        ({"poses": [3]}, "3 is no table of values"),
        ({"poses": 5}, "not iterable"),
        ({"lag_ms": True}, "lag_ms is True"),
        ({"lag_ms": float("nan")}, "lag_ms is nan"),
        ({"surplus": 1}, "'surplus' is unknown"),
    ],
)
def test_plan_with_wrong_types_is_one_clear_error(
    change: dict[str, object], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    posed(tmp_path, capsys)
    path = tmp_path / "part.plan.json"
    raw = json.loads(path.read_text())
    del raw["sum"]
    path.write_text(json.dumps({**raw, **change}))
    with pytest.raises(PlanError, match=said):
        load_plan(path)


def test_plan_in_which_one_number_was_changed_is_refused_one_written_anew_is_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    posed(tmp_path, capsys)
    path = tmp_path / "part.plan.json"
    raw = json.loads(path.read_text())
    path.write_text(json.dumps(raw))  # by another program, all on one line
    assert load_plan(path).poses[1].layer == raw["poses"][1]["layer"]
    raw["poses"][1]["layer"] = 9999
    path.write_text(json.dumps(raw))
    with pytest.raises(PlanError, match="changed after it was written"):
        load_plan(path)


def test_many_more_frames_than_poses_are_another_shoots(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from capturehook.audit.judge import _refuse_other_shoot

    class Frames:
        def __init__(self, count: int) -> None:
            self.count = count

        def __len__(self) -> int:
            return self.count

    posed(tmp_path, capsys)
    record = load_plan(tmp_path / "part.plan.json")
    sixty = replace(record, poses=record.poses * 15)
    with pytest.raises(PlanError, match="149 frames, a plan of 60: they do not"):
        _refuse_other_shoot(Frames(149), sixty)  # type: ignore[arg-type]
    _refuse_other_shoot(Frames(130), sixty)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("where", "value"),
    [
        ("head_z_mm", 1e300),
        ("head_z_mm", -5),
        ("t_s", -1),
        ("still_s", -0.1),
        ("pose", 1),
        ("layer", 1),
        ("fps", "0"),
        ("moves", "sideways"),
        ("kind", "wax"),
        ("lag_ms", -1),
        ("interval_s", 0),
    ],
)
def test_numbers_that_no_plan_holds_are_refused(tmp_path: Path, where: str, value: object) -> None:
    pose = {"pose": 1, "layer": 2, "z_mm": 0.4, "t_s": 60.0, "still_s": 1.0, "head_z_mm": 1.2}
    plan = {
        "schema": 1, "kind": "filament", "job": "part", "profile": "heron", "fps": "30",
        "hold_last_s": 1.0, "total_s": 200.0, "height_mm": 9.0, "moves": "bed-y",
        "lag_ms": 100.0, "exposure_ms": 20.0, "write_ms": 200.0,
        "poses": [pose, {**pose, "pose": 2, "t_s": 90.0}],
    }  # fmt: skip
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(plan), encoding="utf-8")
    assert len(load_plan(path).poses) == 2
    target = plan["poses"][1] if where in pose else plan
    target[where] = value
    path.write_text(json.dumps(plan), encoding="utf-8")
    with pytest.raises(PlanError, match=f"damaged or of another version .*{where}"):
        load_plan(path)
