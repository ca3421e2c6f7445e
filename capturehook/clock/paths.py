"""Part of the clock: moves -> length, direction, top speed and acceleration of each.

Directions are shares of each axis in the path (X, Y, Z, E): mm of the axis for each mm of
length. The length is that of XYZ; of the filament where nothing else moves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import FIRMWARES
from capturehook.model.moves import ARC_CCW, ARC_CW, RAPID, MoveTable
from capturehook.model.paths import Paths
from capturehook.physics.trapezoid import arc_speed
from capturehook.read.arcs import parts_of

if TYPE_CHECKING:
    from capturehook.model.profile import AxisLimits, Machine

Floats = NDArray[np.float64]

UNSET_FEED_MM_MIN = 1500.0
"""Feed before the job's first F: Marlin's and Klipper's own at start-up (from memory)."""

TINY_MM = 1e-9
"""A shorter move is no move (differences of positions leave such crumbs)."""


def is_e_only(moves: MoveTable) -> NDArray[np.bool_]:
    """(M,) True where filament moves and the nozzle stands still."""
    only: NDArray[np.bool_] = (moves.e_step_mm != 0) & (moves.turn_rad == 0)
    ends = ((moves.x_mm, moves.x0_mm), (moves.y_mm, moves.y0_mm), (moves.z_mm, moves.z0_mm))
    for part in parts_of(len(only)):
        for end, start in ends:
            only[part] &= np.abs(end[part] - start[part]) <= TINY_MM
    return only


def follow_paths(
    moves: MoveTable, machine: Machine, rows: slice, accel_mm_s2: Floats | None = None
) -> tuple[Paths, NDArray[np.int64]]:
    """Some rows of the table as paths within the machine's limits.

    Parameters
    ----------
    rows : slice of the M moves
    accel_mm_s2 : (M,) acceleration asked of each move, instead of the profile's

    Returns
    -------
    Paths, and (K,) the places inside ``rows`` of those moves that have a length
    """
    steps = _Steps(moves, rows)
    kept = np.flatnonzero(steps.length_mm > TINY_MM)
    steps.keep(kept)
    start, end = steps.directions()
    shares = _axis_shares(steps, start, machine)
    asked = _asked_accel(steps, machine) if accel_mm_s2 is None else accel_mm_s2[rows][kept]
    accel = np.minimum(asked, _least_over(machine.max_accel_mm_s2, shares, 1.0))
    top = np.minimum(_asked_speed(steps, machine), _least_over(machine.max_mm_min, shares, 60.0))
    if steps.has_arcs:
        top = np.where(steps.is_arc, np.minimum(top, arc_speed(accel, steps.radius_mm)), top)
    paths = Paths(
        length_mm=steps.length_mm,
        top_mm_s=top,
        accel_mm_s2=accel,
        start=start,
        end=end,
        e_only=steps.e_only,
    )
    return paths, kept


