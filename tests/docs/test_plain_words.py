"""Words that a reader would have to translate stay out of code, messages and pages."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.docs.pages import PAGES, ROOT

HISTORY = "changelog.md"
OLD = re.compile(
    r"draw(?:n|s|ing)? (?:it |filament |the filament )?back|drew back|\bdoubt\w*"
    r"|\bway (?:out|back)\b|leaves? away|\bmend(?:s|ed|ing)?\b|\bnobody\b|export the job"
    r"|under way|out of all reason|trembling",
    re.IGNORECASE,
)
"""Say: retract, warning, travel out, path back, omit, fix, unknown, slice the model again."""
READ = re.compile(
    r"\busual(?:ly)?\b|\breckon\w*|\bpass(?:es|ed)? over\b|\blikeliest\b|\bin truth\b|\bfor sure\b"
    r"|\btrembl\w*|\bsafe way\b|\bseldom\b|\bof itself\b",
    re.IGNORECASE,
)
"""In what people read, besides. Say: default, common, compute, skip, in practice, jitter, path."""
MODULES = sorted((ROOT / "capturehook").rglob("*.py"))
WRITTEN = [
    *(page for page in PAGES if page.name != HISTORY),
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "adapters" / "README.md",
]
TEXTS = [*MODULES, *WRITTEN, *sorted((ROOT / "adapters").glob("*.py"))]


def test_the_search_finds_an_old_word() -> None:
    assert OLD.search("filament is drawn back") and OLD.search("Nobody can say")
    assert not OLD.search("retracted; the path back is the same")
    assert READ.search("passed over, it is a link") and not READ.search("skipped, it is a link")


def _name(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("path", TEXTS, ids=_name)
def test_text_holds_no_old_word(path: Path) -> None:
    assert list(_lines_with(OLD, path)) == []


@pytest.mark.parametrize("path", WRITTEN, ids=_name)
def test_page_holds_no_word_to_translate(path: Path) -> None:
    assert list(_lines_with(READ, path)) == []


def _lines_with(words: re.Pattern[str], path: Path) -> Iterator[str]:
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if words.search(line):
            yield f"{number}: {line.strip()}"


def test_no_message_holds_a_word_to_translate() -> None:
    """Every text of the code that is no docstring."""
    found = [
        f"{_name(path)}:{line}: {text}"
        for path in MODULES
        for line, text in _messages(ast.parse(path.read_text(encoding="utf-8")))
        if READ.search(text)
    ]
    assert found == []


def _messages(tree: ast.AST) -> Iterator[tuple[int, str]]:
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        is_text = isinstance(node, ast.Constant) and isinstance(node.value, str)
        if is_text and id(node) not in docstrings:
            yield node.lineno, node.value
