"""The pages of docs/, found by their names in whatever folder they are."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGES = sorted(DOCS.rglob("*.md"))


def page_path(name: str) -> Path:
    """The one page whose path ends with that name, as `cli.md` or `tutorial/resin.md`."""
    (found,) = (page for page in PAGES if page.as_posix().endswith(f"/{name}"))
    return found


def page_text(name: str) -> str:
    return page_path(name).read_text(encoding="utf-8")
