"""What an installed wheel must do: `python .ci/smoke.py bare|full`, run with the Python to try.

Uses the installed package alone, from a folder of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import tempfile
from importlib.metadata import distribution, version
from pathlib import Path

FILM = ("--plan", "plan.json", "-o", "film.mp4")


def main(kind: str) -> None:
    os.chdir(tempfile.mkdtemp())
    os.environ["XDG_DATA_HOME"] = str(Path("data").absolute())  # not into the user's
    import capturehook

    assert "site-packages" in capturehook.__file__, capturehook.__file__
    assert capturehook.__version__ == version("capturehook")
    files = [str(one) for one in distribution("capturehook").files or ()]
    assert any(one.endswith("licenses/docs/LICENSE") for one in files)
    assert Path(sysconfig.get_path("data"), "share/man/man1/capturehook.1").is_file()
    from capturehook.testing import sample_job

    job = Path("job.gcode")
    job.write_bytes(sample_job())
    said = ran("--version")
    assert said.startswith(f"capturehook, version {version('capturehook')}"), said
    ran("plan", "job.gcode", "-p", "heron", "--save", "plan.json", "--picture", "plan.svg")
    ran("apply", "job.gcode", "-p", "heron")
    assert job.read_bytes() != sample_job()
    ran("strip", "job.gcode")
    assert job.read_bytes() == sample_job()
    ran("hook", "-p", "heron")
    hook = [sys.executable, "-m", "capturehook.hosts.edit", "-p", "heron", "job.gcode"]
    subprocess.run(hook, check=True)
    subprocess.run([*hook[:-1], "--strip", "job.gcode"], check=True)
    assert job.read_bytes() == sample_job()
    Path("frames").mkdir()
    if kind == "bare":
        Path("frames/a.jpg").write_bytes(b"\xff\xd8\xff\xe0")
        here = str(Path(sys.executable).parent / "python")  # python or python3, as the script says
        for needs, words in (("av ", ("assemble", "frames", *FILM)),
                             ("manifold3d", ("bracket", "sensor", "-o", "s.stl"))):  # fmt: skip
            said = ran(*words, code=2)
            assert f"-m pip install {needs}" in said and here in said, said
    else:
        words = ["rehearse", "job.gcode", "-p", "heron", "--size", "96x64"]
        ran(*words, "--frames", "frames", code=(0, 1))
        ran("audit", "frames", "--plan", "plan.json", code=(0, 1))
        ran("assemble", "frames", *FILM, code=(0, 1))
        assert Path("film.mp4").stat().st_size > 1000
        ran("bracket", "sensor", "-o", "s.stl", code=(0, 1))
    print(f"{kind} install: good on Python {sys.version.split()[0]}")


def ran(*words: str, code: int | tuple[int, ...] = 0) -> str:
    """What a command says; it must end with the code."""
    script = Path(sysconfig.get_path("scripts"), "capturehook")
    done = subprocess.run([script, *words], capture_output=True, text=True)
    codes = code if isinstance(code, tuple) else (code,)
    assert done.returncode in codes, f"{words}: {done.returncode}\n{done.stdout}{done.stderr}"
    return done.stdout + done.stderr


main(sys.argv[1])
