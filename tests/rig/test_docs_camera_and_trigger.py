"""The commands in docs/camera_and_trigger.md print what the page says they print."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[2] / "docs" / "camera_and_trigger.md"
_BLOCKS = re.findall(r"```console\n\$ (.+)\n((?:.*\n)*?)```", PAGE.read_text(encoding="utf-8"))


def _shell(command, folder):
    """As a person types it: both streams, the commands of this interpreter first."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["sh", "-c", command],
        cwd=folder,
        env={**os.environ, "PATH": path, "COLUMNS": "100"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    return done.stdout.decode()


def _lines(text):
    return [line.rstrip() for line in text.strip().splitlines()]


def test_page_has_its_commands():
    assert len(_BLOCKS) == 8


@pytest.mark.parametrize(("command", "shown"), _BLOCKS)
def test_command_prints_what_the_page_shows(command, shown, tmp_path):
    assert _lines(_shell(command, tmp_path)) == _lines(shown)
