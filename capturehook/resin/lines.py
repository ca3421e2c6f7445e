"""The kind of job that carries its own lines: a zip with run.gcode and numbered PNG images.

The text goes through the one reader; this module only says what its lines mean on a resin
printer: the lamp's (M106 with S above 0 is light, of S/255 power), the plate's (Z) and the
rests (G4), and where layers and pose blocks begin and end.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import FIRMWARES
from capturehook.catalog.containers.zip_file import Container, gaps, numbered_images
from capturehook.errors import Finding, GcodeError, LayerError
from capturehook.model.moves import DWELL as DWELL_EVENT
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import (
    PHASES,
    Floats,
    Ints,
    LightTimeline,
    PoseTimes,
    ResinJob,
)
from capturehook.read.moves import JobMoves, read_moves
from capturehook.read.source import Source, open_source
from capturehook.read.words import read_command
from capturehook.resin.timeline import false_starts

Bools = NDArray[np.bool_]
NAME = "run.gcode"
FIRMWARE = next(iter(FIRMWARES.values()))
"""Boards of such printers read G4, G90 and F as the first family of the register does."""
MOVE, DWELL, LIGHT, SHOW, LAYER_START, LAYER_END, SECTION, POSE_BEGIN, POSE_END = range(9)
_SIDE = re.compile(
    rb"(?<![^\r\n])[ \t]*(?:"
    rb"(?:N\d+[ \t]*)?M0*(106|107|6054)(?![\d.])([^;\r\n]*)"
    rb"|;[ \t]*(LAYER_START|LAYER_END|START_GCODE_END|END_GCODE_BEGIN)\b"
    rb"|; capturehook pose \d+ (begin|end)(?: layer (\d+))?"
    rb")",
    re.IGNORECASE,
)
_LAMP_WORDS = re.compile(
    rb"(?:[ \t]*[A-Z][ \t]*[-+]?(?:\d{1,9}(?:\.\d*)?|\.\d+))*[ \t]*(?:\*\d+[ \t]*)?", re.IGNORECASE
)
_TAG = re.compile(
    rb"(?<![^\r\n])[ \t]*;[ \t]*(?:currPos|PositionZ)[ \t]*:[ \t]*(\d{1,9}(?:\.\d*)?)", re.I
)
_STATED = re.compile(rb"(?<![^\r\n]);[ \t]*(\w+)[ \t]*[:=][ \t]*(\d{1,9}(?:\.\d*)?)")
_PRINT_TIME = (b"estimatedprinttime", b"estimated_print_time", b"printtime")
_MARK = {
    b"LAYER_START": LAYER_START,
    b"LAYER_END": LAYER_END,
    b"START_GCODE_END": SECTION,
    b"END_GCODE_BEGIN": SECTION,
}
FULL_POWER = 255.0
TAG_TOLERANCE_MM = 0.011
LONGEST_WAIT_S = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """R rows in file order: one for each line that moves, rests, lights, shows or marks.

    Attributes
    ----------
    source, moves : the text and its moves, as every job's
    kind : (R,) MOVE, DWELL, ...
    line_index : (R,)
    z_mm : (R,) height of the plate after the row; NaN while nothing has told it
    step_mm : (R,) change of height by this row (moves only)
    seconds : (R,) what the row takes
    power : (R,) lamp after the row, 0 to 1
    feed_mm_min : (R,) F in force after the row; 0 while none was given
    shows : what each SHOW row shows, in order
    tag_mm : heights that comments state, in order
    pose_layer_no : layer number of each POSE_BEGIN row, in order
    """

    source: Source
    moves: JobMoves
    kind: Ints
    line_index: Ints
    z_mm: Floats
    step_mm: Floats
    seconds: Floats
    power: Floats
    feed_mm_min: Floats
    shows: tuple[str, ...]
    tag_mm: Floats
    pose_layer_no: Ints

    def __len__(self) -> int:
        return len(self.kind)

    @property
    def turns_on(self) -> Bools:
        """(R,) True where the lamp goes from dark to light."""
        on: Bools = (self.power > 0) & (np.concatenate([[0.0], self.power[:-1]]) == 0)
        return on

    @property
    def turns_off(self) -> Bools:
        off: Bools = (self.power == 0) & (np.concatenate([[0.0], self.power[:-1]]) > 0)
        return off

    @property
    def in_pose(self) -> Bools:
        """(R,) True from the begin to the end of a pose block."""
        inside: Bools = np.cumsum(self.kind == POSE_BEGIN) > np.cumsum(self.kind == POSE_END)
        return inside


def read_rows(text: bytes, where: str) -> Rows:
    """Rows of a run.gcode text.

    Raises
    ------
    GcodeError
        A word that is no number, inches, or a move whose speed nobody gave.
    """
    source = open_source(text, where)
    moves = read_moves(source, FIRMWARE)
    modes = zip(moves.others.modes_line, moves.others.modes, strict=True)
    inch = next((line for line, one in modes if one.inch), None)
    if inch is not None:
        raise GcodeError(
            source.where(max(inch, 0)), "G20 sets inches", "Slice the model again in millimetres"
        )
    kinds, lines, values, shows, poses = _side_rows(source)
    table = moves.table
    is_rest = table.event_kind == DWELL_EVENT
    columns = [
        (np.full(len(table), MOVE), table.line_index),
        (np.full(int(is_rest.sum()), DWELL), table.event_line_index[is_rest]),
        (kinds, lines),
    ]
    kind, line_index = (np.concatenate(parts) for parts in zip(*columns, strict=True))
    blank = np.full(len(kind), np.nan)
    step_mm, feed, power = np.zeros(len(kind)), blank.copy(), blank.copy()
    seconds = np.zeros(len(kind))
    step_mm[: len(table)] = np.nan_to_num(table.z_mm - table.z0_mm)
    feed[: len(table)] = table.feed_mm_min
    rests = slice(len(table), len(table) + int(is_rest.sum()))
    seconds[rests] = np.maximum(table.event_s[is_rest], 0.0)
    power[rests.stop :] = values
    order = np.argsort(line_index, kind="stable")
    kind, line_index, step_mm = kind[order], line_index[order], step_mm[order]
    feed = _last_given(feed[order], 0.0)
    endless = np.flatnonzero(~(seconds[order] < LONGEST_WAIT_S))
    if len(endless):
        raise GcodeError(
            source.where(int(line_index[endless[0]])),
            f"waits for {seconds[order][endless[0]]:.3g} s",
            "Correct that line, or slice the model again",
        )
    lost = np.flatnonzero((step_mm != 0) & (feed <= 0))
    if len(lost):
        raise GcodeError(
            source.where(int(line_index[lost[0]])),
            "moves the plate but no F word has given a speed yet",
            "Slice the model again",
        )
    moving_s = np.where(step_mm != 0, np.abs(step_mm) / np.where(feed > 0, feed, 1.0) * 60.0, 0.0)
    return Rows(
        source=source,
        moves=moves,
        kind=kind,
        line_index=line_index,
        z_mm=_heights_after(moves, line_index),
        step_mm=step_mm,
        seconds=seconds[order] + moving_s,
        power=_last_given(power[order], 0.0),
        feed_mm_min=feed,
        shows=shows,
        tag_mm=np.array([float(tag) for tag in _TAG.findall(source.side.text)]),
        pose_layer_no=poses,
    )


def _heights_after(moves: JobMoves, line_index: Ints) -> Floats:
    """(R,) height of the plate after some lines; NaN until homing, G92 or a Z in G90 tells it."""
    axis = moves.axes["Z"]
    return np.where(line_index >= axis.set_from_line(), axis.places_after(line_index), np.nan)


def _side_rows(source: Source) -> tuple[Ints, Ints, Floats, tuple[str, ...], Ints]:
    """(kind, line, lamp power or NaN, shows, pose layers) of lines that are no motion."""
    side = source.side
    kinds, begins, values, shows, poses = [], [], [], [], []
    for match in _SIDE.finditer(side.text):
        number, words, mark, pose, layer = match.groups()
        value = np.nan
        if number == b"6054":
            kind = SHOW
            shows.append(words.strip().strip(b'"').decode("utf-8", "replace"))
        elif number:
            kind, value = LIGHT, _lamp_power(source, side.line_index, side.starts, match)
        elif mark:
            kind = _MARK[mark.upper()]
        else:
            kind = POSE_BEGIN if pose.lower() == b"begin" else POSE_END
            if kind == POSE_BEGIN:
                poses.append(int(layer or 0))
        kinds.append(kind)
        begins.append(match.end())
        values.append(value)
    rows = np.searchsorted(side.starts, np.array(begins, np.int64), side="right") - 1
    lines = side.line_index[rows] if len(side.line_index) else np.zeros(0, np.int64)
    return (
        np.array(kinds, np.int64),
        np.asarray(lines[: len(kinds)], np.int64),
        np.array(values, np.float64),
        tuple(shows),
        np.array(poses, np.int64),
    )


def _lamp_power(source: Source, lines: Ints, starts: Ints, match: re.Match[bytes]) -> float:
    """0 to 1 after M106 or M107."""
    line = int(lines[int(np.searchsorted(starts, match.end(), side="right")) - 1])
    if not _LAMP_WORDS.fullmatch(match[2]):
        words = match[2].strip().decode("ascii", "replace")
        raise GcodeError(
            source.where(line),
            f"'{words}' holds a word that is not a number",
            "Correct that line, or slice the model again",
        )
    command = read_command(source.line(line))
    if command is None or command.code == "M107":
        return 0.0
    level = command.get("S")
    return min(max((FULL_POWER if level is None else level) / FULL_POWER, 0.0), 1.0)


def _last_given(values: Floats, first: float) -> Floats:
    """Each value, or the last one given before it."""
    rows = np.arange(len(values))
    last = np.maximum.accumulate(np.where(np.isfinite(values), rows, -1)) if len(rows) else rows
    carried: Floats = np.where(last >= 0, values[last], first) if len(rows) else values
    return carried


# --- a container's job


def find_run_gcode(container: Container) -> str | None:
    """The member that holds the job's lines."""
    plain = [name for name in container.names if "/" not in name]
    for name in plain:
        if name.lower() == NAME:
            return name
    others = [name for name in plain if name.lower().endswith(".gcode")]
    return others[0] if len(others) == 1 else None


