"""Ways to break a job, a profile or a plan: bytes -> bytes, from a seeded `random.Random`.

Invented damage of the kinds that happen (a cut copy, a wrong encoding, a hand edit, two files
run together) and of the kinds that only an attacker makes (huge numbers, no line ends, fences
that lie).
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any

from tests.read.slow import FIRMWARES
from tests.small_jobs import MARKS, Recipe, make_job, plain_jobs
from tests.strategies import profile_table
from tests.variants import VARIANTS, for_firmware, suits

Random = random.Random
Mutation = Callable[[Random, bytes], bytes]

NUMBERS = (
    *("", "-", ".", "+", "-.", "0", "-0", "+0.0", "1e5", "1E-3", "nan", "inf", "0x10", "1_000"),
    *("99999999999", "-99999999999", "99999999", "100000000", "1e400", "9" * 400, "0." + "0" * 40),
    *("1.2.3", "--5", "5-", "1,5", "\u0661", "0.000000001", "123456789.123456789", "2147483648"),
)
# fmt: off
LINES = (
    *("G90", "G91", "M82", "M83", "G20", "G21", "G92 E0", "G92", "G92 X0", "G92 Z5", "G92.1"),
    *("G28", "G28 X", "G28 Z0", "G53", "G54", "G55", "G10", "G11", "G10 L2 P1 X5", "G17", "G18"),
    *("G19", "G2 X5 Y5 I1 J1", "G3 I5", "G2 X9 Y9 R1", "G2 X9", "G3 X1 Y1 R-50", "G2 I0 J0 P99999"),
    *("T0", "T1", "T99999999999", "T-1", "M200 D1.75", "M200 D0", "M200 S0", "M200 D-1", "M200 D"),
    *("M106 S255", "M107", "M204 S500", "M205 X0", "M203 X0", "M201 X0 Y0", "M204 S0", "M220 S0"),
    *("G4 P99999999", "G4", "G4 S-5", "G4 P1e9", "M400", "M600", "M0", "M73 P50 R10", "M73 P R"),
    *("M73 P999999999999 R99999999999999", "M117 G1 X9", "G1", "G0", "X5", "X", "E", "G1 F0"),
    *("G1 F-100", "G1 F", "G1 E-99999", "G1 E99999", "G1 Z-5", "G1 Z0", "G1 Z9999", "G1 X-9999 Y9999"),
    *("G1 X1 X2 X3", "G1 X1 G1 Y2", "G1 G2 X1", "N5 G1 X1*99", "N G1", "G1 X5 ;", ";", "", " ", "\t"),
    *("(", "(a (b) c)", "(G1 X5", "; ( ;", "%", "%%", "/G1 X5", "{x}", "[layer]", "G1 X[1+2]", "#1=5"),
    *("G93", "G94", "G95", "G38.2 Z-5", "G61", "G60", "SAVE_GCODE_STATE NAME=a", "G5 X1 Y1"),
    *("RESTORE_GCODE_STATE NAME=a MOVE=1", "START_PRINT A=1 B=2", "EXCLUDE_OBJECT_START NAME=x"),
    *("EXCLUDE_OBJECT_END NAME=x", "M486 S1", "M486 S-1", "; printing object a", "; stop printing object a"),
    *(";WIPE_START", ";WIPE_END", "; CP TOOLCHANGE START", "; CP TOOLCHANGE END", "; thumbnail begin 1x1 1"),
    *("; thumbnail end", "; CONFIG_BLOCK_START", "; CONFIG_BLOCK_END", ";LAYER_CHANGE", ";LAYER:5"),
    *(";LAYER:-1", ";LAYER:99999999999999999999", "; layer 3, Z = 1.0", "; CHANGE_LAYER", ";Z:0.4"),
    *("(<layer> 0.4 )", "(</layer>)", "M73 L3", "M117 Layer 2/4", ";TYPE:External perimeter"),
    *(";TIME:99999999999999999999", ";TIME_ELAPSED:1e99", "; estimated printing time = 9d 9h", ";TYPE:"),
    *("; capturehook", "; capturehook job begin", "; capturehook job end", "; capturehook pose 1 begin"),
    *("; capturehook pose 1 end", "; capturehook lines 1 begin", "; capturehook lines 1 end"),
    *("; capturehook kept G1 X5", "; capturehook pose 99999999999999999999 begin layer 1 z 1"),
    *(" ; capturehook pose 1 end", "G1 X5 ; capturehook pose 1 begin", "\u00e9\u00e8 G1 X5", "\u2028", "\x0c", "\x0b"),
)
# fmt: on


def _lines(data: bytes) -> list[bytes]:
    return data.splitlines(keepends=True)


def _some(rng: Random, count: int, most: int = 40) -> slice:
    at = rng.randrange(count + 1)
    return slice(at, min(count, at + rng.randint(1, most)))


def flip_bytes(rng: Random, data: bytes) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 3, 20))):
        if out:
            out[rng.randrange(len(out))] = rng.randrange(1 if rng.random() < 0.9 else 0, 256)
    return bytes(out)


def cut_lines(rng: Random, data: bytes) -> bytes:
    lines = _lines(data)
    del lines[_some(rng, len(lines))]
    return b"".join(lines)


def swap_lines(rng: Random, data: bytes) -> bytes:
    lines = _lines(data)
    for _ in range(rng.choice((1, 3, 30))):
        if lines:
            a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
            lines[a], lines[b] = lines[b], lines[a]
    return b"".join(lines)


def double_lines(rng: Random, data: bytes) -> bytes:
    lines = _lines(data)
    part = lines[_some(rng, len(lines))]
    at = rng.randrange(len(lines) + 1)
    return b"".join([*lines[:at], *part * rng.choice((1, 2, 5)), *lines[at:]])


def cut_short(rng: Random, data: bytes) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] if rng.random() < 0.7 else data[at:]


def odd_numbers(rng: Random, data: bytes) -> bytes:
    lines = _lines(data)
    for _ in range(rng.choice((1, 1, 2, 10))):
        if not lines:
            break
        at = rng.randrange(len(lines))
        words = lines[at].split(b" ")
        which = rng.randrange(len(words))
        number = rng.choice(NUMBERS) if rng.random() < 0.6 else f"{rng.uniform(-400, 400):.4f}"
        ending = lines[at][len(lines[at].rstrip(b"\r\n")) :]
        words[which] = words[which][:1] + number.encode()
        lines[at] = b" ".join(words).rstrip(b"\r\n") + ending
    return b"".join(lines)


def put_lines(rng: Random, data: bytes) -> bytes:
    lines = _lines(data)
    end = b"\r\n" if data.count(b"\r\n") else b"\n"
    for _ in range(rng.choice((1, 1, 2, 6))):
        at = rng.randrange(len(lines) + 1)
        lines.insert(at, rng.choice(LINES).encode("utf-8") + end)
    return b"".join(lines)


def raw_bytes(rng: Random, data: bytes) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.randbytes(rng.choice((1, 8, 200))).replace(b"\0", b"") + data[at:]


def end_lines_otherwise(rng: Random, data: bytes) -> bytes:
    if rng.random() < 0.5:
        return data.replace(
            b"\n", rng.choice((b"\r\n", b"\r", b"\n\n", b"\n\r", b"\r\r\n", b" \n", b""))
        )
    ends = [rng.choice((b"\n", b"\r\n", b"\r")) for _ in range(7)]
    return b"".join(line.rstrip(b"\r\n") + ends[k % 7] for k, line in enumerate(_lines(data)))


def encode_otherwise(rng: Random, data: bytes) -> bytes:
    text = data.decode("latin-1")
    how = rng.choice(("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig", "utf-7", "cp500"))
    return text.encode(how, "replace")


def long_line(rng: Random, data: bytes) -> bytes:
    lines = _lines(data)
    at = rng.randrange(len(lines) + 1)
    unit = rng.choice(
        (b"X1 ", b"; x", b"(", b")", b"9", b" ", b"G1 ", b"E1Y2", b'"', b"*", b"\xff")
    )
    lines.insert(at, rng.choice((b"G1 X", b"", b";")) + unit * rng.choice((50, 3000)) + b"\n")
    return b"".join(lines)


def together(rng: Random, data: bytes) -> bytes:
    other = start_job(rng)
    at = rng.randrange(len(data) + 1)
    return data[:at] + other[rng.randrange(len(other) + 1) :]


def soup(rng: Random, data: bytes) -> bytes:
    lines = _lines(data)
    rng.shuffle(lines)
    return b"".join(lines)


JOB_MUTATIONS: tuple[Mutation, ...] = (
    flip_bytes,
    cut_lines,
    swap_lines,
    double_lines,
    cut_short,
    odd_numbers,
    odd_numbers,
    put_lines,
    put_lines,
    put_lines,
    raw_bytes,
    end_lines_otherwise,
    encode_otherwise,
    long_line,
    together,
    soup,
)


@lru_cache(maxsize=1)
def _plain() -> tuple[bytes, ...]:
    return tuple(job.data for job in plain_jobs().values())


def start_job(rng: Random) -> bytes:
    """A sound small job: one of the plain ones, or of a random recipe."""
    if rng.random() < 0.4:
        return rng.choice(_plain())
    marks = rng.choice(sorted(MARKS))
    recipe = Recipe(
        marks=marks,
        layers=rng.randint(1, 6),
        heights_mm=rng.choice(((0.2,), (0.3, 0.1), (0.05,))),
        relative_e=rng.random() < 0.5,
        retract=rng.choice(("moves", "firmware", "none")),
        hop_mm=rng.choice((0.0, 0.4)),
        wipe=rng.random() < 0.3,
        labels=rng.choice(("", "comment", "command")),
        thumbnail=rng.random() < 0.2,
        settings_dump=rng.random() < 0.2,
        tools=rng.choice((1, 1, 2)),
        objects=rng.choice((1, 1, 1, 2)),
        purge=rng.random() < 0.3,
        end_code=rng.random() < 0.8,
        reset_e=rng.random() < 0.3,
    )
    if rng.random() < 0.1:
        recipe = replace(recipe, spiral=True, retract="none", objects=1, layers=3)
    return make_job(recipe).data


def broken_job(rng: Random, firmware: str) -> bytes:
    """A sound job in some form, broken up to four times; one in thirty is only bytes."""
    if rng.random() < 0.03:
        return rng.randbytes(rng.choice((0, 1, 5, 300)))
    if rng.random() < 0.06:
        picked = [rng.choice(LINES).encode() for _ in range(rng.randint(1, 40))]
        return b"G28\nG90\nM83\n" + b"\n".join(picked) + b"\nG1 Z0.2\nG1 X5 Y5 E1 F900\n"
    form = rng.choice((None, *VARIANTS))
    data = for_firmware(start_job(rng), firmware, form if suits(firmware, form) else None)
    return broken(rng, data)


def broken(rng: Random, data: bytes) -> bytes:
    for _ in range(rng.choice((0, 1, 1, 1, 2, 4))):
        data = rng.choice(JOB_MUTATIONS)(rng, data)
    return data


# ---- profiles ----------------------------------------------------------------------------------

TRIGGERS: tuple[dict[str, Any], ...] = (
    {"by": "wait", "fired_by": "sensor"},
    {"by": "wait", "fired_by": "sensor"},
    {"by": "button", "x_mm": 228.0},
    {"by": "button", "y_mm": 10.0, "axis": "y", "direction": "-"},
    {"by": "pin", "pin": 2},
    {"by": "pin", "pin": "camera_release", "hold_ms": 150},
    {"by": "camera"},
    {"by": "message", "text": "frame please"},
    {"by": "lines", "pin": 5, "lines": ["M42 P5 S255", "G4 P150", "M42 P5 S0"]},
)


def wish_table(rng: Random, firmware: str) -> dict[str, Any]:
    """A profile that is sound or nearly so, all wishes mixed."""
    rhythm = rng.choice(
        (
            {"every_layers": 1},
            {"every_layers": rng.randint(1, 3)},
            {"every_mm": rng.choice((0.1, 0.5, 5.0))},
            {"every_s": rng.choice((1.0, 20.0, 1e6))},
            {"film_s": rng.choice((0.1, 1.0))},
        )
    )
    more = {
        "first_layer": rng.choice((1, 2, 2, 5)),
        "finished": rng.random() < 0.7,
        "resume": rng.choice(("as-is", "as-is", "seam", "hidden")),
        **rng.choice(({}, {}, {"min_gap_s": 3.0}, {"added_max_s": 9.0}, {"frames_max": 2})),
        **({"spread": rng.choice(("height", "volume", "time"))} if "film_s" in rhythm else {}),
    }
    table = profile_table(
        firmware,
        machine={
            "moves": rng.choice(("bed-y", "bed-z", "none")),
            "volumetric": rng.random() < 0.05,
            **rng.choice(({}, {}, {"junction_mm": 0.02}, {"corner_mm_s": 5.0})),
        },
        park={"x_mm": rng.choice((0, 8, 120.5, 235)), "y_mm": rng.choice((0, 10, 215, 235))},
        retract={
            "by": "moves" if firmware == "rs274" else rng.choice(("moves", "moves", "firmware")),
            "length_mm": rng.choice((0, 0.8, 1.5)),
            "extra_prime_mm": rng.choice((0, 0, 0.05)),
            "wipe_mm": rng.choice((0, 0, 0, 1.5)),
        },
        trigger=rng.choice(TRIGGERS),
    )
    table["capture"] = {**rhythm, **more}
    return table


VALUES: tuple[str, ...] = (
    *(
        "0",
        "-1",
        "1e308",
        "-1e308",
        "nan",
        "inf",
        "-inf",
        "true",
        "false",
        '""',
        '"a\\nb"',
        "[]",
        "{}",
    ),
    *("[1]", "[1, 2, 3]", "[2, 1]", "[[1, 2]]", "{ x = 1 }", "99999999999999999999", "1979-05-27"),
    *(
        "07:32:00",
        '"' + "x" * 5000 + '"',
        "'''\n'''",
        "0x7fffffff",
        "1e-320",
        '"\\u0000"',
        '"G28"',
        '"{}"',
    ),
    *(
        "[" * 200 + "]" * 200,
        "0.0",
        "-0.0",
        "1",
        "235",
        '["M104 S0"]',
        '["G1 X5", "nan"]',
        "9007199254740993",
    ),
)


def broken_toml(rng: Random, text: str) -> str:
    """A profile's text, broken a little or much."""
    lines = text.splitlines()
    for _ in range(rng.choice((1, 1, 2, 5))):
        at = rng.randrange(len(lines) + 1)
        kind = rng.randrange(7)
        if kind == 0 and at < len(lines) and "=" in lines[at]:
            lines[at] = lines[at].partition("=")[0] + "= " + rng.choice(VALUES)
        elif kind == 1 and at < len(lines):
            del lines[at]
        elif kind == 2 and at < len(lines):
            lines.insert(at, lines[rng.randrange(len(lines))])
        elif kind == 3 and at < len(lines) and lines[at]:
            cut = rng.randrange(len(lines[at]))
            lines[at] = lines[at][:cut] + chr(rng.randrange(1, 0x3000)) + lines[at][cut + 1 :]
        elif kind == 4:
            key = rng.choice(
                ("x_mm", "schema", "machine", "capture.fps", "a.b.c", '"é"', "resin", "__dict__")
            )
            lines.insert(at, f"{key} = {rng.choice(VALUES)}")
        elif kind == 5:
            table = rng.choice(
                (
                    "[machine]",
                    "[[trigger]]",
                    "[park.settle]",
                    "[resin]",
                    "[[machine.keep_out]]",
                    "[]",
                )
            )
            lines.insert(at, table)
        elif kind == 6 and lines:
            del lines[at:]
            lines = lines or ["schema"]
    return "\n".join(lines)


