"""The bench imports physics, profile and errors; its physics imports nothing of ours."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "capturehook"
BENCH = {"capturehook.rig", "capturehook.physics", "capturehook.profile", "capturehook.errors"}
SCIENCE = [
    PACKAGE / "physics" / f"{name}.py" for name in ("optics", "settling", "interval", "circuit")
]


def _ours(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = (
            [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else [one.name for one in node.names]
            if isinstance(node, ast.Import)
            else []
        )
        yield from (name for name in names if name.startswith("capturehook"))


@pytest.mark.parametrize(
    "path", sorted((PACKAGE / "bench").glob("*.py")), ids=lambda path: path.stem
)
def test_bench_imports_only_what_it_may(path):
    assert not [name for name in _ours(path) if ".".join(name.split(".")[:2]) not in BENCH]


@pytest.mark.parametrize("path", SCIENCE, ids=lambda path: path.stem)
def test_science_stands_alone(path):
    assert not list(_ours(path))
