"""Poses into a run.gcode and out of it: the plate goes to one height, lamp off, the camera is
fired, and back.

A block stands where the plate is at the top of a lift, after the layer's light; in jobs that
lift before the light, the last layer's block stands right after its light instead. Only
run.gcode changes: all else of the container is copied raw.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from capturehook import __version__
from capturehook.block.prove import check_text
from capturehook.block.splice import Insertion, insert_blocks
from capturehook.catalog.containers.zip_file import Container
from capturehook.catalog.triggers.own_lines import harm_of
from capturehook.errors import CaptureHookError, FileError, Finding, PoseError, ProfileError, Where
from capturehook.files import read_bytes, write_atomically
from capturehook.jobfile.fence import find_fences, job_fence, pose_begin, pose_end, strip_bytes
from capturehook.jobfile.zip_raw import replace_member
from capturehook.model.numbers import fixed
from capturehook.model.profile import Profile
from capturehook.model.resin import PlatePose, ResinTable
from capturehook.model.resin_job import Ints, ResinJob
from capturehook.resin.job import told_time
from capturehook.resin.lines import Rows, read_rows
from capturehook.resin.prove import prove_posed
from capturehook.resin.run_gcode import find_run_gcode, job_of_text, number_layers

RISES_MM = 1e-6
_COMMAND_LINE = re.compile(rb"(?<![^\r\n])[ \t]*[GM]\d[^;\r\n]*(;?)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """A place for one block: before a line, the machine being as stated."""

    layer_no: int
    layer_z_mm: float
    line_index: int
    z_mm: float
    feed_mm_min: float
    relative: bool
    lifted: bool


def insert_poses(
    path: Path,
    out_path: Path,
    profile: Profile,
    table: ResinTable,
    every: int | None = None,
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
        See :func:`pose_text`; nothing is written.
    """
    capture = profile.capture
    rhythm = every or capture.every_layers or 1
    with Container(path) as container:
        name = _run_gcode(container)
        text = container.read_text(name)
        where = f"{path}: {name}"
        plain = strip_bytes(text, where)
        posed = pose_text(plain, where, profile, table, rhythm, capture.first_layer)
        before = job_of_text(container, name, plain, table)
        after = told_time(job_of_text(container, name, posed, table))
    replace_member(path, name, posed, out_path)
    pressed = switch_findings(read_rows(plain, where), table.pose)
    after = replace(after, path=str(out_path), findings=(*after.findings, *pressed))
    return after, after.timeline.total_s - before.timeline.total_s


def strip_poses(path: Path, out_path: Path) -> bool:
    """Take all pose blocks out; the inner file is then what it was before, byte for byte.

    Returns
    -------
    False when there were none: ``out_path`` is then a plain copy.
    """
    with Container(path) as container:
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


def each_kth(count: int, every: int) -> slice:
    """The slice that keeps each k-th of ``count`` things, the last one among them: ceil(N / k)."""
    return slice((count - 1) % every if count else 0, None, every)


def pose_text(
    text: bytes, where: str, profile: Profile, table: ResinTable, every: int, first_layer: int
) -> bytes:
    """A run.gcode text with a pose block for every k-th layer; older blocks are taken out first.

    Raises
    ------
    PoseError
        A pose that cannot be made safely; says at which layer and why.
    ProfileError
        Lines of the profile that would touch lamp, motors or heaters.
    ProofError
        Our own fault; nothing is returned.
    """
    check_lines(table.pose.lines, profile.name)
    plain = strip_bytes(text, where)
    rows = read_rows(plain, where)
    stands = find_stands(rows, where, every, first_layer)
    _check_heights(stands, where, profile, table)
    tail = command_tail(plain)
    insertions = []
    for number, stand in enumerate(stands, start=1):
        inside = block_lines(stand, profile, table, tail)
        check_text(profile, number, inside)
        begin = pose_begin(number, stand.layer_no, stand.layer_z_mm)
        lines = (begin, *inside, pose_end(number))
        insertions.append(Insertion(stand.line_index, lines))
    digest = hashlib.sha256(repr(insertions).encode()).hexdigest()[:12]
    fence = tuple(job_fence(__version__, profile.name, digest))
    first = Insertion(insertions[0].line_index, fence)
    posed = insert_blocks(rows.source, [first, *insertions])
    prove_posed(plain, posed, where, blocks=len(stands), z_max_mm=profile.machine.z_mm[1])
    return posed


