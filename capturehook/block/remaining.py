"""The job's own remaining-time lines (M73), corrected for what the poses add.

Each line that changes is kept in a fence, so that `strip` gives it back byte for byte. Only
its numbers change: P, Q (per cent done), R, S (minutes left; Q and S are a printer's quiet
mode). Whole numbers stay whole.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from capturehook.block.splice import Insertion
from capturehook.jobfile.fence import KEPT_HERE, lines_begin, lines_end
from capturehook.read.source import Source
from capturehook.read.words import read_command

Floats = NDArray[np.float64]

CODE = "M73"
_WORD = re.compile(r"([PQRS])\s*(\d+(?:\.(\d*))?|\.\d+)")
_MODES = (("P", "R"), ("Q", "S"))  # the letters of the normal and of the quiet mode


def remaining_lines(
    source: Source,
    line_indices: Sequence[int],
    job_s: float,
    stop_line: NDArray[np.int64],
    added_s: Floats,
) -> list[tuple[int, str]]:
    """(line index, new line) for each remaining-time line that the poses make wrong.

    Parameters
    ----------
    line_indices : lines whose command is M73, rising
    job_s : seconds of the whole job without poses, where its own lines state no minutes
    stop_line, added_s : (P,) line before which each pose goes, and what it adds

    The job's own first statement of minutes left counts as its whole length, so that the
    host's estimate is kept and only the poses come on top.
    """
    texts = [_command_text(source, index) for index in line_indices]
    whole_s = {letters: _whole_s(texts, letters, job_s) for letters in _MODES}
    total_s = float(added_s.sum())
    done_s = np.concatenate(([0.0], np.cumsum(added_s)))[
        np.searchsorted(stop_line, line_indices, side="right")
    ]
    changed = []
    for index, text, before_s in zip(line_indices, texts, done_s.tolist(), strict=True):
        new = _corrected(text, whole_s, before_s, total_s)
        if new != text:
            changed.append((index, new))
    return changed


def remaining_insertions(lines: Sequence[tuple[int, str]], first_number: int) -> list[Insertion]:
    """Fenced replacements, ``lines`` fences numbered from ``first_number``."""
    return [
        Insertion(
            index,
            (lines_begin(number), KEPT_HERE, text, lines_end(number)),
            replaces=True,
        )
        for number, (index, text) in enumerate(lines, first_number)
    ]


def _command_text(source: Source, line_index: int) -> str:
    """The line without its comment (which stays with the kept line)."""
    text = source.line(line_index).decode("latin-1").split(";", 1)[0].rstrip()
    return text if read_command(text.encode("latin-1")) is not None and text.isascii() else ""


def _whole_s(texts: Sequence[str], letters: tuple[str, str], job_s: float) -> float:
    minutes = [60.0 * words[letters[1]] for words in map(_words, texts) if letters[1] in words]
    return max(minutes, default=job_s)


def _words(text: str) -> dict[str, float]:
    return {letter: float(number) for letter, number, _ in _WORD.findall(text)}


def _corrected(
    text: str, whole_s: dict[tuple[str, str], float], before_s: float, total_s: float
) -> str:
    words = _words(text)
    wanted: dict[str, float] = {}
    for (percent, minutes), whole in whole_s.items():
        if minutes in words:
            wanted[minutes] = (words[minutes] * 60 + total_s - before_s) / 60
        if percent in words and whole + total_s > 0:
            done_s = words[percent] / 100 * whole
            wanted[percent] = 100 * min(1.0, (done_s + before_s) / (whole + total_s))

    def replaced(match: re.Match[str]) -> str:
        letter, number, decimals = match[1], match[2], len(match[3] or "")
        start = match[0][: -len(number)]
        return f"{start}{wanted[letter]:.{decimals}f}" if letter in wanted else match[0]

    head, code, tail = text.partition(CODE)
    return head + code + _WORD.sub(replaced, tail)
