"""Words that a reader would have to translate stay out of code, messages and pages."""

from __future__ import annotations

import re
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
TEXTS = [
    *sorted((ROOT / "capturehook").rglob("*.py")),
    *(page for page in PAGES if page.name != HISTORY),
    *sorted((ROOT / "adapters").iterdir()),
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
]


def test_the_search_finds_an_old_word() -> None:
    assert OLD.search("filament is drawn back") and OLD.search("Nobody can say")
    assert not OLD.search("retracted; the path back is the same")


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_text_holds_no_old_word(path: Path) -> None:
    if not path.is_file():
        pytest.skip("a folder")
    lines = path.read_text(encoding="utf-8").splitlines()
    found = [
        f"{number}: {line.strip()}" for number, line in enumerate(lines, 1) if OLD.search(line)
    ]
    assert found == []
