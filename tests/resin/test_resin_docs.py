"""The page of resin shoots: its block is one we write, its sums hold; every finding is told."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from resin_jobs import write_lighthouse

from capturehook.cli.main import run
from tests.docs.pages import page_text
from tests.test_findings_doc import codes_in_docs

ROOT = Path(__file__).parents[2]
PAGE = page_text("resin_shoot.md")


@pytest.mark.parametrize(
    ("command", "lines"),
    [
        # 29.05 + 6 > 35: layer 581 is the first seen; every 4th of 620 frames is 155
        (
            "resin tall.zip -p tern --every 4 --plan plan.json",
            ("35 mm: 580 layers; start the camera before layer 581,", "Film: 155 frames at 30 fps"),
        ),
        ("resin tall.zip -p tern --pose --every 8 -o posed.zip", ("posed.zip: 150 poses, ",)),
    ],
)
def test_shoot_is_the_one_worked_by_hand(
    command: str,
    lines: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    write_lighthouse(tmp_path / "tall.zip")
    with pytest.raises(SystemExit) as done:
        run(command.split())
    assert done.value.code == 0
    printed = capsys.readouterr().out
    assert all(line in printed for line in lines), printed


def test_docs_block_is_one_that_is_inserted(tmp_path: Path) -> None:
    from capturehook.catalog.containers.zip_file import Container
    from capturehook.profile import load_profile
    from capturehook.resin.pose import insert_poses

    tern = load_profile("tern")
    assert tern.resin is not None
    path = write_lighthouse(tmp_path / "lighthouse.zip")
    insert_poses(path, path, tern, tern.resin, every=8)
    with Container(path) as container:
        posed = container.read("run.gcode").decode().replace("\r\n", "\n")
    (block,) = re.findall(r"```gcode\n(.*?)\n```", PAGE, re.DOTALL)
    assert block in posed


def test_docs_list_every_finding() -> None:
    rooms = (ROOT / "capturehook" / "resin", ROOT / "capturehook" / "catalog" / "containers")
    code = "".join(path.read_text() for room in rooms for path in room.glob("*.py"))
    codes = set(re.findall(r'"(resin-[a-z-]+)"', code))
    assert codes == {code for code in codes_in_docs() if code.startswith("resin-")}
