"""From the print to the park point without touching anything, or the reason why not.

Up first, then XY at one height, never down; the path back is the same, reversed.
See docs/explain/space.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import PoseError, Where
from capturehook.model.numbers import fixed
from capturehook.model.pose import Purge
from capturehook.model.route import Kind, Route
from capturehook.place.detour import find_detour
from capturehook.place.head import SAME_MM, Point, Scene, Shut
from capturehook.place.height_map import HeightMap, Peak

if TYPE_CHECKING:
    from capturehook.model.profile import KeepOut, Machine


def find_route(
    start_xyz: Sequence[float],
    goal_xy: Sequence[float],
    *,
    machine: Machine,
    clear_mm: float,
    layer_z_mm: float,
    height_map: HeightMap | None = None,
    top_mm: float | None = None,
    where: Where | str = "pose",
) -> Route:
    """The route from where printing stopped to the park point.

    Straight at the default hop (``clear_mm`` over the present layer) when nothing taller is
    in the way; else straight at the least height that passes over it; else round it.

    Parameters
    ----------
    start_xyz, goal_xy : mm
    clear_mm : every part of the head passes this far above everything printed
    layer_z_mm : top of the layer just printed
    height_map, top_mm : give one: the map, or the highest printed point of a job that
        never prints below it (see `needs_map`)

    Raises
    ------
    PoseError
        No safe path; says which object or keep-out box is in the way, its height and place.
    """
    if (height_map is None) == (top_mm is None):
        raise ValueError("give either height_map or top_mm")
    top = height_map.top_mm if height_map is not None else float(top_mm or 0.0)
    scene = Scene(machine=machine, clear_mm=clear_mm, top_mm=top, height_map=height_map)
    x, y, z = map(float, start_xyz)
    start, goal = (x, y), (float(goal_xy[0]), float(goal_xy[1]))
    _refuse_outside(machine, goal, where)
    under = layer_z_mm if height_map is not None else max(layer_z_mm, top)
    default = _up(max(z, under + clear_mm))
    ceiling, lid = scene.ceiling(start, z)
    if default > ceiling + SAME_MM:
        raise _no_room(default, ceiling, lid, where)
    shuts = scene.shuts(start, goal, default)
    hop = least_hop(default, ceiling, shuts)
    if hop is not None:
        kind: Kind = "straight" if hop == default else "raised"
        return _route(scene, (x, y, z), [start, goal], hop, kind)
    for level in _detour_levels(default, ceiling, shuts):
        path = find_detour(scene, start, goal, level)
        if path is not None:
            return _route(scene, (x, y, z), path, level, "detour")
    raise _no_path(scene, start, goal, default, ceiling, where)


def refuse_touch(
    points: NDArray[np.float64],
    *,
    machine: Machine,
    clear_mm: float,
    height_map: HeightMap | None = None,
    top_mm: float = 0.0,
    where: Where | str = "pose",
) -> None:
    """Check level moves of your own (the button's) as a route is checked.

    Parameters
    ----------
    points : (K, 3) mm; each straight is judged at the lower of its two ends

    Raises
    ------
    PoseError
        Some part of the head would touch something; says what.
    """
    top = height_map.top_mm if height_map is not None else top_mm
    scene = Scene(machine=machine, clear_mm=clear_mm, top_mm=top, height_map=height_map)
    path = [tuple(map(float, point)) for point in points]
    for a, b in pairwise(path):
        z = min(a[2], b[2])
        shut = [one for one in scene.shuts(a[:2], b[:2], z) if one.holds(z)]
        if shut:
            worst = max(shut, key=lambda one: one.high_mm)
            raise PoseError(
                where,
                f"on the path to {_place(b)} at Z{fixed(z)} the {worst.part} would touch "
                f"{thing_text(scene, worst)}",
                "Move the contact, or the object, or skip such poses with --skip-unsafe",
            )


def least_hop(lowest_mm: float, ceiling_mm: float, shuts: Sequence[Shut]) -> float | None:
    """Least nozzle height from ``lowest_mm`` to ``ceiling_mm`` that nothing shuts, or None."""
    if not shuts:
        return lowest_mm if lowest_mm <= ceiling_mm + SAME_MM else None
    tops = sorted({lowest_mm, *(_up(s.high_mm) for s in shuts if s.high_mm > lowest_mm)})
    for z in tops:
        if z <= ceiling_mm + SAME_MM and not any(shut.holds(z) for shut in shuts):
            return z
    return None


def thing_text(scene: Scene, shut: Shut) -> str:
    """What stands in the way, as a person finds it on the bed."""
    thing = shut.thing
    if isinstance(thing, Purge):
        return f"the plastic purged in place on {thing.name} (up to Z{fixed(thing.z_mm[1], 2)})"
    if not isinstance(thing, Peak):
        low, high = thing.z_mm
        return f"the keep-out box {thing.name!r} (Z{fixed(low)} to Z{fixed(high)})"
    if scene.height_map is None or thing.object_no == 0:
        return f"what was printed ({fixed(thing.top_mm, 2)} mm high)"
    it = scene.height_map.standing(thing.object_no)
    return (
        f"object {it.object_no} (centre X{fixed(it.x_mm, 1)} Y{fixed(it.y_mm, 1)}, "
        f"{fixed(it.top_mm, 2)} mm high)"
    )


def _route(
    scene: Scene, start: tuple[float, float, float], path: Sequence[Point], hop: float, kind: Kind
) -> Route:
    return Route(
        start_mm=start,
        corners_mm=tuple((float(point[0]), float(point[1])) for point in path[1:]),
        kind=kind,
        clearance_mm=hop - scene.highest_under_nozzle(path),
        hop_z_mm=hop,
    )


def _detour_levels(default: float, ceiling: float, shuts: Sequence[Shut]) -> list[float]:
    """The default hop, then just above each thing in the way, then as high as it goes."""
    above = {_up(shut.high_mm) for shut in shuts if default < shut.high_mm < ceiling}
    top = math.floor(ceiling * 1000 + SAME_MM) / 1000
    return [default, *sorted(above - {default, top})[:4], *({top} - {default})]


def _up(z_mm: float) -> float:
    """Rounded up to the thousandth that the block writes."""
    return math.ceil(z_mm * 1000 - SAME_MM) / 1000


def _place(point: Point) -> str:
    return f"X{fixed(point[0])} Y{fixed(point[1])}"


def _refuse_outside(machine: Machine, goal: Point, where: Where | str) -> None:
    for axis, place, (low, high) in zip("XY", goal, (machine.x_mm, machine.y_mm), strict=True):
        if not low <= place <= high:
            raise PoseError(
                where,
                f"the park point {axis}{fixed(place)} is outside the axis, "
                f"{fixed(low)} to {fixed(high)}",
                "Park inside the machine",
            )
    if not machine.reaches(*goal[:2]):
        raise PoseError(
            where, f"the park point {_place(goal)} is outside the round bed", "Park inside it"
        )


def _no_room(default: float, ceiling: float, lid: KeepOut | None, where: Where | str) -> PoseError:
    end = (
        f"the axis ends at Z{fixed(ceiling)}"
        if lid is None
        else f"under the keep-out box {lid.name!r} the nozzle may go to Z{fixed(ceiling)}"
    )
    return PoseError(
        where,
        f"the hop to Z{fixed(default)} does not fit: {end}",
        "Take a smaller [park] clear_mm, or skip such poses with --skip-unsafe",
    )


def _no_path(
    scene: Scene, start: Point, goal: Point, default: float, ceiling: float, where: Where | str
) -> PoseError:
    """Name the place that is shut: the park point itself, the start, or the path between."""
    places = {
        f"at the park point {_place(goal)}": (goal, goal),
        f"on leaving the print at {_place(start)}": (start, start),
        f"on the path from {_place(start)} to {_place(goal)}": (start, goal),
    }
    asked = ((name, scene.shuts(a, b, default)) for name, (a, b) in places.items())
    place, shuts = next(one for one in asked if least_hop(default, ceiling, one[1]) is None)
    worst = max((s for s in shuts if s.high_mm > default), key=lambda one: one.high_mm)
    return PoseError(
        where,
        f"{place} the {worst.part} would touch {thing_text(scene, worst)}; passing over it "
        f"takes Z{fixed(_up(worst.high_mm))}, the nozzle can go to Z{fixed(ceiling)}, and there "
        "is no path round",
        "Move [park], arrange the objects anew, or skip such poses with --skip-unsafe",
    )
