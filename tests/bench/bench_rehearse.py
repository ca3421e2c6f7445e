"""Seconds for 300 frames of 960 x 540: python tests/bench/bench_rehearse.py [JOB ...]

Without arguments it draws the small jobs that stand in tests/data, their poses spread so that
there are 300 frames (the last ones stand for themselves until 300 are drawn). With arguments
it draws those jobs (filament only). Processor seconds are given beside the clock's, since
others may be at work.
"""

from __future__ import annotations

import gzip
import resource
import sys
import tempfile
import time
from pathlib import Path

from capturehook.api import pose_job
from capturehook.demo.resin import resin_lighthouse
from capturehook.profile import load_profile
from capturehook.read.job import read_job
from capturehook.rehearse.hanging import Scene, rehearse_resin
from capturehook.rehearse.room import Wishes
from capturehook.rehearse.run import Asked, rehearse
from capturehook.resin.job import load_resin_profile
from capturehook.resin.job import read_job as read_resin
from capturehook.resin.pose import insert_poses
from capturehook.resin.shoot import plan_shoot

DATA = Path(__file__).parents[1] / "data"
FRAMES, BAR_S = 300, 60.0


def draw(path: Path, profile: str, folder: Path) -> float:
    data = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    applied = pose_job(read_job(data, path.name, load_profile(profile)))
    asked = Asked(film=folder / "film.mp4")
    clock, processor = time.perf_counter(), time.process_time()
    made = rehearse(applied, Wishes(), asked)
    took, spent = time.perf_counter() - clock, time.process_time() - processor
    frames = len(made.sights)
    for_300 = spent * FRAMES / frames
    print(
        f"{path.name:36} {profile:8} {frames:4} frames {took:6.1f} s by the clock, "
        f"{spent:6.1f} s of processor: {for_300:5.1f} s for {FRAMES}"
    )
    return for_300


def draw_resin(folder: Path, *, posed: bool) -> float:
    """The built-in lighthouse hanging from Tern's plate, with poses or fired by the light."""
    profile, table = load_resin_profile("tern")
    path = folder / "lighthouse.zip"
    path.write_bytes(resin_lighthouse())
    job = insert_poses(path, path, profile, table, every=2)[0] if posed else read_resin(path, table)
    shoot = plan_shoot(job, profile, table)
    clock, processor = time.perf_counter(), time.process_time()
    asked = Asked(film=folder / "film.mp4")
    scene = Scene(job=job, shoot=shoot, profile=profile, table=table)
    frames = len(rehearse_resin(scene, Wishes(), asked).sights)
    took, spent = time.perf_counter() - clock, time.process_time() - processor
    for_300 = spent * FRAMES / frames
    how = "with poses" if posed else "by the light"
    print(
        f"{'lighthouse.zip, ' + how:36} {'tern':8} {frames:4} frames {took:6.1f} s by the clock, "
        f"{spent:6.1f} s of processor: {for_300:5.1f} s for {FRAMES}"
    )
    return for_300


def main() -> None:
    jobs = [Path(name) for name in sys.argv[1:]] or sorted(DATA.glob("*.gcode.gz"))
    with tempfile.TemporaryDirectory() as folder:
        worst = max(draw(job, name, Path(folder)) for job in jobs for name in ("heron", "kestrel"))
        if not sys.argv[1:]:
            worst = max(worst, *(draw_resin(Path(folder), posed=one) for one in (True, False)))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak_mb:,.0f} MB; worst {worst:.1f} s for {FRAMES} frames of 960 x 540, "
          f"bar {BAR_S:.0f} s: {'held' if worst < BAR_S else 'MISSED'}")  # fmt: skip


if __name__ == "__main__":
    main()
