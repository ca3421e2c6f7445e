"""Poses in a run.gcode: the plate goes to one height, lamp off, the camera is fired, and back.

A block stands where the plate is at the top of a lift, after the layer's light; in jobs that
lift before the light, the last layer's block stands right after its light instead.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from capturehook import __version__
from capturehook.block.fence import job_fence, pose_begin, pose_end, strip_bytes
from capturehook.catalog.triggers.own_lines import harm_of
from capturehook.errors import CaptureHookError, PoseError, ProfileError, Where
from capturehook.model.numbers import fixed
from capturehook.model.profile import Profile
from capturehook.model.resin import PlatePose, ResinTable
from capturehook.resin.commands import CommandTable, read_commands
from capturehook.resin.job import each_kth
from capturehook.resin.prove import prove_posed
from capturehook.resin.run_gcode import number_layers
from capturehook.resin.timeline import Ints

RISES_MM = 1e-6
_COMMAND_LINE = re.compile(rb"(?<![^\r\n])[ \t]*[GM]\d[^;\r\n]*(;?)")
_EOL = re.compile(rb"\r\n|\n|\r")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """A place for one block: before byte ``offset``, the machine being as stated."""

    layer_no: int
    layer_z_mm: float
    offset: int
    z_mm: float
    feed_mm_min: float
    relative: bool
    lifted: bool
    eol: bytes


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
    stands = find_stands(plain, where, every, first_layer)
    _check_heights(stands, where, profile, table)
    tail = command_tail(plain)
    blocks = []
    for number, stand in enumerate(stands, start=1):
        lines = [
            pose_begin(number, stand.layer_no, stand.layer_z_mm),
            *block_lines(stand, profile, table, tail),
            pose_end(number),
        ]
        blocks.append(_as_bytes(lines, stand.eol))
    posed = _insert(plain, stands, blocks, profile.name)
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


def find_stands(text: bytes, where: str, every: int, first_layer: int) -> list[Stand]:
    """Where the blocks go: one for each k-th lit layer, the last among them, in file order."""
    rows = read_commands(text, where)
    layer_no, _ = number_layers(rows, where)
    turned = np.diff(rows.power > 0, prepend=False)
    ons = np.flatnonzero(turned & (rows.power > 0))
    offs = np.flatnonzero(turned & (rows.power == 0))
    last_off = dict(zip(layer_no[offs].tolist(), offs.tolist(), strict=True))
    lit = [no for no in sorted(last_off) if no >= max(first_layer, 1)]
    wanted = lit[each_kth(len(lit), every)]
    return [_stand(text, where, rows, layer_no, ons, no, last_off[no]) for no in wanted]


def _stand(
    text: bytes, where: str, rows: CommandTable, layer_no: Ints, ons: Ints, no: int, off: int
) -> Stand:
    """The top of the lift between this light and the next; the light's own end without one."""
    coming = int(np.searchsorted(ons, off))
    end = int(ons[coming]) if coming < len(ons) else _end_of_last_lift(rows, layer_no, off)
    span = rows.z_mm[off:end]
    if not np.isfinite(span[0]):
        raise _refused(where, no, "the height of the plate is not known there (no Z, no homing)")
    top = off + int(np.argmax(span))
    lifted = bool(rows.z_mm[top] > rows.z_mm[off] + RISES_MM)
    top = top if lifted else off
    line_end = _EOL.search(text, int(rows.end[top]))
    if line_end is None:
        raise _refused(where, no, "the job ends there without a line end")
    return Stand(
        layer_no=no,
        layer_z_mm=float(rows.z_mm[off]),
        offset=line_end.end(),
        z_mm=float(rows.z_mm[top]),
        feed_mm_min=float(rows.feed_mm_min[top]),
        relative=bool(rows.relative[top]),
        lifted=lifted,
        eol=line_end.group(),
    )


def _end_of_last_lift(rows: CommandTable, layer_no: Ints, off: int) -> int:
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
        if stand.z_mm + _start_lift_mm(stand, table) > pose.z_mm - pose.gentle_mm:
            raise PoseError(
                f"{where}: layer {stand.layer_no}",
                f"the plate is at {stand.z_mm:g} mm there, too near to the pose at {pose.z_mm:g}",
                "Raise z_mm of [resin.pose]",
            )
        if stand.feed_mm_min <= 0:
            raise _refused(where, stand.layer_no, "no F word has given a speed yet")
    if not stands:
        raise PoseError(where, "no layer is left for a pose", "Lower first_layer or --every")


def _start_lift_mm(stand: Stand, table: ResinTable) -> float:
    return 0.0 if stand.lifted else sum(stage.mm for stage in table.lift)


def command_tail(text: bytes) -> str:
    """ ";" when most command lines of the job end in one, else nothing."""
    tails = [match.group(1) for match in _COMMAND_LINE.finditer(text)]
    return ";" if tails.count(b";") * 2 > len(tails) else ""


def block_lines(stand: Stand, profile: Profile, table: ResinTable, tail: str) -> list[str]:
    """The lines between the fences: up, rest, fire, hold, down; the last move has the job's F."""
    pose, camera = table.pose, profile.camera
    hold_ms = camera.lag_ms + camera.open_ms + camera.margin_ms
    return [
        *(line + tail for line in _way_up(stand, table)),
        f"G4 P{pose.settle_ms}{tail}",
        *(line + tail for line in pose.lines),
        f"G4 P{round(hold_ms)}{tail}",
        *(line + tail for line in _way_down(stand, pose)),
    ]


def _way_up(stand: Stand, table: ResinTable) -> list[str]:
    """Off the film first as slowly as the profile's lift, where the job has not lifted yet."""
    z_mm, lines = stand.z_mm, []
    for stage in () if stand.lifted else table.lift:
        lines.append(_move(stand, z_mm, z_mm + stage.mm, stage.mm_min))
        z_mm += stage.mm
    lines.append(_move(stand, z_mm, table.pose.z_mm, table.pose.travel_mm_min))
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


def _insert(plain: bytes, stands: list[Stand], blocks: list[bytes], profile_name: str) -> bytes:
    digest = hashlib.sha256(b"".join(blocks)).hexdigest()[:12]
    head = _as_bytes(job_fence(__version__, profile_name, digest), stands[0].eol)
    parts = [plain[: stands[0].offset], head]
    ends = [stand.offset for stand in stands[1:]] + [len(plain)]
    for stand, block, end in zip(stands, blocks, ends, strict=True):
        parts += [block, plain[stand.offset : end]]
    return b"".join(parts)


def _as_bytes(lines: list[str], eol: bytes) -> bytes:
    return b"".join(line.encode("ascii") + eol for line in lines)
