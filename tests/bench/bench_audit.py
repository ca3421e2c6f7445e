"""Throughput and memory of the audit on 24 MP frames; run by hand:

    python tests/bench/bench_audit.py [PICTURES] [FRAMES]

Draws PICTURES (default 10) of 6000 x 4000 px into a scrap folder and audits them in a process
of its own, first each twice, then as FRAMES (default 80) stamped copies of the files, so that
the growth of memory shows (Linux only). With fewer than 1,000 frames the time of 1,000 is
extrapolated from the rate and said to be. Invented data: a textured wall and a growing part.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

from capturehook.model.plan import PlannedPose, PlanRecord

SIZE = (6000, 4000)
CHILD = """
import json, sys, time
from pathlib import Path
from capturehook.model.plan import load_plan
from capturehook.audit.judge import audit_frames
from capturehook.frames.listing import load_frames
folder, plan = Path(sys.argv[1]), load_plan(Path(sys.argv[2]))
begin = time.perf_counter()
frames = load_frames([folder])
listed = time.perf_counter()
audit = audit_frames(frames, plan)
end = time.perf_counter()
status = Path("/proc/self/status").read_text()  # rusage would count the drawing parent's peak
peak_kb = int(status.split("VmHWM:")[1].split()[0])
print(json.dumps({"frames": len(frames), "list_s": listed - begin, "audit_s": end - listed,
                  "peak_mb": peak_kb / 1024, "counts": audit.counts}))
"""


def draw(folder: Path, count: int) -> list[Path]:
    """Noise at several scales over a wall, so that the files are as heavy as a camera's."""
    rng = np.random.default_rng(1)
    wall = np.full((SIZE[1], SIZE[0]), 110.0, np.float32)
    for cell in (4, 16, 64, 250):
        small = rng.normal(0, 14, (SIZE[1] // cell + 1, SIZE[0] // cell + 1)).astype(np.float32)
        wall += np.asarray(Image.fromarray(small).resize(SIZE, Image.Resampling.BICUBIC))
    paths = []
    for index in range(count):
        grey = wall + rng.normal(0, 3, wall.shape).astype(np.float32)
        top = 3600 - 2200 * (index + 1) // count
        grey[top:3600, 2500:3500] = 60
        rgb = np.clip(grey[..., None] * np.array([1.0, 0.95, 0.85], np.float32), 0, 255)
        paths.append(folder / f"pict{index + 1:04d}.jpg")
        Image.fromarray(rgb.astype(np.uint8)).save(paths[-1], quality=92)
    return paths


def stamp(sources: list[Path], folder: Path, count: int) -> PlanRecord:
    """`count` files with times of their own; the pixels are those of the sources, in turn."""
    start = datetime(2024, 5, 1, 10)
    gaps = np.random.default_rng(2).uniform(30, 60, count)
    t_s = np.cumsum(gaps)
    for index in range(count):
        when = start + timedelta(seconds=float(t_s[index]))
        exif = Image.Exif()
        exif[0x8769] = {0x9003: when.strftime("%Y:%m:%d %H:%M:%S")}
        source = sources[index * len(sources) // count].read_bytes()
        fields = exif.tobytes()
        segment = b"\xff\xe1" + (len(fields) + 2).to_bytes(2, "big") + fields
        (folder / f"pict{index + 1:04d}.jpg").write_bytes(source[:2] + segment + source[2:])
    poses = tuple(
        PlannedPose(pose=k + 1, layer=k + 1, z_mm=0.2 * (k + 1), t_s=float(t_s[k]), still_s=1.2)
        for k in range(count)
    )
    return PlanRecord(
        kind="filament",
        job="lighthouse.gcode",
        profile="heron",
        fps="30",
        hold_last_s=2.0,
        total_s=float(t_s[-1]),
        height_mm=0.2 * count,
        moves="bed-y",
        lag_ms=120,
        exposure_ms=250,
        write_ms=900,
        poses=poses,
    )


def measure(sources: list[Path], scrap: Path, count: int) -> dict[str, object]:
    folder = scrap / f"card{count}"
    folder.mkdir()
    plan_path = scrap / f"plan{count}.json"
    stamp(sources, folder, count).save(plan_path)
    words = [sys.executable, "-c", CHILD, str(folder), str(plan_path)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    return dict(json.loads(done.stdout))


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    most = int(sys.argv[2]) if len(sys.argv) > 2 else 8 * count
    with tempfile.TemporaryDirectory() as name:
        scrap = Path(name)
        sources = draw(scrap, count)
        size_mb = sum(path.stat().st_size for path in sources) / count / 1e6
        print(f"{SIZE[0]} x {SIZE[1]} px JPEG, {size_mb:.1f} MB each, {os.cpu_count()} cores")
        for frames in (2 * count, most):
            row = measure(sources, scrap, frames)
            per_frame_s = (row["audit_s"] + row["list_s"]) / frames
            print(
                f"{frames:5d} frames: {row['audit_s']:.1f} s audit, {row['list_s']:.2f} s listing, "
                f"{per_frame_s * 1000:.0f} ms a frame, peak {row['peak_mb']:.0f} MB; "
                f"{row['counts']}"
            )
        how = "measured" if most == 1000 else "extrapolated from the last row"
        print(f"1,000 frames, {how}: {per_frame_s * 1000 / 60:.1f} min, bar 10 min")


if __name__ == "__main__":
    main()
