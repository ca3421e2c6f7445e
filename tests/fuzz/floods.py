"""Floods: megabytes of one kind of junk; none may take longer than its length asks for.

Run by hand: `python -m tests.fuzz.floods --bytes 1000000 [--family marlin]`; told are those over
5 s of processor time. A few thousand bytes of each run with the tests.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import time
from collections.abc import Callable

import capturehook
from capturehook.errors import CaptureHookError
from capturehook.model.profile import Profile
from capturehook.profile import build_profile
from tests.read.slow import FIRMWARES
from tests.small_jobs import Recipe, make_job
from tests.strategies import profile_table

MOST_S = 5.0
Flood = Callable[[random.Random], bytes]


def _some(*parts: bytes) -> Flood:
    return lambda rng: rng.choice(parts)


def _nested(rng: random.Random) -> bytes:
    return b" " * rng.randint(0, 60) + rng.choice(
        (b"if true\n", b"while x\n", b"elif y\n", b"G1 X1\n")
    )


FLOODS: dict[str, Flood] = {
    "letters": lambda rng: bytes([rng.choice(b"XYZEFGMTNabcxyz")]),
    "digits": lambda rng: bytes([rng.choice(b"0123456789.-+ ")]),
    "words": _some(b"X1", b"Y-2.5 ", b"G1", b"E", b"M83 ", b"G92", b"T0", b"*12", b"N5 "),
    "brackets": _some(b"(", b")", b"((", b"[", b"]", b"{", b"}", b"(a) "),
    "comments": _some(b";", b"; \n", b";;", b";a=1\n", b"; x = y = z ", b"\n;"),
    "quotes": _some(b'"', b'""', b"'", b'M117 "a', b'" ; "', b"\n"),
    "settings": _some(b"; a = 1\n", b"; bed_shape = 0x0,", b"1x1,", b";   a,1\n", b"; k = "),
    "pictures": _some(b"; thumbnail begin 9x9 9\n", b"; AAAA\n", b"; thumbnail end\n", b";"),
    "fences": _some(
        b"; capturehook pose 1 begin layer 1 z 1.00\n", b"; capturehook pose 1 end 123456\n",
        b"; capturehook lines 1 begin\n", b"; capturehook kept G1 X1\n", b"G1 X1\n",
        b"; capturehook job begin 1 profile a plan b\n", b"; capturehook ",
    ),
    "objects": _some(
        b"; printing object a\n", b"; stop printing object a\n", b"EXCLUDE_OBJECT_START NAME=a\n",
        b"EXCLUDE_OBJECT_END\n", b"M486 S1\n", b"M486 S-1\n", b"G1 X1 E1\n",
    ),
    "texts": _some(b"M117 ", b"G1 X1\n", b"M118 a", b"\n", b"M117\n", b"RESPOND MSG="),
    "o words": _some(b"o100 sub\n", b"o100 endsub\n", b"O1 if [1]\n", b"#1=[2+3]\n", b"G1 X#1\n"),
    "nested ifs": _nested,
    "states": _some(
        b"SAVE_GCODE_STATE NAME=a\n", b"RESTORE_GCODE_STATE NAME=a\n", b"M120\n", b"M121\n",
        b"G55\n", b"G10 L2 P2 X1\n", b"SET_GCODE_OFFSET Z_ADJUST=0.1\n", b"G91\n", b"G90\n",
        b"T0\n", b"T1\n", b"M401\n", b"M402\n", b"G92 E0\n", b"G92 X1\n",
    ),
    "marks": _some(b";LAYER_CHANGE\n", b";LAYER:1\n", b";Z:0.2\n", b"; layer 1\n", b"G1 Z0.2\n"),
    "purges": lambda rng: b"G1 E%d\nG1 X%d\n" % (rng.randint(0, 99), rng.randint(0, 9)),
    "heights": lambda rng: b"G1 X%d Y%d Z%d E1\n" % tuple(rng.randint(0, 99) for _ in range(3)),
    "relative": lambda rng: b"G91\nG1 X%d\nG90\nG1 E%d\n" % (rng.randint(0, 9), rng.randint(0, 9)),
    "retractions": _some(b"G10\n", b"G11\n", b"G1 E-1\n", b"G1 E1\n", b"M83\n", b"M82\n", b"T1\n"),
    "arcs": lambda rng: b"G2 X%d Y9 I%d J1 E1\n" % (rng.randint(0, 9), rng.randint(-9, 9)),
    "line ends": _some(b"\r", b"\n", b"\r\n", b"\n\r", b"\0", b"G1 X1", b"\x1a", b"\xff"),
    "blanks": _some(b" ", b"\t", b"  ", b" ;", b" \n"),
    "tiny lines": lambda rng: bytes([rng.choice(b"GMXT;%/*")]) + b"\n",
    "bytes": lambda rng: rng.randbytes(64),
}  # fmt: skip
PLACES = ("alone", "before", "between", "one line", "in a comment", "after")


def flood(kind: str, place: str, size: int, seed: int = 1) -> bytes:
    """A job with so many bytes of one kind somewhere in it."""
    rng, make, parts, length = random.Random(seed), FLOODS[kind], [], 0
    while length < size:
        parts.append(make(rng))
        length += len(parts[-1])
    junk = b"".join(parts)
    if place in ("one line", "in a comment"):
        junk = junk.replace(b"\n", b" ").replace(b"\r", b" ")
    job = make_job(Recipe(layers=4)).data
    head, mark, rest = job.partition(b";LAYER_CHANGE")
    return {
        "alone": junk,
        "before": junk + b"\n" + job,
        "between": head + junk + b"\n" + mark + rest,
        "one line": head + junk + b"\n" + mark + rest,
        "in a comment": head + b";" + junk + b"\n" + mark + rest,
        "after": job + junk,
    }[place]


def seconds_of(data: bytes, profile: Profile) -> float:
    """Processor time of a run; only our own errors may leave it."""
    begin = time.process_time()
    with contextlib.suppress(CaptureHookError):
        capturehook.apply(data, profile, path="flood.gcode", skip_unsafe=True, is_whole=True)
    return time.process_time() - begin


def profiles(families: list[str]) -> dict[str, Profile]:
    return {one: build_profile(profile_table(one), "heron.toml") for one in families}


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--bytes", type=int, default=1_000_000)
    options.add_argument("--family", choices=FIRMWARES, action="append")
    options.add_argument("--kind", choices=FLOODS, action="append")
    options.add_argument("--most-s", type=float, default=MOST_S)
    wish = options.parse_args()
    for kind in wish.kind or FLOODS:
        for place in PLACES:
            data = flood(kind, place, wish.bytes)
            for family, profile in profiles(wish.family or list(FIRMWARES)).items():
                try:
                    took = seconds_of(data, profile)
                except Exception as fault:
                    print(f"{type(fault).__name__} {fault}: {kind}, {place}, {family}", flush=True)
                    continue
                if took > wish.most_s:
                    print(f"{took:6.1f} s: {kind}, {place}, {family}", flush=True)


if __name__ == "__main__":
    main()
