"""How long `capturehook apply` takes, beside a plain Python loop and sed. Prints ratios.

    python tests/bench/bench_apply.py [--mb 30 100] [--job FILE] [--crowd 8] [--every-layer]

The job is made on the spot: the layers of the built-in lighthouse (or of FILE) again and
again, Z rising. --crowd prints each layer's lines so many times, as a bed full of parts does:
large jobs seldom have layers as small as one lighthouse's (only for jobs of relative E).
Every figure is the least processor time of some runs of a whole process, start-up and all,
pinned to one core where the system allows it. Two loops are timed: one that splits lines into
words (as fast as plain Python gets), and one that searches each line for X, Y, Z and E with
regular expressions (as scripts for this purpose are commonly written; common practice, no
source). Both remember the position and write the file with a line at each layer mark.
"""

from __future__ import annotations

import argparse
import os
import re
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

SPLIT_LOOP = r"""
import sys
x = y = z = e = 0.0
out = []
for line in open(sys.argv[1]):
    if line.startswith(("G1", "G0")):
        for word in line.split(";")[0].split():
            c = word[0]
            if c == "X": x = float(word[1:])
            elif c == "Y": y = float(word[1:])
            elif c == "Z": z = float(word[1:])
            elif c == "E": e = float(word[1:])
    elif line.startswith((";LAYER:", ";LAYER_CHANGE")):
        out.append("; stop at %s %s %s %s\n" % (x, y, z, e))
    out.append(line)
open(sys.argv[2], "w").writelines(out)
"""
REGEX_LOOP = r"""
import re, sys
place = {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0}
words = {letter: re.compile(letter + r"([-+]?[0-9]*\.?[0-9]+)") for letter in place}
out = []
for line in open(sys.argv[1]):
    if re.match(r"G[01] ", line):
        for letter, pattern in words.items():
            match = pattern.search(line)
            if match:
                place[letter] = float(match.group(1))
    if line.startswith((";LAYER:", ";LAYER_CHANGE")):
        out.append("; stop at %s\n" % place)
    out.append(line)
open(sys.argv[2], "w").writelines(out)
"""
PROFILE = """
schema = 1
name = "bench"
[machine]
firmware = "marlin"
x_mm = [0, 235]
y_mm = [0, 235]
z_mm = [0, 1000000]
[park]
x_mm = 8
y_mm = 215
[trigger]
by = "camera"
[capture]
{rhythm}
"""
Z_WORD = re.compile(rb"Z([0-9.]+)")


def tall_job(megabytes: float, model: bytes) -> bytes:
    """A job of so many megabytes: the model's printing part repeated, each time higher."""
    marks = [m.start() for m in re.finditer(rb"^;LAYER(?:_CHANGE|:)", model, re.M)]
    start, stop = marks[1], marks[-2]
    body = model[start:stop]
    rise = max(float(m[1]) for m in Z_WORD.finditer(body))
    parts, size, turn = [model[:start]], start, 0
    while size < megabytes * 1e6:
        shifted = Z_WORD.sub(lambda m, t=turn: b"Z%.3f" % (float(m[1]) + t * rise), body)
        parts.append(shifted)
        size += len(shifted)
        turn += 1
    end = Z_WORD.sub(lambda m: b"Z%.3f" % (float(m[1]) + (turn - 1) * rise), model[stop:])
    return b"".join([*parts, end])


def crowded(model: bytes, times: int) -> bytes:
    """The job with each layer's lines again and again below its mark."""
    if times > 1 and not re.search(rb"^M83", model, re.M):
        raise SystemExit("--crowd asks for a job of relative E")
    head, *layers = re.split(rb"(?m)^(?=;LAYER(?:_CHANGE|:))", model)
    marks = [text.split(b"\n", 1) for text in layers[:-1]]
    parts = [mark + b"\n" + lines * times for mark, lines in marks]
    return b"".join([head, *parts, layers[-1]])


def best_seconds(command: list[str], runs: int) -> tuple[float, float]:
    """Least processor seconds and the peak memory (MB) of a command over some runs."""
    best, peak = float("inf"), 0.0
    for _ in range(runs):
        with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
        best = min(best, usage.ru_utime + usage.ru_stime)
        if process.returncode not in (0, 1):
            raise SystemExit(f"{command} failed with {process.returncode}")
        peak = max(peak, usage.ru_maxrss / 1024)
    return best, peak


def measure(megabytes: float, model: bytes, rhythm: str, runs: int, folder: Path) -> None:
    job, profile, out = folder / "job.gcode", folder / "bench.toml", folder / "out.gcode"
    job.write_bytes(tall_job(megabytes, model))
    profile.write_text(PROFILE.format(rhythm=rhythm))
    size_mb = job.stat().st_size / 1e6
    python = [sys.executable]
    ours, peak = best_seconds(
        [*python, "-m", "capturehook", "apply", str(job), "-p", str(profile), "-o", str(out)], runs
    )
    poses = out.read_bytes().count(b"; capturehook pose ") // 2
    split, _ = best_seconds([*python, "-c", SPLIT_LOOP, str(job), str(out)], runs)
    regex, _ = best_seconds([*python, "-c", REGEX_LOOP, str(job), str(out)], max(1, runs - 1))
    sed, _ = best_seconds(["sed", "-e", "/^;LAYER/i; here", "-n", "-e", f"w {out}", str(job)], runs)
    print(
        f"{size_mb:7.2f} MB  {poses:5d} poses  apply {ours:6.2f} s  split loop {split:6.2f} s  "
        f"regex loop {regex:6.2f} s  sed {sed:5.2f} s  |  split/apply {split / ours:5.1f}  "
        f"regex/apply {regex / ours:5.1f}  apply/sed {ours / sed:5.1f}  "
        f"peak {peak / size_mb:4.1f} x job"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mb", type=float, nargs="+", default=[0.1, 1, 30])
    parser.add_argument("--job", type=Path)
    parser.add_argument("--crowd", type=int, default=1)
    parser.add_argument("--every-layer", action="store_true")
    parser.add_argument("--runs", type=int, default=3)
    wishes = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    if wishes.job:
        model = wishes.job.read_bytes()
    else:
        from capturehook.demo.lighthouse import lighthouse_job

        model = lighthouse_job()
    model = crowded(model, wishes.crowd)
    for megabytes in wishes.mb:
        every = wishes.every_layer or megabytes < 10
        rhythm = "every_layers = 1" if every else "film_s = 10"
        with tempfile.TemporaryDirectory() as folder:
            measure(megabytes, model, rhythm, wishes.runs, Path(folder))
    print(f"(bench's own peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB)")


if __name__ == "__main__":
    main()
