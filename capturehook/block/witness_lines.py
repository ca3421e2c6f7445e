"""One line of the output -> what it commands, for the witness.

Written apart from the reader of jobs (`read/words.py`), so that a mistake there is not
believed here. What this cannot read has the command ``FOREIGN``: it may do anything.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

FOREIGN = "?"
"""Stands for a command that cannot be read."""
TEXT_FOLLOWS = frozenset("M0 M1 M16 M23 M28 M30 M32 M36 M117 M118 M928".split())
"""Their rest of line is a text (Marlin parser.cpp, Klipper gcode.py)."""
MODES_FIRST = frozenset(
    "G17 G18 G19 G20 G21 G40 G49 G61 G61.1 G64 G80 G90 G90.1 G91 G91.1 G93 G94 G95 G97 G98 "
    "G99".split()
)
"""RS-274 carries these out before the motion of their line (NIST RS274NGC 3.8)."""
_CODE = re.compile(r"\s*([GMTgmt])\s*([0-9]+)(?:\.([0-9]+))?")
_NEXT = re.compile(r"(?<![A-Za-z_])[GMTgmt]\s*[0-9]")
_NAME = re.compile(r"\s*([A-Za-z_][A-Za-z_]+[A-Za-z0-9_]*)(?=\s|$)(.*)", re.S)
_WORD = re.compile(r"\s*([A-Za-z])\s*([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?(?![0-9.+-])")
_NUMBERED = re.compile(r"\s*[Nn]\s*[0-9]+(?=\D)")
_SUM = re.compile(r"\*\s*[0-9]*\s*$")
_PLAIN = re.compile(rb"G[0-3](?: [A-FH-LO-SU-Z]-?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))+")
"""Motion as most jobs write it: no N, G, M or T among its words."""
_ROUND = re.compile(r"\([^()]*\)")


class Command(NamedTuple):
    """``code`` as G1, G92.1, a name in capitals, "" for words alone, or FOREIGN."""

    code: str
    words: dict[str, float | None]
    text: str = ""
    indented: bool = False

    def number(self, letter: str) -> float | None:
        return self.words.get(letter)

    def keys(self) -> dict[str, str]:
        """`NAME=a MOVE=1` -> its pairs, keys in capitals."""
        pairs = (one.partition("=") for one in self.text.split())
        return {key.upper(): value for key, _, value in pairs}


@lru_cache(maxsize=2048)
def commands_of(line: bytes, several: str) -> tuple[Command, ...]:
    """What a line commands, in the order in which it is carried out.

    ``several`` is the family's way with several commands on a line (model/contracts.py).
    """
    if _PLAIN.fullmatch(line):
        code, *parts = line.decode("ascii").split(" ")
        words: dict[str, float | None] = {part[0]: float(part[1:]) for part in parts}
        if len(words) == len(parts):  # no letter twice
            return (Command(code, words),)
    text = line.decode("latin-1").lstrip("\xef\xbb\xbf")
    code = _without_comment(text)
    numbered = _NUMBERED.match(code)
    if numbered:
        code = code[numbered.end() :]
    if not code.strip() or code.lstrip().startswith("%"):
        return ()
    indented = text[:1] in (" ", "\t")
    first = _CODE.match(code)
    if first is None:
        return (_named_or_words(code, indented),)
    if _code_name(first) in TEXT_FOLLOWS:
        return (Command(_code_name(first), {}, code[first.end() :].strip(), indented),)
    code = _SUM.sub("", code)
    starts = [match.start() for match in _NEXT.finditer(code)]
    if several == "first" or len(starts) < 2:
        starts = starts[:1]
    parts = [code[a:b] for a, b in zip(starts, [*starts[1:], len(code)], strict=True)]
    found = [_command(part, indented) for part in parts]
    return tuple(found) if several != "modes first" else _as_one_block(found, indented)


def _without_comment(text: str) -> str:
    """A semicolon in quotes is none; round brackets hold comments too."""
    if '"' in text:
        quoted = False
        for at, letter in enumerate(text):
            quoted ^= letter == '"'
            if letter == ";" and not quoted:
                text = text[:at]
                break
    else:
        text = text.partition(";")[0]
    return _ROUND.sub(" ", text).rstrip() if "(" in text else text.rstrip()


def _code_name(match: re.Match[str]) -> str:
    letter, number, part = match.groups()
    return f"{letter.upper()}{int(number)}" + (f".{int(part)}" if part and int(part) else "")


def _command(part: str, indented: bool) -> Command:
    match = _CODE.match(part)
    if match is None:
        return Command(FOREIGN, {}, part.strip(), indented)
    rest = part[match.end() :]
    name = _code_name(match)
    words = _words(rest)
    if words is None:
        strict = name in ("G0", "G1", "G2", "G3", "G92")
        return Command(FOREIGN if strict else name, {}, rest.strip(), indented)
    return Command(name, words, rest.strip(), indented)


def _words(text: str) -> dict[str, float | None] | None:
    """None where something is no word, or a letter stands twice."""
    found: dict[str, float | None] = {}
    at, end = 0, len(text.rstrip())
    while at < end:
        match = _WORD.match(text, at)
        if match is None or match[1].upper() in found:
            return None
        found[match[1].upper()] = None if match[2] is None else float(match[2])
        at = match.end()
    return found


def _named_or_words(code: str, indented: bool) -> Command:
    name = _NAME.match(code)
    if name:
        return Command(name[1].upper(), {}, name[2].strip(), indented)
    words = _words(_SUM.sub("", code))
    if words is None or "G" in words or "M" in words:
        return Command(FOREIGN, {}, code.strip(), indented)
    return Command("", words, code.strip(), indented)


def _as_one_block(found: list[Command], indented: bool) -> tuple[Command, ...]:
    """RS-274: modes first, then what acts, with all words of the line."""
    words: dict[str, float | None] = {}
    for one in found:
        if one.code == FOREIGN or set(words) & set(one.words):
            return (Command(FOREIGN, {}, one.text, indented),)
        words |= one.words
    modes = [Command(one.code, {}, "", indented) for one in found if one.code in MODES_FIRST]
    acting = [one.code for one in found if one.code not in MODES_FIRST]
    axes = bool({"X", "Y", "Z", "A"} & set(words))
    if acting and (acting[-1][0] == "G" or not axes):
        *plain, last = acting
    else:
        plain, last = acting, ""
    quiet = [Command(code, {}, "", indented) for code in plain]
    if not last and not words:
        return (*modes, *quiet)
    return (*modes, *quiet, Command(last, words, "", indented))
