"""pygcode is a second reader and no more: what its install brings never acts in our process.

It asks for the distribution `argparse` 1.4.0 (2015), which the standard library has held since
Python 3.2 (PEP 389), and installs two commands of its own.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

from capturehook.testing import sample_job

WATCH = """\
import json, sys, warnings
told = []
warnings.showwarning = lambda *words, **more: told.append(str(words[0]))
warnings.simplefilter("always")
from capturehook.hosts.edit import main
from capturehook.jobfile.blocks import packed
code = main(["-p", "heron", "-o", "out.gcode", "job.gcode"])
early = "argparse" in sys.modules and sys.modules["argparse"].__file__
packed(b"G1 X1" * 40, 2)  # by a package that imports argparse
found = sys.modules.get("argparse")
print(json.dumps({"code": code, "pygcode": "pygcode" in sys.modules, "told": told,
                  "argparse": [one for one in (early, found.__file__) if one]}))
"""


@pytest.mark.parametrize("ahead", [False, True])
def test_old_argparse_never_takes_the_place_of_the_standard_librarys(
    tmp_path: Path, ahead: bool
) -> None:
    """Even where the packages come first on the path, as `pip install --target` folders do."""
    (tmp_path / "job.gcode").write_bytes(sample_job())
    root = str(Path(__file__).parents[2])
    path = [root, sysconfig.get_path("purelib")] if ahead else [root]
    (tmp_path / "argparse.py").write_text("raise SystemExit('the wrong argparse')\n")
    path += [str(tmp_path)] if ahead else []
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(path)}
    words = [sys.executable, *(["-P"] if sys.version_info >= (3, 11) else []), "-c", WATCH]
    done = subprocess.run(words, capture_output=True, text=True, cwd=tmp_path, env=env)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert (found["code"], found["pygcode"], found["told"]) == (0, True, [])
    standard = Path(sysconfig.get_path("stdlib"))
    assert {Path(one).parent for one in found["argparse"]} == {standard}


def test_pygcode_is_loaded_only_when_a_block_is_judged() -> None:
    code = "import sys, capturehook.hosts.edit, capturehook.block.poses, capturehook.cli.main"
    done = subprocess.run(
        [sys.executable, "-c", f"{code}; print('pygcode' in sys.modules)"],
        capture_output=True,
        text=True,
    )
    assert done.stdout == "False\n"


ODD = {
    "G1 X+1": "refused: a plus sign",
    "N10 G1 X1*50": "refused: a checksum",
    "G28 X": "refused: a letter without a number",
    "G1 X1 X2": "refused: a letter twice",
    "M117 Hello": "refused: text",
    "SET_PIN PIN=a VALUE=1": "refused: commands that are names",
    "G1 X1,5": "refused: a comma",
    "G1 X-1e3": "read as X-1 and E3",
    "M106 S0": "S is a spindle speed, whatever the command",
    "M400": "an unknown command is a word of no meaning",
}
"""Lines and what pygcode 0.2.1 makes of them. None of these forms is handed to it in a block."""


@pytest.mark.parametrize("line", ODD)
def test_oddity_of_pygcode_is_still_there(line: str) -> None:
    from pygcode import Line

    if ODD[line].startswith("refused"):
        with pytest.raises(Exception, match=r"invalid|remaining|defined twice"):
            Line(line)
        return
    block = Line(line).block
    words = [str(word) for word in (*block.gcodes, *block.modal_params)]
    assert (
        words == {"G1 X-1e3": ["G01 X-1", "E3"], "M106 S0": ["S0", "M106"], "M400": ["M400"]}[line]
    )
