"""Every command that takes a job accepts and refuses the same jobs, in the same words."""

from __future__ import annotations

from pathlib import Path

import pytest

from capturehook.demo.lighthouse import lighthouse_job
from tests.cli.calling import call

COMMANDS = (("apply",), ("apply", "--dry-run"), ("plan",), ("inspect",))


@pytest.mark.parametrize("times", [1, 8])
@pytest.mark.parametrize(
    "odd",
    [
        b"G1 X117.5 Y?110 E0.01",
        b"G1 X117.5 Y11.0.5",
        b"G1 X117.5 X118",
        b"G1 X1234567",
        b"G1 X117 Y110 \0",
        b"G2 X117 Y110",
        b"G93",
    ],
)
def test_damage_inside_a_layer_is_refused_by_all_with_one_line(
    odd: bytes, times: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A job of one megabyte, and one of six: once, large jobs were read in part only."""
    head, *layers = lighthouse_job().split(b";LAYER:")
    layers[20:-1] = layers[20:-1] * times
    job = tmp_path / "lighthouse.gcode"
    rows = b";LAYER:".join([head, *layers]).splitlines(True)
    at = len(rows) * 2 // 3
    job.write_bytes(b"".join([*rows[:at], odd + b"\n", *rows[at:]]))
    told = [call(capsys, words[0], job, "-p", "heron", *words[1:]) for words in COMMANDS]
    assert [code for code, _, _ in told] == [2] * len(COMMANDS)
    assert len({error for _, _, error in told}) == 1
    assert f"line {at + 1}" in told[0][2] or f":{at + 1}" in told[0][2]
