"""Which kind of resin job a container is; or a timeline from the profile without a job."""

from __future__ import annotations

from pathlib import Path

from capturehook.errors import CaptureHookError, FileError, ProfileError, Where
from capturehook.model.resin import ResinTable
from capturehook.resin.container import Container, Limits
from capturehook.resin.job import ResinJob
from capturehook.resin.open_zip import find_settings, read_open_zip
from capturehook.resin.run_gcode import find_run_gcode, read_run_gcode
from capturehook.resin.timeline import timeline_of_table


def read_job(path: Path, table: ResinTable, limits: Limits | None = None) -> ResinJob:
    """A resin job of any kind that is known.

    Raises
    ------
    FileError
        Not a sound container, or none of the kinds.
    GcodeError, LayerError
        Its text cannot be followed.
    """
    with Container(path, limits) as container:
        name = find_run_gcode(container)
        if name is not None:
            return read_run_gcode(container, name, table)
        settings = find_settings(container)
        if settings is not None:
            return read_open_zip(container, *settings, table)
    raise FileError(
        str(path),
        "holds neither run.gcode nor a text with exposure time and layer height",
        "For other kinds give the numbers in [resin] and leave the job away",
    )


def job_of_table(table: ResinTable, layers: int | None, profile_name: str) -> ResinJob:
    """A job known only by the profile's numbers.

    Raises
    ------
    ProfileError
        Nobody said how many layers.
    """
    count = layers or table.layers
    if count is None:
        fault = CaptureHookError(
            Where(profile_name, key="[resin] layers"),
            "is not set and no job was given",
            "Set it, give --layers N, or give a job",
        )
        raise ProfileError([fault])
    return ResinJob(
        path="(no job)",
        kind="table",
        text_name="",
        timeline=timeline_of_table(table, count),
        images=(),
        stated_s=None,
        evidence=(f"[resin] of profile {profile_name}, {count} layers",),
        assumed=(),
    )
