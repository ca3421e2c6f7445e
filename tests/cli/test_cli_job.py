"""`apply`, `strip` and `inspect`, called as a person calls them."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.cli.calling import call, profile_text
from tests.small_jobs import Recipe, make_job

PROFILE = profile_text()
JOB = make_job(Recipe(layers=5)).data


class Told(NamedTuple):
    code: int
    out: str
    err: str


class Desk(NamedTuple):
    """A folder with a job and a profile, and the program to call in it."""

    job: Path
    profile: Path
    capsys: pytest.CaptureFixture[str]

    def call(self, *words: str | Path) -> Told:
        return Told(*call(self.capsys, *words))


@pytest.fixture
def desk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Desk:
    monkeypatch.chdir(tmp_path)
    job, profile = tmp_path / "light house é.gcode", tmp_path / "heron.toml"
    job.write_bytes(JOB)
    profile.write_text(PROFILE)
    return Desk(job, profile, capsys)


def test_apply_says_one_line_and_strip_gives_the_job_back(desk: Desk) -> None:
    told = desk.call("apply", desk.job, "-p", desk.profile)
    assert told.code == 0 and told.err == ""
    assert re.fullmatch(r".*light house é\.gcode: 4 poses, adds \d+\.\d s\n", told.out)
    assert desk.job.read_bytes().count(b"; capturehook pose ") == 8
    told = desk.call("strip", desk.job)
    assert told.code == 0 and told.out.count("\n") <= 1
    assert desk.job.read_bytes() == JOB


def test_apply_twice_is_apply_once(desk: Desk) -> None:
    desk.call("apply", desk.job, "-p", desk.profile)
    once = desk.job.read_bytes()
    assert desk.call("apply", desk.job, "-p", desk.profile).code == 0
    assert desk.job.read_bytes() == once


def test_out_leaves_the_job_as_it_was(desk: Desk, tmp_path: Path) -> None:
    out = tmp_path / "filmed.gcode"
    assert desk.call("apply", desk.job, "-p", desk.profile, "-o", out).code == 0
    assert desk.job.read_bytes() == JOB
    assert desk.call("strip", out, "-o", tmp_path / "back.gcode").code == 0
    assert (tmp_path / "back.gcode").read_bytes() == JOB != out.read_bytes()


def test_dash_reads_and_writes_the_streams(desk: Desk, tmp_path: Path) -> None:
    desk.call("apply", desk.job, "-p", desk.profile, "-o", tmp_path / "same.gcode")
    words = ["-m", "capturehook", "apply", "-", "-p", str(desk.profile)]
    done = subprocess.run([sys.executable, *words], input=JOB, capture_output=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout == (tmp_path / "same.gcode").read_bytes()


def test_dry_run_lists_every_block_and_changes_nothing(desk: Desk) -> None:
    told = desk.call("apply", desk.job, "-p", desk.profile, "--dry-run")
    assert told.code == 0
    assert desk.job.read_bytes() == JOB
    head, *rows = [line.split() for line in told.out.splitlines() if line.strip()]
    assert head[:6] == ["pose", "layer", "z_mm", "line", "x_mm", "y_mm"]
    poses = [row for row in rows if row[0].isdigit() and len(row) >= 9]
    assert [row[:2] for row in poses][:4] == [["1", "2"], ["2", "3"], ["3", "4"], ["4", "5"]]
    assert "4 poses add" in told.out and "Nothing was changed." in told.out


def test_dry_run_record_has_the_keys_it_promises(desk: Desk) -> None:
    told = desk.call("apply", desk.job, "-p", desk.profile, "--dry-run", "--json")
    record = json.loads(told.out)
    assert list(record) == ["schema", "job", "poses", "added_s", "total_s", "film_s", "findings"]
    assert list(record["job"]) == ["path", "lines", "marks", "layers", "print_s"]
    keys = ["pose", "layer", "z_mm", "line", "x_mm", "y_mm", "e_retracted_mm", "added_s"]
    assert all(list(pose) == keys for pose in record["poses"])
    assert record["job"]["layers"] == 5 and record["job"]["marks"] == "layer_change_z"
    assert record["added_s"] == pytest.approx(sum(p["added_s"] for p in record["poses"]), abs=0.01)
    assert record["total_s"] == pytest.approx(
        record["job"]["print_s"] + record["added_s"], abs=0.01
    )
    assert record["film_s"] == pytest.approx(4 / 30 + 2)
    desk.call("apply", desk.job, "-p", desk.profile)
    lines = desk.job.read_bytes().split(b"\n")
    first = next(n for n, line in enumerate(lines) if line.startswith(b"; capturehook job begin"))
    assert record["poses"][0]["line"] == first + 1, "the block goes in before this line of the job"


def test_job_that_is_filmed_already_is_a_finding_of_inspect(desk: Desk) -> None:
    desk.call("apply", desk.job, "-p", desk.profile)
    told = desk.call("inspect", desk.job, "-p", desk.profile)
    assert told.code == 1
    assert "[already-filmed]" in told.err


def test_inspect_tells_marks_layers_extents_and_modes(desk: Desk) -> None:
    told = desk.call("inspect", desk.job, "-p", desk.profile)
    assert (told.code, told.err) == (0, "")
    facts = dict(re.findall(r"^(\w+(?: time)?) +(.*)$", told.out, re.M))
    assert "5 of 0.2 mm, told by layer_change_z; Z 0.2 to 1 mm" in facts["layers"]
    assert facts["modes"] == "positions absolute, E relative, mm"
    assert "longest retraction 0.8 mm; retracted at 4 of 4 layer changes" in facts["filament"]
    assert facts["marks"].startswith("layer_change_z (used): 5 lines like ';LAYER_CHANGE'")
    assert facts["printed"].startswith("X 92 to 108")


def test_inspect_says_how_filament_is_retracted(desk: Desk) -> None:
    desk.job.write_bytes(make_job(Recipe(layers=5, retract="firmware")).data)
    told = desk.call("inspect", desk.job, "-p", desk.profile)
    assert "longest retraction by the firmware; retracted at 4 of 4 layer changes" in told.out
    desk.job.write_bytes(make_job(Recipe(layers=5, retract="none")).data)
    assert "retracted at 0 of 4" in desk.call("inspect", desk.job, "-p", desk.profile).out


def test_inspect_record_is_whole(desk: Desk) -> None:
    record = json.loads(desk.call("inspect", desk.job, "-p", desk.profile, "--json").out)
    assert record["schema"] == 1
    assert record["job"]["bytes"] == len(JOB)
    assert record["job"]["lines"] == JOB.count(b"\n")
    assert record["filament"]["retracted_at_layer_changes"] == "4 of 4"


def test_each_doubt_is_one_line(desk: Desk) -> None:
    desk.job.write_bytes(make_job(Recipe(marks="H", layers=4, objects=2)).data)
    told = desk.call("inspect", desk.job, "-p", desk.profile)
    doubts = told.err.splitlines()
    assert told.code == 1
    codes = [line.rpartition("[")[2].rstrip("]") for line in doubts]
    assert sorted(codes) == ["no-marks", "one-at-a-time"]
    assert all(line.startswith("! ") and desk.job.name in line for line in doubts)


@pytest.mark.parametrize("command", ["apply", "strip", "inspect", "plan"])
def test_missing_job_is_one_clear_line(desk: Desk, command: str) -> None:
    more = () if command == "strip" else ("-p", desk.profile)
    told = desk.call(command, "nowhere.gcode", *more)
    assert told.code == 2 and told.out == ""
    assert told.err.count("\n") == 1 and told.err.startswith("nowhere.gcode: ")


def test_unsafe_pose_writes_nothing_unless_it_may_be_left_out(desk: Desk) -> None:
    """A machine that ends right above the part: the last hops do not fit."""
    desk.profile.write_text(PROFILE.replace("z_mm = [0, 250]", "z_mm = [0, 1.7]"))
    told = desk.call("apply", desk.job, "-p", desk.profile)
    assert told.code == 1
    assert desk.job.read_bytes() == JOB
    assert "the hop to Z1.8 does not fit: the axis ends at Z1.7 (and 1 more of 4 poses)" in told.err
    assert "--skip-unsafe" in told.err
    told = desk.call("apply", desk.job, "-p", desk.profile, "--skip-unsafe")
    assert told.code == 1, "what was left out is a finding"
    assert desk.job.read_bytes().count(b"; capturehook pose ") == 2 * 2
    assert told.err.count("[pose-unsafe]") == 2
    assert desk.call("strip", desk.job).code == 0 and desk.job.read_bytes() == JOB


def test_remaining_time_is_corrected_and_given_back(desk: Desk) -> None:
    lines = JOB.split(b"\n")
    marks = [n for n, line in enumerate(lines) if line == b";LAYER_CHANGE"]
    for count, at in enumerate(reversed(marks)):
        lines.insert(at, b"M73 P%d R%d" % (80 - 20 * count, count))
    data = b"\n".join(lines)
    desk.job.write_bytes(data)
    assert desk.call("apply", desk.job, "-p", desk.profile, "--remaining-time").code == 0
    filmed = desk.job.read_bytes()
    assert filmed.count(b"; capturehook kept M73") > 0
    assert desk.call("strip", desk.job).code == 0
    assert desk.job.read_bytes() == data


def test_remaining_time_of_a_job_without_any_is_said(desk: Desk) -> None:
    told = desk.call("apply", desk.job, "-p", desk.profile, "--remaining-time")
    assert told.code == 0
    assert told.out.endswith("; it holds no M73 to correct\n")
    assert "M73" not in desk.call("apply", desk.job, "-p", desk.profile).out


def test_error_is_json_too_when_asked_for(desk: Desk) -> None:
    told = desk.call("apply", "nowhere.gcode", "-p", desk.profile, "--json")
    assert told.code == 2
    (fault,) = json.loads(told.out)["errors"]
    assert list(fault) == ["where", "found", "advice"]
    assert fault["where"] == "nowhere.gcode"
    assert told.err.startswith("nowhere.gcode: ")
