"""The command itself, alarms and all, in a process of its own."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from capturehook.attend.alarm import LONGEST_S, MOST_AT_ONCE, Alarm
from capturehook.attend.events import RINGS, Calls, Event
from capturehook.attend.watch import ADVICE
from capturehook.errors import CaptureHookError
from tests.bench.bench_judging import plan_record
from tests.film.scene import Scene, Shot, save_jpeg

POSIX = pytest.mark.skipif(os.name != "posix", reason="signals and process groups")
WRITER = (
    "import os, sys; open(sys.argv[1], 'a').write("
    "repr((sys.argv[2:], os.environ['CAPTUREHOOK_CODE'])) + chr(10))"
)
EVENT = Event(code="dark", text="too dark; `touch /tmp/x` $(id) \x1b[0m", pose=3, rings=True)


def shoot(folder: Path, poses: int, gap_s: float) -> Path:
    plan = folder / "plan.json"
    plan.write_text(json.dumps(plan_record(gap_s * np.arange(1, poses + 1))))
    return plan


def wait_for(path: Path) -> str:
    until = time.monotonic() + 60
    while time.monotonic() < until and not (path.exists() and path.read_text().endswith("\n")):
        time.sleep(0.05)
    return path.read_text()


def test_process_pairs_what_comes_calls_the_alarm_and_ends_with_the_audit(tmp_path):
    plan = shoot(tmp_path, 3, 40)
    card = tmp_path / "card"
    card.mkdir()
    told = tmp_path / "told"
    command = [
        sys.executable,
        "-m",
        "capturehook",
        "attend",
        str(card),
        "--plan",
        str(plan),
        "--json",
    ]
    command += ["--shots-left", "1", "--alarm", sys.executable, "-c", WRITER, str(told)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    state = tmp_path / "plan.attend.json"
    scene = Scene(size_px=(160, 120), frames=3, photo="table")
    time.sleep(4)  # its first look, at an empty folder
    for k in range(3):
        shot = Shot(t_s=40.0 * (k + 1), grown=0.3 + k / 100)
        save_jpeg(card / f"IMG_{k + 1:04d}.JPG", scene.render(shot), shot)
        if k == 0:
            wait_for(told)
    out, err = child.communicate(timeout=240)
    lines = [json.loads(line) for line in out.splitlines()]
    assert [line["event"] for line in lines] == ["battery", "audit"], err
    assert lines[0]["rings"] is True and lines[1]["audit"]["filmable"] == 3
    assert child.returncode == 0 and json.loads(state.read_text())["body"]["done"] is True
    arguments, code = eval(wait_for(told))
    assert arguments[0] == code == "battery" and "the battery lasts for 0 more" in arguments[1]
    assert sorted(path.name for path in card.iterdir()) == [f"IMG_{k:04d}.JPG" for k in (1, 2, 3)]


@POSIX
def test_stopped_by_hand_it_says_what_came(tmp_path):
    plan = shoot(tmp_path, 30, 40)
    card = tmp_path / "card"
    card.mkdir()
    scene = Scene(size_px=(160, 120), frames=3, photo="table")
    for k in range(2):
        shot = Shot(t_s=40.0 * (k + 1), grown=0.3)
        save_jpeg(card / f"IMG_{k + 1:04d}.JPG", scene.render(shot), shot)
    command = [sys.executable, "-m", "capturehook", "attend", str(card), "--plan", str(plan)]
    child = subprocess.Popen(
        [*command, "--earlier"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    state = tmp_path / "plan.attend.json"
    until = time.monotonic() + 120
    while time.monotonic() < until and '"IMG_0002' not in (
        state.read_text() if state.exists() else ""
    ):
        time.sleep(0.2)
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=120)
    assert "2 frames for 2 poses of lighthouse.gcode" in out, out + err
    assert child.returncode == 0 and "Traceback" not in err


def test_alarm_gets_code_and_text_as_arguments_that_no_shell_sees(tmp_path):
    alarm = Alarm([sys.executable, "-c", WRITER, str(tmp_path / "told"), "a b; c"])
    assert alarm.call(EVENT) is None
    arguments, code = eval(wait_for(tmp_path / "told"))
    assert arguments[:2] == ["a b; c", "dark"] and code == "dark"
    assert arguments[2] == "pose 3: too dark; `touch /tmp/x` $(id) \\x1b[0m [dark]"
    alarm.leave()


@POSIX
def test_alarm_that_hangs_is_ended_and_one_that_fails_is_told(tmp_path):
    clock = [0.0]
    alarm = Alarm([sys.executable, "-c", "import time; time.sleep(600)"], now=lambda: clock[0])
    for _ in range(MOST_AT_ONCE):
        assert alarm.call(EVENT) is None
    assert "was not started" in (alarm.call(EVENT) or "")
    running = [process for process, _ in alarm.running]
    assert alarm.tend() == []
    clock[0] = LONGEST_S + 1
    assert len(alarm.tend()) == MOST_AT_ONCE and alarm.running == []
    assert all(process.poll() is not None for process in running)
    failing = Alarm([sys.executable, "-c", "raise SystemExit(7)"])
    assert failing.call(EVENT) is None
    failing.running[0][0].wait(60)
    assert failing.tend() == ["the alarm failed with code 7"]


def test_alarm_without_a_program_or_by_a_shell_is_refused(tmp_path, monkeypatch):
    with pytest.raises(CaptureHookError, match="there is no program 'no-such-thing'"):
        Alarm(["no-such-thing"])
    monkeypatch.setattr("shutil.which", lambda name: f"C:/{name}.CMD")
    with pytest.raises(CaptureHookError, match="only a shell can run"):
        Alarm(["call"])
    assert Alarm([]).call(EVENT) is None


def test_fault_of_every_frame_rings_once_and_after_good_frames_again():
    calls = Calls()
    rung = [calls.event(frame, "dark", "").rings for frame in (1, 2, 3, 8, 14)]
    assert rung == [True, False, False, False, True]
    assert not calls.event(15, "moved", "").rings and calls.counts == {"dark": 5, "moved": 1}


def test_every_code_that_is_told_is_on_the_page():
    root = Path(__file__).parents[2]
    page = (root / "docs" / "howto" / "attend.md").read_text(encoding="utf-8")
    told_of = page.partition("\n## What is reported\n")[2].partition("\n## ")[0]
    rings: dict[str, bool] = {}
    for code, star in re.findall(r"`([a-z][a-z-]*)`(\\\*)?", told_of):
        rings[code] = rings.get(code, False) or bool(star)
    modules = sorted((root / "capturehook" / "attend").glob("*.py"))
    source = "".join(one.read_text(encoding="utf-8") for one in modules)
    told = set(re.findall(r'(?:_say\(|code=|_once\("[a-z]+", )"([a-z-]+)"', source)) | set(ADVICE)
    assert len(told) > 20 and told == set(rings)
    assert {code for code, called in rings.items() if called} == RINGS
