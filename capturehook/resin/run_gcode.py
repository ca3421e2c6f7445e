"""Rows of a run.gcode -> layers, light timeline, poses and findings: the job of a container.

What comes in: the rows that `lines.py` read; what goes out: a ResinJob.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np

from capturehook.catalog.containers.zip_file import Container, gaps, numbered_images
from capturehook.errors import Finding, LayerError
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import PHASES, Floats, Ints, LightTimeline, PoseTimes, ResinJob
from capturehook.resin.lines import (
    DWELL,
    LAYER_END,
    LAYER_START,
    MOVE,
    POSE_BEGIN,
    SECTION,
    SHOW,
    Bools,
    Rows,
    read_rows,
)
from capturehook.resin.timeline import false_starts

NAME = "run.gcode"
_STATED = re.compile(rb"(?<![^\r\n]);[ \t]*(\w+)[ \t]*[:=][ \t]*(\d{1,9}(?:\.\d*)?)")
_PRINT_TIME = (b"estimatedprinttime", b"estimated_print_time", b"printtime")
TAG_TOLERANCE_MM = 0.011


def find_run_gcode(container: Container) -> str | None:
    """The member that holds the job's lines."""
    plain = [name for name in container.names if "/" not in name]
    for name in plain:
        if name.lower() == NAME:
            return name
    others = [name for name in plain if name.lower().endswith(".gcode")]
    return others[0] if len(others) == 1 else None


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
) -> Iterator[Finding]:
    layers = len(timeline)
    dark = np.setdiff1d(np.arange(1, layers + 1), timeline.flash_layer_no)
    if len(dark):
        text = f"{len(dark)} layer(s) are never lit, the first is layer {dark[0]}"
        yield Finding("resin-dark-layer", where, text)
    if len(rows) and rows.power[-1] > 0:
        yield Finding("resin-lamp-left-on", where, "the lamp is still on at the end")
    told = stated.get(b"totallayer")
    if told is not None and int(told) != layers:
        text = f"states {told:.0f} layers in its head, but lights {layers}"
        yield Finding("resin-layer-count", where, text)
    if len(rows.tag_mm) == layers:
        apart = np.abs(rows.tag_mm - timeline.z_mm) > TAG_TOLERANCE_MM
        apart[dark - 1] = False
        off = np.flatnonzero(apart)
        if len(off):
            text = (
                f"layer {off[0] + 1} is lit at Z {timeline.z_mm[off[0]]:g} but its comment "
                f"says {rows.tag_mm[off[0]]:g}"
            )
            yield Finding("resin-height-tag", where, text)
