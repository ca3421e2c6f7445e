"""Posed binary jobs read by the reference implementation, where its Python wrapper is installed.

libbgcode checks order, sizes and checksums of blocks itself. It runs in a process of its own: on
data it does not expect it may crash or never end.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

from capturehook.hosts.door import Door, pose_file
from tests.jobfile.samples import B1, B3, Poser, built

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("pybgcode") is None, reason="asks for the module pybgcode"
)
DECODE = """
import sys, pybgcode
source, target = pybgcode.open(sys.argv[1], "rb"), pybgcode.open(sys.argv[2], "wb")
result = pybgcode.from_binary_to_ascii(source, target, True)
pybgcode.close(source)
pybgcode.close(target)
sys.exit(0 if "Success" in str(result) else str(result))
"""


def decoded(data: bytes, folder: Path) -> list[str]:
    source, target = folder / "job.bgcode", folder / "job.gcode"
    source.write_bytes(data)
    subprocess.run([sys.executable, "-c", DECODE, source, target], check=True, timeout=60)
    return target.read_text("latin-1").splitlines()


@pytest.mark.parametrize("name", ["b1", "b3", "plain", "packed", "comments"])
def test_reference_reads_every_line_of_the_job_and_ours(name: str, tmp_path: Path) -> None:
    made = {"plain": (0, 0), "packed": (1, 1), "comments": (2, 1)}
    files = {"b1": B1, "b3": B3}
    data = files[name].read_bytes() if name in files else built(*made[name])
    poser = Poser()
    posed = pose_file(data, name, poser).data
    was, now = decoded(data, tmp_path), decoded(posed, tmp_path)
    rest = iter(now)
    assert all(line in rest for line in was if not line.startswith(";"))
    if name in ("b1", "plain", "comments"):
        fences = sum(line.startswith("; capturehook pose ") for line in now)
        assert fences == 2 * len(poser.done[0].poses)


def test_reference_reads_the_longer_times(tmp_path: Path) -> None:
    door = Door(B1.read_bytes(), "job")
    posed = door.posed([Poser()(job.text, job.name) for job in door.jobs], 3600.0).data
    found = [line for line in decoded(posed, tmp_path) if "printing time (normal" in line]
    assert len(found) >= 1
    assert {line.partition(" = ")[2] for line in found} == {"1h 9m 53s"}
