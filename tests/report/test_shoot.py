"""The shoot as a whole: times, film, supplies, record, choices, the command."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from capturehook.api import apply, pose_job
from capturehook.catalog import FIRMWARES
from capturehook.cli.plan import plan_command
from capturehook.clock.clocking import job_clocking
from capturehook.clock.seconds import make_timetable
from capturehook.errors import PlanError
from capturehook.model.plan import load_plan
from capturehook.profile import build_profile, find_profile
from capturehook.read.job import read_job
from capturehook.read.moves import read_moves
from capturehook.read.source import open_source
from capturehook.report.compare import compare_choices, read_choices
from capturehook.report.shoot import PARTS, Shoot, plan_shoot
from capturehook.report.summary import dry_run_record
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

DATA = make_job(Recipe(layers=12, hop_mm=0.2)).data
TABLE = {"capture": {"every_layers": None}}


def shoot_of(**changes: Any) -> Shoot:
    tables = {name: {**TABLE.get(name, {}), **change} for name, change in changes.items()}
    profile = build_profile(profile_table("marlin", **{**TABLE, **tables}), "heron.toml")
    return plan_shoot(apply(DATA, profile, path="lighthouse.gcode"))


def test_plan_agrees_with_the_dry_run_and_with_the_clock_of_the_output() -> None:
    profile = build_profile(profile_table("marlin"), "heron.toml")
    applied = apply(DATA, profile, path="lighthouse.gcode")
    shoot, dry = plan_shoot(applied), dry_run_record(applied)
    out = read_moves(open_source(applied.data, "out"), FIRMWARES["marlin"]).table
    clock = make_timetable(out, profile.machine, profile.retract)
    assert shoot.total_s == pytest.approx(clock.total_s, abs=1e-6)
    assert dry["added_s"] == pytest.approx(shoot.added_s, abs=0.01)
    assert [pose["layer"] for pose in dry["poses"]] == [pose.layer for pose in shoot.poses]
    holds = [n for n, line in enumerate(applied.data.split(b"\n")) if line == b"G4 P470"]
    assert shoot.fire_s == pytest.approx(clock.second_at(holds), abs=1e-6)


def test_mean_parts_add_up_to_the_mean_pose() -> None:
    shoot = shoot_of()
    assert set(shoot.part_means()) == set(PARTS)
    assert sum(shoot.part_means().values()) == pytest.approx(shoot.added_s / len(shoot.poses))


def test_record_is_read_back_as_it_was(tmp_path: Path) -> None:
    record = shoot_of().record()
    record.save(tmp_path / "plan.json")
    assert load_plan(tmp_path / "plan.json") == record
    assert record.poses[-1].finished
    assert record.interval_s is None
    assert [pose.z_mm for pose in record.poses][:3] == [0.4, 0.6, 0.8]
    assert (np.diff([pose.t_s for pose in record.poses]) > 0).all()
    timer = shoot_of(camera={"interval_s": 4.0}).record()
    assert timer.interval_s == 4.0


@pytest.mark.parametrize(
    ("machine", "word"), [("bed-y", "where Y 215"), ("bed-z", "sinks"), ("none", "nothing moves")]
)
def test_what_carries_the_part_is_said_plainly(machine: str, word: str) -> None:
    assert word in shoot_of(machine={"moves": machine}).carried


def test_supplies_are_counted_and_their_end_is_a_finding() -> None:
    """93 % of 0.1 GB hold 9 frames of 10 MB."""
    shoot = shoot_of(camera={"card_gb": 0.1, "battery_frames": 400, "battery_h": 0.01})
    found = {finding.code: finding.text for finding in shoot.findings}
    assert set(found) == {"card-full", "battery-short"}
    assert "the card lasts for 9 frames, 11 are needed" in found["card-full"]
    assert "the battery lasts for 0.01 h" in found["battery-short"]
    assert shoot_of(camera={"card_gb": 1.0}).findings == ()


def test_frames_that_come_before_the_camera_is_ready_are_a_finding() -> None:
    (finding,) = shoot_of(camera={"write_ms": 20_000}).findings
    assert finding.code == "frame-too-soon"
    assert "20.37 s are needed; set [capture] min_gap_s = 20.37" in finding.text
    assert not shoot_of(camera={"write_ms": 20_000}, capture={"min_gap_s": 20.37}).findings


def test_timer_shoots_count_every_frame_on_the_card() -> None:
    shoot = shoot_of(camera={"interval_s": 4.0, "card_gb": 0.1})
    assert shoot.timer is not None
    assert shoot.timer.planned.chance == 1
    assert shoot.supplies[0].need == shoot.total_s // 4 + 1


def test_limits_of_the_job_change_the_times_and_not_the_poses() -> None:
    profile = build_profile(profile_table("marlin"), "heron.toml")
    data = b"M201 X200 Y200\n" + DATA
    record = read_job(data, "lighthouse.gcode", profile)
    applied = pose_job(record)
    plain, by_job = plan_shoot(applied), plan_shoot(applied, job_clocking(profile, data))
    assert by_job.print_s > plain.print_s + 1
    assert by_job.added_s > plain.added_s + 1
    assert [pose.block for pose in by_job.poses] == [pose.block for pose in plain.poses]


def test_choices_are_planned_side_by_side_and_trouble_has_its_reason() -> None:
    profile = build_profile(profile_table("marlin"), "heron.toml")
    record = read_job(DATA, "lighthouse.gcode", profile)
    rows = compare_choices(
        profile,
        read_choices(["every_layers=1,4", "film_s=0.2,9"]),
        lambda other: plan_shoot(pose_job(replace(record, profile=other))),
    )
    assert [row.choice for row in rows] == [
        "every_layers=1", "every_layers=4", "film_s=0.2", "film_s=9",
    ]  # fmt: skip
    assert [row.frames for row in rows] == [11, 4, 6, 0]
    assert rows[0].added_s > rows[1].added_s
    assert "11 layers give at most 0.36 s" in rows[3].trouble


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("layers=3", "'layers=3' is no choice"),
        ("film_s", "'film_s' is no choice"),
        ("film_s=ten", "'ten' in 'film_s=ten' is no number"),
    ],
)
def test_choices_that_are_none_are_refused(text: str, message: str) -> None:
    with pytest.raises(PlanError, match=message):
        read_choices([text])


def test_choices_out_of_range_are_trouble_not_a_traceback() -> None:
    profile = build_profile(profile_table("marlin"), "heron.toml")
    (row,) = compare_choices(profile, [("every_layers", 0.5)], lambda _: pytest.fail("planned"))
    assert row.choice == "every_layers=0.5"
    assert "0.5 is not a whole number" in row.trouble


@pytest.mark.parametrize("value", ["inf", "nan", "-1", "1e30"])
def test_choices_that_are_no_count_are_trouble_in_the_words_of_a_profile(value: str) -> None:
    profile = build_profile(profile_table("marlin"), "heron.toml")
    choices = read_choices([f"every_layers={value}"])
    (row,) = compare_choices(profile, choices, lambda _: pytest.fail("planned"))
    assert row.trouble.endswith(("is not a whole number. Write it without a decimal point.",
                                 "is under 1. Write 1 or more.",
                                 "is over 1000000. Write 1000000 or less."))  # fmt: skip


def test_even_volume_counts_what_is_laid_and_not_what_is_pushed_back_after_a_retraction() -> None:
    """Twenty equal layers, the lower ten full of retractions: even volume is even height."""
    lines = ["G90", "M83", "G1 X100 Y100 F3000"]
    for layer in range(1, 21):
        lines += [";LAYER_CHANGE", f";Z:{0.2 * layer:.1f}", f"G1 Z{0.2 * layer:.1f}"]
        for x in (120, 100):
            pushed_back = ["G1 E-6 F2400", "G1 E6 F2400"] if layer <= 10 else []
            lines += [*pushed_back, f"G1 X{x} Y{x} E1 F1800"]
    data = "\n".join([*lines, "M84", ""]).encode()
    layers = {}
    for spread in ("volume", "height"):
        capture = {"every_layers": None, "film_s": 0.2, "spread": spread}
        profile = build_profile(profile_table("marlin", capture=capture), "heron.toml")
        layers[spread] = [pose.layer for pose in apply(data, profile, path="bars.gcode").poses]
    assert layers["volume"] == layers["height"]
    assert len(layers["volume"]) == 6


def run_plan(tmp_path: Path, *args: str) -> tuple[Any, int]:
    job = tmp_path / "lighthouse.gcode"
    job.write_bytes(DATA)
    got = CliRunner().invoke(plan_command, [str(job), "-p", "heron", *args], standalone_mode=False)
    assert got.exception is None, got.output
    assert job.read_bytes() == DATA
    return got.stdout, got.return_value


def test_a_card_that_holds_not_one_frame_is_a_finding(tmp_path: Path) -> None:
    text = Path(find_profile("heron")).read_text()
    small = tmp_path / "small.toml"
    small.write_text(text.replace("[camera]\n", "[camera]\ncard_gb = 0.01\n"))
    job = tmp_path / "lighthouse.gcode"
    job.write_bytes(DATA)
    got = CliRunner().invoke(plan_command, [str(job), "-p", str(small)], standalone_mode=False)
    assert got.exception is None and got.return_value == 1
    assert "card 11 of 0 frames\n" in got.stdout
    assert "the card lasts for 0 frames, 11 are needed" in got.stderr


def test_plan_command_prints_json_and_saves_the_record(tmp_path: Path) -> None:
    saved = tmp_path / "plan.json"
    out, code = run_plan(
        tmp_path, "--json", "--save", str(saved), "--compare", "every_mm=1", "film_s=0.1"
    )
    data = json.loads(out)
    assert code == 0
    assert data["film"]["frames"] == len(data["poses"]) == len(load_plan(saved).poses) == 11
    assert [row["choice"] for row in data["compare"]] == ["every_mm=1", "film_s=0.1"]
    assert data["time"]["total_s"] == pytest.approx(
        data["time"]["print_s"] + data["time"]["added_s"], abs=0.002
    )


def test_plan_command_speaks_to_people(tmp_path: Path) -> None:
    out, code = run_plan(tmp_path, "--compare", "every_layers=1,2")
    assert code == 0
    for text in ("11 frames at 30 a second", "the bed moves in Y", "finished", "every_layers=2"):
        assert text in out
