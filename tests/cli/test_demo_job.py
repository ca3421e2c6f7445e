"""The built-in lighthouse, cut down to its first millimetres: everything it promises is there."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import pytest

import capturehook
from capturehook.demo import lighthouse as demo
from capturehook.model.plan import load_plan
from capturehook.model.profile import Profile
from capturehook.profile import load_profile


@pytest.fixture
def heron(monkeypatch: pytest.MonkeyPatch) -> Profile:
    monkeypatch.setattr(demo, "TOP_MM", 2.3)
    return load_profile("heron")


def test_demo_writes_job_blocks_and_plan(heron: Profile, tmp_path: Path) -> None:
    made = demo.make_demo(tmp_path / "new" / "folder", heron, with_film=False)
    sliced, filmed, picture, plan, page = (path for path, _ in made.files)
    assert filmed.read_bytes().count(b" begin layer ") == 8  # 9 layers, from the second on
    assert capturehook.strip(filmed.read_bytes()) == sliced.read_bytes() == demo.lighthouse_job()
    assert len(load_plan(plan).poses) == 8
    assert ElementTree.parse(picture).getroot().tag == "{http://www.w3.org/2000/svg}svg"
    assert page.read_text().count('<li data-text="Frame ') == 8  # drawn without the extra, too
    assert made.summary.startswith("9 layers, 8 poses;")


def test_demo_with_film_shows_every_pose(heron: Profile, tmp_path: Path) -> None:
    av = pytest.importorskip("av")
    pytest.importorskip("PIL")
    steps: list[int] = []
    made = demo.make_demo(tmp_path, heron, with_film=True, step=steps.append)
    assert steps == list(range(1, 9))
    with av.open(str(made.files[-2][0])) as film:
        frames = sum(1 for _ in film.decode(video=0))
    assert frames == 8 + Fraction(heron.capture.fps) * round(heron.capture.hold_last_s)


@pytest.mark.parametrize("name", ["lighthouse.gcode", "lighthouse.zip", "plan.json"])
def test_demo_replaces_its_own_files_and_nobody_elses(
    name: str, heron: Profile, tmp_path: Path
) -> None:
    mine = tmp_path / name
    mine.write_bytes(b"mine")
    with pytest.raises(capturehook.CaptureHookError, match="stands there, and is of no earlier"):
        demo.make_demo(tmp_path, heron, with_film=False)
    assert mine.read_bytes() == b"mine" and list(tmp_path.iterdir()) == [mine]
    mine.unlink()
    demo.make_demo(tmp_path, heron, with_film=False)
    demo.make_demo(tmp_path, heron, with_film=False)


def test_demo_into_a_file_says_so(heron: Profile, tmp_path: Path) -> None:
    taken = tmp_path / "lighthouse"
    taken.write_text("mine")
    with pytest.raises(capturehook.CaptureHookError, match="cannot be made"):
        demo.make_demo(taken, heron, with_film=False)
    assert taken.read_text() == "mine"
