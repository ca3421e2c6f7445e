"""Shoot pages of small jobs, a browser to open them in, and the policy they carry."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from capturehook.api import pose_job
from capturehook.audit.judge import Audit, audit_frames
from capturehook.audit.sheet import Thumbs
from capturehook.block.poses import PosedJob
from capturehook.demo.resin import resin_lighthouse
from capturehook.frames.listing import load_frames
from capturehook.page.before import shoot_page
from capturehook.page.resin import resin_page
from capturehook.page.stills import Still, draw_resin_stills, draw_stills
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from capturehook.rehearse.hanging import Scene
from capturehook.report.shoot import plan_shoot
from capturehook.resin.job import load_resin_profile
from capturehook.resin.job import read_job as read_resin_job
from capturehook.resin.pose import insert_poses
from capturehook.resin.shoot import plan_shoot as plan_resin_shoot
from tests.frames.shoot import make_shoot
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_browser = pytest.mark.skipif(
    CHROMIUM is None
    or find_spec("playwright") is None
    or find_spec("axe_playwright_python") is None,
    reason="no Chromium (apt-get install chromium), or no playwright and axe-playwright-python",
)
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


def posed(name: str = "light & house.gcode", layers: int = 30, **tables: Any) -> PosedJob:
    profile = build_profile(profile_table("marlin", **tables), "heron.toml")
    job = read_job(make_job(Recipe(layers=layers, heights_mm=(0.5,))).data, name, profile)
    return pose_job(job, skip_unsafe=True)


def page_of(applied: PosedJob, stills: list[Still]) -> str:
    return shoot_page(plan_shoot(applied), stills)


@lru_cache(maxsize=1)
def small_page() -> tuple[str, int]:
    """A page with a film and with warnings, and how many frames its film shows."""
    tables = {"camera": {"card_gb": 0.1, "battery_h": 0.1}}
    applied = posed(**tables)
    stills = draw_stills(applied)
    return page_of(applied, stills), len(stills)


@lru_cache(maxsize=2)
def resin_scene(by: str) -> Scene:
    """A small resin job that fires by its own "pose" blocks, or a sensor ("light") that does."""
    profile, table = load_resin_profile("tern")
    with TemporaryDirectory() as folder:
        path = Path(folder) / "light & house.zip"
        path.write_bytes(resin_lighthouse(60))
        job = read_resin_job(path, table)
        if by == "pose":
            job, _ = insert_poses(path, path, profile, table, every=2)
        shoot = plan_resin_shoot(job, profile, table)
        scene = Scene(job=job, shoot=shoot, profile=profile, table=table)
        assert len(scene.hanging.slabs) > 0  # read while the file is there
        return scene


@lru_cache(maxsize=1)
def resin_shoot_page() -> tuple[str, int]:
    """The page of such a job with poses, and how many frames its film shows."""
    scene = resin_scene("pose")
    stills = draw_resin_stills(scene)
    return resin_page(scene, stills), len(stills)


@contextmanager
def audited(folder: Path) -> Iterator[tuple[Audit, Thumbs]]:
    """A card with a blurred frame, a misplaced carriage and a missing one."""
    shoot = make_shoot(16)
    shoot.shots[5].blur = 1.5
    shoot.shots[8].carriage = (0.5, 0.2)
    del shoot.shots[11]
    shoot.write(folder)
    frames = load_frames([folder])
    with Thumbs(len(frames), frames.size_px) as thumbs:
        yield audit_frames(frames, shoot.plan, on_picture=thumbs.keep), thumbs


def written(folder: Path, page: str) -> str:
    """The page as a file, by its address."""
    path = folder / "shoot.html"
    path.write_text(page, encoding="utf-8")
    return path.as_uri()
