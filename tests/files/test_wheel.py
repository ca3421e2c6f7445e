"""What goes into the wheel: licence, manual page, links. (`.ci/wheels` installs and runs it.)"""

from __future__ import annotations

import re
import subprocess
import sys
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

import capturehook

ROOT = Path(__file__).parents[2]
BASE = "https://example.org/capturehook/blob/v1"
LINK = re.compile(r"\]\(([^)]+)\)")


@pytest.mark.parametrize("base", ["", BASE])
def test_wheel_holds_licence_manual_and_links_that_lead_somewhere(
    tmp_path: Path, base: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CAPTUREHOOK_URL", base)
    words = ["wheel", "--no-deps", "--no-build-isolation", "--no-index", "-q", "-w", str(tmp_path)]
    subprocess.run([sys.executable, "-m", "pip", *words, str(ROOT)], check=True)
    (path,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(path) as wheel:
        names = wheel.namelist()
        (about,) = (name for name in names if name.endswith("/METADATA"))
        told = Parser().parsestr(wheel.read(about).decode())
    assert told["Version"] == capturehook.__version__
    assert told["License-Expression"] == "GPL-3.0-or-later"
    assert any(name.endswith("/licenses/docs/LICENSE") for name in names)
    assert any(name.endswith("/data/share/man/man1/capturehook.1") for name in names)
    assert "capturehook/py.typed" in names
    urls = dict(one.split(", ") for one in told.get_all("Project-URL", []))
    links = [one for one in LINK.findall(told.get_payload()) if not one.startswith("#")]
    assert len(links) > 5
    if base:
        assert urls["Documentation"] == f"{BASE}/docs/index.md"
        ours = [one.removeprefix(f"{BASE}/") for one in links if one.startswith(BASE)]
        assert len(ours) > 5 and all(one.startswith("https://") for one in links)
    else:
        assert urls == {}
        ours = [one for one in links if "://" not in one]
    assert all((ROOT / one.partition("#")[0]).exists() for one in ours)
