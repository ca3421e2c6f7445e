"""The page of resin shoots: what it shows is printed; every finding has its row."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from resin_jobs import write_lighthouse

from capturehook.cli.main import run
from tests.docs.examples import is_as_shown, printed_lines
from tests.docs.pages import page_text

ROOT = Path(__file__).parents[2]
PAGE = page_text("resin_shoot.md")
EXAMPLES = re.findall(r"```console\n\$ capturehook (.*?)\n(.*?)\n```", PAGE, re.DOTALL)


@pytest.mark.parametrize(("command", "shown"), EXAMPLES)
def test_docs_example_prints_what_the_page_shows(
    command: str,
    shown: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    write_lighthouse(tmp_path / "tall.zip")
    with pytest.raises(SystemExit) as done:
        run(command.split())
    assert done.value.code == 0
    text = capsys.readouterr()
    printed = text.out + text.err
    assert is_as_shown(printed_lines(shown), printed_lines(printed), about=False)


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
    assert len(EXAMPLES) == 2
    assert codes == set(re.findall(r"^- `(resin-[a-z-]+)`", page_text("findings.md"), re.M))
