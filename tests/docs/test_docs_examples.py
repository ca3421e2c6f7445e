"""README and the pages: what they show is what comes out, and every command is one there is."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
import pytest

from capturehook import apply, load_profile, plan
from capturehook.cli.main import main
from tests.docs.examples import (
    HAS,
    blocks_of,
    edit_toml,
    is_as_shown,
    prepare,
    run_page,
)
from tests.docs.pages import PAGES, ROOT, page_path

RUN = (
    *("tutorial/filament.md", "tutorial/resin.md", "rehearse.md", "plan.md", "python_api.md"),
    *("camera_and_trigger.md", "commissioning.md", "phone.md", "resin_light_off.md"),
    "brackets.md",
)
TEXTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *PAGES]


@pytest.mark.parametrize("name", RUN)
def test_page_prints_what_it_shows(name: str, tmp_path: Path) -> None:
    prepare(tmp_path)
    if name == "python_api.md":
        _save_card(tmp_path)
    assert run_page(page_path(name), tmp_path) == []


def _save_card(folder: Path) -> None:
    """The frames that the page's audit asks for: noise that stays, and a block that grows."""
    if not HAS["video"]:
        return
    from capturehook.rehearse.stand_in import StandInCamera, list_exposures

    shoot = plan((folder / "lighthouse.gcode").read_bytes(), load_profile("heron"))
    camera = StandInCamera(folder / "card", list_exposures(shoot))
    picture = np.random.default_rng(7).integers(60, 160, (90, 160, 3), dtype=np.uint8)
    for pose in shoot.poses:
        picture[85 - round(pose.z_mm) : 85, 70:90] = 200
        camera.take(pose.pose, picture)


def test_block_of_the_readme_is_what_apply_writes_into_the_demo(tmp_path: Path) -> None:
    before, after = (one.body for one in _blocks(ROOT / "README.md") if one.kind == "gcode")
    prepare(tmp_path)
    job = (tmp_path / "lighthouse.gcode").read_bytes()
    assert before.encode() in job
    assert after.encode() in apply(job, load_profile("heron")).data


def test_python_of_the_readme_runs(tmp_path: Path) -> None:
    prepare(tmp_path)
    (tmp_path / "lighthouse.gcode").rename(tmp_path / "job.gcode")
    assert any(one.kind == "python" for one in _blocks(ROOT / "README.md"))
    assert run_page(ROOT / "README.md", tmp_path) == []


def _blocks(page: Path) -> list:
    return blocks_of(page.read_text(encoding="utf-8"))


def _shown_commands() -> Iterator[tuple[str, str]]:
    """Each command line of ours in a block of a page, without pipes and comments."""
    for page in TEXTS:
        for block in _blocks(page):
            for line in block.body.splitlines():
                found = re.match(r"(?:\$ )?capturehook ([a-z].*)", line)
                if found and block.kind in ("sh", "console", "text"):
                    words = re.split(r"\s(?:[<>|&;#]|2>)", found[1])[0]
                    yield page.name, words


@pytest.mark.parametrize(("page", "line"), sorted({*_shown_commands()}))
def test_command_of_a_page_is_one_that_is_understood(page: str, line: str) -> None:
    """The parser itself reads it; nothing is run. `OPTIONS` stands for some."""
    if "[OPTIONS]" in line or "..." in line:
        return
    words = shlex.split(line)
    command: click.Command | None = main
    while isinstance(command, click.Group) and words:
        name = words.pop(0)
        command = command.get_command(click.Context(command), name)
        assert command is not None, f"{page}: there is no `{name}`"
    assert command is not None
    command.make_context(line, words)


def test_commands_are_found_in_the_pages() -> None:
    assert len({line for _, line in _shown_commands()}) > 45


def test_harness_sees_a_wrong_page(tmp_path: Path) -> None:
    """A line that is not printed, a refusal that is not told, and a number too far off."""
    page = tmp_path / "page.md"
    for block in (
        "```console\n$ echo one\ntwo\n```",
        "```console\n$ capturehook strip nothing.gcode\n...\n```",
        "<!-- about -->\n```console\n$ echo 1.50\n1.00\n```",
    ):
        page.write_text(block)
        assert len(run_page(page, tmp_path)) == 1, block
    page.write_text("<!-- about -->\n```console\n$ echo 1.02\n1.00\n```")
    assert run_page(page, tmp_path) == []


def test_dots_stand_for_any_lines() -> None:
    assert is_as_shown(["a", "...", "d"], ["a", "b", "c", "d"], about=False)
    assert not is_as_shown(["a", "...", "d"], ["a", "b", "c"], about=False)


def test_edits_of_a_page_must_name_keys_that_are_there(tmp_path: Path) -> None:
    profile = tmp_path / "mine.toml"
    profile.write_text('name = "mine"\n\n[park]\nx_mm = 8\n# hop = 1\n')
    edit_toml(profile, "[park]\nx_mm = 9\nhop = 2\n")
    assert profile.read_text().endswith("[park]\nx_mm = 9\nhop = 2\n")
    with pytest.raises(AssertionError, match="has no"):
        edit_toml(profile, "[park]\ny_mm = 9\n")
