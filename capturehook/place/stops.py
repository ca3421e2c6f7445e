"""Where in the job each pose stands: the best line between two layers.

Between the last printing move of one layer and the first of the next there are a few lines:
retract, hop, travel, comments. The stop wanted is where the filament is already retracted
and the nozzle already stands over the place where printing goes on, so that the path back
ends where the job goes on and the part is not visited twice (docs/explain/pose_block.md#where).
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from capturehook.model.layers import LayerTable
from capturehook.model.moves import MoveTable
from capturehook.model.stop import NoStop, Stop
from capturehook.read.features import Features
from capturehook.read.moves import JobMoves
from capturehook.read.source import Source
from capturehook.read.spans import Spans, edges_between, is_inside

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
    moves = job.table
    last = int(layers.last_move[layer_index])
    low = int(moves.line_index[last]) + 1
    if layer_index + 1 < len(layers):
        following = int(layers.first_move[layer_index + 1])
        return Gap(
            layer_index=layer_index,
            low=low,
            high=int(moves.line_index[following]),
            next_move=following,
        )
    return Gap(
        layer_index=layer_index, low=low, high=_end_of_printing(job, low, source), next_move=-1
    )


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
    """The best line of a gap, or why there is none.

    ``bed_sinks``: the end code lowers the part out of the picture, so the frame of the
    finished part comes before that, once filament is retracted.
    """
    candidates = _candidates(job.table, gap, spans)
    free = [line for line in candidates if not _forbidden(spans, line)]
    free = [line for line in free if not _in_bare_wipe(job.table, line)]
    if not free:
        kinds = sorted(
            {kind for kind, one in spans.items() for line in candidates if is_inside(one, line)}
        )
        reason = " and ".join(kinds) or "wipe"
        return NoStop(layer_index=gap.layer_index, line_index=gap.low, reason=reason)
    worth = {line: _worth(job, gap, line, want_retract_mm) for line in free}
    if bed_sinks and gap.next_move < 0 and max(worth.values())[0] == RETRACTED:
        worth = {line: (*one[:2], -one[2]) for line, one in worth.items()}
    best = max(free, key=lambda line: (*worth[line], line))
    return Stop(layer_index=gap.layer_index, line_index=best, finished=gap.next_move < 0)


def _candidates(moves: MoveTable, gap: Gap, spans: Spans) -> list[int]:
    """Before each move of the gap, right after it, before a firmware un-retract, and at the
    edges of what must not be split."""
    first, last = np.searchsorted(moves.line_index, (gap.low, gap.high))
    of_moves = moves.line_index[first:last].tolist()
    lines = {gap.low, gap.high, *of_moves, *(line + 1 for line in of_moves)}
    first, last = np.searchsorted(moves.event_line_index, (gap.low, gap.high))
    lines.update(moves.event_line_index[first:last].tolist())
    for one in spans.values():
        lines.update(edges_between(one, gap.low, gap.high))
    return sorted(lines)


def _forbidden(spans: Spans, line: int) -> bool:
    return any(is_inside(one, line) for one in spans.values())


def _in_bare_wipe(moves: MoveTable, line: int) -> bool:
    """Between two moves that both retract while moving in XY."""
    at = int(np.searchsorted(moves.line_index, line))
    return 0 < at < len(moves) and _wipes(moves, at - 1) and _wipes(moves, at)


def _wipes(moves: MoveTable, at: int) -> bool:
    in_xy = moves.x_mm[at] != moves.x0_mm[at] or moves.y_mm[at] != moves.y0_mm[at]
    return bool(in_xy and moves.e_step_mm[at] < -1e-9)


def _worth(job: JobMoves, gap: Gap, line: int, want_retract_mm: float) -> tuple[float, ...]:
    """What a stop is worth: retracted, then at the place where printing goes on, then high."""
    moves = job.table
    at = max(job.move_before(line), 0)
    retracted_mm = float(job.deficit_mm[at])
    enough = retracted_mm >= want_retract_mm - 1e-6 or job.fw_retracted_at(line)
    retracted = RETRACTED if enough else float(retracted_mm > 1e-3)
    arrived = gap.next_move >= 0 and bool(
        abs(moves.x_mm[at] - moves.x0_mm[gap.next_move]) < 1e-6
        and abs(moves.y_mm[at] - moves.y0_mm[gap.next_move]) < 1e-6
    )
    return retracted, float(arrived), float(moves.z_mm[at])