def read_run_gcode(container: Container, name: str, table: ResinTable) -> ResinJob:
    """The job behind a run.gcode of a container; see :func:`job_of_text`."""
    return job_of_text(container, name, container.read_text(name), table)


def job_of_text(container: Container, name: str, text: bytes, table: ResinTable) -> ResinJob:
    """The job as it is with ``text`` in its run.gcode.

    Raises
    ------
    GcodeError, LayerError
        The text cannot be followed, or lights nothing.
    """
    where = f"{container.path}: {name}"
    rows = read_rows(text, where)
    layer_no, mark = number_layers(rows, where)
    timeline = timeline_of_rows(rows, layer_no, table)
    images, missing = _images(container, rows, layer_no, len(timeline))
    stated = {key.lower(): float(value) for key, value in _STATED.findall(text)}
    return ResinJob(
        path=str(container.path),
        kind="commands",
        text_name=name,
        timeline=timeline,
        images=images,
        stated_s=next((stated[key] for key in _PRINT_TIME if key in stated), None) or None,
        evidence=(f"{name}: {len(timeline)} layers by {mark}",),
        assumed=("homing and the way down: startup_s of [resin]",),
        findings=(*missing, *_findings(rows, timeline, stated, where)),
        poses=_poses(rows, timeline, table),
    )


