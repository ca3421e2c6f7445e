"""The pages of audit and film: their Python runs, and they leave no verdict or code out."""

import re
from pathlib import Path

import pytest

from capturehook.audit.verdicts import VERDICTS
from capturehook.film.codecs import CODECS
from capturehook.film.framing import CROPS
from tests.docs.pages import page_text
from tests.frames.shoot import make_shoot

ROOMS = [Path(__file__).parents[2] / "capturehook" / name for name in ("frames", "audit", "film")]


@pytest.mark.parametrize("name", ["audit.md", "film.md"])
def test_python_of_the_page_runs_as_it_stands(name, tmp_path, monkeypatch, capsys):
    shoot = make_shoot(8)
    shoot.write(tmp_path / "card")
    shoot.plan.save(tmp_path / "plan.json")
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```python\n(.*?)```", page_text(name), re.S)
    assert blocks
    for block in blocks:
        exec(compile(block, name, "exec"), {})
    assert "good" in capsys.readouterr().out or name == "film.md"
    assert name == "audit.md" or {"lighthouse.mp4", "drawn.mp4"} <= {
        path.name for path in tmp_path.iterdir()
    }


def test_audit_page_has_a_row_for_every_verdict():
    page = page_text("audit.md")
    for verdict in VERDICTS.values():
        assert f"| {verdict.name} | {verdict.letter}, {verdict.shape} |" in page


def test_page_of_findings_names_every_code_of_the_stage():
    page = page_text("findings.md")
    source = "".join(
        path.read_text(encoding="utf-8") for room in ROOMS for path in room.glob("*.py")
    )
    codes = set(re.findall(r'Finding\(\s*"([a-z-]+)"', source))
    assert len(codes) > 12
    assert {code for code in codes if f"`{code}`" not in page} == set()


def test_film_page_names_every_codec_and_crop():
    page = page_text("film.md")
    assert all(name in page for name in [*CODECS, *CROPS])
