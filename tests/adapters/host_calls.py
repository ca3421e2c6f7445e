"""Calls the adapters as a host does: another folder, no console, hardly any environment."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from capturehook.jobfile.fence import strip_bytes
from tests import forked
from tests.small_jobs import Recipe, make_job

ADAPTERS = Path(__file__).parents[2] / "adapters"
JOB = make_job(Recipe(layers=5)).data
PLANS = {"XDG_DATA_HOME": os.environ.get("XDG_DATA_HOME", tempfile.gettempdir())}
"""Where plans go; all else of the environment is as bare as a host leaves it."""
EMPTY_JOB = b"; nothing is printed here\nG28\n"


def call(
    script: str | Path,
    *words: str | Path,
    cwd: Path,
    env: Mapping[str, str] | None = None,
    stdin: bytes = b"",
    new_python: bool = False,
) -> subprocess.CompletedProcess[bytes]:
    """Run an adapter with standard input at its end and a bare environment."""
    command = [ADAPTERS / script, *words]
    given = {**PLANS, **(env or {})}
    if not new_python:
        return forked.run(command, cwd, given, stdin)
    words = (sys.executable, *map(str, command))
    return subprocess.run(words, cwd=cwd, env=given, input=stdin, capture_output=True, timeout=120)


def poses(data: bytes) -> int:
    return data.count(b"; capturehook pose ") // 2


def has_poses(data: bytes, original: bytes = JOB) -> bool:
    """Poses are in, and nothing else is other than it was."""
    return poses(data) == 4 and strip_bytes(data) == original


def one_line(text: bytes) -> str:
    """A report that must be a single line."""
    lines = text.decode().splitlines()
    assert len(lines) == 1, lines
    return lines[0]


def scraps(folder: Path) -> Iterable[str]:
    """What must not be left lying about."""
    return [path.name for path in folder.rglob("*") if path.name.endswith(".part")]
