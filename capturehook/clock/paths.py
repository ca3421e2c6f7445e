"""Part of the clock: moves -> length, direction, top speed and acceleration of each.

Directions are shares of each axis in the path (X, Y, Z, E): mm of the axis for each mm of
length. The length is that of XYZ; of the filament where nothing else moves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog import FIRMWARES
from capturehook.model.moves import LINE, RAPID, MoveTable
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
    only = np.zeros(len(moves), np.bool_)
    for part in parts_of(len(only)):
        still = np.abs(moves.x_mm[part] - moves.x0_mm[part]) <= TINY_MM
        still &= moves.e_step_mm[part] != 0
        row = part.start + np.flatnonzero(still)
        still = np.abs(moves.y_mm[row] - moves.y0_mm[row]) <= TINY_MM
        still &= np.abs(moves.z_mm[row] - moves.z0_mm[row]) <= TINY_MM
        still &= moves.turn_rad[row] == 0
        only[row] = still
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
    paths = Paths(length_mm=steps.length_mm, top_mm_s=top, accel_mm_s2=accel, start=start, end=end)
    return paths, kept


class _Steps:
    """Differences of positions of some rows, arcs included.

    ``xyze_mm`` is (4, K); ``e_only`` are the places of those that move filament alone. What
    is about arcs is there where ``has_arcs`` is True.
    """

    def __init__(self, moves: MoveTable, rows: slice) -> None:
        self.kind = moves.kind[rows]
        self.feed_mm_min = moves.feed_mm_min[rows]
        self.xyze_mm = np.empty((4, len(self.kind)))
        x_mm, y_mm, z_mm, e_mm = self.xyze_mm
        np.subtract(moves.x_mm[rows], moves.x0_mm[rows], out=x_mm)
        np.subtract(moves.y_mm[rows], moves.y0_mm[rows], out=y_mm)
        np.subtract(moves.z_mm[rows], moves.z0_mm[rows], out=z_mm)
        e_mm[:] = moves.e_step_mm[rows]
        flat_mm = x_mm * x_mm
        flat_mm += y_mm * y_mm
        np.sqrt(flat_mm, out=flat_mm)
        self.has_arcs = bool((self.kind > LINE).any())
        if self.has_arcs:
            self.turn_rad = moves.turn_rad[rows]
            self.from_centre = np.stack(
                [moves.x0_mm[rows] - moves.cx_mm[rows], moves.y0_mm[rows] - moves.cy_mm[rows]]
            )
            self.radius_mm = np.hypot(self.from_centre[0], self.from_centre[1])
            self.is_arc = (self.kind > LINE) & (self.radius_mm > TINY_MM)
            flat_mm = np.where(self.is_arc, self.radius_mm * np.abs(self.turn_rad), flat_mm)
        self.flat_mm, self.length_mm = flat_mm, flat_mm.copy()
        climbs = np.flatnonzero(z_mm != 0)
        self.length_mm[climbs] = np.hypot(flat_mm[climbs], z_mm[climbs])
        self.e_only = np.flatnonzero((self.length_mm <= TINY_MM) & (e_mm != 0))
        self.length_mm[self.e_only] = np.abs(e_mm[self.e_only])

    def keep(self, kept: NDArray[np.int64]) -> None:
        """Leave out the moves without a length."""
        if len(kept) == len(self.kind):
            return
        filament = np.zeros(len(self.kind), np.bool_)
        filament[self.e_only] = True
        self.e_only = np.flatnonzero(filament[kept])
        names = ["kind", "feed_mm_min", "flat_mm", "length_mm"]
        names += ["is_arc", "turn_rad", "radius_mm"] if self.has_arcs else []
        for name in names:
            setattr(self, name, getattr(self, name)[kept])
        self.xyze_mm = self.xyze_mm.take(kept, axis=1)
        if self.has_arcs:
            self.from_centre = self.from_centre.take(kept, axis=1)

    def directions(self) -> tuple[Floats, Floats]:
        """(4, K) shares of X, Y, Z, E in the path at its start and at its end."""
        start = self.xyze_mm / self.length_mm
        for share in start[:3]:
            share[self.e_only] = 0.0
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
        flat = steps.flat_mm / steps.length_mm
        flat[steps.e_only] = 0.0
        shares[:2] = flat if whole else np.where(steps.is_arc, flat, shares[:2])
    return shares


def _least_over(limits: AxisLimits, shares: Floats, per: float) -> Floats:
    """(K,) how fast the path may be so that no axis passes its own limit."""
    most: Floats = shares[0] * (per / limits.x)
    for limit, share in zip((limits.y, limits.z, limits.e), shares[1:], strict=True):
        np.maximum(most, share * (per / limit), out=most)
    with np.errstate(divide="ignore"):
        return np.divide(1.0, most, out=most)


def _asked_speed(steps: _Steps, machine: Machine) -> Floats:
    """(K,) mm/s by the F in force; on some families a rapid knows no F."""
    feed = steps.feed_mm_min / 60.0
    feed[steps.feed_mm_min <= 0] = UNSET_FEED_MM_MIN / 60.0
    if FIRMWARES[machine.firmware].rapid_ignores_feed:
        feed[steps.kind == RAPID] = np.inf
    return feed


def _asked_accel(steps: _Steps, machine: Machine) -> Floats:
    """(K,) mm/s2 by the kind of move: filament alone, printing or wiping, or travel."""
    asked = np.full(len(steps.kind), machine.accel_mm_s2)
    asked[steps.xyze_mm[3] == 0] = machine.travel_accel_mm_s2 or machine.accel_mm_s2
    asked[steps.e_only] = machine.retract_accel_mm_s2 or machine.accel_mm_s2
    return asked
