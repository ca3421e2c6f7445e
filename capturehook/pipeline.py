"""The stages in order. Read this first.

bytes -> Source -> moves -> layers -> stops -> blocks -> proof -> bytes
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import hypot, isnan, pi
from typing import TYPE_CHECKING

import numpy as np

from capturehook import __version__
from capturehook.catalog import FIRMWARES, TRIGGERS
from capturehook.catalog.triggers.button_press import trigger_way
from capturehook.errors import Finding, PlanError, PoseError, ProofError, Where
from capturehook.gcode.source import Source, open_source
from capturehook.interp.near import read_near
from capturehook.interp.read import JobMoves, State, read_moves
from capturehook.layers.features import Features, find_features
from capturehook.layers.find import find_layers
from capturehook.layers.sniff import Marks, find_marks
from capturehook.layers.spans import find_spans
from capturehook.layers.table import LayerTable
from capturehook.plan.budget import within_budget
from capturehook.plan.choose import choose_layers
from capturehook.plan.cost import added_seconds
from capturehook.plan.shutter import hold_ms, settle_ms
from capturehook.plan.ooze import ooze_findings
from capturehook.plan.stops import NoStop, Spans, Stop, find_gap, find_resume_gap, find_stop
from capturehook.plan.turns import find_split, spiral_centre
from capturehook.pose.block import Kit, make_kit, pose_block
from capturehook.pose.split import Halves, split_move
from capturehook.pose.wipe import wipe_back
from capturehook.profile import Profile
from capturehook.space.height_map import HeightMap, bead_width_mm, needs_map, printed_tops
from capturehook.space.route import Route, find_route, refuse_touch
from capturehook.splice.fence import (
    KEPT_HERE,
    job_fence,
    lines_begin,
    lines_end,
    pose_begin,
    pose_end,
    strip_bytes,
)
from capturehook.splice.insert import Insertion, Piece, gives_back, splice_pieces
from capturehook.splice.remaining import remaining_insertions, remaining_lines
from capturehook.splice.prove import ProvenBlock, prove_blocks

if TYPE_CHECKING:
    from capturehook.interp.clock import Timetable
    from capturehook.interp.moves import MoveTable

Step = Callable[[int], None]
NEAR_BYTES = 4_000_000
"""Jobs from this size on may be read around their layer changes only."""
NEAR_END_MM = 0.01
"""A stop this near to the end of a printing move is made at the end."""


@dataclass(frozen=True)
class Job:
    """A job that has been read: its text, moves and layers."""

    source: Source = field(repr=False)
    read: JobMoves = field(repr=False)
    layers: LayerTable = field(repr=False)
    marks: list[Marks]
    profile: Profile = field(repr=False)
    whole: bool = True
    """False where the inside of layers was not read: no times, no extents."""

    @property
    def moves(self) -> MoveTable:
        return self.read.table

    @property
    def filament_per_unit(self) -> float:
        return filament_per_unit(self.profile)

    @cached_property
    def spans(self) -> Spans:
        return find_spans(self.source, self.moves)

    @cached_property
    def features(self) -> Features:
        return find_features(self.source)

    @cached_property
    def times(self) -> Timetable:
        from capturehook.interp.clock import make_timetable

        return make_timetable(self.moves, self.profile.machine, self.profile.retract)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """One planned stop of a job, with its block."""

    pose: int
    layer: int
    z_mm: float
    line_no: int
    state: State
    route: Route
    finished: bool
    resume: str
    halves: Halves | None
    """Spirals: the two parts of the job's own line, before and after the block."""
    wipe: tuple[tuple[float, float], ...]
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Applied:
    """A job with its blocks; ``pieces``, one after the other, are what `apply` writes."""

    job: Job
    kit: Kit
    poses: list[Pose]
    findings: list[Finding]
    digest: str
    pieces: list[Piece] = field(repr=False)

    @cached_property
    def data(self) -> bytes:
        """The whole job with its blocks."""
        return b"".join(self.pieces)


