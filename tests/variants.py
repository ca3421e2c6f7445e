"""The same job written another way: bytes -> bytes, for tests only.

Each function takes a job in plain absolute millimetres as `small_jobs` writes it (or a real
one of that kind) and gives it back in another of the forms that controllers accept.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from functools import reduce
from operator import xor

Words = list[tuple[str, str]]
Variant = Callable[[bytes], bytes]
FREE = re.compile(r"M(?:117|118|23|28|0|1)(?!\d)")
COMMAND = re.compile(r"[GMT]\d")
FILAMENT_AREA = math.pi * 1.75**2 / 4


def _lines(data: bytes) -> list[str]:
    return data.decode("latin-1").split("\n")


def _join(lines: list[str]) -> bytes:
    return "\n".join(lines).encode("latin-1")


def _parse(line: str) -> tuple[Words, str] | None:
    """A command line as words and its comment; None for anything else."""
    if not COMMAND.match(line) or FREE.match(line):
        return None
    code, mark, comment = line.partition(";")
    return re.findall(r"([A-Z])\s*([^A-Z\s]*)", code), mark + comment


def _text(words: Words, comment: str) -> str:
    return " ".join(letter + value for letter, value in words) + (f" {comment}" if comment else "")


def _rewrite(data: bytes, change: Callable[[Words], Words | None]) -> bytes:
    """Every command through `change`; None drops the line."""
    out = []
    for line in _lines(data):
        parsed = _parse(line)
        if parsed is None:
            out.append(line)
            continue
        words = change(parsed[0])
        if words is not None:
            out.append(_text(words, parsed[1]))
    return _join(out)


def num(value: float, decimals: int = 5) -> str:
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


# -- bytes -----------------------------------------------------------------------------------


def crlf(data: bytes) -> bytes:
    return data.replace(b"\n", b"\r\n")


def lone_cr(data: bytes) -> bytes:
    return data.replace(b"\n", b"\r")


def no_final_newline(data: bytes) -> bytes:
    return data.rstrip(b"\r\n")


def bom_and_latin1(data: bytes) -> bytes:
    """A UTF-8 mark at the start, and comments in another encoding later."""
    lines = data.split(b"\n")
    lines.insert(len(lines) // 2, b"; caf\xe9 \xb0C \xff")
    return b"\xef\xbb\xbf" + b"\n".join(lines)


# -- words -----------------------------------------------------------------------------------


def lower_case(data: bytes) -> bytes:
    return _join([_lower(line) for line in _lines(data)])


def _lower(line: str) -> str:
    if _parse(line) is None:
        return line
    code, mark, comment = line.partition(";")
    return code.lower() + mark + comment


def no_spaces(data: bytes) -> bytes:
    out = []
    for line in _lines(data):
        parsed = _parse(line)
        out.append(line if parsed is None else "".join(a + b for a, b in parsed[0]) + parsed[1])
    return _join(out)


def leading_zeros(data: bytes) -> bytes:
    return _rewrite(data, lambda words: [_padded(*words[0]), *words[1:]])


def _padded(letter: str, value: str) -> tuple[str, str]:
    return letter, value.zfill(2) if letter == "G" and value.isdigit() else value


def plus_signs(data: bytes) -> bytes:
    """+5 and .8 and 5. are numbers too."""
    return _rewrite(data, lambda words: [words[0], *[_dressed(*word) for word in words[1:]]])


def _dressed(letter: str, value: str) -> tuple[str, str]:
    if letter not in "XYZE" or not value:
        return letter, value
    if value.startswith("-"):
        return letter, value.replace("-0.", "-.", 1)
    return letter, f"+{value}" if "." in value else f"{value}."


def numbered(data: bytes) -> bytes:
    """N numbers and checksums on every command; comments keep their own lines."""
    out, number = [], 0
    for line in _lines(data):
        if not COMMAND.match(line):
            out.append(line)
            continue
        number += 1
        body = f"N{number} {line.partition(';')[0].rstrip()}"
        out.append(f"{body}*{reduce(xor, body.encode('latin-1'))}")
    return _join(out)


def swap_g0_g1(data: bytes) -> bytes:
    """Travel by G0 (and print by G1): most controllers hold them equal."""

    def change(words: Words) -> Words:
        letters = {letter for letter, _ in words}
        if words[0] == ("G", "1") and letters & {"X", "Y"} and not letters & {"E", "A"}:
            return [("G", "0"), *words[1:]]
        return words

    return _rewrite(data, change)


# -- modes -----------------------------------------------------------------------------------


class _Follower:
    """Just enough state of an absolute job: X Y Z E, and E's mode."""

    def __init__(self) -> None:
        self.at = {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0}
        self.e_relative = False

    def step(self, words: Words) -> dict[str, float]:
        """Change of each named axis; moves on."""
        head = words[0]
        if head in (("M", "82"), ("M", "83")):
            self.e_relative = head[1] == "83"
        named = {letter: float(value) for letter, value in words[1:] if letter in self.at and value}
        if head == ("G", "28"):
            for axis in "XYZ":
                self.at[axis] = 0.0
            return {}
        if head == ("G", "92"):
            self.at.update(named)
            return {}
        if head not in (("G", "0"), ("G", "1"), ("G", "2"), ("G", "3")):
            return {}
        steps = {}
        for axis, value in named.items():
            steps[axis] = value if axis == "E" and self.e_relative else value - self.at[axis]
            self.at[axis] += steps[axis]
        return steps


