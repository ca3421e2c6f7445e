"""How long `apply` takes on a binary job, beside the same job as text. Prints ratios.

    python tests/bench/bench_packed.py [--mb 50] [--runs 2]

The job is the one of bench_apply.py; the binary one is packed with comments and compressed by
heatshrink (window 12), as hosts write by default. Whole processes, processor seconds, best of
some runs.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from capturehook.jobfile.blocks import SHRINK_12, Block, packed
from capturehook.jobfile.letters import Mode, pack_lines
from tests.bench.bench_apply import PROFILE, best_seconds, crowded, tall_job

BLOCK = 65_000
START = b"\xff\xff\xfb\xff\xff\xf7"


def binary_of(text: bytes) -> bytes:
    """The job in blocks of at most 64 KiB of text."""
    parts = [b"GCDE\1\0\0\0\1\0"]
    for kind in (3, 4, 2):
        data = b"printer_model=Heron\n"
        parts.append(Block(kind, 0, len(data), b"\0\0", data).whole(checksum=True))
    lines, size = [], 0
    for line in text.splitlines(keepends=True):
        if size + len(line) > BLOCK:
            parts.append(_code(lines))
            lines, size = [], 0
        if line.strip():
            lines.append(line if line.startswith(b";") else line.split(b";")[0].rstrip() + b"\n")
        size += len(line)
    return b"".join([*parts, _code(lines)])


def _code(lines: list[bytes]) -> bytes:
    mode = Mode(True, True)
    stream = START + pack_lines(lines, mode, Mode(not lines[-1].startswith(b";"), True))
    stored = packed(stream, SHRINK_12)
    return Block(1, SHRINK_12, len(stream), b"\2\0", stored).whole(checksum=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mb", type=float, nargs="+", default=[50])
    parser.add_argument("--crowd", type=int, default=8)
    parser.add_argument("--runs", type=int, default=2)
    wishes = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    from capturehook.demo.lighthouse import lighthouse_job

    model = crowded(lighthouse_job(), wishes.crowd)
    for megabytes in wishes.mb:
        text = tall_job(megabytes, model)
        jobs = {"text": text, "binary": binary_of(text)}
        with tempfile.TemporaryDirectory() as name:
            folder, took = Path(name), {}
            (folder / "bench.toml").write_text(PROFILE.format(rhythm="film_s = 10"))
            for kind, data in jobs.items():
                (folder / kind).write_bytes(data)
                words = ["apply", str(folder / kind), "-p", str(folder / "bench.toml")]
                command = [sys.executable, "-m", "capturehook", *words, "-o", str(folder / "out")]
                took[kind], peak = best_seconds(command, wishes.runs)
                print(
                    f"{kind:7} {len(data) / 1e6:7.2f} MB  apply {took[kind]:6.2f} s  "
                    f"peak {peak:6.0f} MB",
                    flush=True,
                )
            print(
                f"{len(text) / 1e6:.0f} MB of text: binary/text {took['binary'] / took['text']:.2f}"
            )


if __name__ == "__main__":
    main()
