"""Speed and memory in one run: whole commands beside the usual Python line loop and sed.

    python tests/bench/bench_commands.py [--runs 2] [--layers 1000] [--layer-kb 165]

Jobs are made on the spot (big_job.py): one of large layers, as a bed full of parts has, with
300 poses; the same with a damaged word, which every command must refuse; small layers with a
pose at each; and a small job. Every figure is the least of some runs of a whole process on one
core, start-up and all, in processor seconds, since others may work on the machine too (the wall
clock's are printed beside them); memory is the process's peak, as a multiple of the job.
The loops are those of bench_apply.py (common practice, no source). WANTED is what this project
has set itself.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench_apply import PROFILE, REGEX_LOOP, SPLIT_LOOP
from big_job import write_big_job

PACKAGE = Path(__file__).parents[2] / "capturehook"
COMMANDS = {
    "apply": ("apply", "JOB", "-o", "OUT"),
    "apply --dry-run": ("apply", "JOB", "--dry-run"),
    "plan": ("plan", "JOB"),
    "inspect": ("inspect", "JOB"),
}
WANTED = {"apply": "10, it/sed 2, memory 4", **dict.fromkeys([*COMMANDS][1:], "4, memory 4")}
WITNESS = """
import sys, time
from capturehook import api, block
from capturehook.block import poses
from capturehook.profile.load import load_profile
spent = [0.0]
def timed(*args, check=poses.check_output):
    began = time.process_time()
    check(*args)
    spent[0] += time.process_time() - began
poses.check_output = timed
data, profile = open(sys.argv[1], "rb").read(), load_profile(sys.argv[2])
for _ in range(3):
    spent[0], began = 0.0, time.process_time()
    api.apply(data, profile).data
    whole = time.process_time() - began
print(f"the witness takes {spent[0]:.3f} s of {whole:.3f} s: {100 * spent[0] / whole:.0f} %")
"""
PYTHON = [sys.executable]
os.environ.pop(
    "PYTHONDONTWRITEBYTECODE", None
)  # an installed package is compiled once, not each run
Measured = tuple[float, float, float]
"""Processor seconds, seconds of the wall clock, peak memory in bytes."""


def best(command: list[str], runs: int) -> Measured:
    """The least of some runs of a command; its greatest peak."""
    cpu, wall, peak = float("inf"), float("inf"), 0
    for _ in range(runs):
        began = time.perf_counter()
        code, usage = finished(command)
        if code not in (0, 1):
            raise SystemExit(f"{command} failed with {code}")
        wall = min(wall, time.perf_counter() - began)
        cpu = min(cpu, usage.ru_utime + usage.ru_stime)
        peak = max(peak, usage.ru_maxrss * 1024)
    return cpu, wall, peak


def finished(command: list[str], **streams: int) -> tuple[int, object]:
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, **streams) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    return process.returncode, usage


def ours(name: str, job: Path, rhythm: str) -> list[str]:
    profile = job.with_name("bench.toml")
    profile.write_text(PROFILE.format(rhythm=rhythm))
    words = {"JOB": str(job), "OUT": str(job.with_name("out.gcode"))}
    command = [words.get(word, word) for word in COMMANDS[name]]
    return [*PYTHON, "-m", "capturehook", *command, "-p", str(profile)]


def measure(job: Path, runs: int) -> None:
    """Every command on the job of large layers."""
    out, size = job.with_name("out.gcode"), job.stat().st_size
    insert = ["sed", "-e", "/^;LAYER/i; here", "-n", "-e", f"w {out}", str(job)]
    regex, regex_wall, _ = best([*PYTHON, "-c", REGEX_LOOP, str(job), str(out)], 1)
    split, _, _ = best([*PYTHON, "-c", SPLIT_LOOP, str(job), str(out)], 1)
    sed, sed_wall, _ = best(insert, runs)
    print(
        f"{size / 1e6:.1f} MB: regex loop {regex:.2f} s (wall {regex_wall:.2f}), split loop "
        f"{split:.2f} s, sed {sed:.2f} s (wall {sed_wall:.2f})"
    )
    for name in COMMANDS:
        cpu, wall, peak = best(ours(name, job, "film_s = 10"), runs)
        print(
            f"{name:16} {cpu:6.2f} s (wall {wall:5.2f})  regex loop/it {regex / cpu:4.1f} "
            f"(wall {regex_wall / wall:4.1f})  split loop/it {split / cpu:4.1f}  "
            f"it/sed {cpu / sed:4.1f}  memory {peak / size:4.2f} x job   wanted {WANTED[name]}",
            flush=True,
        )


def measure_poses(job: Path, runs: int, wanted: str) -> None:
    """A pose at each of many small layers: what it costs over reading and clocking."""
    out, size = job.with_name("out.gcode"), job.stat().st_size
    regex, _, _ = best([*PYTHON, "-c", REGEX_LOOP, str(job), str(out)], 1)
    bare, _, _ = best(ours("inspect", job, "every_layers = 1"), runs)
    cpu, _, peak = best(ours("apply", job, "every_layers = 1"), runs)
    with out.open("rb") as file:  # a child's peak begins with its parent's size: stay small
        poses = sum(line.startswith(b"; capturehook pose ") for line in file) // 2
    print(
        f"{size / 1e6:.1f} MB, {poses} poses: apply {cpu:.2f} s, regex loop/it {regex / cpu:.1f}, "
        f"{1000 * (cpu - bare) / poses:.2f} ms a pose, memory {peak / size:.1f} x job   "
        f"wanted {wanted}",
        flush=True,
    )


def measure_small(job: Path, runs: int) -> None:
    """A small job, and the witness's share of it in a process that has begun already."""
    cpu, wall, _ = best(ours("apply", job, "every_layers = 1"), 3 * runs)
    kilobytes = job.stat().st_size / 1000
    print(f"{kilobytes:.0f} kB: apply {cpu:.2f} s (wall {wall:.2f})   wanted 0.25 for 100 kB")
    if kilobytes > 500:
        profile = str(job.with_name("bench.toml"))
        subprocess.run([*PYTHON, "-c", WITNESS, str(job), profile], check=True)


def refuse_damaged(job: Path) -> None:
    """One word inside a layer is none any more: every command exits with 2."""
    middle = job.stat().st_size // 2
    with job.open("r+b") as file:
        file.seek(middle)
        file.seek(middle + file.read(1 << 16).index(b" Y") + 2)
        file.write(b"?")
    for name in COMMANDS:
        code, _ = finished(ours(name, job, "film_s = 10"), stderr=subprocess.DEVNULL)
        print(f"a damaged word in {middle / 5e5:.0f} MB: {name} exits with {code}, wanted 2")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=2)
    parser.add_argument("--layers", type=int, default=1000)
    parser.add_argument("--layer-kb", type=float, default=165.0)
    parser.add_argument("--small-layers", type=int, nargs="+", default=[4000, 16_700])
    wishes = parser.parse_args()
    subprocess.run([*PYTHON, "-m", "compileall", "-q", str(PACKAGE)], check=False)
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "job.gcode"
        write_big_job(job, layers=wishes.layers, layer_bytes=round(wishes.layer_kb * 1000))
        measure(job, wishes.runs)
        refuse_damaged(job)
        for layers in wishes.small_layers:
            write_big_job(job, layers=layers, layer_bytes=0, absolute_e=True)
            measure_poses(job, wishes.runs, "4, 0.15 ms a pose, memory 4")
        for layers in (20, 160):
            write_big_job(job, layers=layers, layer_bytes=0)
            measure_small(job, wishes.runs)


if __name__ == "__main__":
    main()