def _poses(rows: Rows, timeline: LightTimeline, table: ResinTable) -> PoseTimes | None:
    """When each pose block fires: at the end of its first rest, which is the settling; or, where
    the plate then goes on upwards to press a switch, when it passes the contact."""
    begins = np.flatnonzero(rows.kind == POSE_BEGIN)
    rests = np.flatnonzero(rows.kind == DWELL)
    if not len(begins) or not len(rests):
        return None
    settles = rests[np.minimum(np.searchsorted(rests, begins), len(rests) - 1)]
    after = np.minimum(settles + 1, len(rows) - 1)
    presses = (rows.kind[after] == MOVE) & (rows.step_mm[after] > 0) & rows.in_pose[after]
    at = np.where(presses, after, settles)
    past_mm = np.where(
        presses, np.minimum(table.pose.switch.over_travel_mm, rows.step_mm[after]), 0.0
    )
    feed = np.where(presses, rows.feed_mm_min[after], 1.0)
    fire_s = timeline.knot_s[2:][at] - past_mm / feed * 60.0
    stops_s = timeline.knot_s[2:][at]
    return PoseTimes(
        layer_no=rows.pose_layer_no,
        fire_s=fire_s,
        still_s=timeline.still_from_s(stops_s) + stops_s - fire_s,
        plate_mm=rows.z_mm[at],
        moves_on_s=stops_s - fire_s,
    )


