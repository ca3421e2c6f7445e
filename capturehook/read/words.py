"""One line -> command, words, comment, each with its column: the careful reader.

The fast reader (`tokens.py`) hands on to this one every line that is not plain motion.
"""

from __future__ import annotations

import re
from functools import lru_cache

from capturehook.model.effects import Command

FREE_TEXT = frozenset(
    {"M0", "M1", "M16", "M23", "M28", "M30", "M32", "M36", "M117", "M118", "M928"}
)
"""Commands whose rest of line is text, as of NAME KEY=VALUE (Marlin parser.cpp, Klipper gcode.py;
M32, M36 RepRapFirmware from memory). Klipper would show a comment after M117, M118."""

MOST_SHOWN = 40
"""Letters of a wrong word that a message holds."""
_WORD = re.compile(r"\s*([A-Za-z])\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?", re.ASCII)
_COMMAND = re.compile(r"\s*([GMTgmt])\s*([0-9]+)(?:\.([0-9]+))?", re.ASCII)
_NO_COMMAND = re.compile(
    r"\s*([GMgm](?![A-Za-z_])(?!\s*[0-9])[-+.0-9]*"
    r"|(?:[Gg]\s*0*(?:[0-4]|1[017-9]|2[01]|9[01])|[Mm]\s*0*(?:8[23]|10[67]|200)|[Tt]\s*[0-9]+)"
    r"\.(?!(?<=9[01]\.)1(?![0-9]))0*[1-9][0-9]*)",
    re.ASCII,
)
"""G or M without a plain number after it, and parts of what is acted upon (G1.5, M83.2; not
G90.1): families differ in whether they carry such a line out."""
_EXTENDED = re.compile(r"\s*([A-Za-z_][A-Za-z_]+[A-Za-z0-9_]*)(?=\s|$)", re.ASCII)
_NUMBERED = re.compile(r"\s*[Nn]\s*[0-9]+\s*", re.ASCII)
_PAREN = re.compile(r"\([^()]*\)")


class WordError(ValueError):
    """A word that is no number, or no command: what and at which column (from 1)."""

    def __init__(self, found: str, column: int, wrong: str = "is not a number") -> None:
        super().__init__(found)
        found = found if len(found) <= MOST_SHOWN else f"{found[:MOST_SHOWN]}..."
        self.found, self.column, self.wrong = found, column, wrong


def split_comment(line: str) -> tuple[str, str]:
    """Code and comment of a line; a quoted semicolon is code."""
    at = line.find(";")
    if at < 0:
        return line, ""
    if '"' in line[:at]:
        inside = False
        for index, letter in enumerate(line):
            if letter == '"':
                inside = not inside
            elif letter == ";" and not inside:
                return line[:index], line[index + 1 :]
        return line, ""
    return line[:at], line[at + 1 :]


@lru_cache(maxsize=8192)
def read_command(raw: bytes) -> Command | None:
    """The command of one line, or None where there is none.

    Raises
    ------
    WordError
        A motion or position command holds a word that is not a number.
    """
    line = raw.decode("latin-1").lstrip("\xef\xbb\xbf")
    code, _ = split_comment(line)
    if "(" in code:
        code = _PAREN.sub(lambda match: " " * len(match[0]), code)
    numbered = _NUMBERED.match(code)
    start = numbered.end() if numbered else 0
    if not code[start:].strip() or code.lstrip().startswith("%"):
        return None
    _refuse_no_command(code, start)
    command = _COMMAND.match(code, start)
    if command is None:
        return _without_code(code, start)
    name = _name(command)
    if name in FREE_TEXT:
        return Command(name, (), code[command.end() :].strip())
    if numbered or "*" in code:
        code, _, checksum = code.partition("*")
        _refuse_after_checksum(checksum, len(code) + 1)
    return Command(
        name, _words(code, command.end(), strict=name in _STRICT), code[command.end() :].strip()
    )


