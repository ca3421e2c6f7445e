"""Jobs cut off at random bytes, and whole ones; the real jobs are from three kinds of host."""

from __future__ import annotations

import gzip
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capturehook.errors import CaptureHookError, GcodeError
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from capturehook.read.whole import (
    MUCH_OVER,
    OVER_MM,
    _are_over,
    order_findings,
    refuse_cut,
    whole_findings,
)
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

PROFILE = build_profile(profile_table("marlin"), "heron.toml")
REAL = sorted((Path(__file__).parents[1] / "data").glob("*.gcode.gz"))
BODY = b"G90\nM83\nG1 Z0.2 F600\nG1 X9 Y9 E1 F900\nG1 X50 E2\nG1 Z0.4\nG1 X9 E2\nG1 Y50 E1\n"


def told(data: bytes) -> list[str]:
    return [finding.code for finding in whole_findings(read_job(data, "job.gcode", PROFILE))]


def refused(data: bytes) -> str:
    """What a refusal says; nothing where there is none."""
    try:
        refuse_cut(read_job(data, "job.gcode", PROFILE))
    except GcodeError as fault:
        return fault.found
    return ""


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.stem)
def test_parts_of_a_real_job_swapped_doubled_or_lost_are_told(path: Path) -> None:
    """As a binary job's blocks can be, under right checksums: fifths of it."""
    data = gzip.decompress(path.read_bytes())
    job = read_job(data, path.name, PROFILE)
    lines = job.moves.line_index[job.layers.first_move]
    a, b, c = (job.source.start_of(int(lines[len(lines) * n // 5])) for n in (1, 2, 3))
    texts = {
        "whole": data,
        "swapped": data[:a] + data[b:c] + data[a:b] + data[c:],
        "lost": data[:a] + data[b:],
        "doubled": data[:b] + data[a:],
        "copied twice": data + data,
    }
    found = {
        name: {one.code for one in order_findings(read_job(text, path.name, PROFILE))}
        for name, text in texts.items()
    }
    assert found.pop("whole") == set()
    assert all(found.values())


def walls(x_mm: float, z_mm: float, size_mm: float = 20.0) -> bytes:
    """A layer of a square post."""
    far = x_mm + size_mm
    return (
        f"G1 Z{z_mm:g} F600\nG1 X{x_mm:g} Y{x_mm:g} F9000\nG1 X{far:g} E1 F900\n"
        f"G1 Y{far:g} E1\nG1 X{x_mm:g} E1\nG1 Y{x_mm:g} E1\n"
    ).encode()


def layer(x_mm: float, z_mm: float) -> bytes:
    return b";LAYER_CHANGE\n;Z:%g\n;HEIGHT:0.2\n" % z_mm + walls(x_mm, z_mm)


AIR = b"G1 Z30\nG1 X5 Y5\nG1 X50 E30 F200\nG1 E-1\nG1 X100 Y100\nG1 Z%g\nG1 E1\n"
HONEST = {
    "a purge tower far below the part": [
        layer(100, n / 5)
        + b"G1 Z%g\n" % (n / 5 + 1)
        + (b"" if n % 10 else walls(20, n / 50, 60) + b"G1 Z%g\n" % (n / 5 + 1))
        for n in range(1, 50)
    ],
    "a purge in the air": [
        layer(100, n / 5) + (b"" if n % 20 else AIR % (n / 5)) for n in range(1, 50)
    ],
    "objects in turns of five layers": [
        layer(x, (five + n) / 5) for five in (0, 5, 10) for x in (20, 100) for n in range(1, 6)
    ],
    "one object inside another, one after the other": [
        layer(60, n / 5) + walls(58, n / 5, 84) for n in range(1, 16)
    ]
    + [layer(90, n / 5) for n in range(1, 16)],
}


@pytest.mark.parametrize("layers", HONEST.values(), ids=HONEST)
def test_unusual_orders_of_honest_jobs_are_not_told(layers: list[bytes]) -> None:
    """Ways to print in common use (from practice, no source)."""
    data = b"G90\nM83\n" + b"".join(layers) + b"M84\n"
    assert list(order_findings(read_job(data, "job.gcode", PROFILE))) == []


def test_there_are_real_jobs_of_several_hosts() -> None:
    assert len(REAL) == 3


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.stem)
def test_real_job_is_whole_and_its_cuts_are_told(path: Path) -> None:
    data = gzip.decompress(path.read_bytes())
    assert told(data) == [] and refused(data) == ""
    job = read_job(data, path.name, PROFILE)
    last = int(job.moves.line_index[np.flatnonzero(job.moves.prints)[-1]])
    rng = np.random.default_rng(5)
    for at in rng.integers(len(data) // 20, job.source.start_of(last), 8).tolist():
        try:
            assert told(data[:at]) == ["may-be-cut"], at
        except CaptureHookError:
            continue  # the cut line itself cannot be read


@pytest.mark.property
@settings(max_examples=60, deadline=None)
@given(
    marks=st.sampled_from("ABH"),
    share=st.floats(0.2, 1.0),
)
def test_small_job_is_told_wherever_it_is_cut_before_its_end(marks: str, share: float) -> None:
    data = make_job(Recipe(layers=4, marks=marks)).data
    last = data.rindex(b"; end of the part")
    cut = data[: int(share * last)]
    with suppress(CaptureHookError):  # the cut line may not be readable
        assert told(cut) == ["may-be-cut"]
    assert told(data) == []


@pytest.mark.parametrize(
    "end",
    [
        b"M104 S0\n",
        b"M140 S0.0 ; bed\n",
        b"N7 M84*12\n",
        b"M18 X Y\n",
        b"M2\n",
        b"%\n",
        b"TURN_OFF_HEATERS\n",
        b"SET_HEATER_TEMPERATURE HEATER=extruder TARGET=0\n",
        b"END_PRINT\n",
        b"G10 P0 S0 R0\n",
        b"; filament used [mm] = 12\n",
        b"; hostslicer_config = begin\n",
        b";End of Gcode\n",
    ],
)
def test_each_sign_of_an_end_is_taken(end: bytes) -> None:
    assert told(BODY + end) == [] and refused(BODY + end) == ""
    assert told(BODY + end + b"G1 X60 E4\n") == ["may-be-cut"], "plastic follows"


@pytest.mark.parametrize("end", [b"M104 S200\n", b"M107\n", b"G1 E-2\n", b"G10\n", b"G4 P0\n", b""])
def test_other_lines_are_no_end(end: bytes) -> None:
    assert told(BODY + end) == ["may-be-cut"]


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (BODY, "its last line lays plastic"),
        (BODY + b"G1 X3", "its last line 'G1 X3' has no line end"),
        (BODY + b"G1 Z9\n; thumbnail begin 16x16 200\n", "'; thumbnail begin' has no end"),
        (b";LAYER_COUNT:9\n" + BODY + b"G1 Z9\n", "it has 0 of the 9 layers it tells"),
        (b"; max_z_height: 8.00\n" + BODY + b"G1 Z9\n", "it reaches Z 0.4 of the 8 it tells"),
        (BODY + b"M73 P40 R3\nG1 Z9\n", "its last M73 tells 40 %"),
    ],
)
def test_where_the_cut_shows_the_job_is_refused(data: bytes, why: str) -> None:
    assert why in refused(data)


def test_without_any_counter_sign_it_is_only_told() -> None:
    data = BODY + b"G1 Z9 F600\n"
    assert told(data) == ["may-be-cut"] and refused(data) == ""


def test_a_little_plastic_over_other_plastic_is_a_neighbour() -> None:
    """Of ten squares of the bed as many are over the lower plastic as it takes, or one less."""
    upper = np.array([[number * OVER_MM, 0.0, 9.0] for number in range(10)])
    enough = int(MUCH_OVER * 10) + 1
    assert _are_over(upper, upper[:enough]) and not _are_over(upper, upper[: enough - 1])
