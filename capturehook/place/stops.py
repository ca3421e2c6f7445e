"""Where in the job each pose stands: the best line between two layers.

Between the last printing move of one layer and the first of the next there are a few lines:
retract, hop, travel, comments. The stop wanted is where the filament is already retracted
and the nozzle already stands over the place where printing goes on, so that the path back
ends where the job goes on and the part is not visited twice (docs/explain/pose_block.md#where).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.model.columns import Lines, Side
from capturehook.model.layers import LayerTable
from capturehook.model.moves import MoveTable
from capturehook.model.stop import NoStop, Stop
from capturehook.read.features import Features
from capturehook.read.moves import JobMoves
from capturehook.read.source import Source
from capturehook.read.spans import Spans, edges_of, is_inside

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

HARMLESS_AFTER_PRINTING = frozenset(
    {
        "EXCLUDE_OBJECT_END",
        "M486",
        "M625",
        "G92",
        "G10",
        "G11",
        "M73",
        "M117",
        "M118",
        "M204",
        "M205",
        "M201",
        "M203",
        "M400",
    }
)
"""Commands that may stand between the last plastic and the frame of the finished part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Lines at which a block may stand after one layer: ``low`` to ``high``, both allowed."""

    layer_index: int
    low: int
    high: int
    next_move: int
    """First printing move after the gap; -1 after the last layer."""


def find_gap(job: JobMoves, layers: LayerTable, layer_index: int, source: Source) -> Gap:
    """The lines between a layer and what follows it."""
    return find_gaps(job, layers, [layer_index], source)[0]


def find_gaps(
    job: JobMoves, layers: LayerTable, layer_indices: Sequence[int], source: Source
) -> list[Gap]:
    """As :func:`find_gap`, for many layers at once."""
    layer, line_index = np.array(layer_indices, np.int64), job.table.line_index
    low = line_index[layers.last_move[layer]] + 1
    following = layers.first_move[np.minimum(layer + 1, len(layers) - 1)]
    is_last = layer + 1 == len(layers)
    high = np.where(is_last, low, line_index[following])
    columns = (layer, low, high, np.where(is_last, -1, following))
    return [
        Gap(
            layer_index=one,
            low=begin,
            high=end if after >= 0 else _end_of_printing(job, begin, source),
            next_move=after,
        )
        for one, begin, end, after in zip(*(column.tolist() for column in columns), strict=True)
    ]


RETRACTED = 2.0
"""What it is worth that nothing is left to retract."""
RESUME_IN = {"hidden": ("infill", "support"), "seam": ("outer wall",)}
"""Features in which printing may go on after the stop, for each wish of the profile."""


def find_resume_gap(
    job: JobMoves, layers: LayerTable, layer_index: int, features: Features, resume: str
) -> Gap | None:
    """The first gap from the end of a layer on, up to the end of the next, after which
    printing goes on in a feature that the wish allows; None where comments name none."""
    if layer_index + 1 >= len(layers) or resume not in RESUME_IN:
        return None
    moves = job.table
    low = int(moves.line_index[layers.last_move[layer_index]])
    high = int(moves.line_index[layers.last_move[layer_index + 1]])
    first, last = np.searchsorted(features.line_index, (low, high))
    for at in range(first, last):
        if features.kind[at] in RESUME_IN[resume]:
            gap = _gap_before_feature(moves, layers, layer_index, int(features.line_index[at]))
            if gap is not None:
                return gap
    return None


def _gap_before_feature(
    moves: MoveTable, layers: LayerTable, layer_index: int, line: int
) -> Gap | None:
    """The lines between the printing before a feature comment and the printing after it."""
    part = slice(int(layers.last_move[layer_index]), int(layers.last_move[layer_index + 1]) + 1)
    printing = part.start + np.flatnonzero(moves.prints[part])
    at = int(np.searchsorted(moves.line_index[printing], line))
    if not 0 < at < len(printing):
        return None
    before, after = int(moves.line_index[printing[at - 1]]), int(moves.line_index[printing[at]])
    return Gap(layer_index=layer_index, low=before + 1, high=after, next_move=int(printing[at]))


def _end_of_printing(job: JobMoves, low: int, source: Source) -> int:
    """The first line after the last plastic that belongs to the end code."""
    lines = job.others.command_line
    at = bisect_left(lines, low)
    while at < len(lines):
        if job.others.command[at] not in HARMLESS_AFTER_PRINTING:
            return lines[at]
        at += 1
    move = job.move_before(source.line_count)
    return max(low, int(job.table.line_index[move]) + 1)


def find_stop(
    job: JobMoves, gap: Gap, spans: Spans, want_retract_mm: float, *, bed_sinks: bool = False
) -> Stop | NoStop:
    """As :func:`find_stops`, for one gap."""
    return find_stops(job, [gap], spans, want_retract_mm, bed_sinks=bed_sinks)[0]


def find_stops(
    job: JobMoves,
    gaps: Sequence[Gap],
    spans: Spans,
    want_retract_mm: float,
    *,
    bed_sinks: bool = False,
) -> list[Stop | NoStop]:
    """The best line of each gap, or why there is none; all gaps at once.

    ``bed_sinks``: the end code lowers the part out of the picture, so the frame of the
    finished part comes before that, once filament is retracted.
    """
    line, gap_no = _candidates(job.table, gaps, spans)
    inside = {kind: is_inside(one, line) for kind, one in spans.items()}
    barred = _in_bare_wipe(job.table, line)
    for one in inside.values():
        barred |= one
    worth = _worth(job, gaps, line, gap_no, want_retract_mm)
    if bed_sinks:
        _prefer_low(gaps, gap_no, barred, worth)
    free = np.flatnonzero(~barred)
    best = free[np.lexsort((line[free], *worth[:, free], gap_no[free]))]
    is_last = np.ones(len(best), np.bool_)
    is_last[:-1] = gap_no[best[1:]] != gap_no[best[:-1]]
    at_gap = dict(zip(gap_no[best[is_last]].tolist(), line[best[is_last]].tolist(), strict=True))
    found: list[Stop | NoStop] = []
    for number, gap in enumerate(gaps):
        at = at_gap.get(number)
        if at is None:
            kinds = sorted(k for k, one in inside.items() if one[gap_no == number].any())
            reason = " and ".join(kinds) or "wipe"
            found.append(NoStop(layer_index=gap.layer_index, line_index=gap.low, reason=reason))
        else:
            found.append(
                Stop(layer_index=gap.layer_index, line_index=at, finished=gap.next_move < 0)
            )
    return found


def _candidates(moves: MoveTable, gaps: Sequence[Gap], spans: Spans) -> tuple[Ints, Ints]:
    """Lines at which a block may stand, rising within each gap, and the number of its gap.

    Before each move of the gap, right after it, before a firmware un-retract, and at the
    edges of what must not be split.
    """
    low = np.array([gap.low for gap in gaps], np.int64)
    high = np.array([gap.high for gap in gaps], np.int64)
    number = np.arange(len(gaps))
    lines, of_gap = [low, high], [number, number]
    tables: list[tuple[Lines, Side]] = [
        (moves.line_index, "left"),
        (moves.event_line_index, "left"),
        *((edges_of(one), "right") for one in spans.values()),
    ]
    for table, side in tables:
        first = table.searchsorted(low)
        count = table.searchsorted(high, side=side) - first
        count = np.maximum(count, 0)  # two layers may meet within one line
        row = np.arange(count.sum()) + np.repeat(first - np.cumsum(count) + count, count)
        lines.append(table[row])
        of_gap.append(np.repeat(number, count))
    lines.append(lines[2] + 1)
    of_gap.append(of_gap[2])
    line, gap_no = np.concatenate(lines), np.concatenate(of_gap)
    order = np.lexsort((line, gap_no))
    line, gap_no = line[order], gap_no[order]
    first_of = np.ones(len(line), np.bool_)
    first_of[1:] = (line[1:] != line[:-1]) | (gap_no[1:] != gap_no[:-1])
    return line[first_of], gap_no[first_of]


def _in_bare_wipe(moves: MoveTable, line: Ints) -> Flags:
    """(K,) between two moves that both retract while moving in XY."""
    after = moves.line_index.searchsorted(line)
    between = (after > 0) & (after < len(moves))
    barred: Flags = between.copy()
    for row in (after - 1, after):
        row = np.where(between, row, 0)
        in_xy = (moves.x_mm[row] != moves.x0_mm[row]) | (moves.y_mm[row] != moves.y0_mm[row])
        barred &= in_xy & (moves.e_step_mm[row] < -1e-9)
    return barred


def _worth(
    job: JobMoves, gaps: Sequence[Gap], line: Ints, gap_no: Ints, want_retract_mm: float
) -> NDArray[np.float64]:
    """(3, K) what a stop is worth, the most important last: high, then at the place where
    printing goes on, then retracted."""
    moves = job.table
    at = np.maximum(moves.line_index.searchsorted(line) - 1, 0)
    retracted_mm = job.deficit_mm.at(at)
    enough = retracted_mm >= want_retract_mm - 1e-6
    if job.uses_fw_retract:
        enough |= np.array([job.fw_retracted_at(one) for one in line.tolist()], np.bool_)
    following = np.array([gap.next_move for gap in gaps], np.int64)[gap_no]
    arrived = following >= 0
    for end, start in ((moves.x_mm, moves.x0_mm), (moves.y_mm, moves.y0_mm)):
        arrived &= np.abs(end[at] - start[following]) < 1e-6
    retracted = np.where(enough, RETRACTED, retracted_mm > 1e-3)
    return np.stack((moves.z_mm[at], arrived, retracted))


def _prefer_low(
    gaps: Sequence[Gap], gap_no: Ints, barred: Flags, worth: NDArray[np.float64]
) -> None:
    """Behind the last layer, where filament is retracted at all: rather low than high."""
    last = np.array([gap.next_move < 0 for gap in gaps])[gap_no]
    if (worth[2, last & ~barred] == RETRACTED).any():
        worth[0, last] *= -1
