"""Entries of other packages: the example of the docs, really installed; and every way to be wrong.

Form of installed metadata: packaging.python.org, "Recording installed projects" and "Entry
points specification".
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from capturehook import CaptureHookError, apply, inspect
from capturehook.catalog import DIALECTS, FIRMWARES, TRIGGERS, register
from capturehook.catalog.containers import KINDS
from capturehook.catalog.register import IN_USE, PluginError
from capturehook.errors import ProfileError
from capturehook.model.resin import ResinTable
from capturehook.profile import load_profile
from capturehook.resin.job import read_job as read_resin
from capturehook.testing import sample_job, sample_profile
from tests.docs.pages import page_text

ROOT = Path(__file__).parents[2]
PAGE = page_text("adding_one.md")
SECTION = PAGE[PAGE.index("## From a package of your own") :]


def block_of_page(kind: str, number: int = 0) -> str:
    return re.findall(rf"^```{kind}\n(.*?)^```$", SECTION, re.M | re.S)[number]


def run(site: Path, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", *words],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": f"{site}{os.pathsep}{ROOT}", **more},
        cwd=site,
    )


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The docs' example, built and installed by pip, with nothing from the network."""
    source, site = tmp_path_factory.mktemp("finger"), tmp_path_factory.mktemp("site")
    (source / "pyproject.toml").write_text(block_of_page("toml"))
    (source / "capturehook_finger.py").write_text(block_of_page("python"))
    words = ["install", "--no-index", "--no-build-isolation", "--no-deps", "--quiet"]
    done = run(source, "pip", *words, "--target", str(site), str(source))
    assert done.returncode == 0, done.stderr
    profile = ROOT / "capturehook" / "catalog" / "profiles" / "heron.toml"
    trigger = '[trigger]\nby = "finger"\noptions = { press_deg = 60 }\n'
    text = re.sub(r"(?ms)^\[trigger\]\n.*?^(?=\[)", trigger, profile.read_text(encoding="utf-8"))
    (site / "finger.toml").write_text(text)
    (site / "job.gcode").write_bytes(sample_job())
    return site


def test_example_of_the_docs_is_twenty_lines_and_films_a_job(installed: Path) -> None:
    lines = block_of_page("python").splitlines()
    assert sum(bool(line.strip()) for line in lines) <= 22
    done = run(
        installed, "capturehook", "apply", "job.gcode", "-p", "finger.toml", "-o", "out.gcode"
    )
    assert done.returncode == 0, done.stderr
    filmed = (installed / "out.gcode").read_text()
    assert filmed.count("M280 P0 S60") == filmed.count("M280 P0 S0") == 3
    again = run(installed, "capturehook", "strip", "out.gcode", "-o", "back.gcode")
    assert again.returncode == 0 and (installed / "back.gcode").read_bytes() == sample_job()
    hook = run(installed, "capturehook.hosts.edit", "-p", "finger.toml", "back.gcode")
    assert hook.returncode == 0, hook.stderr
    assert (installed / "back.gcode").read_text() == filmed


def test_example_passes_its_own_test(installed: Path) -> None:
    (installed / "test_finger.py").write_text(block_of_page("python", 1))
    done = run(installed, "pytest", "-q", "-p", "no:cacheprovider", "test_finger.py")
    assert done.returncode == 0, done.stdout


def test_installed_packages_are_listed_and_in_the_choices(installed: Path) -> None:
    done = run(installed, "capturehook", "--version")
    assert "finger (capturehook.trigger) of capturehook-finger 1.0" in done.stdout
    schema = json.loads(run(installed, "capturehook", "profile", "schema").stdout)
    assert schema["$defs"]["Trigger"]["properties"]["by"]["enum"][-1] == "finger"
    shown = run(installed, "capturehook", "inspect", "job.gcode", "-p", "finger.toml")
    assert "finger (capturehook.trigger) of capturehook-finger 1.0" in shown.stdout
    found = json.loads(
        run(installed, "capturehook", "inspect", "job.gcode", "-p", "finger.toml", "--json").stdout
    )
    assert [one["package"] for one in found["plugins"]] == ["capturehook-finger 1.0"]


def test_options_are_held_against_the_package_and_refused_without_one(installed: Path) -> None:
    bad = (installed / "finger.toml").read_text().replace("options = { press_deg = 60 }\n", "")
    (installed / "bad.toml").write_text(bad)
    done = run(installed, "capturehook", "profile", "check", "bad.toml")
    assert done.returncode == 2
    assert "[trigger] options: press_deg is missing. Write { press_deg = 60 }." in done.stderr
    with pytest.raises(ProfileError, match="options: wait has none"):
        sample_profile("marlin", trigger={"options": {"press_deg": 60}})


# -- broken and clashing packages: metadata on the path is all that an installer leaves ----------


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.syspath_prepend(tmp_path)
    yield tmp_path
    for some in (DIALECTS, FIRMWARES, TRIGGERS, KINDS):
        for name in [one for one in some if one not in some.own]:
            del some[name]
        some.broken.clear()
    IN_USE.clear()
    register._offers.cache_clear()


