"""Motion lines that are not plain, few in most jobs: their words in columns, a row a motion."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import GcodeError
from capturehook.model import moves
from capturehook.model.columns import Lines
from capturehook.model.contracts import Firmware
from capturehook.model.effects import Command
from capturehook.read.others import MOTION, Others, doubled_word, odd_start
from capturehook.read.scan import PlainWords
from capturehook.read.source import PartSource, Source
from capturehook.read.tokens import MODAL, MotionWords

Array = NDArray[np.float64]
COLUMNS = "XYZEFIJRP"


@dataclass(frozen=True, slots=True)
class Motions:
    """K motions.

    Attributes
    ----------
    line_index : (K,) lines of the job, not falling
    kind : (K,) as in MotionWords
    columns : a (K,) column a letter, NaN where a motion does not name it
    e_letter : the word that is in column E
    """

    line_index: NDArray[np.int64]
    kind: NDArray[np.uint8]
    columns: dict[str, Array]
    e_letter: str

    @classmethod
    def of(
        cls, source: PartSource, words: MotionWords, said: Sequence[PlainWords], extruder_axis: str
    ) -> Motions:
        """The motions that the fast reader found.

        Raises
        ------
        GcodeError
            One letter twice on a line: families differ in which they take, so neither is safe.
        """
        letters = np.bincount(words.word_letter, minlength=128)
        e_letter = _extruder_letter(said, letters, extruder_axis)
        columns = {}
        for name in COLUMNS:
            letter = ord(e_letter if name == "E" else name)
            column = np.full(len(words.line_index), np.nan)
            is_it = words.word_letter == letter
            if is_it.any():
                column[words.word_row[is_it]] = words.word_value[is_it]
            columns[name] = column
        for name, column in columns.items():
            letter = ord(e_letter if name == "E" else name)
            if np.count_nonzero(np.isnan(column)) + letters[letter] == len(column):
                continue
            rows = words.word_row[words.word_letter == letter]
            row = rows[1:][rows[1:] == rows[:-1]][0]
            raise doubled_word(source, int(words.line_index[row]), chr(letter))
        return cls(source.lines[words.line_index], words.kind, columns, e_letter)

    def until(self, line_index: int) -> Motions:
        """Those that stand no later than a line."""
        runs = self.line_index <= line_index
        columns = {name: column[runs] for name, column in self.columns.items()}
        return Motions(self.line_index[runs], self.kind[runs], columns, self.e_letter)

    def with_odd(self, others: Others) -> Motions:
        """The motion lines of the careful reader among them."""
        at = np.searchsorted(self.line_index, others.motion_line)
        kinds = [MOTION.get(one.code, MODAL) for one in others.motion]
        columns = {}
        for name, column in self.columns.items():
            letter = self.e_letter if name == "E" else name
            columns[name] = np.insert(column, at, [_value(one, letter) for one in others.motion])
        line_index = np.insert(self.line_index, at, others.motion_line)
        return Motions(line_index, np.insert(self.kind, at, kinds), columns, self.e_letter)

    def first_plastic(self, said: Sequence[PlainWords]) -> int:
        """Line of the first motion with words for the extruder and for X or Y, plain ones
        (``said``) too; -1 without one."""
        found = self._first_plastic()
        for piece in said if self.e_letter == "E" else ():
            if 0 <= found < piece.first:
                break
            in_xy = np.zeros(piece.stop - piece.first, np.bool_)
            in_xy[piece.of("X")[0]] = in_xy[piece.of("Y")[0]] = True
            feeds, _ = piece.of("E")
            lays = feeds[in_xy[feeds]]
            if len(lays):
                line = piece.first + int(lays[0])
                return line if found < 0 else min(line, found)
        return found

    def _first_plastic(self) -> int:
        x, y, e = (self.columns[name] for name in "XYE")
        for part in (slice(0, 100_000), slice(None)):
            lays = ~(np.isnan(x[part]) & np.isnan(y[part])) & ~np.isnan(e[part])
            if lays.any():
                return int(self.line_index[int(np.argmax(lays))])
        return -1


def _value(command: Command, letter: str) -> float:
    value = command.get(letter)
    return float("nan") if value is None else value


def _extruder_letter(said: Sequence[PlainWords], letters: NDArray[np.int64], wish: str) -> str:
    if wish != "auto":
        return wish
    if not letters[ord("A")] or letters[ord("E")]:
        return "E"
    return "E" if any(len(piece.of("E")[0]) for piece in said) else "A"


def resolve_modal(
    source: Source, line_index: Lines, kind: NDArray[np.uint8], firmware: Firmware
) -> NDArray[np.uint8]:
    """Words without a command take the motion before them, where the firmware does so."""
    is_modal = kind == MODAL
    if not is_modal.any():
        return kind
    if not firmware.modal_motion:
        first = int(line_index[int(np.argmax(is_modal))])
        raise GcodeError(
            source.where(first),
            f"words without a command, which the firmware family {firmware.name} does not move on",
            "Set [machine] firmware to the family this job was made for",
        )
    for row in np.flatnonzero(is_modal).tolist():
        text = source.line(int(line_index[row])).lstrip().upper()
        if text[:1].decode("latin-1") not in firmware.lone_words:
            raise odd_start(source, int(line_index[row]), text[:1].decode("latin-1"))
    index = np.maximum.accumulate(np.where(is_modal, 0, np.arange(len(kind))))
    resolved = kind[index]
    resolved[resolved == MODAL] = moves.LINE
    return resolved
