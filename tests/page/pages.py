"""Shoot pages of small jobs, a browser to open them in, and the policy they carry."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from capturehook.api import pose_job
from capturehook.audit.judge import Audit, audit_frames
from capturehook.audit.sheet import Thumbs
from capturehook.block.poses import PosedJob
from capturehook.frames.listing import load_frames
from capturehook.page.before import shoot_page
from capturehook.page.stills import Still, draw_stills
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from capturehook.report.shoot import plan_shoot
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
    routes = [pose.route.points for pose in applied.poses]
    return shoot_page(plan_shoot(applied), routes, stills)


@lru_cache(maxsize=1)
def small_page() -> tuple[str, int]:
    """A page with a film and with warnings, and how many frames its film shows."""
    tables = {"camera": {"card_gb": 0.1, "battery_h": 0.1}}
    applied = posed(**tables)
    stills = draw_stills(applied)
    return page_of(applied, stills), len(stills)


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
