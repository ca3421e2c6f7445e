"""The entry page leads to every other; troubleshooting names keys and codes there are."""

from __future__ import annotations

import re

from capturehook.profile.text import key_rows
from tests.docs.pages import DOCS, PAGES, ROOT, page_text
from tests.test_findings_doc import codes_in_code

TROUBLE = page_text("troubleshooting.md")


def test_entry_page_leads_to_every_page() -> None:
    linked = set(re.findall(r"\(([a-z_/]+\.md)", page_text("index.md")))
    assert {page.relative_to(DOCS).as_posix() for page in PAGES} - linked == {"index.md"}


def test_troubleshooting_names_keys_and_codes_that_exist() -> None:
    known = {key for _, key, _, _ in key_rows()} | set(codes_in_code())
    named = set(
        re.findall(r"`(?:\[[a-z.]+\] )?([a-z0-9]+(?:[_-][a-z0-9]+)+)(?: =[^`]*)?`", TROUBLE)
    )
    assert len(named) > 40
    assert named - known == set()


def test_troubleshooting_lists_every_symptom_at_its_top() -> None:
    top, _, rest = TROUBLE.partition("\n## ")
    symptoms = re.findall(r"^## (.+)$", "## " + rest, re.M)
    for symptom in symptoms:
        anchor = re.sub(r"[^a-z0-9 -]", "", symptom.lower()).replace(" ", "-")
        assert f"(#{anchor})" in top, symptom


def test_every_picture_is_shown() -> None:
    pages = "".join(page.read_text(encoding="utf-8") for page in PAGES)
    made = [path.name for path in (DOCS / "pictures").iterdir() if path.suffix in (".svg", ".png")]
    assert made
    assert [name for name in made if f"pictures/{name})" not in pages] == []


NAMED = re.compile(r"`((?:capturehook|tests|adapters|docs)/[a-z0-9_./]+)`|`python ([a-z_/]+\.py)")


def test_every_file_that_a_page_names_is_there() -> None:
    """Paths with a word in capitals (NAME, CASE) are patterns."""
    for page in [*PAGES, ROOT / "README.md", ROOT / "DEVELOPERS.md"]:
        if page.name != "changelog.md":
            for one, other in NAMED.findall(page.read_text(encoding="utf-8")):
                assert (ROOT / (one or other)).exists(), f"{page.name} names {one or other}"
