"""The site of docs/ builds without a warning, finds what one looks for, and fetches nothing."""

from __future__ import annotations

import json
import logging
import re
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.docs.pages import DOCS, PAGES, ROOT

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    mkdocs = pytest.importorskip("mkdocs")
    from mkdocs.commands.build import build
    from mkdocs.config import load_config
    from mkdocs.exceptions import Abort

KINDS = ("tutorial", "howto", "reference", "explain")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Built as strictly as `mkdocs build --strict` does: a warning is an error."""
    folder = tmp_path_factory.mktemp("site")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        build(load_config(str(ROOT / ".mkdocs.yml"), site_dir=str(folder), strict=True))
    yield folder


def test_every_page_is_in_the_site_under_its_kind(site: Path) -> None:
    made = {page.relative_to(site).with_suffix(".md") for page in site.rglob("*.html")}
    assert {page.relative_to(DOCS) for page in PAGES} <= made
    assert {page.parent.name for page in PAGES} == {*KINDS, "docs"}


@pytest.mark.parametrize(
    ("words", "page"),
    [
        ("pretravel_mm", "reference/profile.html"),
        ("lamp-flicker", "reference/findings.html"),
        ("--even-light", "reference/cli.html"),
    ],
)
def test_search_finds_a_key_a_code_and_an_option(site: Path, words: str, page: str) -> None:
    index = json.loads((site / "search" / "search_index.json").read_text(encoding="utf-8"))
    hits = {one["location"].partition("#")[0] for one in index["docs"] if words in one["text"]}
    assert page in hits


def test_lists_and_tables_come_out_as_such(site: Path) -> None:
    """Else a paragraph of the site holds their lines, as where an indent is short of four."""
    for page in site.rglob("*.html"):
        text = re.sub(r"<code>.*?</code>", "", page.read_text(encoding="utf-8"), flags=re.S)
        for paragraph in re.findall(r"<p>(.*?)</p>", text, re.S):
            assert not re.search(r"\n(?:- |\d+\. |\|)", paragraph), (page.name, paragraph)


def test_site_fetches_nothing_from_elsewhere(site: Path) -> None:
    for page in site.rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert re.findall(r'<(?:script|link|img)\b[^>]*(?:src|href)="https?:', text) == [], page


def test_strict_build_refuses_a_link_that_leads_nowhere(tmp_path: Path) -> None:
    """The check can fail: a page with a dead anchor is told."""
    pages = tmp_path / "docs"
    pages.mkdir()
    (pages / "index.md").write_text("# One\n\n[two](#two)\n", encoding="utf-8")
    text = (ROOT / ".mkdocs.yml").read_text(encoding="utf-8")
    config = tmp_path / "mkdocs.yml"
    config.write_text(text.partition("\nnav:")[0], encoding="utf-8")
    logging.getLogger("mkdocs").setLevel(logging.WARNING)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        with pytest.raises(Abort):
            build(load_config(str(config), site_dir=str(tmp_path / "site"), strict=True))
