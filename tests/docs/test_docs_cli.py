"""docs/reference/cli.md is what the parser says, and every command has its twin and its help."""

from __future__ import annotations

import re
from collections.abc import Iterator

import click
import pytest

import capturehook
from capturehook.cli.main import COMMANDS, main
from capturehook.cli.options import EVERYWHERE
from capturehook.cli.reference import MORE, TWINS, help_of, reference_page
from tests.docs.pages import page_text

PAGE = page_text("cli.md")
PYTHON = page_text("python_api.md")


def leaves() -> Iterator[tuple[str, click.Command]]:
    """Every command that does something, by the words one types."""
    context = click.Context(main)
    for name in COMMANDS:
        command = main.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from ((f"{name} {sub}", one) for sub, one in command.commands.items())
        else:
            yield name, command


LEAVES = dict(leaves())


def test_page_is_fresh() -> None:
    assert reference_page() == PAGE, "run: python -m capturehook.cli.reference > PAGE"


@pytest.mark.parametrize("name", LEAVES)
def test_command_has_a_section_with_all_it_takes(name: str) -> None:
    _, _, rest = PAGE.partition(f"\n{'##' if name in COMMANDS else '###'} {name}\n")
    section = re.split(r"\n##+ ", rest)[0]
    above = PAGE.partition(f"\n## {name.split()[0]}\n")[2].partition("\n### ")[0]
    shared = PAGE.partition("\n## Shared options\n")[2].partition("\n## ")[0]
    for option in LEAVES[name].params:
        if isinstance(option, click.Option):
            assert option.help, f"{name} {option.opts[0]} has no help"
            rest = PAGE if option.name in (*EVERYWHERE, "as_json") else section + above + shared
            assert f"`{option.opts[-1]}`" in rest
        else:
            word = option.metavar if option.metavar is not None else (option.name or "").upper()
            assert word in section


@pytest.mark.parametrize("name", LEAVES)
def test_example_of_a_command_is_one_it_takes(name: str) -> None:
    """The parser reads each example of its help (nothing is run)."""
    lines = re.findall(r"^capturehook (.+)$", help_of(LEAVES[name])[1], re.M)
    examples = [line for line in lines if line.startswith(f"{name} ")]
    assert examples or name == "profile list"
    for line in examples:
        words = re.split(r" [<>] ", line)[0].split()[len(name.split()) :]
        LEAVES[name].make_context(name, words)


def test_every_door_has_a_heading_and_every_twin_links_back() -> None:
    doors = {door for door in capturehook.__all__ if door[0].islower()}
    assert doors == set(re.findall(r"^## (\w+)$", PYTHON, re.M)) - {"Errors"}
    assert doors == set(TWINS.values())
    for command, door in TWINS.items():
        assert f"(python_api.md#{door})" in PAGE
        _, _, rest = PYTHON.partition(f"\n## {door}\n")
        assert f"(cli.md#{command})" in rest.partition("\n## ")[0]


def test_every_command_says_where_to_read_on() -> None:
    assert set(MORE) == set(COMMANDS)
