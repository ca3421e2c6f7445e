"""The arcs of a job: refused where they have no shape or the firmware stops, else their shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import GcodeError
from capturehook.model.columns import Lines
from capturehook.model.contracts import Firmware
from capturehook.model.moves import ARC_CW, LINE
from capturehook.read.arcs import centre_from_radius, swept_angle
from capturehook.read.fold import CareRows
from capturehook.read.others import Others
from capturehook.read.source import Source

Array = NDArray[np.float64]
SHORT_RADIUS = 1e-3
"""By so much of R^2 may rounding leave an arc's radius short of half its chord."""
AGAIN = "Slice the model again, or turn arcs off in the slicing host"


@dataclass(frozen=True, slots=True)
class Arcs:
    """A arcs of M moves, and what their lines say.

    Attributes
    ----------
    row, line, kind : (A,) of the arcs
    words : I, J, R and P of each, mm (P: turns); NaN where it is not said
    relative, outside, absolute_centres : (A,) under G91; outside the XY plane; I and J are places
    radius_row, radius : rows of all moves that say R, mm
    """

    source: Source
    moves: int
    row: NDArray[np.int64]
    line: NDArray[np.int64]
    kind: NDArray[np.uint8]
    words: dict[str, Array]
    relative: NDArray[np.bool_]
    outside: NDArray[np.bool_]
    absolute_centres: NDArray[np.bool_]
    any_absolute_centres: bool
    radius_row: NDArray[np.int64]
    radius: Array

    @classmethod
    def of(
        cls,
        source: Source,
        line_index: Lines,
        kind: NDArray[np.uint8],
        care: CareRows,
        others: Others,
        absolute_arc_centres: bool,
    ) -> Arcs:
        which = np.searchsorted(others.modes_line, line_index[care.row], side="right") - 1
        which = np.maximum(which, 0)
        unit = np.array([one.unit_mm for one in others.modes], np.float64)[which]
        is_arc = kind[care.row] > LINE
        modes = which[is_arc]
        words = {name: care.columns[name][is_arc] * unit[is_arc] for name in "IJR"}
        words["P"] = care.columns["P"][is_arc]
        says_radius = ~np.isnan(care.columns["R"])
        row = care.row[is_arc]
        centres = absolute_arc_centres or any(one.absolute_centres for one in others.modes)
        return cls(
            source,
            len(line_index),
            row,
            line_index[row],
            kind[row],
            words,
            ~np.array([one.absolute for one in others.modes])[modes],
            np.array([one.plane != 17 for one in others.modes])[modes],
            absolute_arc_centres | np.array([one.absolute_centres for one in others.modes])[modes],
            centres,
            care.row[says_radius],
            (care.columns["R"] * unit)[says_radius],
        )

    def refuse_unknown(self, firmware: Firmware) -> None:
        """Arcs that the firmware would stop at, or that have no shape at all."""
        if not len(self.row):
            return
        outside = "an arc outside the XY plane (G18 or G19), which this tool cannot follow"
        self._refuse(self.outside, outside)
        by_radius = ~np.isnan(self.words["R"])
        none = -1.0 if self.any_absolute_centres else 0.0  # a centre at no distance is none
        i, j = np.abs(self.words["I"]), np.abs(self.words["J"])
        no_centre = ~by_radius & ~(i > none) & ~(j > none)
        self._refuse(no_centre, "the arc has no centre (I and J, or R)")
        stops = f", at which the firmware family {firmware.name} stops"
        if not firmware.reads_radius_arcs:
            self._refuse(by_radius, f"an arc by radius{stops}")
        if not firmware.reads_relative_arcs:
            self._refuse(self.relative, f"an arc under G91{stops}")

    def _refuse(self, wrong: NDArray[np.bool_], found: str) -> None:
        if wrong.any():
            where = self.source.where(int(self.line[np.argmax(wrong)]))
            raise GcodeError(where, found, AGAIN)

    def shape(
        self, line_index: Lines, x0: Array, y0: Array, x1: Array, y1: Array
    ) -> tuple[Array, Array, Array]:
        """(M,) centre x, centre y and swept angle of all moves; NaN and 0 for straight ones.

        Raises
        ------
        GcodeError
            A radius does not reach from end to end: an error by RS-274/NGC 3.5.3.1; some
            families make it a half circle, others do not move.
        """
        self._refuse_short_radius(line_index, x0, y0, x1, y1)
        nowhere, straight = np.broadcast_to(np.nan, self.moves), np.broadcast_to(0.0, self.moves)
        row = self.row
        if not len(row):
            return nowhere, nowhere, straight
        cx, cy, turn = nowhere.copy(), nowhere.copy(), straight.copy()
        x0, y0, x1, y1 = x0[row], y0[row], x1[row], y1[row]
        is_cw, centres = self.kind == ARC_CW, self.absolute_centres
        i, j, r, p = (self.words[name] for name in "IJRP")
        by_radius = ~np.isnan(r)  # an R word wins over I and J
        mid_x = np.where(centres, np.where(np.isnan(i), x0, i), x0 + np.nan_to_num(i))
        mid_y = np.where(centres, np.where(np.isnan(j), y0, j), y0 + np.nan_to_num(j))
        rx, ry = centre_from_radius(x0, y0, x1, y1, np.nan_to_num(r), is_cw)
        mid_x, mid_y = np.where(by_radius, rx, mid_x), np.where(by_radius, ry, mid_y)
        turns = np.where(np.isnan(p), 1.0, p)
        cx[row], cy[row] = mid_x, mid_y
        turn[row] = swept_angle(x0, y0, x1, y1, mid_x, mid_y, is_cw, turns)
        return cx, cy, turn

    def _refuse_short_radius(
        self, line_index: Lines, x0: Array, y0: Array, x1: Array, y1: Array
    ) -> None:
        row, r = self.radius_row, self.radius
        chord = np.hypot(x1[row] - x0[row], y1[row] - y0[row])
        short = np.flatnonzero((chord / 2) ** 2 > (1 + SHORT_RADIUS) * r**2)
        if len(short):
            raise GcodeError(
                self.source.where(int(line_index[row[short[0]]])),
                f"the arc's radius {abs(r[short[0]]):g} mm is under half its chord, "
                f"{chord[short[0]] / 2:g} mm",
                AGAIN,
            )
