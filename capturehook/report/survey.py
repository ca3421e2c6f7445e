"""What a job is: marks and evidence, layers, extents, modes, filament, print time, warnings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import FIRMWARES
from capturehook.catalog.register import IN_USE, Offer
from capturehook.clock.clocking import times_of
from capturehook.clock.limits import estimate_from_job
from capturehook.clock.seconds import is_unknown
from capturehook.errors import Finding
from capturehook.model.moves import ARC_CCW, ARC_CW, FW_RETRACT
from capturehook.read.arcs import move_extents, parts_of
from capturehook.read.job import Job
from capturehook.report.warnings import job_findings, while_printing


@dataclass(frozen=True, slots=True)
class Survey:
    """The parts of a survey, each as plain data (see docs/reference/cli.md#inspect)."""

    job: dict[str, Any]
    marks: list[dict[str, Any]]
    layers: dict[str, Any]
    extents: dict[str, list[float]]
    modes: dict[str, Any]
    filament: dict[str, Any]
    times: dict[str, Any]
    findings: list[Finding]
    plugins: list[Offer]
    """Entries of other packages that had a part in it."""

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
            "findings": [finding.as_json() for finding in self.findings],
            "plugins": [one.as_json() for one in self.plugins],
        }


def survey_job(job: Job) -> Survey:
    """Everything `inspect` says of a job."""
    return Survey(
        job=_file(job),
        marks=_marks(job),
        layers=_layers(job),
        extents=_extents(job),
        modes=_modes(job),
        filament=_filament(job),
        times=_times(job),
        findings=[*_already_posed(job), *job_findings(job)],
        plugins=_plugins(job),
    )


def _plugins(job: Job) -> list[Offer]:
    profile = job.profile
    names = (profile.machine.firmware, profile.trigger.by, job.layers.marks)
    return [one for one in IN_USE if one.name in names]


def _already_posed(job: Job) -> Iterator[Finding]:
    """Of no weight to `apply`, which replaces the blocks."""
    if not job.was_posed:
        return
    text = "holds blocks of an earlier run; they are taken out before anything else"
    yield Finding("already-filmed", job.source.path, text)


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
    """How far the job prints and travels, arcs with their bulge."""
    moves, prints = job.moves, job.moves.prints
    found = {}
    for axis in "xyz":
        spans = []
        for part in parts_of(len(moves)):
            ends = move_extents(moves, axis, part)
            printed = [end[prints[part]] for end in ends]
            spans.append((*_reach(ends), *_reach(printed)))
        low, high, low_printed, high_printed = zip(*spans, strict=True)
        found[f"travel_{axis}_mm"] = _span(np.array([min(low), max(high)]))
        found[f"{axis}_mm"] = _span(np.array([min(low_printed), max(high_printed)]))
    names = [f"{kind}{axis}_mm" for kind in ("", "travel_") for axis in "xyz"]
    return {name: found[name] for name in names}


def _reach(ends: Sequence[np.ndarray]) -> tuple[float, float]:
    return float(ends[0].min(initial=np.inf)), float(ends[1].max(initial=-np.inf))


def _modes(job: Job) -> dict[str, Any]:
    firmware = FIRMWARES[job.profile.machine.firmware]
    modes = while_printing(job)
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
    deficit = job.read.deficit_mm
    fed = float(np.sum(job.moves.e_step_mm) + deficit.at(np.array([len(job.moves) - 1]))[0])
    retracted = _retracted(job)
    return {
        "length_mm": round(fed, 3),
        "volume_cm3": round(fed * pi * job.profile.machine.filament_mm**2 / 4000, 3),
        "longest_retract_mm": round(float(deficit.value.max(initial=0.0)), 4),
        "retracted_at_layer_changes": f"{int(retracted.sum())} of {len(retracted)}",
    }


def _retracted(job: Job) -> NDArray[np.bool_]:
    """(L - 1,) was filament retracted (by E or by the firmware) between two layers?"""
    moves, last, first = job.moves, job.layers.last_move[:-1], job.layers.first_move[1:]
    deficit = job.read.deficit_mm
    drawn = deficit.row[deficit.value > 0.01]
    events = moves.event_line_index[moves.event_kind == FW_RETRACT]
    by_firmware = np.searchsorted(events, moves.line_index[np.stack((last, first))])
    in_moves: NDArray[np.bool_] = np.searchsorted(drawn, first) > np.searchsorted(drawn, last + 1)
    return np.asarray(in_moves | (by_firmware[1] > by_firmware[0]))


def _times(job: Job) -> dict[str, Any]:
    estimate = estimate_from_job(job.source.data)
    return {
        "print_s": round(float(times_of(job).total_s), 1),
        "startup_s": job.profile.machine.startup_s if is_unknown(job.moves).any() else 0.0,
        "host_estimate_s": None if estimate is None else round(estimate, 1),
    }
