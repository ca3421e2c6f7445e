"""docs/howto/walkthrough.md as it stands: job, blocks, plan, stand-in camera, audit, film."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tests.docs.examples import prepare, run_page
from tests.docs.pages import page_path

av = pytest.importorskip("av")

PAGE = page_path("walkthrough.md")


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    folder = tmp_path_factory.mktemp("walk")
    prepare(folder)
    return folder, run_page(PAGE, folder)


def test_page_prints_what_it_shows(walked: tuple[Path, list[str]]) -> None:
    assert walked[1] == []


@pytest.mark.parametrize(
    ("name", "frames", "size"),
    [("film.mp4", 158 + 60, (320, 180)), ("upright.mp4", 100 + 60, (100, 176))],
)
def test_film_holds_a_frame_for_each_pose_and_the_held_ones(
    walked: tuple[Path, list[str]], name: str, frames: int, size: tuple[int, int]
) -> None:
    """30 frames a second, the last held for 2 s; the knock and even sides cost a few pixels."""
    with av.open(str(walked[0] / name)) as film:
        stream = film.streams.video[0]
        assert sum(1 for _ in film.decode(video=0)) == frames
        assert stream.width % 2 == 0 and stream.height % 2 == 0
        assert (stream.width, stream.height) == pytest.approx(size, abs=8)


def test_list_says_which_poses_are_mixed(walked: tuple[Path, list[str]]) -> None:
    """The missing, the blurred and the dark one of the page."""
    with (walked[0] / "chosen.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["pose"] for row in rows if row["kind"] == "blended"] == ["12", "50", "70"]
    assert float(rows[120]["dx_px"]) - float(rows[10]["dx_px"]) == pytest.approx(3.4, abs=0.2)


def test_pictures_of_both_shoots_are_there(walked: tuple[Path, list[str]]) -> None:
    for name in ("sheet.png", "resin_sheet.png", "shoot.svg", "resin_shoot.svg", "plan.svg"):
        assert (walked[0] / name).stat().st_size > 5000, name
