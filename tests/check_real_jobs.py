"""By hand: `python -m tests.check_real_jobs JOB... [--profile-z 300]` and read the table.

Runs every job through all six families and prints, for each: moves against the slow
interpreter, layers, poses, and the first complaints about the blocks. Not a pytest file.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from capturehook.api import apply
from capturehook.errors import CaptureHookError
from capturehook.jobfile.fence import strip_bytes
from capturehook.profile import build_profile
from capturehook.read.job import read_job
from tests.block_checks import complaints, limits_of
from tests.property.test_state_reference import axis_of, move_faults
from tests.read.slow import FIRMWARES, run_lean
from tests.strategies import profile_table
from tests.variants import MODE_VARIANTS, WORD_VARIANTS, for_firmware, suits


def main() -> int:
    options = _options()
    bad = 0
    print(
        f"{'job':32} {'firmware':15} {'form':14} {'moves':>7} {'layers':>6} {'poses':>5}  verdict"
    )
    for path in options.jobs:
        for firmware in options.firmware or FIRMWARES:
            for form in (None, *(options.form or ())):
                if suits(firmware, form):
                    bad += _one(path, firmware, form)
    return 1 if bad else 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("jobs", nargs="+", type=Path)
    parser.add_argument("--firmware", action="append", choices=FIRMWARES)
    parser.add_argument(
        "--form", action="append", choices=sorted({**MODE_VARIANTS, **WORD_VARIANTS})
    )
    return parser.parse_args()


def _one(path: Path, firmware: str, form: str | None) -> int:
    data = for_firmware(path.read_bytes(), firmware, form)
    profile = build_profile(profile_table(firmware), "heron.toml")
    start = time.perf_counter()
    moves = layers = poses = 0
    try:
        job = read_job(data, str(path), profile)
        moves, layers = len(job.moves), len(job.layers)
        wrong = move_faults(job.moves, run_lean(data, firmware, axis_of(firmware)).moves)
        applied = apply(data, profile, path=str(path))
        poses = len(applied.poses)
        wrong += complaints(data, applied.data, limits_of(profile), poses=poses)
        if strip_bytes(applied.data, str(path)) != data:
            wrong.append("strip does not give the job back")
        if apply(applied.data, profile, path=str(path)).data != applied.data:
            wrong.append("twice is not once")
    except CaptureHookError as fault:
        wrong = [f"{type(fault).__name__}: {fault}"]
    verdict = f"{len(wrong)} complaints" if wrong else "ok"
    took = time.perf_counter() - start
    print(
        f"{path.name[:32]:32} {firmware:15} {form or '-':14} {moves:7} {layers:6} {poses:5}  "
        f"{verdict} ({took:.1f} s)"
    )
    for text in wrong[:3]:
        print("      ", text[:300])
    return len(wrong)


if __name__ == "__main__":
    sys.exit(main())