def relative_e(data: bytes) -> bytes:
    """M83 all along."""
    follow = _Follower()

    def change(words: Words) -> Words | None:
        steps = follow.step(words)
        if words[0] in (("M", "82"), ("M", "83")):
            return [("M", "83")]
        return [(k, num(steps[k])) if k == "E" and k in steps else (k, v) for k, v in words]

    return _rewrite(data, change)


def absolute_e(data: bytes) -> bytes:
    """M82 all along."""
    follow = _Follower()

    def change(words: Words) -> Words | None:
        steps = follow.step(words)
        if words[0] in (("M", "82"), ("M", "83")):
            return [("M", "82")]
        return [(k, num(follow.at["E"])) if k == "E" and k in steps else (k, v) for k, v in words]

    return _rewrite(data, change)


def relative_xyz(data: bytes) -> bytes:
    """G91 and M83 all along, after the start code's own G90 and one place in X, Y and Z: where
    homing ends no job tells."""
    follow = _Follower()
    on = False

    def change(words: Words) -> Words | None:
        nonlocal on
        steps = follow.step(words)
        if words[0] in (("M", "82"), ("M", "83")):
            return [("M", "83")]
        if words[0] == ("G", "90"):
            on = True
            return [("G", "91")]
        if not on and "Z" in steps and "X" not in steps:
            return [*words, ("X", num(follow.at["X"])), ("Y", num(follow.at["Y"]))]
        return [(k, num(steps[k])) if k in steps and (on or k == "E") else (k, v) for k, v in words]

    return _rewrite(data, change)


def inches(data: bytes, *, scale_e: bool = True) -> bytes:
    """G20, numbers converted to nine decimals; `scale_e` where the family scales E too."""
    axes = "XYZIJRFE" if scale_e else "XYZIJRF"

    def change(words: Words) -> Words:
        if words[0] == ("G", "21"):
            return [("G", "20")]
        if words[0][0] != "G" or words[0][1] not in ("0", "1", "2", "3", "92"):
            return words
        return [
            (k, num(float(v) / 25.4, 9)) if on and k in axes and v else (k, v) for k, v in words
        ]

    head, mark, body = data.partition(b"G21\n")
    on = True
    return head + _rewrite(mark + body, change) if mark else _rewrite(b"G20\n" + data, change)


def volumetric(data: bytes, *, announce: bool = True) -> bytes:
    """E in mm3 of 1.75 mm filament, with or without M200."""

    def change(words: Words) -> Words:
        if words[0][0] == "G" and words[0][1] in ("0", "1", "2", "3", "92"):
            return [
                (k, num(float(v) * FILAMENT_AREA)) if k == "E" and v else (k, v) for k, v in words
            ]
        return words

    return (b"M200 D1.75\n" if announce else b"") + _rewrite(data, change)


def flow(data: bytes) -> bytes:
    """Filament is fed at 93 %, and in the second half at 120 %."""
    lines = data.splitlines(keepends=True)
    half = len(lines) // 2
    return b"".join([b"M221 S93\n", *lines[:half], b"M221 S120\n", *lines[half:]])


# -- motion ----------------------------------------------------------------------------------