def _refuse_no_command(code: str, start: int) -> None:
    wrong = _NO_COMMAND.match(code, start)
    if wrong:
        raise WordError(wrong[1], wrong.start(1) + 1, "is not a command")


def _refuse_after_checksum(checksum: str, at: int) -> None:
    """Two lines run together: families differ in whether they carry out the second."""
    second = _ACTS.search(checksum)
    if second:
        word, column = _faulty(checksum, second.start())
        raise WordError(word, at + column, "stands after a checksum, so it is not a command")


_STRICT = frozenset({"G0", "G1", "G2", "G3", "G92"})


_SPLIT = re.compile(r"(?<![A-Za-z_])[GMTgmt]\s*[0-9]", re.ASCII)
_ACTS = re.compile(r"(?<![A-Za-z_])[GMTXYZEAFgmtxyzeaf]\s*[-+.0-9]", re.ASCII)
"""As _SPLIT, where words alone move the machine."""
_IN_PARENS = re.compile(r"(?<![A-Za-z_])[XYZEAFIJKRxyzeafijkr]\s*[-+.0-9]", re.ASCII)
_FIRST_IN_ORDER = frozenset(
    {"G17", "G18", "G19", "G20", "G21", "G90", "G91", "G90.1", "G91.1", "G94", "G93", "G40", "G49",
     "G54", "G55", "G56", "G57", "G58", "G59", "G61", "G61.1", "G64", "G80", "G98", "G99", "G97"}
)  # fmt: skip
"""Modes: an RS-274 line carries them out before its motion, wherever they stand in it."""


def read_commands(raw: bytes, *, several: str) -> tuple[Command, ...]:
    """All commands of one line, in the order in which they are carried out.

    ``several`` says how a family reads a line that holds more than one: "first" (the rest is
    not a command), "in turn" (left to right, each with the words after it), or "modes first"
    (as RS-274/NGC: then the one motion with all axis words).
    docs/reference/gcode_facts.md#several-commands (Marlin parser.cpp, Klipper gcode.py, Repetier
    gcode.cpp, Smoothie GcodeDispatch.cpp)

    Raises
    ------
    WordError
        A motion or position command holds a word that is not a number.
    """
    only = read_command(raw)
    if b"(" in raw and several != "modes first":
        _refuse_words_in_parens(raw, only)
    if only is None:
        _refuse_buried(raw, _SPLIT if several == "first" else _ACTS)
    if only is None or several == "first" or only.code in FREE_TEXT:
        return () if only is None else (only,)
    if several == "modes first" or not only.code:
        _refuse_unread(only.text)
    line, _ = split_comment(raw.decode("latin-1").lstrip("\xef\xbb\xbf"))
    line = _PAREN.sub(lambda match: " " * len(match[0]), line).split("*", 1)[0]
    starts = [match.start() for match in _SPLIT.finditer(line)]
    moves_too = several == "modes first" and _moves_too(only)
    if len(starts) < 2 and not (starts and (only.code == "" or moves_too)):
        found: tuple[Command, ...] = (only,)
    else:
        found = _in_turn(line, starts) if several == "in turn" else _modes_first(line, starts)
    for letter in "GM":
        if any(command.has(letter) for command in found):
            raise WordError(letter, line.upper().find(letter, 1) + 1, "hides in another word")
    return found


def _refuse_words_in_parens(raw: bytes, only: Command | None) -> None:
    """Marlin reads on in ( ) unless built otherwise, Klipper stops, Repetier and Smoothieware end
    the line there (parser.cpp, gcode_move.py, gcode.cpp, GcodeDispatch.cpp)."""
    line = split_comment(raw.decode("latin-1"))[0]
    at = line.find("(")
    if only is not None and only.code in _STRICT and at >= 0 and _IN_PARENS.search(line, at):
        raise WordError("(", at + 1, "begins a comment on some families, and words follow it")