def filament_per_unit(profile: Profile) -> float:
    """mm of filament for one unit of E."""
    if not profile.machine.volumetric:
        return 1.0
    return 1.0 / (pi * profile.machine.filament_mm**2 / 4)


def read_job(data: bytes, path: str, profile: Profile, *, near_stops: bool = False) -> Job:
    """Bytes -> Job. Blocks of an earlier run are taken out first.

    ``near_stops`` allows to read a large job only around its layer changes, where that is
    all that `apply` needs; poses and bytes come out the same (docs/speed.md).

    Raises
    ------
    GcodeError, LayerError
        The job cannot be read, or lays no plastic.
    """
    source = open_source(strip_bytes(data, path), path)
    machine = profile.machine
    if near_stops and len(source.data) >= NEAR_BYTES and _needs_no_whole(profile):
        job = _read_near(source, profile)
        if job is not None:
            return job
    read = read_moves(
        source,
        FIRMWARES[machine.firmware],
        extruder_axis=machine.extruder_axis,
        absolute_arc_centres=machine.absolute_arc_centres,
        filament_per_unit=filament_per_unit(profile),
    )
    layers, marks = find_layers(source, read.table)
    return Job(source, read, layers, marks, profile)


def _needs_no_whole(profile: Profile) -> bool:
    """The profile asks for nothing that only the whole job can tell."""
    capture, machine = profile.capture, profile.machine
    asks = capture.every_s or capture.min_gap_s or capture.added_max_s or capture.spread != "height"
    plain_layers = capture.resume == "as-is" and not profile.retract.wipe_mm
    return not asks and plain_layers and not machine.absolute_arc_centres


def _read_near(source: Source, profile: Profile) -> Job | None:
    marks = find_marks(source)
    if not marks:
        return None
    read = read_near(
        source,
        FIRMWARES[profile.machine.firmware],
        marks[0].line_index.tolist(),
        extruder_axis=profile.machine.extruder_axis,
        filament_per_unit=filament_per_unit(profile),
    )
    if read is None:
        return None
    layers, _ = find_layers(source, read.table, marks)
    if layers.marks != marks[0].name or layers.spiral or needs_map(read.table, layers):
        return None
    return Job(source, read, layers, marks, profile, whole=False)


def choose(job: Job) -> np.ndarray:
    """Indices of the layers that get a frame; see `plan.choose.choose_layers`."""
    capture = job.profile.capture
    end_s = volume = None
    if capture.every_s or capture.min_gap_s or capture.spread == "time":
        end_s = job.times.second_at(job.moves.line_index[job.layers.last_move] + 1)
    if capture.spread == "volume":
        fed = np.cumsum(np.maximum(job.moves.e_step_mm, 0.0))
        volume = fed[job.layers.last_move] * pi * job.profile.machine.filament_mm**2 / 4
    table = job.layers
    stand_s = (settle_ms(job.profile) + hold_ms(job.profile, 0.0)) / 1000
    return choose_layers(
        capture, table.z_mm, table.height_mm, table.object_no, end_s, volume, stand_s
    )


def place_stops(job: Job, chosen: Sequence[int]) -> tuple[list[Stop], list[Finding]]:
    """The best line for each chosen layer; layers that have none become findings."""
    stops, findings = [], []
    centre = spiral_centre(job.moves, job.layers) if job.layers.spiral else (0.0, 0.0)
    for layer_index in chosen:
        found = _spiral_stop(job, int(layer_index), centre) or _layer_stop(job, int(layer_index))
        if isinstance(found, NoStop):
            findings.append(_left_out(job, found))
        else:
            stops.append(found)
    return stops, findings