def check_lines(lines: Iterable[str], profile_name: str) -> None:
    """Refuse lines that could light the lamp, move the plate, heat or stop the machine."""
    for number, line in enumerate(lines, start=1):
        found = ""
        code = re.match(r"\s*([GMT])0*(\d+)", line, re.IGNORECASE)
        name = f"{code[1].upper()}{code[2]}" if code else line.split(" ")[0].upper()
        if not line.isascii() or not line.isprintable() or not 0 < len(line) <= 80:
            found = "is not plain ASCII of 1 to 80 letters"
        elif "capturehook" in line or ";" in line:
            found = "holds a comment"
        elif name == "M6054" or harm_of(name):
            found = f"holds {name}, which may touch the lamp, the plate, heaters or limits"
        if found:
            key = f"[resin.pose] lines: line {number}"
            fault = CaptureHookError(Where(profile_name, key=key), found, "Leave it out")
            raise ProfileError([fault])


def find_stands(rows: Rows, where: str, every: int, first_layer: int) -> list[Stand]:
    """Where the blocks go: one for each k-th lit layer, the last among them, in file order."""
    layer_no, _ = number_layers(rows, where)
    ons, offs = np.flatnonzero(rows.turns_on), np.flatnonzero(rows.turns_off)
    last_off = dict(zip(layer_no[offs].tolist(), offs.tolist(), strict=True))
    lit = [no for no in sorted(last_off) if no >= max(first_layer, 1)]
    wanted = lit[each_kth(len(lit), every)]
    return [_stand(where, rows, layer_no, ons, no, last_off[no]) for no in wanted]


def _stand(where: str, rows: Rows, layer_no: Ints, ons: Ints, no: int, off: int) -> Stand:
    """The top of the lift between this light and the next; the light's own end without one."""
    coming = int(np.searchsorted(ons, off))
    end = int(ons[coming]) if coming < len(ons) else _end_of_last_lift(rows, layer_no, off)
    span = rows.z_mm[off:end]
    if not np.isfinite(span[0]):
        raise _refused(where, no, "the height of the plate is not known there (no Z, no homing)")
    top = off + int(np.argmax(span))
    lifted = bool(rows.z_mm[top] > rows.z_mm[off] + RISES_MM)
    top = top if lifted else off
    line_index = int(rows.line_index[top]) + 1
    return Stand(
        layer_no=no,
        layer_z_mm=float(rows.z_mm[off]),
        line_index=line_index,
        z_mm=float(rows.z_mm[top]),
        feed_mm_min=float(rows.feed_mm_min[top]),
        relative=not rows.moves.modes_at(line_index).absolute,
        lifted=lifted,
    )


def _end_of_last_lift(rows: Rows, layer_no: Ints, off: int) -> int:
    """After the last light: up to the first way down. A rise without one is the end of the job."""
    own = np.flatnonzero((rows.step_mm[off:] < 0) & (layer_no[off:] >= 0))
    return off + int(own[0]) if len(own) else off + 1


def _refused(where: str, layer_no: int, found: str) -> PoseError:
    return PoseError(f"{where}: layer {layer_no}", found, "No pose can be put there; use --every")


