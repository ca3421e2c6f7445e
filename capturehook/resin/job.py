"""The one door of a resin job: a container of any kind, or numbers alone -> a ResinJob."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from capturehook.catalog.containers import HEAD_BYTES, binary_kind, broken_kinds, zip_kind
from capturehook.catalog.containers.fields import Fields
from capturehook.catalog.containers.refused import TWO_WAYS, known_as, refusal
from capturehook.catalog.containers.zip_file import Container, Limits
from capturehook.errors import CaptureHookError, FileError, Finding, ProfileError, Where
from capturehook.jobfile.plates import is_resin_zip
from capturehook.model.profile import Profile
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import PHASES, LayerCycles, LightTimeline, ResinJob, StoredJob
from capturehook.profile import find_profile, load_profile
from capturehook.profile.load import LOCAL_NAME, unnamed_profile
from capturehook.resin.run_gcode import find_run_gcode, job_of_text
from capturehook.resin.timeline import (
    DOWN,
    cycles_of_table,
    moved_by_table,
    timeline_of,
    timeline_of_table,
)

_FILAMENT = re.compile(rb"\s*(;|[GM]\d+[ \r\n;])|GCDE|\x1f\x8b")
"""How a filament job begins as text, as a binary job, and by gzip."""
TIME_APART = 0.05
"""Share of the stated print time by which a timeline may differ before it is a finding."""
SHORT_PULSE_S = 0.1
"""Some start procedures insert an empty layer with a light as short as this."""
AREAS_LOOKED_AT = 240
"""Layer images decoded to tell slow tilts from fast; areas between them are interpolated."""


def read_job(path: Path, table: ResinTable, limits: Limits | None = None) -> ResinJob:
    """A resin job of any kind that is known.

    Raises
    ------
    FileError
        A damaged container, or one of no kind that is read.
    GcodeError, LayerError
        Its text cannot be followed.
    """
    with Fields(path) as fields:
        head = fields.raw(0, min(HEAD_BYTES, fields.size), "file")
        kind = binary_kind(head)
        if kind is not None:
            return job_of_stored(path, kind.read(fields), table)
    if _FILAMENT.match(head):
        raise _filament(path)
    if not head.startswith(b"PK"):
        raise FileError(str(path), refusal(head) + broken_kinds(), TWO_WAYS)
    with Container(path, limits) as container:
        name = find_run_gcode(container)
        if name is not None:
            return told_time(job_of_text(container, name, container.read_text(name), table))
        zipped = zip_kind(container)
        if zipped is not None:
            return job_of_stored(path, zipped.read(container), table)
        if not is_resin_zip(path):
            raise _filament(path)
        raise FileError(str(path), refusal(head, container.names) + broken_kinds(), TWO_WAYS)


def _filament(path: Path) -> FileError:
    return FileError(str(path), "is a job for a filament printer", "Use `capturehook plan JOB`")


def is_binary_resin(path: Path) -> bool:
    """Whether a file begins as a binary resin job that is read, or is known and refused."""
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError:
        return False
    return binary_kind(head) is not None or known_as(head) is not None


def job_of_table(table: ResinTable, profile_name: str) -> ResinJob:
    """A job known only by numbers: the profile's, or flags in their place.

    Raises
    ------
    ProfileError
        The count of layers is not stated.
    """
    count = table.layers
    if count is None:
        fault = CaptureHookError(
            Where(profile_name, key="[resin] layers"),
            "is not set and no job was given",
            "Set it, give --layers N, or give a job",
        )
        raise ProfileError([fault])
    cycles = cycles_of_table(table, count)
    bracket_s, why = _bracket(cycles, table, ("lift", "retract"))
    return ResinJob(
        path="(no job)",
        kind="numbers",
        text_name="",
        timeline=timeline_of_table(table, count),
        images=(),
        stated_s=None,
        evidence=(f"[resin] of profile {profile_name} and flags, {count} layers",),
        assumed=(),
        bracket_s=bracket_s,
        bracket_why=why,
    )


def job_of_stored(path: Path, stored: StoredJob, table: ResinTable) -> ResinJob:
    """The job behind what a container states; what it leaves unsaid is filled in and said."""
    cycles, assumed, more = _filled(path, stored, table)
    reading = table.light_off_from or stored.light_off[0]
    bracket_s, why = _bracket(cycles, table, stored.light_off, stored)
    return told_time(
        ResinJob(
            path=str(path),
            kind=stored.kind,
            text_name=stored.text_name,
            timeline=timeline_of(cycles, table, reading),
            images=stored.images,
            stated_s=stored.stated_s,
            evidence=(stored.evidence,),
            assumed=assumed,
            findings=(*stored.findings, *more, *_pulse_findings(str(path), cycles)),
            stored=stored,
            bracket_s=bracket_s,
            bracket_why=why,
        )
    )


def _filled(
    path: Path, stored: StoredJob, table: ResinTable
) -> tuple[LayerCycles, tuple[str, ...], tuple[Finding, ...]]:
    """(cycles, what was assumed, findings): the moves a job does not state."""
    cycles, layers = stored.cycles, len(stored.cycles)
    if table.moves == "lift" or (table.tilt_s > 0 and "lift" in stored.lacks):
        by_table = moved_by_table(table, cycles.z_mm, cycles.exposure_s, stored.bottom_layers)
        return by_table, ("moves and rests: as in [resin], as its moves or tilt_s asks",), ()
    if stored.tilt is not None:
        tilt_s, words = tilts(path, stored)
        return replace(cycles, tilt_s=tilt_s), (words,), ()
    if "lift" not in stored.lacks:
        return cycles, (), ()
    light_s = float(cycles.exposure_s.sum())
    if stored.stated_s and stored.stated_s > light_s:
        dark_s = (stored.stated_s - light_s) / layers
        rest_s = cycles.rest_s.copy()
        rest_s[:, DOWN] = dark_s
        words = (
            f"{dark_s:.2f} s of dark in each layer, (stated {stored.stated_s:.0f} s - light "
            f"{light_s:.0f} s) / {layers} layers; no lift of the plate (where it does lift: "
            '[resin] moves = "lift")'
        )
        return replace(cycles, rest_s=rest_s), (words,), ()
    by_table = moved_by_table(table, cycles.z_mm, cycles.exposure_s, stored.bottom_layers)
    text = (
        "states no lift, no rests and no print time: [resin] of the profile stands in for them; "
        "two clock readings (--clock) tell whether it does so well"
    )
    words = "rests, lift and retract: as in [resin], for the job does not state them"
    return by_table, (words,), (Finding("resin-moves-unknown", str(path), text),)


def tilts(path: Path, stored: StoredJob) -> tuple[np.ndarray, str]:
    """((L,) seconds of each layer's tilt, in words how they were told apart).

    A layer is slow when its lit share of the screen is above the job's own limit; the count
    the job states decides how many are. Where images cannot be looked at, all get the mean.
    """
    tilt, layers = stored.tilt, len(stored.cycles)
    assert tilt is not None
    head = f"the vat tilts: {tilt.fast_s:.2f} s fast, {tilt.slow_s:.2f} s slow"
    count = tilt.slow_layers
    if count in (0, layers) or tilt.fast_s == tilt.slow_s:
        return np.full(layers, tilt.slow_s if count else tilt.fast_s), f"{head}; all layers alike"
    shares = _areas(path, stored)
    if shares is None:
        if count is None:
            return np.full(layers, tilt.slow_s), f"{head}; all slow, no image was looked at"
        mean_s = tilt.fast_s + (tilt.slow_s - tilt.fast_s) * min(count, layers) / layers
        return np.full(layers, mean_s), f"{head}; their mean by the job's count of {count} slow"
    by_area = int((shares > tilt.area_share).sum())
    count = by_area if count is None else min(count, layers)
    slow = np.zeros(layers, np.bool_)
    slow[np.argsort(-shares, kind="stable")[:count]] = True
    words = f"{head}; the {count} layers with most light are slow"
    if by_area != count:
        words += f" (by area alone {by_area} would be)"
    return np.where(slow, tilt.slow_s, tilt.fast_s), words


def _areas(path: Path, stored: StoredJob) -> np.ndarray | None:
    """(L,) lit share of the screen; None where images cannot be decoded here."""
    from capturehook.resin.area import LayerImages

    layers = len(stored.cycles)
    looked = np.unique(np.linspace(0, layers - 1, min(layers, AREAS_LOOKED_AT)).astype(np.int64))
    try:
        with LayerImages(path, stored.images, stored) as images:
            shares = [np.count_nonzero(one) / one.size for one in map(images.read, looked)]
    except FileError:
        raise
    except CaptureHookError:
        return None
    return np.asarray(np.interp(np.arange(layers), looked, shares))


def _bracket(
    cycles: LayerCycles,
    table: ResinTable,
    readings: tuple[str, ...],
    stored: StoredJob | None = None,
) -> tuple[tuple[float, float] | None, str]:
    """(least and greatest total, on what sources differ) where they do."""
    tilt = None if stored is None else stored.tilt
    if tilt is not None and cycles.tilt_s.any() and table.moves == "job":
        layers = len(cycles)
        totals = [
            timeline_of(replace(cycles, tilt_s=np.full(layers, one)), table).total_s
            for one in (tilt.fast_s, tilt.slow_s)
        ]
        why = "all tilts fast, or all slow: the printer decides by limits of its own"
    elif cycles.light_off_s.any():
        totals = [timeline_of(cycles, table, reading).total_s for reading in readings]
        meaning = {
            "lift": "counted from the start of the lift",
            "retract": "a rest after the moves",
            "none": "not made",
        }
        why = "the light-off time " + ", or ".join(meaning[one] for one in readings)
    else:
        return None, ""
    return (min(totals), max(totals)), why


def _pulse_findings(path: str, cycles: LayerCycles) -> Iterator[Finding]:
    """Lamp pulses that are no layers of the part, or layers that share a height."""
    short = np.flatnonzero(cycles.exposure_s < SHORT_PULSE_S)
    if len(short):
        text = (
            f"{len(short)} layer(s) are lit for less than {SHORT_PULSE_S:g} s, the first is layer "
            f"{short[0] + 1}: a sensor may miss them, count frames from the layer after"
        )
        yield Finding("resin-short-pulse", path, text)
    level = np.flatnonzero(np.diff(cycles.z_mm) <= 1e-6)
    if len(level):
        text = (
            f"{len(level)} layer(s) are lit again at the height of the layer before, the first is "
            f"layer {level[0] + 2}: pulses without growth between them"
        )
        yield Finding("resin-same-height", path, text)


def told_time(job: ResinJob) -> ResinJob:
    """The job with a finding when its own print time and the timeline are far apart; neither
    is scaled to the other."""
    timeline, stated_s = job.timeline, job.stated_s
    total_s = _without_poses_s(timeline)
    if not stated_s or abs(total_s - stated_s) <= TIME_APART * stated_s:
        return job
    text = (
        f"the job states {stated_s:.0f} s of print time, its moves add up to {total_s:.0f} s "
        f"({total_s / stated_s:.2f} times): stated times are often wrong; two clock readings "
        "(--clock) tell"
    )
    return replace(job, findings=(*job.findings, Finding("resin-time-differs", job.path, text)))


def _without_poses_s(timeline: LightTimeline) -> float:
    """Seconds of all layers without their poses: stated times count neither those, nor
    homing, nor the way up at the end."""
    return float(timeline.phase_s[:, : PHASES.index("pose")].sum())


def load_resin_profile(wish: str | None) -> tuple[Profile, ResinTable]:
    """A profile and its [resin] table; searched for as every profile is.

    Raises
    ------
    FileError
        No profile was named and none stands in this folder, or there is none of that name.
    ProfileError
        Faults in it, or no [resin] table.
    """
    if wish is None and unnamed_profile() is None:
        raise FileError(
            LOCAL_NAME,
            "no profile was named and none stands in this folder",
            "Name one with -p (for a first try: -p tern)",
        )
    path = find_profile(wish)
    profile = load_profile(path)
    if profile.resin is None:
        fault = CaptureHookError(
            Where(str(path), key="[resin]"), "is missing", "Add the table, or name a resin profile"
        )
        raise ProfileError([fault])
    return profile, profile.resin
