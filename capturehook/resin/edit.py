"""Poses into a container and out of it again: only run.gcode changes, all else is copied raw."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from capturehook.block.fence import find_fences, strip_bytes
from capturehook.errors import FileError
from capturehook.files import read_bytes, write_atomically
from capturehook.model.profile import Profile
from capturehook.model.resin import ResinTable
from capturehook.resin.container import Container, Limits
from capturehook.resin.job import ResinJob
from capturehook.resin.pose import pose_text
from capturehook.resin.rebuild import replace_member
from capturehook.resin.run_gcode import find_run_gcode, job_of_text


def insert_poses(
    path: Path,
    out_path: Path,
    profile: Profile,
    table: ResinTable,
    every: int | None = None,
    limits: Limits | None = None,
) -> tuple[ResinJob, float]:
    """Put a pose block behind every k-th layer of a run.gcode job.

    Blocks of an earlier run are taken out first. ``out_path`` may be ``path``.

    Returns
    -------
    (the job as it is now, seconds that the poses add)

    Raises
    ------
    FileError
        The container is unsound, holds no run.gcode, or cannot be written.
    PoseError, ProfileError, ProofError
        See :func:`capturehook.resin.pose.pose_text`; nothing is written.
    """
    capture = profile.capture
    rhythm = every or capture.every_layers or 1
    with Container(path, limits) as container:
        name = _run_gcode(container)
        text = container.read_text(name)
        where = f"{path}: {name}"
        posed = pose_text(text, where, profile, table, rhythm, capture.first_layer)
        before = job_of_text(container, name, strip_bytes(text, where), table)
        after = job_of_text(container, name, posed, table)
    replace_member(path, name, posed, out_path)
    after = replace(after, path=str(out_path))
    return after, after.timeline.total_s - before.timeline.total_s


def strip_poses(path: Path, out_path: Path, limits: Limits | None = None) -> bool:
    """Take all pose blocks out; the inner file is then what it was before, byte for byte.

    Returns
    -------
    False when there were none: ``out_path`` is then a plain copy.
    """
    with Container(path, limits) as container:
        name = _run_gcode(container)
        text = container.read_text(name)
    where = f"{path}: {name}"
    if find_fences(text, where):
        replace_member(path, name, strip_bytes(text, where), out_path)
        return True
    if not (out_path.exists() and out_path.samefile(path)):
        write_atomically(out_path, read_bytes(path))
    return False


def _run_gcode(container: Container) -> str:
    name = find_run_gcode(container)
    if name is None:
        raise FileError(
            str(container.path),
            "holds no run.gcode, so no line of the machine can fire a camera",
            "Use a light sensor with this kind of job",
        )
    return name
