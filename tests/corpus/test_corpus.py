"""Every file of the corpus: accepted with its true layers, or refused in its exact words.

A new case needs no Python: put `accept/<marks>/<case>.gcode` beside its `.json`, or
`reject/<case>.gcode` beside a `.txt` with the whole message (the path as the bare file name).
The true layers were made with the job (tests/small_jobs.py) or counted by hand.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from capturehook.api import apply
from capturehook.errors import CaptureHookError
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from tests.property.test_state_reference import move_faults
from tests.read.slow import run_lean
from tests.strategies import profile_table

HERE = Path(__file__).parent
ACCEPT = sorted(HERE.glob("accept/*/*.gcode"))
REJECT = sorted(HERE.glob("reject/*.gcode"))


def _firmware_of(path: Path) -> str:
    return "rs274" if path.stem.startswith("axis_a") else "marlin"


def test_corpus_is_there() -> None:
    assert len(ACCEPT) >= 24
    assert len(REJECT) >= 8
    assert all(path.with_suffix(".json").is_file() for path in ACCEPT)
    assert all(path.with_suffix(".txt").is_file() for path in REJECT)
    assert all(path.stat().st_size < 6000 for path in [*ACCEPT, *REJECT])


@pytest.mark.parametrize("path", ACCEPT, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_accepted_job_has_its_true_layers_and_moves(path: Path) -> None:
    firmware = _firmware_of(path)
    profile = build_profile(profile_table(firmware), "heron.toml")
    data = path.read_bytes()
    job = read_job(data, path.name, profile)
    wanted = json.loads(path.with_suffix(".json").read_text())
    found = [
        {"z_mm": round(float(z_mm), 4), "object": int(object_no)}
        for z_mm, object_no in zip(job.layers.z_mm, job.layers.object_no, strict=True)
    ]
    assert found == [{k: layer[k] for k in ("z_mm", "object")} for layer in wanted["layers"]]
    assert job.layers.marks in (
        {wanted["marks"]} | ({""} if wanted["marks"] == "geometry" else set())
    )
    slow = run_lean(data, firmware, "A" if firmware == "rs274" else "E")
    assert move_faults(job.moves, slow.moves) == []


@pytest.mark.parametrize("path", REJECT, ids=lambda path: path.stem)
def test_rejected_job_is_refused_in_these_words(path: Path) -> None:
    profile = build_profile(profile_table("marlin"), "heron.toml")
    with pytest.raises(CaptureHookError) as caught:
        apply(path.read_bytes(), profile, path=path.name)
    assert str(caught.value) == path.with_suffix(".txt").read_text().strip()
    assert caught.value.exit_code == 2
