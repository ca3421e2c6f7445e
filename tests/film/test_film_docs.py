"""The pages of audit and film leave no verdict, code or choice out."""

import re
from pathlib import Path

from capturehook.audit.verdicts import VERDICTS
from capturehook.film.codecs import CODECS
from capturehook.film.framing import CROPS
from tests.docs.pages import page_text

ROOMS = [Path(__file__).parents[2] / "capturehook" / name for name in ("frames", "audit", "film")]


def test_audit_page_has_a_row_for_every_verdict():
    page = page_text("audit.md")
    for verdict in VERDICTS.values():
        assert f"| {verdict.name} | {verdict.letter} |" in page


def test_page_of_findings_names_every_code_of_the_stage():
    page = page_text("findings.md")
    source = "".join(
        path.read_text(encoding="utf-8") for room in ROOMS for path in room.glob("*.py")
    )
    codes = set(re.findall(r'Finding\(\s*"([a-z-]+)"', source))
    assert len(codes) > 12
    assert {code for code in codes if f"`{code}`" not in page} == set()


def test_help_names_every_codec_and_crop():
    page = page_text("cli.md")
    assert all(name in page for name in [*CODECS, *CROPS])
