"""The lines `capturehook hook` prints are run as a host runs them, from an installed package."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest
from click.testing import CliRunner

import capturehook
from capturehook.cli.main import main
from capturehook.errors import FileError
from capturehook.hosts.lines import hook_lines
from tests.adapters.host_calls import JOB, PLANS, has_poses, one_line
from tests.docs.pages import page_path

ROOT = Path(__file__).parents[2]

CONVENTIONS = ["edit in place", "pipe", "watched folder"]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A Python of its own that has what a wheel holds: the package, and no adapters folder.

    The packages we need come from this test's own environment.
    """
    home = tmp_path_factory.mktemp("fresh env é") / "venv"
    venv.create(home, with_pip=False)
    python = home / "bin" / "python"
    ask = "import sysconfig; print(sysconfig.get_path('purelib'))"
    answer = subprocess.run([python, "-c", ask], capture_output=True, check=True, timeout=60)
    site = Path(answer.stdout.decode().strip())
    source = Path(capturehook.__file__).parent
    shutil.copytree(source, site / "capturehook", ignore=shutil.ignore_patterns("__pycache__"))
    (site / "needs.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    ask = [python, "-c", "import capturehook; print(capturehook.__file__)"]
    answer = subprocess.run(ask, capture_output=True, check=True, timeout=60, cwd="/", env={})
    assert Path(answer.stdout.decode().strip()).is_relative_to(home)
    return python


def lines_of(python: Path, *words: str) -> dict[str, list[str]]:
    """What that Python's own `hook` prints, cut into words."""
    start = "import sys; from capturehook.cli.main import run; run(sys.argv[1:])"
    command = [str(python), "-c", start, "hook", "--json", *words]
    done = subprocess.run(command, capture_output=True, check=True, timeout=60, cwd="/")
    hooks = json.loads(done.stdout)["hooks"]
    assert [one["convention"] for one in hooks] == CONVENTIONS
    return {one["convention"]: shlex.split(one["line"]) for one in hooks}


def run_as_host(words: list[str], cwd: Path, stdin: bytes = b"") -> bytes:
    done = subprocess.run(words, cwd=cwd, env=PLANS, input=stdin, capture_output=True, timeout=60)
    assert done.returncode == 0
    assert b": 4 poses, adds " in one_line(done.stderr).encode()
    return done.stdout


def test_printed_lines_work_as_they_stand(installed: Path, tmp_path: Path) -> None:
    folder = tmp_path / "jobs to come é"
    folder.mkdir()
    lines = lines_of(installed, "-p", "heron", "--folder", str(folder))
    assert all(words[0] == str(installed) for words in lines.values())
    job = tmp_path / "light house.gcode"
    job.write_bytes(JOB)
    run_as_host([*lines["edit in place"], str(job)], tmp_path)
    assert has_poses(job.read_bytes())
    assert has_poses(run_as_host(lines["pipe"], tmp_path, JOB))
    (folder / "part.gcode").write_bytes(JOB)
    run_as_host([*lines["watched folder"], "--once", "--still-s", "0"], tmp_path)
    assert has_poses((folder / "part.posed.gcode").read_bytes())


@pytest.mark.skipif(sys.version_info < (3, 11), reason="-P came with Python 3.11")
def test_the_hosts_own_folder_is_kept_out_of_pythons_search(
    installed: Path, tmp_path: Path
) -> None:
    """A file called numpy.py beside the job must not be run."""
    (tmp_path / "numpy.py").write_text("raise SystemExit('the wrong numpy')")
    (tmp_path / "capturehook").mkdir()
    job = tmp_path / "part.gcode"
    job.write_bytes(JOB)
    run_as_host([*lines_of(installed, "-p", "heron")["edit in place"], str(job)], tmp_path)
    assert has_poses(job.read_bytes())


def test_profile_path_is_made_absolute_and_a_name_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("my own.toml").write_text("schema = 1\n")
    assert shlex.split(hook_lines("my own.toml")[0].line)[-1] == str(tmp_path / "my own.toml")
    assert shlex.split(hook_lines("heron")[0].line)[-1] == "heron"
    assert '"' in hook_lines("my own.toml")[0].line
    with pytest.raises(FileError, match="no profile has this name"):
        hook_lines("nope")


def test_example_of_the_pages_is_what_hook_prints() -> None:
    line = hook_lines("heron")[0].line.replace(str(Path(sys.executable).absolute()), "PYTHON")
    for page in (ROOT / "README.md", page_path("hosts.md")):
        text = page.read_text(encoding="utf-8")
        (shown,) = re.findall(r"^(\S+) (-P -m capturehook\.hosts\.edit .*)$", text, re.M)
        assert shown[0] == "/home/you/venv/bin/python"
        wanted = shown[1] if sys.version_info >= (3, 11) else shown[1].removeprefix("-P ")
        assert line.replace("heron", "mine") == f"PYTHON {wanted}"


def test_hook_command_prints_each_convention_once() -> None:
    out = CliRunner().invoke(main, ["hook", "-p", "heron"], catch_exceptions=False).output
    assert [out.count(f"{one}: ") for one in CONVENTIONS] == [1, 1, 1]
    assert out.count(str(Path(sys.executable).absolute())) == 3