def _spiral_stop(job: Job, layer_index: int, centre: tuple[float, float]) -> Stop | None:
    if not job.layers.spiral:
        return None
    split = find_split(job.moves, job.layers, layer_index, centre, job.profile.capture.spiral_angle_deg)
    if split is None:
        return None
    moves, line_index = job.moves, int(job.moves.line_index[split.move])
    length = hypot(split.x_mm - moves.x0_mm[split.move], split.y_mm - moves.y0_mm[split.move])
    rest = hypot(split.x_mm - moves.x_mm[split.move], split.y_mm - moves.y_mm[split.move])
    if length < NEAR_END_MM or rest < NEAR_END_MM:  # the ends of a move need no cut
        return Stop(layer_index=layer_index, line_index=line_index + (rest < length))
    return Stop(layer_index=layer_index, line_index=line_index, split=split)


def _layer_stop(job: Job, layer_index: int) -> Stop | NoStop:
    want_mm = job.profile.retract.length_mm
    resume = job.profile.capture.resume
    if resume != "as-is":
        gap = find_resume_gap(job.read, job.layers, layer_index, job.features, resume)
        found = find_stop(job.read, gap, job.spans, want_mm) if gap is not None else None
        if isinstance(found, Stop):
            return found
    gap = find_gap(job.read, job.layers, layer_index, job.source)
    return find_stop(job.read, gap, job.spans, want_mm)