def number_layers(rows: Rows, where: str) -> tuple[Ints, str]:
    """((R,) layer number of each row, kind of mark found); 0 before the first, -1 after the last.

    Raises
    ------
    LayerError
        Neither layer marks nor images nor light.
    """
    lit = rows.turns_on
    marks = (
        (rows.kind == LAYER_START, "layer marks"),
        (rows.kind == SHOW, "images shown"),
        (lit, "flashes of light"),
    )
    starts, mark = next((pair for pair in marks if pair[0].any()), marks[-1])
    if not lit.any():
        raise LayerError(where, "lights no layer", "Give a job that was sliced for a resin printer")
    if not rows.seconds[rows.power > 0].any():
        raise LayerError(
            where,
            "lights no layer for any time (its waits may stand in comments)",
            "Give the numbers by flags (see --help)",
        )
    layer_no = np.cumsum(starts).astype(np.int64)
    last = int(np.flatnonzero(starts)[-1])
    closes = np.isin(rows.kind[last:], (LAYER_END, SECTION))
    if closes.any():
        layer_no[last + int(np.argmax(closes)) + 1 :] = -1
    return layer_no, mark


def timeline_of_rows(rows: Rows, layer_no: Ints, table: ResinTable) -> LightTimeline:
    """The light timeline that a job's own lines make; shapes as in LightTimeline."""
    layers = int(layer_no.max())
    test_on_s, test_off_s = false_starts(table)
    homing_s = max(table.startup_s, float(test_off_s.max(initial=0.0)))
    end_s = homing_s + np.cumsum(rows.seconds)
    on, off = rows.turns_on, rows.turns_off
    flash_off_s = end_s[off]
    if len(flash_off_s) < on.sum():
        flash_off_s = np.append(flash_off_s, end_s[-1])
    z_mm, lift_mm = _layer_heights(rows, layer_no, on, layers)
    starts = np.searchsorted(np.where(layer_no < 0, layers + 1, layer_no), np.arange(1, layers + 1))
    tests = np.zeros(len(test_on_s))
    height = np.where(np.isfinite(rows.z_mm), rows.z_mm, z_mm[0])
    return LightTimeline(
        z_mm=z_mm,
        lift_mm=lift_mm,
        start_s=(end_s - rows.seconds)[starts],
        phase_s=_phases(rows, layer_no, on, off, layers),
        flash_on_s=np.concatenate([test_on_s, end_s[on]]),
        flash_off_s=np.concatenate([test_off_s, flash_off_s]),
        flash_power=np.concatenate([tests + 1.0, rows.power[on]]),
        flash_layer_no=np.concatenate([tests.astype(np.int64), layer_no[on]]),
        knot_s=np.concatenate([[0.0, homing_s], end_s]),
        knot_mm=np.concatenate([height[:1], height[:1], height]),
        startup_s=homing_s + float(rows.seconds[layer_no == 0].sum()),
        end_s=float(rows.seconds[layer_no < 0].sum()),
    )


def _layer_heights(rows: Rows, layer_no: Ints, on: Bools, layers: int) -> tuple[Floats, Floats]:
    """(height while lit, lift) of each layer; a layer without light has its last height."""
    z_mm = np.full(layers, np.nan)
    known = (layer_no > 0) & np.isfinite(rows.z_mm)
    z_mm[layer_no[known] - 1] = rows.z_mm[known]
    lit = np.flatnonzero(on & known)[::-1]  # the first flash of a layer is written last
    z_mm[layer_no[lit] - 1] = rows.z_mm[lit]
    top_mm = np.full(layers, -np.inf)
    own = known & ~rows.in_pose & (rows.step_mm != 0)
    np.maximum.at(top_mm, layer_no[own] - 1, rows.z_mm[own])
    z_mm = np.where(np.isnan(z_mm), 0.0, z_mm)
    return z_mm, np.maximum(np.where(np.isfinite(top_mm), top_mm, z_mm) - z_mm, 0.0)