def _check_heights(stands: list[Stand], where: str, profile: Profile, table: ResinTable) -> None:
    pose = table.pose
    key = Where(profile.name, key="[resin.pose] z_mm")
    top = profile.machine.z_mm[1]
    if pose.z_mm > top:
        raise PoseError(key, f"{pose.z_mm:g} is over the machine's {top:g}", "Lower it")
    if pose.z_mm <= table.vat_rim_mm:
        raise PoseError(
            key, f"{pose.z_mm:g} is not above the vat's rim at {table.vat_rim_mm:g}", "Raise it"
        )
    for stand in stands:
        lift_mm = 0.0 if stand.lifted else sum(stage.mm for stage in table.lift)
        if stand.z_mm + lift_mm > wait_mm(pose) - pose.gentle_mm:
            raise PoseError(
                f"{where}: layer {stand.layer_no}",
                f"the plate is at {stand.z_mm:g} mm there, too near to the pose at {pose.z_mm:g}",
                "Raise z_mm of [resin.pose]",
            )
        if stand.feed_mm_min <= 0:
            raise _refused(where, stand.layer_no, "no F word has given a speed yet")
    if not stands:
        raise PoseError(where, "no layer is left for a pose", "Lower first_layer or --every")


def command_tail(text: bytes) -> str:
    """ ";" when most command lines of the job end in one, else nothing."""
    tails = [match.group(1) for match in _COMMAND_LINE.finditer(text)]
    return ";" if tails.count(b";") * 2 > len(tails) else ""


def block_lines(stand: Stand, profile: Profile, table: ResinTable, tail: str) -> list[str]:
    """The lines between the fences: up, settle, fire, hold, down; the last move has the job's F.

    A plate that presses a switch settles below it and closes it on the last part of its way.
    """
    pose, camera = table.pose, profile.camera
    hold_ms = camera.lag_ms + camera.open_ms + camera.margin_ms
    press = [_move(stand, wait_mm(pose), pose.z_mm, pose.switch.approach_mm_min)]
    lines = [
        *_way_up(stand, table),
        f"G4 P{pose.settle_ms}",
        *(pose.lines or press),
        f"G4 P{round(hold_ms)}",
        *_way_down(stand, pose),
    ]
    return [line + tail for line in lines]


def wait_mm(pose: PlatePose) -> float:
    """Height at which the plate settles: the pose itself, or below the switch it will press."""
    return pose.z_mm if pose.lines else pose.contact_mm - pose.switch.approach_mm


def switch_findings(rows: Rows, pose: PlatePose) -> Iterator[Finding]:
    """A finding when the job's own moves press the switch of the pose."""
    if pose.lines or not len(rows):
        return
    high = np.flatnonzero((rows.step_mm > 0) & (rows.z_mm > pose.contact_mm))
    if not len(high):
        return
    top_mm = float(rows.z_mm[high].max())
    by_mm = top_mm - pose.contact_mm
    text = (
        f"raises the plate to {top_mm:g} mm, {by_mm:.1f} mm past the switch that closes at "
        f"{pose.contact_mm:g} mm: the camera fires there once more"
    )
    if not pose.switch.passable and by_mm > pose.switch.most_over_travel_mm:
        text += (
            f", and a switch that stands {pose.switch.most_over_travel_mm:g} mm breaks; raise z_mm "
            "of [resin.pose] above the job's highest move, or lower that move"
        )
    where = str(rows.source.where(int(rows.line_index[high[0]])))
    yield Finding("resin-switch-pressed", where, text)


def _way_up(stand: Stand, table: ResinTable) -> list[str]:
    """Off the film first as slowly as the profile's lift, where the job has not lifted yet."""
    z_mm, lines = stand.z_mm, []
    for stage in () if stand.lifted else table.lift:
        lines.append(_move(stand, z_mm, z_mm + stage.mm, stage.mm_min))
        z_mm += stage.mm
    lines.append(_move(stand, z_mm, wait_mm(table.pose), table.pose.travel_mm_min))
    return lines


def _way_down(stand: Stand, pose: PlatePose) -> list[str]:
    near_mm = stand.z_mm + pose.gentle_mm
    return [
        _move(stand, pose.z_mm, near_mm, pose.travel_mm_min),
        _move(stand, near_mm, stand.z_mm, stand.feed_mm_min),
    ]


def _move(stand: Stand, from_mm: float, to_mm: float, feed_mm_min: float) -> str:
    """A move to a height, or by a step in jobs that count steps (G91)."""
    z_mm = round(to_mm, 4) - round(from_mm, 4) if stand.relative else to_mm
    return f"G0 Z{fixed(z_mm, 4)} F{fixed(feed_mm_min, 4)}"
