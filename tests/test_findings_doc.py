"""Every finding code of the code base is explained on the page of findings, and no other is."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from capturehook.audit import judge

ROOT = Path(__file__).parents[1]
CODE = re.compile(r"[a-z]+(-[a-z0-9]+)*")
BY_VERDICT = ROOT / "capturehook" / "audit" / "judge.py"


def _constants(node: ast.AST) -> Iterator[str]:
    for one in ast.walk(node):
        if isinstance(one, ast.Constant) and isinstance(one.value, str):
            yield one.value


def _is_finding(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("Finding", "Note", "doubt")
    )


def _through_names(tree: ast.AST, name: str) -> Iterator[str]:
    """Constants that a loop or a generator's tuples give to a variable."""
    for node in ast.walk(tree):
        if isinstance(node, (ast.For, ast.comprehension)) and isinstance(node.target, ast.Tuple):
            at = [one.id if isinstance(one, ast.Name) else "" for one in node.target.elts]
            if name in at:
                for row in ast.walk(node.iter):
                    if isinstance(row, ast.Tuple) and len(row.elts) == len(at):
                        yield from _constants(row.elts[at.index(name)])
        if isinstance(node, ast.Yield) and isinstance(node.value, ast.Tuple):
            yield from _constants(node.value.elts[0])


def codes_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    for node in ast.walk(tree):
        if not _is_finding(node):
            continue
        assert isinstance(node, ast.Call)
        given = [one.value for one in node.keywords if one.arg == "code"] or node.args[:1]
        names = {one.id for one in ast.walk(given[0]) if isinstance(one, ast.Name)}
        direct = given[0].body if isinstance(given[0], ast.IfExp) else given[0]
        if isinstance(direct, ast.Name):
            for name in names:
                found |= set(_through_names(tree, name))
        elif isinstance(given[0], ast.IfExp):
            found |= {*_constants(given[0].body), *_constants(given[0].orelse)}
        else:
            found |= set(_constants(given[0]))
    if path == BY_VERDICT:
        found |= {one.name.replace(" ", "-") for one in judge.SAID + judge.SAID_SOFTLY}
    return found


def codes_in_code() -> dict[str, str]:
    """Each code with one of the files that use it."""
    found: dict[str, str] = {}
    for path in sorted((ROOT / "capturehook").rglob("*.py")):
        for code in codes_in(path):
            found.setdefault(code, str(path.relative_to(ROOT)))
    return found


def codes_in_docs() -> set[str]:
    text = (ROOT / "docs" / "reference" / "findings.md").read_text(encoding="utf-8")
    first = [line.split(": ")[0] for line in text.splitlines() if line.startswith("- `")]
    return {code for cell in first for code in re.findall(r"`([a-z0-9-]+)`", cell)}


def test_codes_are_found_in_every_way_they_are_written() -> None:
    """The search itself: constants, conditions, loops, generators and verdicts."""
    found = codes_in_code()
    for code in ("pose-left-out", "thin-fire", "no-fire", "pauses", "button-depth", "not-parked"):
        assert code in found
    assert len(found) > 60
    assert all(CODE.fullmatch(code) for code in found), sorted(found)


def test_every_code_is_explained() -> None:
    missing = {c: where for c, where in codes_in_code().items() if c not in codes_in_docs()}
    assert missing == {}, "explain them in findings.md"


def test_no_code_is_explained_that_nobody_gives() -> None:
    assert codes_in_docs() - set(codes_in_code()) == set()
