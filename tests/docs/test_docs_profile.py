"""docs/reference/profile.md and docs/howto/hosts.md say what the program does.

To bring the key tables up to date: everything after `<!-- keys -->` in docs/reference/profile.md
is the output of `capturehook profile schema --markdown`.
"""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner

from capturehook.cli.hosts import hook_command, snippet_command
from capturehook.cli.profiles import profile_group
from capturehook.errors import ProfileError
from capturehook.hosts.run import words_of
from capturehook.profile import build_profile, parse_profile
from capturehook.profile.text import key_rows, key_table
from tests.docs.pages import ROOT, page_text
from tests.strategies import profile_table

PROFILE = page_text("profile.md")
HOSTS = page_text("hosts.md")


def test_key_tables_are_fresh() -> None:
    _, _, found = PROFILE.partition("<!-- keys -->\n\n")
    assert found == key_table().rstrip() + "\n", (
        "run: capturehook profile schema --markdown, and put it after <!-- keys -->"
    )


def test_key_tables_name_every_key() -> None:
    keys = {key for _, key, _, _ in key_rows()}
    assert len(keys) > 90
    heads = re.findall(r"^- ((?:`\w+`(?:, )?)+)[ :]", PROFILE, re.M)
    assert keys == set(re.findall(r"\w+", " ".join(heads)))


def test_shortest_profile_is_sound() -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", PROFILE, re.DOTALL)
    assert parse_profile(text, "mine.toml").name == "mine"


def test_report_in_the_docs_is_what_is_reported() -> None:
    (report,) = re.findall(r"```\n(bed\.toml.*?)```", PROFILE, re.DOTALL)
    lines = report.splitlines()
    table = profile_table("marlin", park={"x_mm": 310})
    found = []
    for faulty in (
        table,
        profile_table("marlin", park={"hop": 3}),
        profile_table("marlin", machine={"lag_ms": 3}),
    ):
        with pytest.raises(ProfileError) as caught:
            build_profile(faulty, "bed.toml")
        found.append(str(caught.value))
    assert lines[:3] == found
    with pytest.raises(ProfileError) as caught:
        parse_profile("schema = 1\nname = 'bed'\n[park]\nx_mm =\n", "bed.toml")
    assert str(caught.value).startswith(lines[3].partition(": ")[0] + ": is not valid TOML")


def test_every_command_is_in_the_docs_and_has_an_example() -> None:
    for name, command in profile_group.commands.items():
        assert f"`capturehook profile {name}" in PROFILE
        shown = CliRunner().invoke(command, ["--help"]).output
        assert f"Example:  capturehook profile {name}" in shown
        assert "--json" in shown
    for command in (hook_command, snippet_command):
        assert f"`capturehook {command.name} " in HOSTS
        assert "Example:" in CliRunner().invoke(command, ["--help"]).output


def test_every_adapter_and_its_module_are_in_the_docs() -> None:
    for script in sorted((ROOT / "adapters").glob("*.py")):
        (module,) = re.findall(r"from (capturehook\.hosts\.\w+) import main", script.read_text())
        assert f"`adapters/{script.name}`" in HOSTS
        assert f"`{module}`" in HOSTS


def test_words_of_the_hosts_are_in_the_docs() -> None:
    shown = " ".join(option.opts[-1] for option in words_of("edit", "").params)
    assert "--skip-unsafe" in shown
    for word in ("--skip-unsafe", "--still-s", "--out", "--once", "--strip", "-o"):
        assert f"`{word}`" in HOSTS
