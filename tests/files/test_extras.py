"""What is missing is told with the command that adds it here: pipx, uv, pip, a system's Python.

Signs of each kind of install: pipx's and uv's own files, PEP 405 (pyvenv.cfg), PEP 668.
"""

from __future__ import annotations

import re
import sys
import sysconfig
from importlib.metadata import requires
from pathlib import Path

import pytest
import tomli

from capturehook import extras
from capturehook.extras import EXTRAS, install_command

ROOT = Path(__file__).parents[2]
NAMES = "av opencv-python-headless pillow simplejpeg"


@pytest.fixture
def prefix(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(sys, "prefix", str(tmp_path))
    monkeypatch.setattr(sys, "executable", str(tmp_path / "bin" / "python"))
    return tmp_path


def test_extras_are_those_of_the_package() -> None:
    project = tomli.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for name, packages in EXTRAS.items():
        stated = project["optional-dependencies"][name]
        assert sorted(re.split(r"[>=<]", one)[0] for one in stated) == sorted(packages)
        assert all(">=" in one for one in stated)
        installed = [one for one in requires("capturehook") or [] if f"extra == '{name}'" in one]
        assert len(installed) in (0, len(packages))


def test_venv_of_pip_names_its_own_python(prefix: Path) -> None:
    assert install_command("video") == f"{prefix}/bin/python -m pip install {NAMES}"
    assert install_command("rig").endswith("-m pip install manifold3d")


def test_pipx_injects_by_the_names_of_the_packages(prefix: Path) -> None:
    (prefix / "pipx_metadata.json").write_text("{}")
    assert install_command("video") == f"pipx inject capturehook {NAMES}"


@pytest.mark.parametrize("name", ["uv-receipt.toml", "pyvenv.cfg"])
def test_uv_is_told_which_python(prefix: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    (prefix / name).write_text("uv = 0.9.1\n")
    monkeypatch.setattr(extras, "find_spec", lambda _: None)
    assert install_command("raw") == (f"uv pip install --python {prefix}/bin/python rawpy")


def test_venv_without_pip_is_served_from_outside(
    prefix: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(extras, "find_spec", lambda _: None)
    assert install_command("rig") == f"pip --python {prefix}/bin/python install manifold3d"


def test_python_of_the_system_is_left_alone(prefix: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "base_prefix", str(prefix))
    monkeypatch.setattr(sysconfig, "get_path", lambda _: str(prefix))
    assert " -m pip install " in install_command("video")
    (prefix / "EXTERNALLY-MANAGED").write_text("[externally-managed]\n")
    assert install_command("video") == 'pipx install "capturehook[video]"'


def test_path_with_spaces_is_quoted(prefix: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", r"C:\Program Files\Python\python.exe")
    assert install_command("rig").startswith('"C:\\Program Files\\Python\\python.exe" -m pip')
