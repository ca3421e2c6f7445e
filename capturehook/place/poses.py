"""Which layers get a pose, at which line each stands, and its path to the park point."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from math import hypot, isnan

import numpy as np

from capturehook.catalog import FIRMWARES
from capturehook.catalog.triggers.button_press import trigger_path
from capturehook.clock.clocking import times_of
from capturehook.errors import Finding, PoseError, Where
from capturehook.model.pose import Placed
from capturehook.model.profile import Machine, Profile
from capturehook.model.route import Route
from capturehook.model.state import State
from capturehook.model.stop import Halves, NoStop, Stop
from capturehook.place.choose import choose_layers
from capturehook.place.ending import find_ending
from capturehook.place.head import Scene
from capturehook.place.height_map import HeightMap, bead_width_mm, needs_map, printed_tops
from capturehook.place.obstacles import Surroundings
from capturehook.place.route import find_route, refuse_touch
from capturehook.place.shutter import hold_ms, settle_ms
from capturehook.place.split import split_move
from capturehook.place.stops import find_gaps, find_resume_gap, find_stop, find_stops
from capturehook.place.turns import find_split, spiral_centre
from capturehook.place.wipe import wipe_back
from capturehook.read.job import Job
from capturehook.read.spans import UNKNOWN

EDGE_MM = 1e-6
NEAR_END_MM = 0.01
"""A stop this near to the end of a printing move is made at the end."""


def choose(job: Job) -> np.ndarray:
    """Indices of the layers that get a frame; see `plan.choose.choose_layers`."""
    capture = job.profile.capture
    end_s = fed_mm = None
    if capture.every_s or capture.min_gap_s or capture.spread == "time":
        end_s = times_of(job).second_at(job.moves.line_index[job.layers.last_move] + 1)
    if capture.spread == "volume":
        laid = np.where(job.moves.prints, job.moves.e_step_mm, 0.0)  # retractions lay nothing
        fed_mm = np.cumsum(laid)[job.layers.last_move]
    table = job.layers
    stand_s = (settle_ms(job.profile) + hold_ms(job.profile, 0.0)) / 1000
    return choose_layers(
        capture, table.z_mm, table.height_mm, table.object_no, end_s, fed_mm, stand_s
    )


def place_stops(job: Job, chosen: Sequence[int]) -> tuple[list[Stop], list[Finding]]:
    """The best line for each chosen layer; layers that have none become findings."""
    stops, findings = [], []
    centre = spiral_centre(job.moves, job.layers) if job.layers.spiral else (0.0, 0.0)
    layers = [int(layer_index) for layer_index in chosen]
    found = [_spiral_stop(job, layer, centre) or _resume_stop(job, layer) for layer in layers]
    rest = [layer for layer, stop in zip(layers, found, strict=True) if stop is None]
    between = iter(_layer_stops(job, rest))
    for stop in (one or next(between) for one in found):
        if isinstance(stop, NoStop):
            findings.append(_left_out(job, stop))
        else:
            stops.append(stop)
    return stops, findings


def _spiral_stop(job: Job, layer_index: int, centre: tuple[float, float]) -> Stop | None:
    if not job.layers.spiral:
        return None
    split = find_split(
        job.moves, job.layers, layer_index, centre, job.profile.capture.spiral_angle_deg
    )
    if split is None:
        return None
    moves, line_index = job.moves, int(job.moves.line_index[split.move])
    length = hypot(split.x_mm - moves.x0_mm[split.move], split.y_mm - moves.y0_mm[split.move])
    rest = hypot(split.x_mm - moves.x_mm[split.move], split.y_mm - moves.y_mm[split.move])
    if length < NEAR_END_MM or rest < NEAR_END_MM:  # the ends of a move need no cut
        return Stop(layer_index=layer_index, line_index=line_index + (rest < length))
    return Stop(layer_index=layer_index, line_index=line_index, split=split)


def _resume_stop(job: Job, layer_index: int) -> Stop | None:
    """Where printing goes on in a feature that the profile wishes, if anywhere."""
    resume = job.profile.capture.resume
    if resume == "as-is":
        return None
    gap = find_resume_gap(job.read, job.layers, layer_index, job.features, resume)
    if gap is None:
        return None
    found = find_stop(job.read, gap, job.spans, job.profile.retract.stroke_mm)
    return found if isinstance(found, Stop) else None


def _layer_stops(job: Job, layers: Sequence[int]) -> list[Stop | NoStop]:
    """The best line between each layer and the next."""
    gaps = find_gaps(job.read, job.layers, layers, job.source)
    bed_sinks = job.profile.machine.moves == "bed-z"
    want_mm = job.profile.retract.stroke_mm
    return find_stops(job.read, gaps, job.spans, want_mm, bed_sinks=bed_sinks)


def _left_out(job: Job, none: NoStop) -> Finding:
    unknown = job.read.unknown_at(none.line_index) if UNKNOWN in none.reason else None
    article = "an" if none.reason[0] in "aeiou" else "a"
    return Finding(
        "pose-left-out",
        str(job.source.where(none.line_index)),
        f"no place for a pose after layer {none.layer_index + 1}: "
        + (unknown or f"every line there lies within {article} {none.reason}"),
    )


def find_paths(
    job: Job, stops: Sequence[Stop], *, skip_unsafe: bool = False
) -> tuple[list[Placed], list[Finding]]:
    """State and path to the park point for each stop.

    Raises
    ------
    PoseError
        A pose cannot be made safely and ``skip_unsafe`` is off; all of them, in one report.
    """
    profile, moves = job.profile, job.moves
    tops = printed_tops(moves, job.layers)
    height_map = HeightMap.for_machine(profile.machine) if needs_map(job.layers, tops) else None
    widths = _bead_widths(job) if height_map is not None else np.empty(0)
    around = Surroundings(job)
    done, made, refused = 0, [], []
    states = job.read.states_at([stop.line_index for stop in stops])
    for stop, before in zip(stops, states, strict=True):
        state, halves = _state_of(job, stop, before)
        if height_map is not None:
            done = _lay(job, height_map, widths, done, job.read.move_before(stop.line_index) + 1)
        wipe = wipe_back(moves, state, profile.retract.wipe_mm) if halves is None else ()
        wipe = wipe if _within(profile, wipe) else ()
        start = wipe[-1] if wipe else (state.x_mm, state.y_mm)
        try:
            machine = around.at(stop.line_index)
            top = float(tops[stop.layer_index])
            route = _route(job, state, start, top, height_map, machine)
            ending = None
            if stop.finished:
                ending = find_ending(job, stop, state, route, _scene(job, top, height_map, machine))
            made.append(
                Placed(stop=stop, state=state, route=route, halves=halves, wipe=wipe, ending=ending)
            )
        except PoseError as fault:
            refused.append(fault)
    if refused and not skip_unsafe:
        raise _all_refused(refused, len(stops))
    return made, [Finding("pose-unsafe", str(one.where), one.found) for one in refused]


def _scene(job: Job, top_mm: float, height_map: HeightMap | None, machine: Machine) -> Scene:
    top = height_map.top_mm if height_map is not None else top_mm
    clear = job.profile.park.clear_mm
    return Scene(machine=machine, clear_mm=clear, top_mm=top, height_map=height_map)


def _within(profile: Profile, points: Sequence[tuple[float, float]]) -> bool:
    (left, right), (front, back) = profile.machine.x_mm, profile.machine.y_mm
    return all(left <= x <= right and front <= y <= back for x, y in points)


def _state_of(job: Job, stop: Stop, state: State) -> tuple[State, Halves | None]:
    """Where the block begins: at its line, or within a move that is cut there."""
    firmware = FIRMWARES[job.profile.machine.firmware]
    if isnan(state.e_mm) and not state.modes.e_absolute(firmware):
        state = replace(state, e_mm=0.0)  # E words are steps: its number is of no weight
    if stop.split is None:
        return state, None
    halves = split_move(
        job.moves,
        stop.split,
        state,
        firmware,
        e_letter=job.read.e_letter,
        filament_per_unit=job.filament_per_unit,
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


def _route(
    job: Job,
    state: State,
    start_xy: tuple[float, float],
    top_mm: float,
    height_map: HeightMap | None,
    machine: Machine,
) -> Route:
    where, park = job.source.where(state.line_index), job.profile.park
    unknown = job.read.unknown_at(state.line_index)
    if unknown is not None:
        raise PoseError(
            where,
            unknown,
            "Leave out this layer with --skip-unsafe, or slice the job without that command",
        )
    _refuse_unsure(state, job.profile.machine, where)
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
    path = trigger_path(job.profile)
    if path:
        level = np.array([(x, y, route.hop_z_mm) for x, y in path])
        refuse_touch(level, machine=machine, clear_mm=park.clear_mm, where=where, **beside)
    return route


def _refuse_unsure(state: State, machine: Machine, where: Where) -> None:
    """A block may stand only where the whole state is known and inside the machine."""
    if isnan(state.x_mm + state.y_mm + state.z_mm + state.e_mm):
        raise PoseError(
            where,
            "nozzle position unknown here (a command before this line changes it)",
            "Leave out this layer with --skip-unsafe, or slice the job without that command",
        )
    if state.feed_mm_min <= 0:
        raise PoseError(
            where,
            "no move before this line states a feed (F), so the block cannot restore it",
            "Leave out this layer with --skip-unsafe, or slice the model again",
        )
    places, ranges = (
        (state.x_mm, state.y_mm, state.z_mm),
        (machine.x_mm, machine.y_mm, machine.z_mm),
    )
    for axis, place, (low, high) in zip("xyz", places, ranges, strict=True):
        if not low - EDGE_MM <= place <= high + EDGE_MM:
            raise PoseError(
                where,
                f"the nozzle stands at {axis.upper()}{place:g} here, outside the machine's "
                f"{low:g} to {high:g}",
                f"Slice the model for this machine, or correct [machine] {axis}_mm",
            )


def _all_refused(refused: list[PoseError], count: int) -> PoseError:
    first = refused[0]
    if len(refused) == 1:
        return first
    kinds: dict[str, list[PoseError]] = {}
    for one in refused:
        kinds.setdefault(_NUMBER.sub("", one.found), []).append(one)
    told = [f"{first.found} (and {len(refused) - 1} more of {count} poses)"]
    for alike in list(kinds.values())[1:MOST_REASONS]:
        told.append(f"line {alike[0].where.line_no}: {alike[0].found} ({len(alike)} of those)")
    return PoseError(first.where, "; ".join(told), first.advice)


_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
MOST_REASONS = 3
"""Different reasons told in one refusal."""
