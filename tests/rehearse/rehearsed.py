"""Small jobs made ready to be drawn, for the tests of this folder."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from capturehook.api import pose_job
from capturehook.block.poses import PosedJob
from capturehook.profile import build_profile
from capturehook.profile.load import BUILT_IN
from capturehook.read.job import read_job
from capturehook.rehearse.camera import View
from capturehook.rehearse.room import Wishes, nozzle_points, part_box, place_camera
from tests.small_jobs import Recipe, make_job

SIZE = (160, 90)


def profile_with(name: str, **tables: dict[str, Any]) -> Any:
    """A starter profile with some keys of its tables changed."""
    import tomli

    raw = tomli.loads((BUILT_IN / f"{name}.toml").read_text())
    for table, keys in tables.items():
        raw.setdefault(table, {}).update(keys)
    return build_profile(raw, name)


@lru_cache(maxsize=8)
def small(
    name: str = "heron",
    layers: int = 12,
    objects: int = 1,
    park_mm: tuple[float, float] | None = None,
    size_mm: float = 16.0,
    retract: str = "moves",
) -> PosedJob:
    """A block of some layers, with its poses."""
    recipe = Recipe(
        layers=layers, heights_mm=(0.5,), objects=objects, size_mm=size_mm, retract=retract
    )
    job = make_job(recipe)
    tables = {} if park_mm is None else {"park": {"x_mm": park_mm[0], "y_mm": park_mm[1]}}
    profile = profile_with(name, **tables)
    return pose_job(read_job(job.data, "lighthouse.gcode", profile), skip_unsafe=True)


def camera_of(applied: PosedJob, size: tuple[int, int] = SIZE, **wishes: float) -> View:
    return place_camera(
        applied.job.profile,
        part_box(applied.job),
        nozzle_points(applied)[-2:],
        Wishes(**wishes),
        size,
    )


def job_file(folder: Path, layers: int = 6) -> Path:
    path = folder / "lighthouse.gcode"
    path.write_bytes(make_job(Recipe(layers=layers, heights_mm=(0.5,))).data)
    return path


def same(a: Any, b: Any, atol: float = 1e-9) -> bool:
    return bool(np.allclose(a, b, rtol=0, atol=atol))