def offer(site: Path, package: str, entries: str, code: str = "") -> None:
    """What an installer leaves of a package."""
    module = package.replace("-", "_")
    info = site / f"{module}-2.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 2.0\n")
    (info / "entry_points.txt").write_text(entries)
    (site / f"{module}.py").write_text(code)
    sys.modules.pop(module, None)
    register._offers.cache_clear()


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("import nothing_of_this_name", "cannot be loaded (ModuleNotFoundError: No module named"),
        ("raise SystemExit(3)", "cannot be loaded (SystemExit: 3)"),
        ("", "cannot be loaded (AttributeError: "),
        ("class Gull: name = 'gull'", "it lacks check(), findings(), fire()"),
        ("class Gull:\n def __init__(self, x): pass", "cannot be loaded (TypeError: "),
        (
            "class Gull:\n name = 'tern'\n def check(self, profile): pass\n"
            " def findings(self, profile): pass\n def fire(self, firmware, profile): pass",
            "it calls itself 'tern'; both names must be equal",
        ),
        (
            "class Gull:\n name = 'gull'\n def check(self): pass\n"
            " def findings(self, profile): pass\n def fire(self, firmware, profile): pass",
            "it lacks check(profile) with these parameters",
        ),
    ],
)
def test_broken_package_is_one_error_and_stops_no_other_job(
    site: Path, code: str, found: str
) -> None:
    offer(site, "gull-kit", "[capturehook.trigger]\ngull = gull_kit:Gull\n", code)
    with pytest.raises(PluginError) as told:
        sample_profile("marlin", trigger={"by": "gull"})
    text = str(told.value)
    assert text.startswith("plug-in gull = gull_kit:Gull (capturehook.trigger) of gull-kit 2.0: ")
    assert found in text and text.endswith("Repair or uninstall gull-kit.")
    assert apply(sample_job(), sample_profile("marlin")).poses


def test_package_is_not_imported_by_jobs_that_do_not_name_it(site: Path) -> None:
    offer(site, "loud-kit", "[capturehook.trigger]\nloud = loud_kit:Loud\n", "1 / 0")
    assert apply(sample_job(), sample_profile("marlin")).poses
    assert "loud_kit" not in sys.modules
    assert "loud" in TRIGGERS and TRIGGERS.choices[-1] == "loud"
    assert "loud_kit" not in sys.modules


def test_same_name_from_two_packages_is_refused_and_both_are_named(site: Path) -> None:
    for package in ("auk-one", "auk-two"):
        offer(site, package, f"[capturehook.firmware]\nauk = {package.replace('-', '_')}:Auk\n")
    with pytest.raises(PluginError, match=r"same name is offered by auk_two:Auk of auk-two 2\.0"):
        sample_profile("auk")


def test_our_names_are_never_replaced(site: Path) -> None:
    groups = [("firmware", "marlin"), ("trigger", "wait"), ("dialect", "layer_number")]
    text = "".join(f"[capturehook.{kind}]\n{name} = fake_kit:Fake\n" for kind, name in groups)
    offer(site, "fake-kit", text, "1 / 0")
    assert apply(sample_job(), sample_profile("marlin")).poses
    assert "fake_kit" not in sys.modules
    done = run(site, "capturehook", "--version")
    assert done.stdout.count("not used: the name is one of ours") == 3


MARK_CODE = """\
from capturehook.catalog.dialects.records import MarkDialect
Bar = MarkDialect(name="bar", literal=(b"; === ",), pattern=rb"; === (?P<number>\\d+)",
                  number_base=1)
"""
BAR = [f"; === {number}" for number in range(1, 5)]


def test_marks_of_a_package_are_asked_where_none_of_ours_is_there(site: Path) -> None:
    profile, job = sample_profile("marlin"), sample_job(marks=BAR)
    assert inspect(job, profile).layers["from"] != "bar"
    offer(site, "bar-kit", "[capturehook.dialect]\nbar = bar_kit:Bar\n", MARK_CODE)
    assert inspect(sample_job(), profile).layers["from"] == "layer_number"
    assert "bar_kit" not in sys.modules
    assert inspect(job, profile).layers["from"] == "bar"


@pytest.mark.parametrize("code", ["1 / 0", MARK_CODE.replace("(?P", "((?P")])
def test_broken_marks_are_a_finding(site: Path, code: str) -> None:
    offer(site, "bar-kit", "[capturehook.dialect]\nbar = bar_kit:Bar\n", code)
    survey = inspect(sample_job(marks=BAR), sample_profile("marlin"))
    (told,) = [one for one in survey.findings if one.code == "plugin-broken"]
    assert "bar-kit 2.0" in told.where
    assert "plugin-broken" not in {
        one.code for one in inspect(sample_job(), sample_profile("marlin")).findings
    }


KIND_CODE = """\
class Slab:
    name, what = "slab", "a .slab job"
    def claims(self, head):
        return head.startswith(b"SLAB")
    def read(self, fields):
        raise fields.bad("layers", "are none")
    def pixels(self, fields, job, layer_index): ...
"""


def test_container_of_a_package_is_asked_last(site: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.slab"
    path.write_bytes(b"SLAB" + bytes(100))
    with pytest.raises(CaptureHookError, match="is no resin job that is known"):
        read_resin(path, ResinTable())
    offer(site, "slab-kit", "[capturehook.container]\nslab = slab_kit:Slab\n", KIND_CODE)
    with pytest.raises(CaptureHookError, match="layers: are none"):
        read_resin(path, ResinTable())
    path.write_bytes(b"OTHER" + bytes(100))
    with pytest.raises(CaptureHookError, match="is no resin job that is known"):
        read_resin(path, ResinTable())


def test_container_that_fails_is_named_beside_the_refusal(site: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.slab"
    path.write_bytes(b"SLAB" + bytes(100))
    code = KIND_CODE.replace('return head.startswith(b"SLAB")', "return 1 / 0")
    offer(site, "slab-kit", "[capturehook.container]\nslab = slab_kit:Slab\n", code)
    with pytest.raises(CaptureHookError, match=r"slab-kit 2.0 fails \(ZeroDivisionError"):
        read_resin(path, ResinTable())
    assert load_profile("heron").trigger.by == "wait"
