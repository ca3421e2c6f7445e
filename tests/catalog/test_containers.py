"""Every kind of resin container: what it must answer, a sample with its truth, a row in docs."""

from __future__ import annotations

import inspect
import re
import sys
from pathlib import Path

import pytest

from capturehook.catalog import containers
from capturehook.catalog.containers import BINARY_KINDS, ZIP_KINDS, binary_kind, zip_kind
from capturehook.catalog.containers.fields import Fields
from capturehook.catalog.containers.refused import MARKS, refusal
from capturehook.catalog.containers.zip_file import Container

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "resin"))
import sample_truth as truth  # noqa: E402 - stands beside the tests that use it most

PAGE = (ROOT / "docs" / "howto" / "resin_shoot.md").read_text(encoding="utf-8")
KINDS = [
    *((containers.BinaryKind, kind) for kind in BINARY_KINDS),
    *((containers.ZipKind, kind) for kind in ZIP_KINDS),
]


@pytest.mark.parametrize(("contract", "kind"), KINDS, ids=lambda one: getattr(one, "name", ""))
def test_kind_answers_all_that_its_contract_asks(contract: type, kind: object) -> None:
    for name in contract.__annotations__:
        assert getattr(kind, name), f"{kind} lacks {name}"
    for name, wanted in vars(contract).items():
        if inspect.isfunction(wanted) and not name.startswith("_"):
            given = getattr(type(kind), name)
            assert list(inspect.signature(given).parameters) == list(
                inspect.signature(wanted).parameters
            )


def test_kinds_have_names_of_their_own_and_rows_in_the_docs() -> None:
    names = [kind.name for _, kind in KINDS]
    assert len(set(names)) == len(names)
    for _, kind in KINDS:
        words = re.findall(r"\.\w+|plate\.json|config\.json", kind.what)
        assert words
        for word in words:
            shown = word in PAGE or word in ("config.json",) or word == ".json"
            assert shown, f"{word} of {kind.name} is not in docs/howto/resin_shoot.md"


def test_every_kind_has_a_sample_that_it_alone_claims(tmp_path: Path) -> None:
    met = set()
    for name in (*truth.BINARY, *truth.ZIPS, "plate.zip"):
        path = tmp_path / name
        path.write_bytes(truth.sample(name))
        if name in truth.BINARY:
            with Fields(path) as fields:
                head = fields.raw(0, 16, "head")
                met.add(binary_kind(head))
                assert sum(kind.claims(head) for kind in BINARY_KINDS) == 1
        elif name != "commands.zip":
            with Container(path) as container:
                met.add(zip_kind(container))
                assert sum(kind.claims(container) for kind in ZIP_KINDS) == 1
    assert met == {*BINARY_KINDS, *ZIP_KINDS}


@pytest.mark.parametrize(("mark", "what"), MARKS, ids=lambda one: str(one)[:24])
def test_refused_mark_is_claimed_by_no_kind_and_said(mark: bytes, what: str) -> None:
    assert binary_kind(mark + bytes(16)) is None
    assert what in refusal(mark + bytes(16))


@pytest.mark.parametrize("head", [b"", b"V5.0\x07\x00\x00\x00DLP\x00", b"\x89PNG\r\n", bytes(16)])
def test_unknown_head_is_refused_in_words(head: bytes) -> None:
    assert binary_kind(head) is None
    assert refusal(head).startswith("is ")