def _phases(rows: Rows, layer_no: Ints, on: Bools, off: Bools, layers: int) -> Floats:
    """(layers, 9) seconds by phase: what a rest is called depends on what is next to it."""
    posing = rows.in_pose
    up, down = (rows.step_mm > 0) & ~posing, (rows.step_mm < 0) & ~posing
    event = np.select([on, off, up, down], [1, 2, 3, 4], default=0)
    before, after = _nearest_event(event)
    rest = rows.kind == DWELL
    phase = np.select(
        [
            posing,
            rows.power > 0,
            (rows.kind == MOVE) & up,
            (rows.kind == MOVE) & down,
            rest & (after == 1),
            rest & (before == 2),
            rest & (before == 3) & (after == 4),
        ],
        [PHASES.index(name) for name in ("pose", "light", "lift", "retract")]
        + [PHASES.index(name) for name in ("rest_before", "rest_after", "rest_lifted")],
        default=PHASES.index("wait"),
    )
    phase_s = np.zeros((layers, len(PHASES)))
    inside = layer_no > 0
    np.add.at(phase_s, (layer_no[inside] - 1, phase[inside]), rows.seconds[inside])
    return phase_s


def _nearest_event(event: Ints) -> tuple[Ints, Ints]:
    """((R,) last event at or before each row, next event at or after it); 0 for none."""
    rows = np.arange(len(event))
    last = np.maximum.accumulate(np.where(event > 0, rows, -1))
    coming = np.minimum.accumulate(np.where(event > 0, rows, len(event))[::-1])[::-1]
    padded = np.append(event, 0)
    return np.where(last >= 0, padded[last], 0), padded[coming]


def _images(
    container: Container, rows: Rows, layer_no: Ints, layers: int
) -> tuple[tuple[str, ...], list[Finding]]:
    """The member each layer shows; the last one shown in a layer counts."""
    numbered, _ = numbered_images(container.names)
    held = set(container.names)
    found = [""] * layers
    path = str(container.path)
    missing: list[str] = []
    for no, shown in zip(layer_no[rows.kind == SHOW].tolist(), rows.shows, strict=True):
        name = shown
        if shown.isdigit() and shown not in held:
            name = numbered[int(shown)][1] if int(shown) < len(numbered) else ""
        if name not in held:
            missing.append(shown)
        elif no > 0:
            found[no - 1] = name
    if not rows.shows and len(numbered) == layers:
        found = [name for _, name in numbered]
    findings = gaps(numbered, path)
    if missing:
        text = f"{len(missing)} image(s) are shown but not held, the first is '{missing[0]}'"
        findings.append(Finding("resin-image-missing", path, text))
    return tuple(found), findings


def _findings(
    rows: Rows, timeline: LightTimeline, stated: dict[bytes, float], where: str
) -> list[Finding]:
    found = []
    layers = len(timeline)
    dark = np.setdiff1d(np.arange(1, layers + 1), timeline.flash_layer_no)
    if len(dark):
        text = f"{len(dark)} layer(s) are never lit, the first is layer {dark[0]}"
        found.append(Finding("resin-dark-layer", where, text))
    if len(rows) and rows.power[-1] > 0:
        found.append(Finding("resin-lamp-left-on", where, "the lamp is still on at the end"))
    told = stated.get(b"totallayer")
    if told is not None and int(told) != layers:
        text = f"states {told:.0f} layers in its head, but lights {layers}"
        found.append(Finding("resin-layer-count", where, text))
    if len(rows.tag_mm) == layers:
        apart = np.abs(rows.tag_mm - timeline.z_mm) > TAG_TOLERANCE_MM
        apart[dark - 1] = False
        off = np.flatnonzero(apart)
        if len(off):
            text = (
                f"layer {off[0] + 1} is lit at Z {timeline.z_mm[off[0]]:g} but its comment "
                f"says {rows.tag_mm[off[0]]:g}"
            )
            found.append(Finding("resin-height-tag", where, text))
    return found
