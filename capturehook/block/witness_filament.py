"""How far filament is retracted at a place of the output, told by the bytes before it alone.

Looked for backwards, until so much was laid that nothing older counts.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING

from capturehook.block.witness_lines import Command
from capturehook.block.witness_state import Family

if TYPE_CHECKING:
    from capturehook.block.witness_bytes import Index

PRIMED_MM = 3.0
"""So much laid since, and what was retracted before it is forgotten."""
CHUNK = 1024


@dataclass(slots=True)
class Span:
    """A stretch in which E words mean one thing.

    ``alone`` is what a move of E alone feeds, as a share of what it feeds with an axis.
    ``base_mm`` is how far filament was retracted at its start, where that is known by itself;
    ``fed_mm`` what the line before it fed (None: not told), and ``line_at`` where that begins.
    """

    start: int
    line_at: int
    absolute: bool
    number: float | None
    mm_per_unit: float
    scale: float = 1.0
    alone: float = 1.0
    base_mm: float | None = None
    fed_mm: float | None = 0.0


class NotToldError(Exception):
    """What the bytes do not tell."""


class Filament:
    """What strokes before a place have fed; ``motions`` gives the moves of a stretch."""

    def __init__(
        self,
        text: bytes,
        family: Family,
        index: Index,
        motions: Callable[[int, int], Iterator[Command]],
    ) -> None:
        self.text, self.family, self.index, self._motions = text, family, index, motions
        self.spans = [Span(0, 0, True, 0.0, family.usual_per_unit, base_mm=0.0)]
        self._enough_mm = PRIMED_MM
        either = b"[" + (family.e_letter + family.e_letter.lower()).encode() + b"]"
        self._e_word = re.compile(
            rb"\nG[0-3] [^\n;(" + either[1:-1] + rb"]*" + either + rb"[ \t]*([-+]?[0-9.]+)"
        )

    def deficit_mm(self, place: int, enough_mm: float = PRIMED_MM) -> float | None:
        """How far filament is retracted just before a byte; None where it is not told.

        Looks back until ``enough_mm`` has been laid, so that as a rule nothing older counts.
        """
        self._enough_mm = enough_mm
        since, most, high = 0.0, 0.0, place
        try:
            for span in reversed(self.spans):
                if span.start < high:
                    since, most = self._walk(span, high, since, most)
                if span.base_mm is not None:
                    return _small(max(most, span.base_mm - since))
                if span.fed_mm is None:
                    return _small(most) if since > 0 else None
                since += span.fed_mm
                most, high = max(most, -since), span.line_at
        except _PrimedError as primed:
            return _small(primed.most_mm)
        except (NotToldError, ValueError):
            return None
        return _small(most)

    def _stop_when_primed(self, since_mm: float, most_mm: float) -> None:
        if since_mm + most_mm > self._enough_mm:
            raise _PrimedError(most_mm)

    def _walk(self, span: Span, high: int, since: float, most: float) -> tuple[float, float]:
        """Back through a span: filament fed from its start up to the place, and the most that
        any point of it lies above that (mm)."""
        index = self.index
        last = bisect_left(index.reset_at, high) - 1
        while True:
            is_reset = last >= 0 and index.reset_at[last] >= span.start
            low = index.reset_at[last] if is_reset else span.start
            number = index.resets[last] * span.scale if is_reset else span.number
            if span.alone != 1:
                since, most = self._walk_each(span, low, high, number, since, most)
            elif span.absolute:
                since, most = self._walk_numbers(span, low, high, number, since, most)
            else:
                since, most = self._walk_steps(span, low, high, since, most)
            if not is_reset:
                return since, most
            high, last = low, last - 1

    def _walk_numbers(
        self, span: Span, low: int, high: int, number: float | None, since: float, most: float
    ) -> tuple[float, float]:
        end: float | None = None
        first = 0.0
        for values in self._e_words_back(low, high, span.scale):
            end, first = values[-1] if end is None else end, values[0]
            most = max(most, (max(values) - end) * span.mm_per_unit - since)
            self._stop_when_primed(since + (end - values[0]) * span.mm_per_unit, most)
        if end is None:
            return since, most
        if number is None:
            laid = since + (end - first) * span.mm_per_unit > 0
            raise _PrimedError(most) if laid else NotToldError("how far filament is retracted")
        since += (end - number) * span.mm_per_unit
        return since, max(most, -since)

    def _walk_steps(
        self, span: Span, low: int, high: int, since: float, most: float
    ) -> tuple[float, float]:
        for values in self._e_words_back(low, high, span.scale):
            steps = reversed(values)
            if span.mm_per_unit != 1:
                steps = reversed([value * span.mm_per_unit for value in values])
            fed = list(accumulate(steps, initial=since))
            since, most = fed[-1], max(most, -min(fed[1:]))
            self._stop_when_primed(since, most)
        return since, most

    def _walk_each(
        self, span: Span, low: int, high: int, number: float | None, since: float, most: float
    ) -> tuple[float, float]:
        """Move by move: slow, where moves of E alone feed by another measure."""
        steps: list[float | None] = []
        for motion in self._motions(low, high):
            word = motion.number(self.family.e_letter)
            if word is None:
                continue
            word *= span.scale
            step = word if not span.absolute else None if number is None else word - number
            number = word
            share = 1.0 if {*"XYZ"} & {*motion.words} else span.alone
            steps.append(None if step is None else step * span.mm_per_unit * share)
        for step in reversed(steps):
            if step is None:
                if since > 0:
                    raise _PrimedError(most)
                raise NotToldError("how far filament is retracted")
            since += step
            most = max(most, -since)
            self._stop_when_primed(since, most)
        return since, most

    def _e_words_back(self, low: int, high: int, scale: float) -> Iterator[list[float]]:
        """E words of a stretch, the last lines first; each list in file order."""
        text, odd, letter = self.text, self.index.odd_at, self.family.e_letter
        while high > low:
            start = max(low, high - CHUNK)
            if start > low:
                start = text.find(b"\n", start, high) + 1 or low
            if start >= high:
                start = low
            has_odd = bisect_left(odd, high) > bisect_left(odd, start)
            if has_odd or start == 0:
                words = (one.number(letter) for one in self._motions(start, high))
                values = [word * scale for word in words if word is not None]
            else:
                values = list(map(float, self._e_word.findall(text, start - 1, high)))
                values = values if scale == 1 else [value * scale for value in values]
            if values:
                yield values
            high = start


class _PrimedError(Exception):
    """Enough was laid since: what lies further back does not count."""

    def __init__(self, most_mm: float) -> None:
        super().__init__(most_mm)
        self.most_mm = most_mm


def _small(mm: float) -> float:
    return 0.0 if mm < 1e-7 else mm
