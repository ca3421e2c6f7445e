"""The way of the data, and a few rules of the house, read from the source itself."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from capturehook.catalog import FIRMWARES
from tests.docs.pages import PAGES

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "capturehook"
MODULES = sorted(PACKAGE.rglob("*.py"))
STAGES = (
    "model",
    "physics",
    "catalog",
    "profile",
    "jobfile",
    "read",
    "clock",
    "place",
    "block",
    "report",
    "draw",
    "frames",
    "audit",
    "attend",
    "film",
)
FRONT = (
    "cli",
    "hosts",
    "rehearse",
    "page",
    "demo",
    "testing",
    "api",
    "__main__",
    "__init__",
)
SPEAK = {"cli/show.py", "cli/main.py", "hosts/run.py", "hosts/watch.py"}
MOST_LINES, MOST_PARAMETERS = 400, 8
HEAVY = {"rich", "av", "PIL", "cv2", "rawpy", "pygcode"}


def name_of(path: Path) -> str:
    return str(path.relative_to(PACKAGE))


def imports_of(path: Path) -> Iterator[str]:
    """Every module of ours that a file imports, wherever in it the import stands."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (one.name for one in node.names if one.name.startswith("capturehook"))
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            assert node.level == 0, f"{path}: imports are absolute"
            if module.split(".")[0] != "capturehook":
                continue
            for one in node.names:
                whole = f"{module}.{one.name}"
                below = PACKAGE.joinpath(*whole.split(".")[1:])
                is_module = below.is_dir() or below.with_suffix(".py").is_file()
                yield whole if is_module else module


def part(module: str) -> str:
    """The first folder or file under the package: 'capturehook.place.stops' -> 'plan'."""
    return module.split(".")[1] if "." in module else "__init__"


def of(folder: str) -> list[Path]:
    return [path for path in MODULES if path.relative_to(PACKAGE).parts[0] == folder]


def test_the_search_finds_imports_of_every_form() -> None:
    found = set(imports_of(PACKAGE / "read" / "job.py"))
    assert {"capturehook.read.source", "capturehook.model.layers"} <= found
    inside = set(imports_of(PACKAGE / "api.py"))
    assert "capturehook.block.poses" in inside  # inside a function
    assert "capturehook.model.moves" in set(imports_of(PACKAGE / "read" / "others.py"))
    assert len(MODULES) > 80


@pytest.mark.parametrize("stage", STAGES)
def test_stage_imports_only_stages_before_it(stage: str) -> None:
    allowed = set(STAGES[: STAGES.index(stage) + 1])
    for path in of(stage):
        for module in set(imports_of(path)):
            where = part(module)
            assert where not in set(STAGES) - allowed, f"{name_of(path)} imports {module}"
            assert where not in FRONT or module == "capturehook", f"{name_of(path)}: {module}"


def test_physics_imports_nothing_of_ours() -> None:
    for path in of("physics"):
        ours = [module for module in imports_of(path) if part(module) != "physics"]
        assert ours == [], name_of(path)


def test_nothing_below_the_front_imports_the_front() -> None:
    """The command line, the hosts and the rehearsal call the library, never the other way."""
    for path in MODULES:
        if path.relative_to(PACKAGE).parts[0].removesuffix(".py") in FRONT:
            continue
        for module in imports_of(path):
            assert part(module) not in ("cli", "hosts", "rehearse", "page", "demo"), (
                f"{name_of(path)}: {module}"
            )


def _speaks(path: Path) -> Iterator[int]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        if isinstance(called, ast.Name) and called.id in ("print", "input"):
            yield node.lineno
        if (
            isinstance(called, ast.Attribute)
            and isinstance(called.value, ast.Name)
            and called.value.id == "click"
            and called.attr in ("echo", "secho", "prompt", "confirm", "pause")
        ):
            yield node.lineno


def test_only_the_front_prints() -> None:
    spoken = {name_of(path): list(_speaks(path)) for path in MODULES}
    assert spoken["cli/show.py"], "the search finds nothing at all"
    assert {name for name, lines in spoken.items() if lines} <= SPEAK