class _Steps:
    """Differences of positions of some rows, arcs included."""

    def __init__(self, moves: MoveTable, rows: slice) -> None:
        self.kind = moves.kind[rows]
        self.feed_mm_min = moves.feed_mm_min[rows]
        self.e_mm = moves.e_step_mm[rows]
        self.xyz_mm = np.stack(
            [
                moves.x_mm[rows] - moves.x0_mm[rows],
                moves.y_mm[rows] - moves.y0_mm[rows],
                moves.z_mm[rows] - moves.z0_mm[rows],
            ]
        )
        x_mm, y_mm, z_mm = self.xyz_mm
        flat_mm = np.hypot(x_mm, y_mm)
        self.is_arc = (self.kind == ARC_CW) | (self.kind == ARC_CCW)
        self.has_arcs = bool(self.is_arc.any())
        self.turn_rad = moves.turn_rad[rows]
        if self.has_arcs:
            self.from_centre = np.stack(
                [moves.x0_mm[rows] - moves.cx_mm[rows], moves.y0_mm[rows] - moves.cy_mm[rows]]
            )
            self.radius_mm = np.hypot(self.from_centre[0], self.from_centre[1])
            self.is_arc &= self.radius_mm > TINY_MM
            flat_mm = np.where(self.is_arc, self.radius_mm * np.abs(self.turn_rad), flat_mm)
        self.flat_mm = flat_mm
        travelled_mm = np.hypot(flat_mm, z_mm)
        self.e_only = (travelled_mm <= TINY_MM) & (self.e_mm != 0)
        self.length_mm = np.where(self.e_only, np.abs(self.e_mm), travelled_mm)

    def keep(self, kept: NDArray[np.int64]) -> None:
        """Leave out the moves without a length."""
        if len(kept) == len(self.kind):
            return
        names = ["kind", "feed_mm_min", "e_mm", "is_arc", "turn_rad", "flat_mm", "e_only"]
        names += ["length_mm", "radius_mm"] if self.has_arcs else ["length_mm"]
        for name in names:
            setattr(self, name, getattr(self, name)[kept])
        self.xyz_mm = self.xyz_mm[:, kept]
        if self.has_arcs:
            self.from_centre = self.from_centre[:, kept]

    def directions(self) -> tuple[Floats, Floats]:
        """(4, K) shares of X, Y, Z, E in the path at its start and at its end."""
        start = np.concatenate((self.xyz_mm, self.e_mm[np.newaxis])) / self.length_mm
        start[:3, self.e_only] = 0.0
        if not self.has_arcs:
            return start, start
        end = start.copy()
        self._put_tangents(start, np.zeros_like(self.turn_rad))
        self._put_tangents(end, self.turn_rad)
        return start, end

    def _put_tangents(self, direction: Floats, angle_rad: Floats) -> None:
        """Overwrite X and Y of arcs by their tangent after ``angle_rad`` of the turn."""
        cosine, sine = np.cos(angle_rad), np.sin(angle_rad)
        from_x, from_y = self.from_centre
        with np.errstate(invalid="ignore", divide="ignore"):
            scale = np.sign(self.turn_rad) * self.flat_mm / (self.length_mm * self.radius_mm)
            tangent_x = -(sine * from_x + cosine * from_y) * scale
            tangent_y = (cosine * from_x - sine * from_y) * scale
        direction[0] = np.where(self.is_arc, tangent_x, direction[0])
        direction[1] = np.where(self.is_arc, tangent_y, direction[1])


def _axis_shares(steps: _Steps, start: Floats, machine: Machine) -> Floats:
    """(4, K) largest share of each axis along the whole path.

    An arc may point along X and along Y on its way. On some families the limits hold for the
    path in the plane, not for its axes.
    """
    shares = np.abs(start)
    whole = FIRMWARES[machine.firmware].limits_hold_for_path
    if whole or steps.has_arcs:
        flat = np.where(steps.e_only, 0.0, steps.flat_mm / steps.length_mm)
        shares[:2] = flat if whole else np.where(steps.is_arc, flat, shares[:2])
    return shares


def _least_over(limits: AxisLimits, shares: Floats, per: float) -> Floats:
    """(K,) how fast the path may be so that no axis passes its own limit."""
    of_axes = (limits.x, limits.y, limits.z, limits.e)
    with np.errstate(divide="ignore"):
        least: Floats = (of_axes[0] / per) / shares[0]
        for limit, share in zip(of_axes[1:], shares[1:], strict=True):
            np.minimum(least, (limit / per) / share, out=least)
    return least


def _asked_speed(steps: _Steps, machine: Machine) -> Floats:
    """(K,) mm/s by the F in force; on some families a rapid knows no F."""
    feed = np.where(steps.feed_mm_min > 0, steps.feed_mm_min, UNSET_FEED_MM_MIN) / 60.0
    if FIRMWARES[machine.firmware].rapid_ignores_feed:
        feed = np.where(steps.kind == RAPID, np.inf, feed)
    return feed


def _asked_accel(steps: _Steps, machine: Machine) -> Floats:
    """(K,) mm/s2 by the kind of move: filament alone, printing or wiping, or travel."""
    travel = machine.travel_accel_mm_s2 or machine.accel_mm_s2
    retract = machine.retract_accel_mm_s2 or machine.accel_mm_s2
    asked = np.where(steps.e_mm != 0, machine.accel_mm_s2, travel)
    return np.where(steps.e_only, retract, asked)
