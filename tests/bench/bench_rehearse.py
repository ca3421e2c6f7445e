"""Seconds for 300 frames of 960 x 540: python tests/bench/bench_rehearse.py [JOB ...]

Without arguments it draws the small jobs that stand in tests/data, their poses spread so that
there are 300 frames (the last ones stand for themselves until 300 are drawn). With arguments
it draws those jobs. Processor seconds are given beside the clock's, since others may be at work.
"""

from __future__ import annotations

import gzip
import resource
import sys
import tempfile
import time
from pathlib import Path

from capturehook.pipeline import apply_job, read_job
from capturehook.profile import load_profile
from capturehook.rehearse.room import Wishes
from capturehook.rehearse.run import Asked, rehearse

DATA = Path(__file__).parents[1] / "data"
FRAMES, BAR_S = 300, 60.0


def draw(path: Path, profile: str, folder: Path) -> float:
    data = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    applied = apply_job(read_job(data, path.name, load_profile(profile)))
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


def main() -> None:
    jobs = [Path(name) for name in sys.argv[1:]] or sorted(DATA.glob("*.gcode.gz"))
    with tempfile.TemporaryDirectory() as folder:
        worst = max(draw(job, name, Path(folder)) for job in jobs for name in ("heron", "kestrel"))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak_mb:,.0f} MB; worst {worst:.1f} s for {FRAMES} frames of 960 x 540, "
          f"bar {BAR_S:.0f} s: {'held' if worst < BAR_S else 'MISSED'}")  # fmt: skip


if __name__ == "__main__":
    main()
