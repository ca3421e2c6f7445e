"""What must hold of a job with pose blocks in it, as complaints in words.

Written from the promises alone: fences found by their own regular expression, the machine
followed by the slow interpreter, nothing of the project imported.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.read.slow import Interpreter, Move, Snapshot, differences, split_lines

POSE_BEGIN = re.compile(rb"; capturehook pose (\d+) begin layer (\d+) z (-?\d+\.\d+)\s*$")
POSE_END = re.compile(rb"; capturehook pose (\d+) end(?: [0-9a-f]{6})?\s*$")
HEAD_BEGIN = re.compile(rb"; capturehook job begin\b.*$", re.S)
SPLIT_BEGIN = re.compile(rb"; capturehook lines (\d+) begin\s*$")
SPLIT_END = re.compile(rb"; capturehook lines (\d+) end(?: [0-9a-f]{6})?\s*$")
KEPT = re.compile(rb"; capturehook kept (.*)$", re.S)
HEAD_END = re.compile(rb"; capturehook job end\s*$")

PRIMED = ("fed", "e_mm", "deficit")
"""What an extra prime may change."""
PLACES = ("logical", "physical")
"""What the last block may change, where only end code follows."""

# Codes a block never sends: heaters, homing, levelling, limits, stop, stored settings, fans.
FORBIDDEN = re.compile(
    r"^(G28|G29|G3[0-4]|G10 [PLRS]|M104|M109|M140|M141|M190|M191|M301|M303|M304|M106|M107|M112"
    r"|M20[0-9]|M21[0-9]|M220|M221|M50[0-4]|M84|M18|M999|SET_HEATER|TURN_OFF|SET_VELOCITY"
    r"|SET_GCODE_OFFSET|FIRMWARE_RESTART|T\d+)(?!\d)"
)
COMMAND = re.compile(
    r"^(?:[GM]\d{1,3}(?:\.\d)?(?: [A-Z]-?(?:\d+(?:\.\d{1,10})?))*|[A-Z_]{3,}(?: [A-Z_]+=\S+)*)$"
)
FREE_TEXT = re.compile(r"^M11[78] ")
LABELS = (
    (re.compile(rb";\s*printing object"), re.compile(rb";\s*stop printing object")),
    (re.compile(rb"EXCLUDE_OBJECT_START"), re.compile(rb"EXCLUDE_OBJECT_END")),
    (re.compile(rb";\s*WIPE_START"), re.compile(rb";\s*WIPE_END")),
    (re.compile(rb";\s*thumbnail\S* begin"), re.compile(rb";\s*thumbnail\S* end")),
)


@dataclass(slots=True)
class Block:
    """One pose block as found in the output."""

    number: int
    layer: int
    z_mm: float
    first_line: int  # index into the output's lines, of the begin fence
    lines: list[bytes] = field(default_factory=list)


def take_apart(data: bytes) -> tuple[list[bytes], list[Block], list[int]]:
    """(lines outside, blocks, for each output line the block's number).

    0 is outside, -1 the head; -2 lines that stand for one of the job's own that was split,
    -3 that line itself, kept in a comment (it counts as outside).
    """
    outside: list[bytes] = []
    blocks: list[Block] = []
    owner: list[int] = []
    inside: int | None = None
    for index, line in enumerate(split_lines(data)):
        begin, end = POSE_BEGIN.match(line), POSE_END.match(line)
        if inside is None and begin:
            inside = int(begin[1])
            blocks.append(Block(inside, int(begin[2]), float(begin[3]), index))
        elif inside is None and HEAD_BEGIN.match(line):
            inside = -1
        elif inside is None and SPLIT_BEGIN.match(line):
            inside = -2
        kept = KEPT.match(line) if inside == -2 else None
        if kept:
            outside.append(kept[1])
            owner.append(-3)
            continue
        if inside is None:
            outside.append(line)
            owner.append(0)
            continue
        owner.append(inside)
        if inside > 0:
            blocks[-1].lines.append(line)
        closed = {-1: HEAD_END, -2: SPLIT_END}.get(inside)
        if (end and int(end[1]) == inside) or (closed and closed.match(line)):
            inside = None
    if owner and owner[-1] != 0 and outside and not data.endswith((b"\n", b"\r")):
        # A block behind a last line without a line end: that line had to be ended first.
        outside[-1] = outside[-1].rstrip(b"\r\n")
    return outside, blocks, owner


@dataclass(slots=True)
class Limits:
    """The part of a profile these checks need."""

    firmware: str
    axis: str
    x_mm: tuple[float, float]
    y_mm: tuple[float, float]
    z_mm: tuple[float, float]
    clear_mm: float
    retract_mm: float
    retract_by: str
    extra_prime_mm: float
    wipe_mm: float
    least_dwell_s: float
    body_mm: tuple[float, float, float, float]  # left, right, front, back of the nozzle
    body_up_mm: float  # lowest point of the body above the nozzle
    gantry_up_mm: float
    max_mm_min: tuple[float, float, float, float]
    volumetric: bool = False


def limits_of(profile: Any) -> Limits:
    """Read from the profile record."""
    machine, cam = profile.machine, profile.camera
    top = machine.max_mm_min
    axis = machine.extruder_axis
    return Limits(
        firmware=machine.firmware,
        axis=("A" if machine.firmware == "rs274" else "E") if axis == "auto" else axis,
        x_mm=machine.x_mm,
        y_mm=machine.y_mm,
        z_mm=machine.z_mm,
        clear_mm=profile.park.clear_mm,
        retract_mm=profile.retract.stroke_mm,
        retract_by=profile.retract.by,
        extra_prime_mm=profile.retract.extra_prime_mm,
        wipe_mm=profile.retract.wipe_mm,
        least_dwell_s=(
            profile.park.settle_ms * (profile.park.settle is None)
            + cam.lag_ms
            + cam.exposure_ms
            + cam.margin_ms
        )
        / 1000,
        body_mm=(
            machine.carriage_mm.left,
            machine.carriage_mm.right,
            machine.carriage_mm.front,
            machine.carriage_mm.back,
        ),
        body_up_mm=machine.carriage_mm.clearance,
        gantry_up_mm=machine.carriage_mm.height,
        max_mm_min=(top.x, top.y, top.z, top.e),
        volumetric=machine.volumetric,
    )


def complaints(
    before: bytes, after: bytes, limits: Limits, *, poses: int | None = None, tol: float = 1e-4
) -> list[str]:
    """Everything that does not hold; an empty list is a good job."""
    outside, blocks, owner = take_apart(after)
    out: list[str] = []
    if b"".join(outside) != before:
        return ["bytes outside the fences are not the job's own"]
    if [block.number for block in blocks] != list(range(1, len(blocks) + 1)):
        out.append("pose numbers do not count from 1")
    if poses is not None and poses != len(blocks):
        out.append(f"{poses} poses were told of, {len(blocks)} blocks are there")
    out += _text_faults(before, blocks)
    out += _place_faults(after, owner)
    out += _machine_faults(before, after, owner, blocks, limits, tol)
    return out


# -- text --------------------------------------------------------------------------------------


def _text_faults(before: bytes, blocks: list[Block]) -> Iterator[str]:
    ending = re.search(rb"\r\n|\n|\r", before)
    end = ending[0] if ending else b"\n"
    for block in blocks:
        for raw in block.lines:
            at = f"pose {block.number}, {raw!r}"
            body = raw.rstrip(b"\r\n")
            if raw[len(body) :] not in (end, b""):
                yield f"{at}: line end is not the job's {end!r}"
            if not body.isascii() or any(byte < 32 for byte in body):
                yield f"{at}: not plain ASCII"
                continue
            text = body.decode()
            command = text.partition(";")[0].rstrip()
            if len(body) > 120 or len(command) > 80:
                yield f"{at}: too long ({len(body)}, command {len(command)})"
            numbered = re.sub(r"^N\d+ |\*\d+$", "", command)
            if not numbered:
                continue
            if FORBIDDEN.match(numbered):
                yield f"{at}: a block never sends this"
            if not FREE_TEXT.match(numbered) and not COMMAND.match(numbered):
                yield f"{at}: not in the plain form of a command"
            if re.search(r"[A-Z]-0(?:\.0*)?(?![\d.])", numbered):
                yield f"{at}: minus nought"


def _place_faults(after: bytes, owner: list[int]) -> Iterator[str]:
    """No block inside a label pair, a wipe, a picture, or between a tool change and plastic."""
    lines = split_lines(after)
    open_pair: list[bool] = [False] * len(LABELS)
    changed = False
    previous = 0
    for line, mine in zip(lines, owner, strict=True):
        if mine > 0 and previous != mine:
            for k, (begin, _) in enumerate(LABELS):
                if open_pair[k]:
                    yield f"pose {mine}: inside {begin.pattern!r}"
            if changed:
                yield f"pose {mine}: between a tool change and the next plastic"
        previous = mine
        if mine:
            continue
        for k, (begin, end) in enumerate(LABELS):
            open_pair[k] = (open_pair[k] or bool(begin.match(line))) and not end.match(line)
        if re.match(rb"T\d", line):
            changed = True
        elif re.match(rb"(?i)(N\d+ ?)?G0?[123] ?.*[XY].*[EA][+.\d]", line):
            changed = False


# -- room --------------------------------------------------------------------------------------

CELL_MM = 0.5


class Printed:
    """How high plastic stands in each half millimetre; filled move by move, no cleverness."""

    def __init__(self, limits: Limits) -> None:
        self.x0, self.y0 = limits.x_mm[0] - 50, limits.y_mm[0] - 50
        across = int((limits.x_mm[1] - self.x0 + 50) / CELL_MM)
        deep = int((limits.y_mm[1] - self.y0 + 50) / CELL_MM)
        self.top: NDArray[np.float64] = np.full((deep, across), -np.inf)

    def _cell(self, x: float, y: float) -> tuple[int, int]:
        """Far out counts as the edge."""
        deep, across = self.top.shape
        row, column = int((y - self.y0) / CELL_MM), int((x - self.x0) / CELL_MM)
        return min(max(row, 0), deep - 1), min(max(column, 0), across - 1)

    def lay(self, move: Move) -> None:
        """An arc is laid as its chord: small beside a cell in the jobs used here."""
        for x, y in _along(move, CELL_MM / 2):
            row, column = self._cell(x, y)
            self.top[row, column] = max(self.top[row, column], move.end[2])

    def touch(self, move: Move, limits: Limits) -> str:
        """What the nozzle, the body or the gantry runs into on a level move; or nothing."""
        z = min(move.start[2], move.end[2])
        left, right, front, back = limits.body_mm
        for x, y in _along(move, 1.0):
            row, column = self._cell(x, y)
            if self.top[row, column] + limits.clear_mm > z + 1e-4:
                return f"nozzle at {x:.1f}, {y:.1f}, {z:g} over plastic {self.top[row, column]:g}"
            low, west = self._cell(x - left + 1, y - front + 1)
            high, east = self._cell(x + right - 1, y + back - 1)
            rows = slice(low, high + 1)
            beside = self.top[rows, west : east + 1]
            if beside.max() > z + limits.body_up_mm + 1e-4:
                return f"body at {x:.1f}, {y:.1f}, {z:g} over plastic {beside.max():g}"
            if self.top[rows].max() > z + limits.gantry_up_mm + 1e-4:
                return f"gantry at {y:.1f}, {z:g} over plastic {self.top[rows].max():g}"
        return ""


def _along(move: Move, step: float) -> Iterator[tuple[float, float]]:
    (x0, y0, _), (x1, y1, _) = move.start, move.end
    count = max(1, math.ceil(math.hypot(x1 - x0, y1 - y0) / step))
    for k in range(count + 1):
        yield x0 + (x1 - x0) * k / count, y0 + (y1 - y0) * k / count


# -- machine -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Around:
    """What was so when a block began."""

    block: Block
    is_last: bool
    state: Snapshot
    moves_seen: int
    dwells_seen: int
    top_mm: float
    last_z_mm: float
    printed: Printed
    climbing: bool


def _machine_faults(
    before: bytes, after: bytes, owner: list[int], blocks: list[Block], limits: Limits, tol: float
) -> Iterator[str]:
    options = {"volumetric": limits.volumetric}
    plain = Interpreter(limits.firmware, limits.axis, **options)  # type: ignore[arg-type]
    posed = Interpreter(limits.firmware, limits.axis, **options)  # type: ignore[arg-type]
    plain_lines = iter(split_lines(before))
    by_number = {block.number: block for block in blocks}
    around: _Around | None = None
    top, last_z, seen, climbing = -math.inf, 0.0, 0, False
    printed = Printed(limits)
    drifted = False
    own_moves: list[Move] = []
    split: list[Move] = []
    kept_lines, stays_from = 0, None
    for line, mine in zip(split_lines(after), owner, strict=True):
        if mine > 0 and around is None:
            around = _Around(
                by_number[mine],
                mine == len(blocks),
                posed.state(),
                len(posed.moves),
                len(posed.dwells),
                top,
                last_z,
                printed,
                climbing,
            )
        before_line = len(posed.moves)
        faults_before = len(posed.faults)
        posed.feed(line)
        if mine > 0 and around is not None and limits.retract_mm and not limits.wipe_mm:
            away = any(_in_xy(move) for move in posed.moves[before_line:])
            if away and posed.deficit_mm < limits.retract_mm - 1e-4:
                yield (
                    f"pose {mine}: {line!r} travels with {posed.deficit_mm:.4f} mm drawn back, "
                    f"wants {limits.retract_mm:g}"
                )
        if mine and len(posed.faults) > faults_before:
            yield f"pose {mine}: {limits.firmware} refuses {line!r}: {posed.faults[-1][1]}"
        if mine > 0 and around is not None and POSE_END.match(line):
            yield from _block_faults(around, posed, limits, tol)
            if around.is_last and _places_differ(around.state, posed.state(), tol):
                stays_from = len(own_moves)
            around = None
        if mine == -3:
            kept_lines += 1
        if mine in (-1, -3) or mine > 0:
            continue
        for move in posed.moves[before_line:]:
            if mine:
                split.append(move)
            else:
                own_moves.append(move)
            if move.e_step_mm > 0 and (move.start[:2] != move.end[:2] or move.arc):
                top = max(top, move.start[2] if seen else move.end[2], move.end[2])
                last_z = move.end[2]
                climbing = move.start[2] != move.end[2]
                printed.lay(move)
                seen += 1
        if mine:
            continue
        for _ in range(kept_lines):
            plain.feed(next(plain_lines))
        if split:
            here = len(own_moves) - (len(posed.moves) - before_line)
            # With nothing kept, the job's own line is the last part of the split move.
            stop = here if kept_lines else here + 1
            own_moves[here:stop] = [_joined([*split, *own_moves[here:stop]])]
        kept_lines, split = 0, []
        plain.feed(next(plain_lines))
        wrong = differences(plain.state(), posed.state(), tol)
        wrong = [w for w in wrong if not (limits.extra_prime_mm and w.startswith(PRIMED))]
        if stays_from is not None:
            wrong = [w for w in wrong if not w.startswith(PLACES)]
        if wrong and not drifted:
            drifted = True
            yield f"after the job's line {plain.line_no} the machine differs: {'; '.join(wrong)}"
    if stays_from is not None:
        yield from _ending_faults(plain.moves[stays_from:], own_moves[stays_from:], limits)
        plain.moves[stays_from:] = own_moves[stays_from:]
    yield from _moves_differ(plain.moves, own_moves, tol)


def _places_differ(was: Snapshot, now: Snapshot, tol: float) -> bool:
    return math.dist(was.physical, now.physical) > tol


def _ending_faults(plain: list[Move], posed: list[Move], limits: Limits) -> Iterator[str]:
    """The last block may leave the head elsewhere if nothing is laid any more, and the end code
    then goes nowhere that is lower or outside, and feeds as it did."""
    if len(plain) != len(posed):
        yield f"after the last block there are {len(posed)} moves, were {len(plain)}"
    ranges = (limits.x_mm, limits.y_mm, limits.z_mm)
    for was, now in zip(plain, posed, strict=False):
        if was.e_step_mm > 1e-6 or now.e_step_mm > 1e-6:
            yield f"the head does not come back, and line {was.line_no} lays plastic"
        if now.end[2] < was.end[2] - 1e-6:
            yield f"line {was.line_no} ends at Z{now.end[2]:g}, lower than the job's {was.end[2]:g}"
        if abs(was.e_step_mm - now.e_step_mm) + abs(was.feed_mm_min - now.feed_mm_min) > 1e-3:
            yield f"line {was.line_no} feeds otherwise after the last block: {was} became {now}"
        for here, own, (low, high) in zip(now.end, was.end, ranges, strict=True):
            if abs(here - own) > 1e-6 and not low - 1e-6 <= here <= high + 1e-6:
                yield f"line {was.line_no} goes outside after the last block: {now}"


def _joined(parts: list[Move]) -> Move:
    """The parts of a split move as the one they stand for."""
    fed = sum(part.e_step_mm for part in parts)
    return parts[0]._replace(end=parts[-1].end, e_step_mm=fed)


def _moves_differ(plain: list[Move], posed: list[Move], tol: float) -> Iterator[str]:
    """The job's own moves are carried out as before: places, filament, feed, rapid or not."""
    if len(plain) != len(posed):
        yield f"the job's own moves are {len(posed)}, were {len(plain)}"
    for a, b in zip(plain, posed, strict=False):
        same = (
            math.dist(a.start, b.start) <= tol
            and math.dist(a.end, b.end) <= tol
            and abs(a.e_step_mm - b.e_step_mm) <= tol
            and abs(a.feed_mm_min - b.feed_mm_min) <= 0.01
            and a.rapid == b.rapid
            and (a.arc is None) == (b.arc is None)
        )
        if not same:
            yield f"the job's line {a.line_no} moves otherwise: {a} became {b}"
            return


def _block_faults(around: _Around, posed: Interpreter, limits: Limits, tol: float) -> Iterator[str]:
    name = f"pose {around.block.number}"
    was, now = around.state, posed.state()
    for wrong in differences(was, now, tol):
        if limits.extra_prime_mm and wrong.startswith(PRIMED):
            continue
        if around.is_last and wrong.startswith(PLACES):
            continue
        yield f"{name}: {wrong}"
    # The prime makes up for ooze before printing goes on; after the last layer there is none.
    fed = now.fed_mm - was.fed_mm
    if min(abs(fed), abs(fed - limits.extra_prime_mm)) > tol:
        yield f"{name}: net filament {now.fed_mm - was.fed_mm:.6f}"
    moves = posed.moves[around.moves_seen :]
    dwelt = sum(seconds for _, seconds in posed.dwells[around.dwells_seen :])
    if not limits.least_dwell_s - 0.0011 <= dwelt <= limits.least_dwell_s + 10:
        yield f"{name}: stands still {dwelt:g} s, planned at least {limits.least_dwell_s:g} s"
    if not any(_in_xy(move) for move in moves):
        yield f"{name}: never leaves for the park"
    yield from _filament_faults(name, moves, now.physical if around.is_last else was.physical)
    yield from _room_faults(name, around, moves, limits)
    for move in moves:
        yield from _speed_faults(name, move, limits)


def _in_xy(move: Move) -> bool:
    return math.dist(move.start[:2], move.end[:2]) > 1e-6 or move.arc is not None


def _filament_faults(
    name: str, moves: list[Move], home: tuple[float, float, float]
) -> Iterator[str]:
    """Unretracted only where the block began (the last one: where it ends)."""
    for move in moves:
        if move.e_step_mm > 0 and math.dist(move.start, home) > 1e-4:
            yield f"{name}: pushes filament at {move.start}, away from {home}"


def _room_faults(name: str, around: _Around, moves: list[Move], limits: Limits) -> Iterator[str]:
    floor = min(around.state.physical[2], around.last_z_mm)
    # A layer that climbs all along has no one height: up to one turn's rise of doubt.
    doubt_mm = 0.4 if around.climbing else 0.00501
    if abs(around.block.z_mm - around.last_z_mm) > doubt_mm:
        yield f"{name}: says z {around.block.z_mm:g}, the last plastic lies at {around.last_z_mm:g}"
    safe = around.top_mm + limits.clear_mm
    ranges = (limits.x_mm, limits.y_mm, limits.z_mm)
    home = around.state.physical
    for move in moves:
        for axis, place, (low, high) in zip("XYZ", move.end, ranges, strict=True):
            is_home = abs(place - home["XYZ".index(axis)]) < 1e-4
            if not low - 1e-6 <= place <= high + 1e-6 and not is_home:
                yield f"{name}: {axis}{place:g} is outside [{low:g}, {high:g}]"
        lowest = min(move.start[2], move.end[2])
        if lowest < floor - 1e-4:
            yield f"{name}: Z{lowest:g} is below the layer at {floor:g}"
        if _in_xy(move) and lowest < safe - 1e-4 and not limits.wipe_mm:
            touched = around.printed.touch(move, limits)
            if touched or around.last_z_mm >= around.top_mm:
                yield f"{name}: XY at Z{lowest:g}, clearance asks {safe:g} {touched}".rstrip()


def _speed_faults(name: str, move: Move, limits: Limits) -> Iterator[str]:
    """No axis faster than the machine's own limit."""
    run = math.dist(move.start, move.end)
    parts = [abs(b - a) for a, b in zip(move.start, move.end, strict=True)]
    shares = [part / run for part in parts] if run > 1e-9 else [0.0, 0.0, 0.0]
    shares.append(abs(move.e_step_mm) / run if run > 1e-9 else 1.0)
    for axis, share, limit in zip("XYZE", shares, limits.max_mm_min, strict=True):
        if move.feed_mm_min * share > limit * 1.001:
            yield f"{name}: {axis} at {move.feed_mm_min * share:.0f} mm/min, limit {limit:g}"
    if move.feed_mm_min <= 0:
        yield f"{name}: a move without a feed"