def _left_out(job: Job, none: NoStop) -> Finding:
    return Finding(
        "pose-left-out",
        str(job.source.where(none.line_index)),
        f"no place for a pose after layer {none.layer_index + 1}: "
        f"every line there lies within a {none.reason}",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One stop with the machine's state there and its way to the park point."""

    stop: Stop
    state: State
    route: Route
    halves: Halves | None
    wipe: tuple[tuple[float, float], ...]
    """X and Y back along what was just printed, before the hop (mm)."""


def make_ways(
    job: Job, kit: Kit, stops: Sequence[Stop], *, skip_unsafe: bool = False
) -> tuple[list[Way], list[Finding]]:
    """State and way to the park point for each stop.

    Raises
    ------
    PoseError
        A pose cannot be made safely and ``skip_unsafe`` is off; all of them, in one report.
    """
    profile, moves = job.profile, job.moves
    tops = printed_tops(moves, job.layers)
    height_map = HeightMap.for_machine(profile.machine) if needs_map(moves, job.layers) else None
    widths = _bead_widths(job) if height_map is not None else np.empty(0)
    done, made, refused = 0, [], []
    for stop in stops:
        state, halves = _state_of(job, kit, stop)
        where = job.source.where(stop.line_index)
        if height_map is not None:
            done = _lay(job, height_map, widths, done, job.read.move_before(stop.line_index) + 1)
        wipe = wipe_back(moves, state, profile.retract.wipe_mm) if halves is None else ()
        start = wipe[-1] if wipe else (state.x_mm, state.y_mm)
        try:
            route = _route(job, state, start, float(tops[stop.layer_index]), height_map, where)
            made.append(Way(stop=stop, state=state, route=route, halves=halves, wipe=wipe))
        except PoseError as fault:
            refused.append(fault)
    if refused and not skip_unsafe:
        raise _all_refused(refused, len(stops))
    return made, [Finding("pose-unsafe", str(one.where), one.found) for one in refused]


def _state_of(job: Job, kit: Kit, stop: Stop) -> tuple[State, Halves | None]:
    state = job.read.state_at(stop.line_index)
    if stop.split is None:
        return state, None
    halves = split_move(
        job.moves,
        stop.split,
        state,
        kit.firmware,
        e_letter=kit.e_letter,
        filament_per_unit=kit.filament_per_unit,
    )
    return halves.state, halves


def _lay(job: Job, height_map: HeightMap, widths: np.ndarray, done: int, reached: int) -> int:
    """Put the moves from ``done`` up to ``reached`` on the map, each for its own object."""
    layers = job.layers
    first = int(np.searchsorted(layers.last_move, done))
    for layer in range(first, len(layers)):
        stop = min(int(layers.last_move[layer]) + 1, reached)
        if stop <= done:
            break
        number = int(layers.object_no[layer])
        height_map.add_table(job.moves, done, stop, width_mm=widths, object_no=number)
        done = stop
    return max(done, reached)


def _bead_widths(job: Job) -> np.ndarray:
    """(M,) width of each printed line, from the filament fed and the layer's height."""
    moves, layers = job.moves, job.layers
    layer = np.searchsorted(layers.first_move, np.arange(len(moves)), side="right") - 1
    height = layers.height_mm[np.maximum(layer, 0)]
    length = np.hypot(moves.x_mm - moves.x0_mm, moves.y_mm - moves.y0_mm)
    return bead_width_mm(moves.e_step_mm, length, height, job.profile.machine.filament_mm)


def _route(job: Job, state: State, start_xy: tuple[float, float], top_mm: float, height_map: HeightMap | None, where: Where) -> Route:
    if isnan(state.x_mm + state.y_mm + state.z_mm):
        raise PoseError(
            where,
            "nobody can say where the nozzle stands here (a command before it loses the position)",
            "Leave this layer out, or export the job without that command",
        )
    park, machine = job.profile.park, job.profile.machine
    beside = {"height_map": height_map} if height_map is not None else {"top_mm": top_mm}
    route = find_route(
        (*start_xy, state.z_mm),
        (park.x_mm, park.y_mm),
        machine=machine,
        clear_mm=park.clear_mm,
        layer_z_mm=max(state.z_mm, top_mm if height_map is None else 0.0),
        where=where,
        **beside,
    )
    way = trigger_way(job.profile)
    if way:
        level = np.array([(x, y, route.hop_z_mm) for x, y in way])
        refuse_touch(level, machine=machine, clear_mm=park.clear_mm, where=where, **beside)
    return route


def _all_refused(refused: list[PoseError], count: int) -> PoseError:
    first = refused[0]
    if len(refused) == 1:
        return first
    return PoseError(first.where, f"{first.found} (and {len(refused) - 1} more of {count} poses)", first.advice)


def apply_bytes(
    data: bytes, path: str, profile: Profile, *, skip_unsafe: bool = False, step: Step | None = None
) -> Applied:
    """A job's bytes with its pose blocks put in, and proved.

    Parameters
    ----------
    path : how messages name the job
    skip_unsafe : leave out poses that cannot be made safely, as findings
    step : told how many poses are done

    Raises
    ------
    GcodeError, LayerError, PlanError, PoseError
        The job cannot be read or filmed as the profile wishes.
    ProofError
        A block failed its proof (our fault).
    """
    job = read_job(data, path, profile)
    return apply_job(job, skip_unsafe=skip_unsafe, step=step)


def apply_job(
    job: Job, *, skip_unsafe: bool = False, remaining_time: bool = False, step: Step | None = None
) -> Applied:
    """As :func:`apply_bytes`, for a job that has been read."""
    profile, source = job.profile, job.source
    kit = make_kit(
        profile,
        e_letter=job.read.e_letter,
        filament_per_unit=job.filament_per_unit,
        job_fw_retract=job.read.uses_fw_retract,
    )
    stops, findings = place_stops(job, choose(job).tolist())
    made, unsafe = make_ways(job, kit, stops, skip_unsafe=skip_unsafe)
    findings = [
        *findings,
        *unsafe,
        *TRIGGERS[profile.trigger.by].findings(profile),
        *ooze_findings(profile, [way.route.length_mm for way in made]),
    ]
    poses = _make_poses(job, kit, made, step)
    kept, thinned = within_budget(job, poses)
    if thinned:
        findings = [*findings, *thinned]
        poses = [replace(poses[at], pose=number) for number, at in enumerate(kept, 1)]
    prove_blocks(kit, [_to_prove(kit, pose) for pose in poses])
    digest = _digest(profile, poses)
    insertions = _insertions(job, poses, digest)
    if remaining_time:
        insertions = _with_remaining_time(job, poses, insertions)
    pieces = splice_pieces(source, insertions)
    if not gives_back(source, insertions, pieces):
        raise ProofError(source.path, "taking the blocks out does not give the job back", "Please report this")
    return Applied(job, kit, poses, findings, digest, pieces)


def _make_poses(job: Job, kit: Kit, made: Sequence[Way], step: Step | None) -> list[Pose]:
    poses = []
    for number, way in enumerate(made, 1):
        stop, state, route = way.stop, way.state, way.route
        points = [(float(x), float(y), float(z)) for x, y, z in _level_points(state, route)]
        lines = pose_block(kit, state, points, prime=not stop.finished, wipe=way.wipe)
        poses.append(
            Pose(
                pose=number,
                layer=stop.layer_index + 1,
                z_mm=_height_of(job, stop, state),
                line_no=stop.line_index + 1,
                state=state,
                route=route,
                finished=stop.finished,
                resume="" if stop.finished else job.features.after(stop.line_index),
                halves=way.halves,
                wipe=way.wipe,
                lines=tuple(lines),
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


def _level_points(state: State, route: Route) -> np.ndarray:
    """Points of the level part of a route: the first is right above where printing stopped."""
    points = route.points
    return points[1:] if points[0][2] < route.hop_z_mm else points


def _to_prove(kit: Kit, pose: Pose) -> ProvenBlock:
    prime = kit.profile.retract.extra_prime_mm if not pose.finished else 0.0
    return ProvenBlock(
        pose=pose.pose,
        state=pose.state,
        lines=pose.lines,
        level_z_mm=pose.route.hop_z_mm,
        prime_mm=prime,
        wipe=pose.wipe,
    )


def _digest(profile: Profile, poses: Sequence[Pose]) -> str:
    """Twelve hexadecimal digits that change when the profile or any block does."""
    digest = hashlib.sha256(profile.model_dump_json(by_alias=True).encode())
    for pose in poses:
        digest.update(f"{pose.line_no} {pose.layer}\n".encode())
        digest.update("\n".join(pose.lines).encode())
    return digest.hexdigest()[:12]


def _insertions(job: Job, poses: Sequence[Pose], digest: str) -> list[Insertion]:
    insertions = []
    for pose in poses:
        before, after, replaced = _halves_fenced(pose)
        fence = (pose_begin(pose.pose, pose.layer, pose.z_mm), *pose.lines, pose_end(pose.pose))
        insertions.append(
            Insertion(pose.line_no - 1, (*before, *fence, *after), replaces=replaced)
        )
    if insertions:
        first = insertions[0]
        head = tuple(job_fence(__version__, job.profile.name, digest))
        insertions[0] = replace(first, lines=head + first.lines)
    return insertions


def _with_remaining_time(
    job: Job, poses: Sequence[Pose], insertions: Sequence[Insertion]
) -> list[Insertion]:
    """The job's own remaining-time lines, corrected, among the blocks."""
    others = job.read.others
    lines = remaining_lines(
        job.source,
        [line for line, code in zip(others.command_line, others.command, strict=True) if code == "M73"],
        job.times.total_s,
        np.array([pose.line_no - 1 for pose in poses], dtype=np.int64),
        added_seconds(job, poses),
    )
    corrected = remaining_insertions(lines, 2 * len(poses) + 1)
    return sorted([*insertions, *corrected], key=lambda insertion: insertion.line_index)


def _halves_fenced(pose: Pose) -> tuple[tuple[str, ...], tuple[str, ...], bool]:
    """Lines before and after a spiral's block, and whether the job's own line is replaced."""
    if pose.halves is None:
        return (), (), False
    before, after = 2 * pose.pose - 1, 2 * pose.pose
    second = pose.halves.second
    head = (lines_begin(before), *((KEPT_HERE,) if second else ()), pose.halves.first, lines_end(before))
    tail = (lines_begin(after), second, lines_end(after)) if second else ()
    return head, tail, second is not None


__all__ = [
    "Applied",
    "Job",
    "PlanError",
    "Pose",
    "apply_bytes",
    "apply_job",
    "read_job",
    "strip_bytes",
]
