"""Opt-in: a real slicing host slices a shape and calls our adapters by its own convention.

Nothing of a host is known here. Its executable and its words come from the environment:

- `CAPTUREHOOK_HOST_CMD`: the executable, with words that every call needs;
- `CAPTUREHOOK_HOST_ARGS`: words of a call that slices `{stl}` to `{out}` and runs `{script}` (our
  adapter with its words, without the job's path) on the result; for a host that takes no words,
  only the path of a program, `{program}` (a file that holds the same line) stands for `{script}`;
- `CAPTUREHOOK_HOST_PLAIN_ARGS`: the same without a script, for the other conventions;
- `CAPTUREHOOK_HOST_RESIN_ARGS`: words of a call that makes a resin job, a zip, of `{stl}`.

Each is split as a shell would.
"""

from __future__ import annotations

import math
import os
import re
import shlex
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

import capturehook
from capturehook.jobfile.fence import strip_bytes
from capturehook.profile import find_profile, load_profile
from tests.adapters.host_calls import ADAPTERS, call, poses

COMMAND = os.environ.get("CAPTUREHOOK_HOST_CMD", "")
pytestmark = [
    pytest.mark.host,
    pytest.mark.skipif(not COMMAND, reason="CAPTUREHOOK_HOST_CMD names no slicing host"),
]
HEIGHT_MM, SIDES = 12.0, 24
Corner = tuple[float, float, float]


def lighthouse_stl() -> bytes:
    """A small lighthouse as binary STL: a cone that stands on its wide end, top and bottom flat.

    Layout of binary STL: 80 bytes of head, a count, then 50 bytes a triangle (common practice).
    """

    def ring(radius_mm: float, z_mm: float) -> list[Corner]:
        turns = [2 * math.pi * k / SIDES for k in range(SIDES)]
        return [(radius_mm * math.cos(t), radius_mm * math.sin(t), z_mm) for t in turns]

    low, high = ring(8.0, 0.0), ring(5.0, HEIGHT_MM)
    faces: list[tuple[Corner, Corner, Corner]] = []
    for k in range(SIDES):
        after = (k + 1) % SIDES
        faces += [(low[k], low[after], high[after]), (low[k], high[after], high[k])]
        faces += [((0, 0, 0), low[after], low[k]), ((0, 0, HEIGHT_MM), high[k], high[after])]
    body = b"".join(
        struct.pack("<12fH", 0, 0, 0, *(n for corner in face for n in corner), 0) for face in faces
    )
    return b"lighthouse".ljust(80) + struct.pack("<I", len(faces)) + body


@pytest.fixture
def slice_it(tmp_path: Path) -> Callable[..., Path]:
    """(name of the variable with the words, name to save under, script) -> the saved file."""
    stl = tmp_path / "light house.stl"
    stl.write_bytes(lighthouse_stl())

    def run(variable: str, out: Path, script: str = "", refused: str = "") -> Path:
        words = os.environ.get(variable)
        if not words:
            pytest.skip(f"{variable} is not set")
        program = tmp_path / "call.sh"
        program.write_text(f'#!/bin/sh\nexec {script} "$@"\n')
        program.chmod(0o755)
        places = {"stl": str(stl), "out": str(out), "script": script, "program": str(program)}
        command = [
            re.sub(r"\{(stl|out|script|program)\}", lambda found: places[found[1]], word)
            for word in shlex.split(COMMAND) + shlex.split(words)
        ]
        done = subprocess.run(command, capture_output=True, timeout=300, cwd=tmp_path)
        told = (done.stdout + done.stderr).decode(errors="replace")
        if refused:  # some hosts fail then, some save the job as it was
            assert refused in told
        else:
            assert done.returncode == 0, told
            assert out.is_file(), told
        return out

    return run


def heron(tmp_path: Path) -> Path:
    """The starter profile as a file with a space in its path."""
    path = tmp_path / "my profile.toml"
    path.write_bytes(find_profile("heron").read_bytes())
    return path


def adapter_line(script: str, profile: Path) -> str:
    """As a person pastes it: each word in quotes where it holds a space."""
    words = [sys.executable, str(ADAPTERS / script), "-p", str(profile)]
    return " ".join(f'"{word}"' if " " in word else word for word in words)