def arcs(data: bytes, *, by_radius: bool = True, hops: bool = True) -> bytes:
    """Every third printed segment as an arc; one travel in each layer by a helix hop.

    Needs absolute XYZ. `by_radius` mixes R forms in.
    """
    follow = _Follower()
    out: list[str] = []
    count = 0
    for line in _lines(data):
        parsed = _parse(line)
        if parsed is None:
            out.append(line)
            continue
        words, comment = parsed
        x, y, z = follow.at["X"], follow.at["Y"], follow.at["Z"]
        steps = follow.step(words)
        letters = {letter for letter, _ in words}
        run = math.hypot(steps.get("X", 0.0), steps.get("Y", 0.0))
        if words[0] == ("G", "1") and {"X", "E"} <= letters and "Z" not in letters and run > 2:
            count += 1
            if count % 3 == 0:
                words = _bend(words, steps, count, by_radius)
        elif hops and words[0] == ("G", "1") and {"X", "Y"} <= letters and not letters & {"Z", "E"}:
            out += ["G17", f"G3 Z{num(z + 0.4)} I1.2 J0 P1 F3000"]
            out += [_text(words, comment), f"G1 Z{num(z)} F720"]
            continue
        out.append(_text(words, comment))
    del x, y
    return _join(out)


def _bend(words: Words, steps: dict[str, float], count: int, by_radius: bool) -> Words:
    """The chord as an arc whose centre is half a chord off the middle."""
    dx, dy = steps.get("X", 0.0), steps.get("Y", 0.0)
    clockwise = count % 2 == 0
    side = -0.5 if clockwise else 0.5
    i, j = dx / 2 - dy * side, dy / 2 + dx * side
    tail: Words = [("I", num(i)), ("J", num(j))]
    if by_radius and count % 9 == 0:
        tail = [("R", num(math.hypot(i, j)))]
    return [("G", "2" if clockwise else "3"), *words[1:], *tail]


def axis_a(data: bytes) -> bytes:
    """For RS-274 controllers: the extruder is axis A; no M82/M83, G10/G11 or G28."""
    plain = data if b"\nG91\n" in data else absolute_e(data)

    def change(words: Words) -> Words | None:
        if words[0] in (("M", "82"), ("M", "83"), ("G", "10"), ("G", "11"), ("G", "28")):
            return None
        return [("A", v) if k == "E" and words[0][0] == "G" else (k, v) for k, v in words]

    return _rewrite(plain, change)


BYTE_VARIANTS: dict[str, Variant] = {
    "crlf": crlf,
    "lone_cr": lone_cr,
    "no_final_newline": no_final_newline,
    "bom_and_latin1": bom_and_latin1,
}
WORD_VARIANTS: dict[str, Variant] = {
    "lower_case": lower_case,
    "no_spaces": no_spaces,
    "leading_zeros": leading_zeros,
    "plus_signs": plus_signs,
    "numbered": numbered,
    "swap_g0_g1": swap_g0_g1,
}
MODE_VARIANTS: dict[str, Variant] = {
    "relative_e": relative_e,
    "absolute_e": absolute_e,
    "relative_xyz": relative_xyz,
    "inches": inches,
    "volumetric": volumetric,
    "flow": flow,
    "arcs": lambda data: arcs(data, by_radius=False),
    "arcs_by_radius": arcs,
}
VARIANTS: dict[str, Variant] = {**BYTE_VARIANTS, **WORD_VARIANTS, **MODE_VARIANTS}
NOT_ON: dict[str, set[str]] = {
    # what a family's own documents refuse, so that a job of that kind is no job for it
    "klipper": {"inches", "arcs_by_radius", "leading_zeros", "volumetric"},
    # relative_xyz: without homing no place is ever stated there
    "rs274": {"volumetric", "flow", "numbered", "relative_xyz"},
    # a line that begins with a small letter is a command of the board (GcodeDispatch.cpp)
    "smoothie": {"lower_case"},
}


def for_firmware(data: bytes, firmware: str, variant: str | None = None) -> bytes:
    """The job in that form, as that family would be sent it."""
    if variant == "inches":
        data = inches(data, scale_e=firmware not in ("smoothie", "rs274"))
    elif variant in MODE_VARIANTS:
        data = MODE_VARIANTS[variant](data)
    if firmware == "rs274":
        data = axis_a(data)
    if variant in BYTE_VARIANTS or variant in WORD_VARIANTS:
        data = VARIANTS[variant](data)
    return data


def suits(firmware: str, variant: str | None) -> bool:
    """Whether the family's own documents allow a job of that form."""
    return variant is None or variant not in NOT_ON.get(firmware, set())