def test_heavy_libraries_are_imported_only_where_they_are_used() -> None:
    """A slicing host waits for us: nothing heavy at the top of a module on its way."""
    on_the_way = [p for p in MODULES if p.relative_to(PACKAGE).parts[0] in {*STAGES, "cli"}]
    for path in on_the_way:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            names = []
            if isinstance(node, ast.Import):
                names = [one.name for one in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            heavy = {"rich", "av", "PIL", "cv2", "rawpy", "pygcode"} & {
                one.split(".")[0] for one in names
            }
            assert not heavy, f"{name_of(path)}: {heavy}"


def _names_and_texts(path: Path) -> Iterator[tuple[int, str]]:
    """Every identifier and text of a module, docstrings aside."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, (str, bytes)):
            if id(node) not in told:
                text = node.value
                yield node.lineno, text if isinstance(text, str) else text.decode("latin-1")
        elif isinstance(node, (ast.Name, ast.arg, ast.Attribute, ast.keyword, ast.alias)):
            name = getattr(node, "id", None) or getattr(node, "attr", None)
            yield (
                getattr(node, "lineno", 0),
                name or getattr(node, "arg", None) or getattr(node, "name", "") or "",
            )
        elif isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            yield node.lineno, node.name


def _families_named(path: Path) -> list[str]:
    found = re.compile("|".join(FIRMWARES), re.I)
    return [f"line {at}: {text:.60}" for at, text in _names_and_texts(path) if found.search(text)]


def test_families_of_firmware_are_named_in_their_own_files_only() -> None:
    """What differs between families is answered by their file in the catalog."""
    own = PACKAGE / "catalog" / "firmware"
    for path in MODULES:
        if own not in path.parents:
            assert _families_named(path) == [], name_of(path)
    assert _families_named(own / "__init__.py"), "the search finds nothing at all"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_module_is_of_one_piece(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").count("\n")
    assert lines <= MOST_LINES, f"{name_of(path)} has {lines} lines: split it by reason to change"


def test_no_function_asks_for_more_than_can_be_kept_in_mind() -> None:
    asks = {}
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                names = [one.arg for one in (*node.args.args, *node.args.kwonlyargs)]
                asks[f"{name_of(path)} {node.name}"] = len(set(names) - {"self", "cls"})
    assert max(asks.values()) == MOST_PARAMETERS, "lower the bar, or bundle what belongs together"
    assert len(asks) > 2000


def _texts() -> Iterator[tuple[Path, str]]:
    skipped = {
        ".git",
        "__pycache__",
        ".venv",
        ".mypy_cache",
        ".ruff_cache",
        ".pytest_cache",
        "dist",
    }
    for path in sorted(ROOT.rglob("*")):
        if skipped & set(path.parts) or path.suffix in (".gz", ".png", ".jpg", ".pyc"):
            continue
        if path.is_file() and path != Path(__file__):
            yield path, path.read_bytes().decode("utf-8", "replace")


SEED = re.compile(
    r"\b(?:references|design|style)\.md\b|(?:\.\./|/work/)shared\b|\bshared/(?:gcode|hooks)\b"
)


def test_nothing_leans_on_what_is_not_in_the_repository() -> None:
    """The project carries its own data and its own facts."""
    named = [f"{p.relative_to(ROOT)}: {m[0]}" for p, text in _texts() for m in SEED.finditer(text)]
    assert named == []


CITED = re.compile(r"docs/([a-z_/]+\.md)(?:#([a-z0-9_-]+))?")


def test_every_page_and_heading_that_the_code_cites_is_there() -> None:
    for path in MODULES:
        for page, anchor in CITED.findall(path.read_text(encoding="utf-8")):
            found = ROOT / "docs" / page
            assert found.is_file(), f"{name_of(path)} cites docs/{page}"
            if anchor:
                assert anchor in _anchors(found), f"{name_of(path)} cites docs/{page}#{anchor}"


def _anchors(page: Path) -> set[str]:
    found = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.M)
    return {re.sub(r"[^a-z0-9_ -]", "", one.lower()).strip().replace(" ", "-") for one in found}


LINK = re.compile(r"\]\((?!https?:)([a-z_./]*)(?:#([a-z0-9_-]+))?\)", re.I)


def test_links_between_the_pages_lead_somewhere() -> None:
    pages = [*PAGES, ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    for page in pages:
        for target, anchor in LINK.findall(page.read_text(encoding="utf-8")):
            found = (page.parent / target).resolve() if target else page
            assert found.exists(), f"{page.name} links to {target}"
            if anchor and found.suffix == ".md":
                assert anchor in _anchors(found), f"{page.name} links to {target}#{anchor}"
