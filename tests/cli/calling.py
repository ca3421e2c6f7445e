"""One command called as a person calls it."""

from __future__ import annotations

from pathlib import Path

import pytest

from capturehook.cli.main import run


def call(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of one command."""
    with pytest.raises(SystemExit) as stop:
        run([str(word) for word in words])
    heard = capsys.readouterr()
    return int(str(stop.value.code)), heard.out, heard.err


def profile_text(firmware: str = "marlin", width_mm: float = 235) -> str:
    """A plain profile as TOML."""
    return f"""
schema = 1
name = "heron"
[machine]
firmware = "{firmware}"
x_mm = [0, {width_mm}]
y_mm = [0, 235]
z_mm = [0, 250]
[park]
x_mm = 8
y_mm = 215
[trigger]
fired_by = "sensor"
"""
