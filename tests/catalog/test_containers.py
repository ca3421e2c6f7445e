"""Every kind of resin container: what it must answer, a sample with its truth, a row in docs."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from capturehook.catalog.containers import KINDS, binary_kind, zip_kind
from capturehook.catalog.containers.refused import MARKS, refusal
from capturehook.catalog.containers.zip_file import Container
from capturehook.testing import check_container

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "resin"))
import sample_truth as truth  # noqa: E402 - stands beside the tests that use it most

PAGE = (ROOT / "docs" / "howto" / "resin_shoot.md").read_text(encoding="utf-8")


def test_kinds_have_names_of_their_own_and_rows_in_the_docs() -> None:
    names = [kind.name for kind in KINDS.values()]
    assert len(set(names)) == len(names)
    for kind in KINDS.values():
        words = re.findall(r"\.\w+|plate\.json|config\.json", kind.what)
        assert words
        for word in words:
            shown = word in PAGE or word in ("config.json",) or word == ".json"
            assert shown, f"{word} of {kind.name} is not in docs/howto/resin_shoot.md"


@pytest.mark.parametrize("name", [*truth.BINARY, "tilt.sl1", "layers.vdt", "layers.uvj"])
def test_kind_keeps_its_contract_on_each_sample(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(truth.sample(name))
    check_container(KINDS[kind_of(path)], path, truth.truth(name)["layers"])


def test_every_kind_has_a_sample(tmp_path: Path) -> None:
    met = set()
    for name in (*truth.BINARY, *truth.ZIPS, "plate.zip"):
        path = tmp_path / name
        path.write_bytes(truth.sample(name))
        if name != "commands.zip":
            met.add(kind_of(path))
    assert met == set(KINDS)


def kind_of(path: Path) -> str:
    if path.suffix in (".zip", ".sl1", ".vdt", ".uvj"):
        with Container(path) as container:
            kind = zip_kind(container)
    else:
        kind = binary_kind(path.read_bytes()[:16])
    assert kind is not None
    return kind.name


@pytest.mark.parametrize(("mark", "what"), MARKS, ids=lambda one: str(one)[:24])
def test_refused_mark_is_claimed_by_no_kind_and_said(mark: bytes, what: str) -> None:
    assert binary_kind(mark + bytes(16)) is None
    assert what in refusal(mark + bytes(16))


@pytest.mark.parametrize("head", [b"", b"V5.0\x07\x00\x00\x00DLP\x00", b"\x89PNG\r\n", bytes(16)])
def test_unknown_head_is_refused_in_words(head: bytes) -> None:
    assert binary_kind(head) is None
    assert refusal(head).startswith("is ")
