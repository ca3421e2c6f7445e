"""What a job is: marks and evidence, layers, extents, modes, filament, print time, doubts."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.block.fence import MARK
from capturehook.block.pipeline import Job
from capturehook.catalog import FIRMWARES
from capturehook.clock.limits import estimate_from_job
from capturehook.clock.seconds import is_unknown
from capturehook.errors import Finding
from capturehook.model.moves import ARC_CCW, ARC_CW, FW_RETRACT, PAUSE, TOOL
from capturehook.model.state import Modes


@dataclass(frozen=True, slots=True)
class Survey:
    """The parts of a survey, each as plain data (see docs/cli.md#inspect)."""

    job: dict[str, Any]
    marks: list[dict[str, Any]]
    layers: dict[str, Any]
    extents: dict[str, list[float]]
    modes: dict[str, Any]
    filament: dict[str, Any]
    times: dict[str, Any]
    doubts: list[Finding]

    def as_json(self) -> dict[str, Any]:
        return {
            "schema": 1,
            "job": self.job,
            "marks": self.marks,
            "layers": self.layers,
            "extents": self.extents,
            "modes": self.modes,
            "filament": self.filament,
            "times": self.times,
            "findings": [doubt.as_json() for doubt in self.doubts],
        }


def survey_job(job: Job, raw: bytes | None = None) -> Survey:
    """Everything `inspect` says of a job. ``raw`` is the file as it was given."""
    return Survey(
        job=_file(job),
        marks=_marks(job),
        layers=_layers(job),
        extents=_extents(job),
        modes=_modes(job),
        filament=_filament(job),
        times=_times(job),
        doubts=_doubts(job, raw if raw is not None else job.source.data),
    )


def _file(job: Job) -> dict[str, Any]:
    source = job.source
    ends = {b"\n": "LF", b"\r\n": "CRLF", b"\r": "CR"}
    return {
        "path": source.path,
        "bytes": len(source.data),
        "lines": source.line_count,
        "line_end": ends[source.line_end],
        "moves": len(job.moves),
    }


def _marks(job: Job) -> list[dict[str, Any]]:
    return [
        {
            "kind": one.name,
            "count": len(one.line_index),
            "used": one.name == job.layers.marks,
            "evidence": one.evidence,
        }
        for one in job.marks
    ]


def _layers(job: Job) -> dict[str, Any]:
    table = job.layers
    return {
        "count": len(table),
        "from": table.marks,
        "z_first_mm": round(float(table.z_mm[0]), 4),
        "z_top_mm": round(float(table.z_mm.max()), 4),
        "height_mm": _span(table.height_mm[1:] if len(table) > 1 else table.height_mm),
        "objects": int(table.object_no.max()),
        "spiral_turns": int(table.is_spiral.sum()),
    }


def _span(values: np.ndarray) -> list[float]:
    return [round(float(values.min()), 4), round(float(values.max()), 4)]


def _extents(job: Job) -> dict[str, list[float]]:
    moves = job.moves
    prints = moves.prints
    return {
        "x_mm": _span(moves.x_mm[prints]),
        "y_mm": _span(moves.y_mm[prints]),
        "z_mm": _span(moves.z_mm[prints]),
        "travel_x_mm": _span(moves.x_mm),
        "travel_y_mm": _span(moves.y_mm),
        "travel_z_mm": _span(moves.z_mm),
    }


def _while_printing(job: Job) -> list[Modes]:
    """Every set of modes in force between the first and the last layer."""
    first = int(job.moves.line_index[job.layers.first_move[0]])
    last = int(job.moves.line_index[job.layers.last_move[-1]])
    others = job.read.others
    start = int(np.searchsorted(others.modes_line, first)) - 1
    stop = int(np.searchsorted(others.modes_line, last))
    return others.modes[max(start, 0) : max(stop, 1)]


def _modes(job: Job) -> dict[str, Any]:
    firmware = FIRMWARES[job.profile.machine.firmware]
    modes = _while_printing(job)
    return {
        "positions": _said({m.absolute for m in modes}, "absolute", "relative"),
        "extruder": _said({m.e_absolute(firmware) for m in modes}, "absolute", "relative"),
        "extruder_axis": job.read.e_letter,
        "units": _said({not m.inch for m in modes}, "mm", "inch"),
        "tools": sorted({m.tool for m in modes}),
        "arcs": int(np.isin(job.moves.kind, (ARC_CW, ARC_CCW)).sum()),
        "firmware_retract": job.read.uses_fw_retract,
    }


def _said(seen: set[bool], yes: str, no: str) -> str:
    return "mixed" if len(seen) > 1 else yes if True in seen else no


def _filament(job: Job) -> dict[str, Any]:
    fed = float(job.moves.e_step_mm.sum() + job.read.deficit_mm[-1])
    drawn = _drawn_back(job)
    return {
        "length_mm": round(fed, 3),
        "volume_cm3": round(fed * pi * job.profile.machine.filament_mm**2 / 4000, 3),
        "longest_retract_mm": round(float(job.read.deficit_mm.max()), 4),
        "retracted_at_layer_changes": f"{int(drawn.sum())} of {len(drawn)}",
    }


def _drawn_back(job: Job) -> NDArray[np.bool_]:
    """(L - 1,) was filament drawn back (by E or by the firmware) between two layers?"""
    moves, last, first = job.moves, job.layers.last_move[:-1], job.layers.first_move[1:]
    drawn = np.concatenate(([0], np.cumsum(job.read.deficit_mm > 0.01)))
    events = moves.event_line_index[moves.event_kind == FW_RETRACT]
    by_firmware = np.searchsorted(events, moves.line_index[[last, first]])
    in_moves: NDArray[np.bool_] = drawn[first] > drawn[last + 1]
    either: NDArray[np.bool_] = in_moves | (by_firmware[1] > by_firmware[0])
    return either


def _times(job: Job) -> dict[str, Any]:
    estimate = estimate_from_job(job.source.data)
    return {
        "print_s": round(float(job.times.total_s), 1),
        "startup_s": job.profile.machine.startup_s if is_unknown(job.moves).any() else 0.0,
        "host_estimate_s": None if estimate is None else round(estimate, 1),
    }


def _doubts(job: Job, raw: bytes) -> list[Finding]:
    source, moves, layers = job.source, job.moves, job.layers
    path = source.path
    found: list[Finding] = []

    def doubt(code: str, where: object, text: str) -> None:
        found.append(Finding(code, str(where), text))

    if MARK in raw:
        doubt(
            "already-filmed",
            path,
            "holds blocks of an earlier run; they are taken out before anything else",
        )
    if layers.marks == "geometry":
        what = "its marks do not fit its moves" if job.marks else "no layer marks"
        doubt(
            "no-marks", path, f"{what}: layers are told from the heights at which plastic is laid"
        )
    if layers.spiral:
        line = source.where(
            int(moves.line_index[layers.first_move[int(np.argmax(layers.is_spiral))]])
        )
        doubt(
            "spiral",
            line,
            f"{int(layers.is_spiral.sum())} turns of a spiral begin here: a stop may leave a mark",
        )
    if layers.object_no.max() > 1:
        first = int(np.argmax(layers.object_no > 1))
        line = source.where(int(moves.line_index[layers.first_move[first]]))
        doubt(
            "one-at-a-time",
            line,
            "a second object begins at the bed: the head must pass finished ones",
        )
    found += _range_doubts(job)
    found += _mode_doubts(job)
    return found


def _range_doubts(job: Job) -> list[Finding]:
    moves, machine, found = job.moves, job.profile.machine, []
    prints = moves.prints
    for axis, (low, high) in (
        ("x_mm", machine.x_mm),
        ("y_mm", machine.y_mm),
        ("z_mm", machine.z_mm),
    ):
        place = getattr(moves, axis)
        outside = np.flatnonzero(prints & ((place < low - 1e-6) | (place > high + 1e-6)))
        if len(outside):
            row = int(outside[0])
            where = job.source.where(int(moves.line_index[row]))
            found.append(
                Finding(
                    "outside-machine",
                    str(where),
                    f"prints at {axis[0].upper()}{place[row]:g}, outside [{low:g}, {high:g}] "
                    f"of profile {job.profile.name}: is it the right profile?",
                )
            )
    return found


def _strange_codes(job: Job) -> list[Finding]:
    """Commands of other families that change what this one reads, the first of each."""
    firmware = FIRMWARES[job.profile.machine.firmware]
    strange, others, found = firmware.strange_codes, job.read.others, []
    for code in sorted(strange.keys() & set(others.command)):
        if code[0] == "M" and job.read.e_letter != "E":
            continue
        line = others.command_line[others.command.index(code)]
        text = (
            f"{code} is no command of {firmware.name} itself: {strange[code]}; "
            "is it the right firmware?"
        )
        found.append(Finding("strange-codes", str(job.source.where(line)), text))
    return found


def _mode_doubts(job: Job) -> list[Finding]:
    path, others, found = job.source.path, job.read.others, []
    modes = _while_printing(job)
    if job.read.e_letter == "E" and all(m.m82 is None for m in modes):
        found.append(
            Finding("e-mode-unsaid", path, "never says M82 or M83: E is taken as absolute")
        )
    if not FIRMWARES[job.profile.machine.firmware].reads_inches and any(m.inch for m in modes):
        found.append(
            Finding("inch", path, "is in inches (G20), which this firmware family refuses")
        )
    found += _strange_codes(job)
    for kind, code, text in (
        (PAUSE, "pauses", "waits for a person here: its length is not in the print time"),
        (TOOL, "tool-changes", "changes the tool here: its length is not in the print time"),
    ):
        lines = job.moves.event_line_index[job.moves.event_kind == kind]
        first = int(job.moves.line_index[job.layers.first_move[0]])
        lines = lines[lines > first]
        if len(lines):
            more = f" (and {len(lines) - 1} times more)" if len(lines) > 1 else ""
            found.append(Finding(code, str(job.source.where(int(lines[0]))), text + more))
    if any(
        raw.lstrip()[:1] in (b"N", b"n")
        for raw in (job.source.line(i) for i in others.motion_line[:1])
    ):
        found.append(
            Finding(
                "line-numbers",
                path,
                "its lines are numbered; inserted lines carry no number, as cards accept",
            )
        )
    return found
