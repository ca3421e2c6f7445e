"""Placed stops -> poses with their blocks -> the job's bytes with the blocks among them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from capturehook import __version__
from capturehook.block.prove import check_text
from capturehook.block.remaining import remaining_insertions, remaining_lines
from capturehook.block.splice import Insertion, Piece, gives_back, splice_pieces
from capturehook.block.witness import check_output
from capturehook.block.witness_block import Stated
from capturehook.block.write import Kit, make_kit, pose_block
from capturehook.catalog import FIRMWARES
from capturehook.clock.clocking import times_of
from capturehook.errors import Finding, ProofError
from capturehook.jobfile.fence import (
    KEPT_HERE,
    job_fence,
    lines_begin,
    lines_end,
    pose_begin,
    pose_end,
)
from capturehook.model.pose import Placed, Pose
from capturehook.model.profile import Profile
from capturehook.model.state import State
from capturehook.model.stop import Stop
from capturehook.read.features import kinds_after
from capturehook.read.job import Job

Step = Callable[[int], None]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PosedJob:
    """A job with its blocks; ``pieces``, one after the other, are what `apply` writes."""

    job: Job
    poses: list[Pose]
    findings: list[Finding]
    digest: str
    pieces: list[Piece] = field(repr=False)

    @cached_property
    def data(self) -> bytes:
        """The whole job with its blocks."""
        return b"".join(self.pieces)


def kit_of(job: Job) -> Kit:
    """What all blocks of a job share.

    Raises
    ------
    PlanError
        The profile asks for what this firmware does not have.
    """
    return make_kit(
        job.profile,
        e_letter=job.read.e_letter,
        filament_per_unit=job.filament_per_unit,
        job_fw_retract=job.read.uses_fw_retract,
        e_number_counts=_counts_places_again(job),
    )


def _counts_places_again(job: Job) -> bool:
    """E words are steps for a while, and then places."""
    firmware = FIRMWARES[job.profile.machine.firmware]
    places = [modes.e_absolute(firmware) for modes in job.read.others.modes]
    return False in places and any(places[places.index(False) :])


def splice_poses(
    job: Job, kit: Kit, poses: Sequence[Pose], more: Sequence[Insertion] = ()
) -> tuple[str, list[Piece]]:
    """The plan's digest, and the job with its blocks as proved pieces.

    ``more`` are other lines to put in, each in its own fence.

    Raises
    ------
    ProofError
        A block is not neutral, or would not come out again (our fault).
    """
    for pose in poses:
        check_text(job.profile, pose.pose, pose.block.texts)
    digest = _digest(job.profile, poses)
    insertions = _insertions(job, poses, digest)
    if more:
        insertions = sorted([*insertions, *more], key=lambda one: one.line_index)
    pieces = splice_pieces(job.source, insertions)
    if not gives_back(job.source, insertions, pieces):
        raise ProofError(
            job.source.path,
            "taking the blocks out does not give the job back",
            "Please report this",
        )
    check_output(pieces, job.profile, kit.firmware, [_stated(job.profile, one) for one in poses])
    return digest, pieces


def write_poses(
    job: Job, kit: Kit, placed: Sequence[Placed], step: Step | None = None
) -> list[Pose]:
    """The poses of a job with their blocks, numbered from 1; ``step`` is told how many."""
    poses = []
    resume = kinds_after(job.source, [one.stop.line_index for one in placed])
    for number, one in enumerate(placed, 1):
        stop, state, route = one.stop, one.state, one.route
        block = pose_block(
            kit, state, route.level, prime=not stop.finished, wipe=one.wipe, ending=one.ending
        )
        poses.append(
            Pose(
                pose=number,
                layer=stop.layer_index + 1,
                z_mm=_height_of(job, stop, state),
                line_no=stop.line_index + 1,
                state=state,
                route=route,
                finished=stop.finished,
                resume="" if stop.finished else resume[number - 1],
                split=stop.split,
                halves=one.halves,
                wipe=one.wipe,
                block=block,
                ending=one.ending,
            )
        )
        if step is not None:
            step(number)
    return poses


def _height_of(job: Job, stop: Stop, state: State) -> float:
    """How high the part is at a stop: its layer's top; in a spiral, where the nozzle is."""
    following = stop.layer_index + 1
    if not stop.finished and following < len(job.layers) and job.layers.is_spiral[following]:
        return round(state.z_mm, 4)
    return float(job.layers.z_mm[stop.layer_index])


def _stated(profile: Profile, pose: Pose) -> Stated:
    return Stated(
        pose=pose.pose,
        level_z_mm=pose.route.hop_z_mm,
        prime_mm=0.0 if pose.finished else profile.retract.extra_prime_mm,
        wipe=pose.wipe,
        stays=pose.ending is not None,
    )


NO_MATTER: dict[str, set[str]] = {"capture": {"keep_plan"}}
"""Keys that change nothing about the print and its frames."""


def _digest(profile: Profile, poses: Sequence[Pose]) -> str:
    """Twelve hexadecimal digits that change when the profile or any block does."""
    digest = hashlib.sha256(profile.model_dump_json(by_alias=True, exclude=NO_MATTER).encode())
    for pose in poses:
        digest.update(f"{pose.line_no} {pose.layer}\n".encode())
        digest.update(pose.block.text.encode())
    return digest.hexdigest()[:12]


def _insertions(job: Job, poses: Sequence[Pose], digest: str) -> list[Insertion]:
    insertions = []
    for pose in poses:
        before, after, replaced = _halves_fenced(pose)
        fence = (
            pose_begin(pose.pose, pose.layer, pose.z_mm),
            pose.block.text,
            pose_end(pose.pose),
        )
        insertions.append(Insertion(pose.line_no - 1, (*before, *fence, *after), replaces=replaced))
    if insertions:
        first = insertions[0]
        head = tuple(job_fence(__version__, job.profile.name, digest))
        insertions[0] = replace(first, lines=head + first.lines)
    return insertions


def remaining_time(job: Job, poses: Sequence[Pose], added_s: Floats) -> list[Insertion]:
    """The job's own remaining-time lines (M73), corrected by what each pose adds; (P,) s."""
    others = job.read.others
    lines = remaining_lines(
        job.source,
        [
            line
            for line, code in zip(others.command_line, others.command, strict=True)
            if code == "M73"
        ],
        times_of(job).total_s,
        np.array([pose.line_no - 1 for pose in poses], dtype=np.int64),
        added_s,
    )
    return remaining_insertions(lines, 2 * len(poses) + 1)


def _halves_fenced(pose: Pose) -> tuple[tuple[str, ...], tuple[str, ...], bool]:
    """Lines before and after a spiral's block, and whether the job's own line is replaced."""
    if pose.halves is None:
        return (), (), False
    before, after = 2 * pose.pose - 1, 2 * pose.pose
    second = pose.halves.second
    head = (
        lines_begin(before),
        *((KEPT_HERE,) if second else ()),
        pose.halves.first,
        lines_end(before),
    )
    tail = (lines_begin(after), second, lines_end(after)) if second else ()
    return head, tail, second is not None