def check(data: bytes) -> bytes:
    """The saved job has a pose nearly every layer, each in its fence; the job without them."""
    assert poses(data) > 20
    plain = strip_bytes(data)
    assert poses(plain) == 0
    found = capturehook.inspect(plain, load_profile("heron"))
    assert found.layers["count"] == pytest.approx(HEIGHT_MM / 0.2, rel=0.5)
    assert capturehook.apply(plain, load_profile("heron")).data == data
    return plain


def test_host_calls_edit_in_place_and_saves_the_poses(
    slice_it: Callable[..., Path], tmp_path: Path
) -> None:
    script = adapter_line("edit_in_place.py", heron(tmp_path))
    check(slice_it("CAPTUREHOOK_HOST_ARGS", tmp_path / "light house é.gcode", script).read_bytes())


def test_host_that_meets_our_error_shows_it_and_saves_no_half_job(
    slice_it: Callable[..., Path], tmp_path: Path
) -> None:
    script = adapter_line("edit_in_place.py", tmp_path / "none.toml")
    saved = slice_it("CAPTUREHOOK_HOST_ARGS", tmp_path / "a.gcode", script, "none.toml: cannot be")
    if saved.exists():
        data = saved.read_bytes()
        assert poses(data) == 0
        assert capturehook.apply(data, load_profile("heron")).poses, "the job is not whole"


def test_job_that_a_host_saved_goes_through_the_pipe(
    slice_it: Callable[..., Path], tmp_path: Path
) -> None:
    plain = slice_it("CAPTUREHOOK_HOST_PLAIN_ARGS", tmp_path / "plain.gcode").read_bytes()
    done = call("stdin_stdout.py", "-p", "heron", cwd=tmp_path, stdin=plain)
    assert done.returncode == 0, done.stderr.decode()
    assert check(done.stdout) == plain


def test_host_saves_into_a_watched_folder(slice_it: Callable[..., Path], tmp_path: Path) -> None:
    """The watch runs while the host writes: it must wait for the whole file."""
    folder, out = tmp_path / "jobs", tmp_path / "posed"
    folder.mkdir()
    words = [sys.executable, str(ADAPTERS / "watch_folder.py"), "-p", "heron", "--out", str(out)]
    words += ["--still-s", "1", "--every-s", "0.05", str(folder)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as watch:
        try:
            plain = slice_it("CAPTUREHOOK_HOST_PLAIN_ARGS", folder / "tower.gcode").read_bytes()
            assert watch.stdout is not None
            assert b"tower.gcode" in watch.stdout.readline()
        finally:
            watch.kill()
    assert check((out / "tower.gcode").read_bytes()) == plain
    assert (folder / "tower.gcode").read_bytes() == plain


def test_job_that_a_host_saved_goes_through_a_zip(
    slice_it: Callable[..., Path], tmp_path: Path
) -> None:
    plain = slice_it("CAPTUREHOOK_HOST_PLAIN_ARGS", tmp_path / "plain.gcode").read_bytes()
    box = tmp_path / "light house.zip"
    with zipfile.ZipFile(box, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("about.txt", b"made by a test")
        out.writestr("jobs/tower.gcode", plain)
    done = call("zip_job.py", "-p", "heron", box, cwd=tmp_path)
    assert done.returncode == 0, done.stderr.decode()
    with zipfile.ZipFile(box) as read:
        assert read.read("about.txt") == b"made by a test"
        assert check(read.read("jobs/tower.gcode")) == plain


def test_resin_job_of_a_host_has_a_timeline(slice_it: Callable[..., Path], tmp_path: Path) -> None:
    box = slice_it("CAPTUREHOOK_HOST_RESIN_ARGS", tmp_path / "tower.zip")
    before = box.read_bytes()
    words = [sys.executable, "-m", "capturehook", "resin", str(box), "-p", "tern", "--area"]
    done = subprocess.run(words, capture_output=True, timeout=120, cwd=tmp_path)
    assert done.returncode in (0, 1), done.stderr.decode()
    layers = re.search(rb"(\d+) layers, ([0-9.]+) mm", done.stdout)
    assert layers is not None
    assert float(layers[2]) == pytest.approx(HEIGHT_MM, abs=0.5)
    assert box.read_bytes() == before
