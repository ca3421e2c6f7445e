"""Whole commands on large jobs, beside the usual Python line loop and sed. Prints ratios.

    python tests/bench/bench_commands.py [--runs 2] [--layers 1000] [--layer-kb 165]

Two jobs are made on the spot (big_job.py): one of large layers, as a bed full of parts has, with
300 poses; and one of 16,700 small layers with a pose at each. Every figure is the least of some
runs of a whole process on one core, start-up and all, in processor seconds, since others may work
on the machine too; memory is the process's peak, as a multiple of the job.
The loops are those of bench_apply.py (common practice, no source).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from bench_apply import PROFILE, REGEX_LOOP, SPLIT_LOOP
from big_job import write_big_job

COMMANDS = {
    "apply": ("apply", "JOB", "-o", "OUT"),
    "apply --dry-run": ("apply", "JOB", "--dry-run"),
    "plan": ("plan", "JOB"),
    "inspect": ("inspect", "JOB"),
}


def measure(job: Path, rhythm: str, names: list[str], runs: int) -> None:
    profile, out = job.with_name("bench.toml"), job.with_name("out.gcode")
    profile.write_text(PROFILE.format(rhythm=rhythm))
    size = job.stat().st_size
    insert = ["sed", "-e", "/^;LAYER/i; here", "-n", "-e", f"w {out}", str(job)]
    python = [sys.executable]
    regex, _ = best([*python, "-c", REGEX_LOOP, str(job), str(out)], 1)
    split, _ = best([*python, "-c", SPLIT_LOOP, str(job), str(out)], 1)
    sed, _ = best(insert, runs)
    print(
        f"{size / 1e6:.1f} MB; regex loop {regex:.2f} s, split loop {split:.2f} s, sed {sed:.2f} s"
    )
    for name in names:
        words = {"JOB": str(job), "OUT": str(out)}
        command = [words.get(word, word) for word in COMMANDS[name]]
        seconds, peak = best([*python, "-m", "capturehook", *command, "-p", str(profile)], runs)
        print(
            f"{name:16} {seconds:6.2f} s   regex loop / it {regex / seconds:5.1f}   "
            f"split loop / it {split / seconds:5.1f}   it / sed {seconds / sed:5.1f}   "
            f"memory {peak / size:4.1f} x job",
            flush=True,
        )


def best(command: list[str], runs: int) -> tuple[float, int]:
    """Least processor seconds and the peak memory (bytes) of a command over some runs."""
    least, peak = float("inf"), 0
    for _ in range(runs):
        with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in (0, 1):
            raise SystemExit(f"{command} failed with {process.returncode}")
        least = min(least, usage.ru_utime + usage.ru_stime)
        peak = max(peak, usage.ru_maxrss * 1024)
    return least, peak


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=2)
    parser.add_argument("--layers", type=int, default=1000)
    parser.add_argument("--layer-kb", type=float, default=165.0)
    parser.add_argument("--small-layers", type=int, default=16_700)
    wishes = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "job.gcode"
        write_big_job(job, layers=wishes.layers, layer_bytes=round(wishes.layer_kb * 1000))
        measure(job, "film_s = 10", list(COMMANDS), wishes.runs)
        write_big_job(job, layers=wishes.small_layers, layer_bytes=0, absolute_e=True)
        measure(job, "every_layers = 1", ["apply"], wishes.runs)


if __name__ == "__main__":
    main()
