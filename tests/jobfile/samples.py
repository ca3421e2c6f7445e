"""Job files of every kind, and the change that puts poses into their texts."""

from __future__ import annotations

import gzip
from pathlib import Path

from capturehook.api import apply
from capturehook.block.poses import PosedJob
from capturehook.profile import load_profile
from tests.jobfile.checker import binary_job
from tests.small_jobs import Recipe, make_job

DATA = Path(__file__).parents[1] / "data" / "packed"
B1 = DATA / "b1_lift_hs12_comments.bgcode"
B3 = DATA / "b3_sequential_none_packed_nocrc.bgcode"
P1 = DATA / "p1_one_plate.gcode.3mf"
SAMPLES = (B1, B3, P1)
JOB = make_job(Recipe(layers=5)).data
PROFILE = load_profile("heron")
CELLS = [(encoding, compression) for encoding in (0, 1, 2) for compression in (0, 1)]


def plain_twin(sample: Path) -> bytes:
    """The same job as its host saves it as text."""
    name = sample.name.replace(".bgcode", ".gcode.gz")
    if sample == P1:
        name = "p1_one_plate.plate_1.gcode.gz"
    return gzip.decompress((DATA / name).read_bytes())


class Poser:
    """Puts poses in, and keeps what was done."""

    def __init__(self) -> None:
        self.done: list[PosedJob] = []

    def __call__(self, text: bytes, name: str) -> bytes:
        self.done.append(apply(text, PROFILE, path=name, skip_unsafe=True))
        return self.done[-1].data


def places(applied: PosedJob) -> list[tuple[int, float, float, float, float]]:
    """What must be the same whatever file a job lies in."""
    return [
        (
            pose.layer,
            round(pose.z_mm, 4),
            round(pose.state.x_mm, 4),
            round(pose.state.y_mm, 4),
            round(pose.state.e_mm, 4),
        )
        for pose in applied.poses
    ]


def built(encoding: int, compression: int) -> bytes:
    return binary_job(JOB.decode(), encoding=encoding, compression=compression, block_lines=60)
