"""Whether a job is whole, or was cut off: by a full disk, a pulled card, a copy that stopped.

In: a job that has been read. Out: findings. A whole job turns its heaters or motors
off after the last plastic, ends with a program end, or carries its host's footer; those signs
count only where no plastic follows. Rule found on jobs of several hosts and tried by cutting them
(tests/read/test_whole.py); the commands: docs/reference/gcode_facts.md#the-end-of-a-job
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import Finding, GcodeError
from capturehook.read.layers import MERGE_MM
from capturehook.read.source import Source

if TYPE_CHECKING:
    from capturehook.read.job import Job

EDGE = 1 << 20
LEAST_GAP_MM = 1.0
"""No common nozzle lays thicker layers (a 1.2 mm one up to 0.9, common practice)."""
OVER_MM, MUCH_OVER = 5.0, 0.2
"""Squares in which plastic is over other plastic, and the share of them that tells (by trial)."""
SAME_POINT_MM = 0.1
Array = NDArray[np.float64]
_OFF = re.compile(
    rb"""\n[ \t]*(?:N\d+[ \t]*)?(?:
      M1(?:04|09|40|41|90|91)(?![\d.])[^;\n]*S0*(?:\.0*)?(?![\d.])  # a heater to 0
    | M140[ \t]*P0\b | M568\b[^;\n]*\bA0\b | G10(?=[^;\n]*P\d)[^;\n]*S0*(?:\.0*)?(?![\d.])
    | TURN_OFF_HEATERS\b | SET_HEATER_TEMPERATURE\b(?![^;\n]*TARGET=0*[1-9])
    | M(?:84|18|2|30)(?![\d.]) | %                              # motors off, end of program
    )""",
    re.VERBOSE | re.IGNORECASE,
)
_FOOTER = re.compile(
    rb"\n;[ \t]*(?:end of gcode|filament used|\w+_config[ \t]*=[ \t]*begin|CONFIG_BLOCK_START"
    rb"|EXECUTABLE_BLOCK_END|SETTING_\d|estimated printing time)",
    re.IGNORECASE,
)
_MACRO = re.compile(rb"\n[ \t]*([A-Z_][A-Z_][A-Z0-9_]{2,})(?=[ \t\n\r;]|$)", re.IGNORECASE)
_SPANS = (
    (b"\n; printing object", b"\n; stop printing object"),
    (b"\n;WIPE_START", b"\n;WIPE_END"),
    (b"\nEXCLUDE_OBJECT_START", b"\nEXCLUDE_OBJECT_END"),
    (b"\n; thumbnail begin", b"\n; thumbnail end"),
)
_LAYER_COUNT = re.compile(rb"\n;LAYER_COUNT: *(\d+)")
_MAX_Z = re.compile(rb"\n; *max_z_height: *([0-9.]+)")
_PROGRESS = re.compile(rb"\nM73 +P(\d+)")


def whole_findings(job: Job) -> list[Finding]:
    """`may-be-cut` for a job without any sign of its end; none for a whole one."""
    last = _last_plastic_line(job)
    if last is None or _has_end(job.source, last):
        return []
    where = str(job.source.where(job.source.line_count - 1))
    against = next(_counter_signs(job, last), None)
    more = f"; {against}" if against else ""
    text = f"no heater, no motor and no program ends after the last plastic{more}: cut off?"
    return [Finding("may-be-cut", where, text)]


def order_findings(job: Job) -> Iterator[Finding]:
    """Layers that follow each other as no host prints them: what a copy has doubled, swapped or
    lost in the middle, where no checksum can tell. A purge tower far below the part, a purge in
    the air and objects printed in turns of a few layers stand elsewhere on the bed."""
    layers, z_mm = job.layers, job.layers.z_mm
    same = np.concatenate(([False], np.diff(layers.object_no) == 0))
    for layer in np.flatnonzero(same & (np.diff(z_mm, prepend=z_mm[0]) < -MERGE_MM)).tolist():
        # of a layer whose most plastic is a purge tower's below it, the part is not below
        before, now = (float(_plastic(job, one, one)[:, 2].max()) for one in (layer - 1, layer))
        if now < before - MERGE_MM and _are_over(
            _above(_plastic(job, layer - 2, layer - 1), now), _plastic(job, layer, layer + 1)
        ):
            text = (
                f"layer {layer + 1} at Z {now:g} follows one at Z {before:g}: parts of the job "
                "stand twice or in the wrong order. Copy it or slice the model again"
            )
            yield Finding("layers-out-of-order", _where(job, layer), text)
            return
    if layers.object_no[-1] > 1:
        yield from _objects_in_objects(job)
    usual_mm = float(np.sort(layers.height_mm)[len(layers) // 2])
    most_mm = max(LEAST_GAP_MM, 4 * usual_mm)
    for layer in np.flatnonzero(same & (layers.height_mm > most_mm)).tolist():
        plastic = _plastic(job, layer - 2, layer)
        heights = np.unique(plastic[:, 2])
        gap = int(np.argmax(np.diff(heights)))
        below, above = heights[gap : gap + 2].tolist()
        lower = plastic[plastic[:, 2] <= below]
        if above - below > most_mm and _are_over(_above(plastic, below), lower):
            text = (
                f"plastic at Z {above:g} is {above - below:.4g} mm above that below it, where "
                f"layers have {usual_mm:.4g} mm: lines are missing between them. Copy it or slice "
                "the model again"
            )
            yield Finding("layers-missing", _where(job, layer), text)
            return


def _objects_in_objects(job: Job) -> Iterator[Finding]:
    """An object that begins at the bed and is laid point by point where one stands already, as in
    a job that stands twice; not one inside another, nor one around an inlay."""
    layers = job.layers
    standing = np.empty(0)
    for number in range(1, int(layers.object_no.max()) + 1):
        rows = np.flatnonzero(layers.object_no == number)
        # in the first layer a skirt goes round them all
        plastic = _plastic(job, int(rows[min(1, len(rows) - 1)]), int(rows[-1]))
        points = np.unique(_squares(plastic, SAME_POINT_MM))
        if np.isin(points, standing).mean() > 0.5:
            text = (
                f"object {number} begins at the bed where another stands: the job, or a part of "
                "it, stands twice. Copy it or slice the model again"
            )
            yield Finding("layers-out-of-order", _where(job, int(rows[0])), text)
            return
        standing = np.union1d(standing, points)


def _plastic(job: Job, first: int, last: int) -> Array:
    """(K, 3) where the moves of some layers, both ends included, that lay plastic end."""
    layers, moves = job.layers, job.moves
    last = min(last, len(layers.z_mm) - 1)
    part = slice(int(layers.first_move[max(first, 0)]), int(layers.last_move[last]) + 1)
    prints = moves.prints[part]
    places = (column[part][prints] for column in (moves.x_mm, moves.y_mm, moves.z_mm))
    return np.stack([*places], axis=1)


def _above(plastic: Array, z_mm: float) -> Array:
    return plastic[plastic[:, 2] > z_mm + MERGE_MM]


def _are_over(upper: Array, lower: Array) -> bool:
    """Is enough of the upper plastic over the lower?"""
    squares = np.unique(_squares(upper, OVER_MM))
    return bool(np.isin(squares, _squares(lower, OVER_MM)).sum() > MUCH_OVER * len(squares))


def _squares(plastic: Array, size_mm: float) -> Array:
    """(K,) a number for the square of the bed in which each place is."""
    squares: Array = np.round(plastic[:, :2] / size_mm) @ np.array([2.0**24, 1.0])
    return squares


def _where(job: Job, layer: int) -> str:
    return str(job.source.where(int(job.moves.line_index[job.layers.first_move[layer]])))


def refuse_cut(job: Job) -> None:
    """Stop where a job without an end also shows where it was cut.

    Raises
    ------
    GcodeError
    """
    last = _last_plastic_line(job)
    if last is None or _has_end(job.source, last):
        return
    against = next(_counter_signs(job, last), None)
    if against is not None:
        raise GcodeError(
            job.source.where(job.source.line_count - 1),
            f"the job seems to be cut off: nothing ends it after the last plastic, and {against}",
            "Slice or copy it again; if it is whole, say so with --whole",
        )


def _last_plastic_line(job: Job) -> int | None:
    backwards = job.moves.prints[::-1]
    if not backwards.any():
        return None
    return int(job.moves.line_index[len(backwards) - 1 - int(np.argmax(backwards))])


def _has_end(source: Source, last: int) -> bool:
    start = source.start_of(last + 1)
    tail = b"\n" + source.text[start:]
    if _OFF.search(tail) or _FOOTER.search(tail):
        return True
    return any(_is_new_word(source, start, word) for word in set(_MACRO.findall(tail)))


def _is_new_word(source: Source, start: int, word: bytes) -> bool:
    """A command with a name of its own that the job has not used before: its end macro."""
    if any(word.upper().startswith(begin[1:]) for begin, _ in _SPANS):
        return False
    if word.upper() == b"EXCLUDE_OBJECT_END":
        return False
    return source.text.find(b"\n" + word, 0, start) < 0


def _counter_signs(job: Job, last: int) -> Iterator[str]:
    """What shows that something is missing."""
    source = job.source
    text = source.text
    if not text.endswith(b"\n"):
        end = source.line(source.line_count - 1).rstrip(b"\r\n")
        yield f"its last line {end.decode('latin-1')!r:.40} has no line end"
    if not text[source.start_of(last + 1) :].strip():
        yield "its last line lays plastic"
    for begin, end in _SPANS:
        if text.rfind(begin) > text.rfind(end):
            yield f"{begin.decode().strip()!r} has no end"
    yield from _unmet_totals(job)


def _unmet_totals(job: Job) -> Iterator[str]:
    text = job.source.text
    head = b"\n" + text[:EDGE]
    if (count := _LAYER_COUNT.search(head)) is not None:
        found = text.count(b"\n;LAYER:") + text.startswith(b";LAYER:")
        if found < int(count[1]):
            yield f"it has {found} of the {int(count[1])} layers it tells"
    if (top := _MAX_Z.search(head)) is not None:
        reached = float(job.layers.z_mm.max())
        if reached < float(top[1]) - 0.5:
            yield f"it reaches Z {reached:g} of the {float(top[1]):g} it tells"
    progress = _PROGRESS.findall(text[-EDGE:])
    if progress and int(progress[-1]) < 99:
        yield f"its last M73 tells {int(progress[-1])} %"