def _refuse_unread(text: str) -> None:
    """Words behind something that is no word, where words alone move the machine."""
    at = 0
    while match := _WORD.match(text, at):
        at = match.end()
    hidden = _ACTS.search(text, at)
    if hidden:
        raise WordError(*_faulty(text, hidden.start()), "stands behind what is not a word")


def _moves_too(command: Command) -> bool:
    """RS-274: axis words beside a mode or an M command make the last motion go on."""
    if command.code in _FIRST_IN_ORDER:
        return bool(command.words)
    return command.code[:1] == "M" and any(command.has(letter) for letter in "XYZA")


def _refuse_buried(raw: bytes, what: re.Pattern[str]) -> None:
    """A command after something that is none: families differ in whether they carry it out."""
    line, _ = split_comment(raw.decode("latin-1"))
    line = _PAREN.sub(lambda match: " " * len(match[0]), line)
    command = what.search(line)
    if command:
        raise WordError(*_faulty(line, 0))


def _in_turn(line: str, starts: list[int]) -> tuple[Command, ...]:
    parts = [line[a:b] for a, b in zip(starts, [*starts[1:], len(line)], strict=True)]
    if line[: starts[0]].strip():
        parts.insert(0, line[: starts[0]])
    found = (read_command(part.encode("latin-1")) for part in parts)
    return tuple(one for one in found if one is not None)


def _modes_first(line: str, starts: list[int]) -> tuple[Command, ...]:
    codes = [_COMMAND.match(line, start) for start in starts]
    names = [_name(match) for match in codes if match is not None]
    parts, at = [], 0
    for match in codes:
        if match is not None:
            parts += [line[at : match.start()], " " * len(match[0])]
            at = match.end()
    line = "".join([*parts, line[at:]])
    modes = [Command(name, ()) for name in names if name in _FIRST_IN_ORDER]
    acting = [name for name in names if name not in _FIRST_IN_ORDER]
    numbered = _NUMBERED.match(line)
    words = _words(line, numbered.end() if numbered else 0, strict=True)
    if not acting:
        return (*modes, *((Command("", words, line.strip()),) if words else ()))
    *plain, last = acting
    if last[0] == "M" and any(letter in "XYZA" for letter, _ in words):
        plain, last = acting, ""
    return (*modes, *(Command(name, ()) for name in plain), Command(last, words, line.strip()))


def _name(match: re.Match[str]) -> str:
    letter, number, part = match.groups()
    return f"{letter.upper()}{int(number)}" + (f".{int(part)}" if part and int(part) else "")


def _without_code(code: str, start: int) -> Command | None:
    extended = _EXTENDED.match(code, start)
    if extended:
        return Command(extended[1].upper(), (), code[extended.end() :].strip())
    words = _words(code, start, strict=False)
    return Command("", words, code[start:].strip()) if words else None


def _words(code: str, at: int, *, strict: bool) -> tuple[tuple[str, float | None], ...]:
    found = []
    end = len(code.rstrip())
    while at < end:
        match = _WORD.match(code, at)
        if match is None or (strict and _runs_on(code, match.end())):
            if not strict:
                break
            raise WordError(*_faulty(code, at))
        letter, number = match.groups()
        if strict and number is None and letter in "GMgm":
            raise WordError(letter, match.start(1) + 1, "is not a command")
        found.append((letter.upper(), None if number is None else float(number)))
        at = match.end()
    return tuple(found)


def _runs_on(code: str, at: int) -> bool:
    """Something follows a word that is neither a gap nor the next word."""
    return at < len(code) and not (
        code[at].isspace() or (code[at].isascii() and code[at].isalpha())
    )


def _faulty(code: str, at: int) -> tuple[str, int]:
    while at < len(code) and code[at].isspace():
        at += 1
    match = re.compile(r"[A-Za-z]?[^A-Za-z\s]*").match(code, at)
    word = match[0] if match and match[0] else code[at : at + 12]
    return word, at + 1
