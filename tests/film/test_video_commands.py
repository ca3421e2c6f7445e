"""`capturehook audit` and `capturehook assemble` as a person runs them."""

import json
import subprocess
import sys

import pytest

from capturehook.audit import judge
from capturehook.cli.main import main
from capturehook.errors import FrameError
from tests.frames.shoot import make_shoot


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    folder = tmp_path_factory.mktemp("clean shoot")
    shoot = make_shoot(10)
    shoot.write(folder / "card")
    shoot.plan.save(folder / "plan.json")
    return folder


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    folder = tmp_path_factory.mktemp("faulty")
    shoot = make_shoot(10)
    del shoot.shots[4]
    shoot.write(folder / "card")
    shoot.plan.save(folder / "plan.json")
    return folder


def run(folder, *words):
    return subprocess.run(
        [sys.executable, "-m", "capturehook", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_audit_of_a_clean_shoot_ends_with_0_and_writes_both_pictures(clean):
    done = run(
        clean, "audit", "card", "--plan", "plan.json", "--sheet", "s.png", "--timeline", "t.svg"
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "10 frames for 10 poses of lighthouse.gcode" in done.stdout
    assert (clean / "s.png").read_bytes().startswith(b"\x89PNG")
    assert (clean / "t.svg").read_text().startswith("<svg")


def test_audit_with_findings_ends_with_1_and_json_stands_alone(faulty):
    done = run(faulty, "audit", "card", "--plan", "plan.json", "--json")
    data = json.loads(done.stdout)
    assert done.returncode == 1
    assert [finding["code"] for finding in data["findings"]] == ["missing"]
    assert data["poses"][4]["verdict"] == "missing"


def test_assemble_makes_the_film_and_the_list(faulty):
    done = run(
        faulty,
        *("assemble", "card", "--plan", "plan.json", "-o", "film.mp4", "--even-light"),
        *("--crop", "16:9", "--bridge", "blend", "--progress-text", "layer,height"),
        *("--list", "chosen.csv", "--json"),
    )
    data = json.loads(done.stdout)
    assert done.returncode == 1 and [f["code"] for f in data["findings"]] == ["bridged"]
    assert (data["width_px"], data["height_px"]) == (160, 90)
    assert (data["shots"], data["blended"], data["frames"]) == (9, 1, 16)
    assert (faulty / "film.mp4").stat().st_size > 1000
    assert len((faulty / "chosen.csv").read_text().splitlines()) == 11


def test_assemble_of_a_clean_shoot_ends_with_0(clean):
    done = run(clean, "assemble", "card", "--plan", "plan.json", "-o", "film.mp4")
    assert (done.returncode, done.stderr) == (0, "")
    assert "film.mp4: 16 frames, 0.5 s at 30 frames/s, 160 x 120 px" in done.stdout


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("audit", "nowhere"), "there is no such file or folder"),
        (("audit", "plan.json"), "holds no readable picture"),
        (("audit", "card", "--plan", "none.json"), "cannot be read"),
        (("audit", "card", "--sheet", "card/sheet.png"), "would lie among the frames"),
        (("audit", "card", "--sheet", "none/sheet.png"), "could not be written"),
        (("assemble", "card", "-o", "film.gif"), "does not name a kind of film"),
        (("assemble", "card", "-o", "card/pict0001.jpg"), "is one of the frames"),
        (("assemble", "card", "-o", "f.mp4", "--width", "9000"), "more than the 160 px"),
    ],
)
def test_fault_of_a_user_is_one_line_and_2(clean, words, text):
    done = run(clean, *words)
    assert done.returncode == 2, done.stderr
    assert text in done.stderr and "Traceback" not in done.stderr


def test_what_cannot_be_is_refused_before_pictures_are_measured(clean, monkeypatch):
    monkeypatch.chdir(clean)
    monkeypatch.setattr(judge, "measure_frames", lambda *_, **__: pytest.fail("measured"))
    for words in ("f.gif", "card/pict0001.jpg", "f.mp4 --width 9000", "f.webm --codec h264"):
        with pytest.raises(FrameError):
            command = ["assemble", "card", "-o", *words.split()]
            main.main(args=command, standalone_mode=False)


@pytest.mark.parametrize("command", ["audit", "assemble"])
def test_help_shows_an_example(clean, command):
    done = run(clean, command, "--help")
    assert done.returncode == 0 and f"capturehook {command} card1/" in done.stdout