# ---- plans -------------------------------------------------------------------------------------

PLAN_VALUES: tuple[Any, ...] = (
    *(
        None,
        True,
        -1,
        0,
        1e308,
        math.nan,
        math.inf,
        "",
        "x" * 3000,
        "30/0",
        "nan",
        [],
        {},
        [[]],
        [1],
    ),
    *({"pose": 1}, "\ud800", 10**400, "1e999", "-5", "0/0", -0.0),
)


def broken_plan(rng: Random, text: str) -> str:
    """A plan.json with values, keys or bytes changed."""
    if rng.random() < 0.3:
        at = rng.randrange(len(text) + 1)
        return (
            text[:at]
            + rng.choice(("", "{", "]", "\0", "nul", "9" * 5000, "[" * 3000))
            + text[at + 1 :]
        )
    raw = json.loads(text)
    raw.pop("sum", None)  # else nothing behind it is ever reached
    for _ in range(rng.choice((1, 1, 3))):
        poses = raw.get("poses")
        inner = (
            rng.choice(poses) if isinstance(poses, list) and poses and rng.random() < 0.5 else raw
        )
        if not isinstance(inner, dict) or not inner:
            inner = raw
        key = rng.choice([*inner, "more"])
        if rng.random() < 0.2 and key in inner:
            del inner[key]
        else:
            inner[key] = rng.choice(PLAN_VALUES)
    return json.dumps(raw)


def any_firmware(rng: Random) -> str:
    return rng.choice(FIRMWARES)
