"""The head against what stands on the bed: which nozzle heights are shut along a line.

The head is three parts that move together, each a rectangle seen from above: the nozzle,
the body round it, and the gantry over the whole width of X. See docs/explain/space.md.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from capturehook.place.height_map import HeightMap, Peak, Reach

if TYPE_CHECKING:
    from capturehook.model.profile import Carriage, KeepOut, Machine

Point = Sequence[float]

NOZZLE_HALF_MM = 2.0
"""Half the width of the nozzle's tip and cone, up to the body: common practice, no source."""
GANTRY_MM = 100.0
"""How far body and gantry reach up beyond [machine] carriage_mm height: keeps them out of
boxes that hang above. Common practice, no source."""
SAME_MM = 1e-6
"""Two heights closer than this are the same."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the head; ``low_mm`` and ``high_mm`` count from the nozzle's tip."""

    name: str
    reach: Reach
    low_mm: float
    high_mm: float


def head_parts(carriage: Carriage) -> tuple[Part, Part, Part]:
    """Nozzle, body and gantry of a carriage as it was measured."""
    size = carriage
    infinite = float("inf")
    body_high = max(size.height, size.clearance)
    return (
        Part("nozzle", (NOZZLE_HALF_MM,) * 4, 0.0, size.clearance),
        Part(
            "carriage body",
            (size.left, size.right, size.front, size.back),
            size.clearance,
            body_high,
        ),
        Part(
            "gantry",
            (infinite, infinite, size.front, size.back),
            size.height,
            body_high + GANTRY_MM,
        ),
    )


@dataclass(frozen=True, slots=True)
class Shut:
    """Nozzle heights (both ends excluded) at which one part of the head meets one thing."""

    low_mm: float
    high_mm: float
    part: str
    thing: Peak | KeepOut

    def holds(self, z_mm: float) -> bool:
        return self.low_mm + SAME_MM < z_mm < self.high_mm - SAME_MM


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One machine and what stands on its bed at one pose.

    Without a ``height_map`` everything may be as high as ``top_mm``, anywhere.
    """

    machine: Machine
    clear_mm: float
    top_mm: float
    height_map: HeightMap | None = None

    @property
    def parts(self) -> tuple[Part, Part, Part]:
        return head_parts(self.machine.carriage_mm)

    def shuts(self, a_mm: Point, b_mm: Point, z_mm: float = 0.0) -> list[Shut]:
        """What is in the way from a to b; heights below ``z_mm`` are not asked about."""
        return [*self._printed(a_mm, b_mm, z_mm), *self._boxes(a_mm, b_mm)]

    def is_free(self, a_mm: Point, b_mm: Point, z_mm: float) -> bool:
        """True when the head can be carried from a to b with the nozzle at one height."""
        return not any(shut.holds(z_mm) for shut in self.shuts(a_mm, b_mm, z_mm))

    def highest_under_nozzle(self, path_mm: Sequence[Point]) -> float:
        """Highest printed point under the nozzle along a path."""
        if self.height_map is None:
            return self.top_mm
        return self.height_map.highest_under([tuple(point) for point in path_mm], NOZZLE_HALF_MM)

    def ceiling(self, at_mm: Point, z_mm: float) -> tuple[float, KeepOut | None]:
        """How high the nozzle can go straight up from ``z_mm``, and the box that ends it.

        A box the head is already in at ``z_mm`` does not count: the job itself went there,
        and up leads out of it.
        """
        top, end = self.machine.z_mm[1], None
        for box in self.machine.keep_out:
            for part in self.parts:
                over = box.z_mm[0] >= z_mm + part.high_mm - SAME_MM
                room = box.z_mm[0] - part.high_mm - self.clear_mm
                if over and room < top and meets(box, at_mm, at_mm, part.reach):
                    top, end = room, box
        return top, end

    def _printed(self, a_mm: Point, b_mm: Point, z_mm: float) -> Iterator[Shut]:
        if z_mm >= self.top_mm + self.clear_mm - SAME_MM:
            return
        below = -float("inf")
        if self.height_map is None:
            yield Shut(below, self.top_mm + self.clear_mm, "nozzle", Peak(self.top_mm))
            return
        for part in self.parts:
            peak = self.height_map.highest_swept(a_mm, b_mm, part.reach)
            if peak.top_mm > 0:
                yield Shut(below, peak.top_mm + self.clear_mm - part.low_mm, part.name, peak)

    def _boxes(self, a_mm: Point, b_mm: Point) -> Iterator[Shut]:
        for box in self.machine.keep_out:
            for part in self.parts:
                if meets(box, a_mm, b_mm, part.reach):
                    low = box.z_mm[0] - part.high_mm - self.clear_mm
                    high = box.z_mm[1] - part.low_mm + self.clear_mm
                    yield Shut(low, high, part.name, box)


def meets(box: KeepOut, a_mm: Point, b_mm: Point, reach: Reach) -> bool:
    """True when a rectangle carried from a to b touches a box, seen from above.

    The nozzle's line against the box grown by the rectangle: the slab method for a line
    and an axis-aligned box (Kay and Kajiya 1986, from memory).
    """
    left, right, front, back = reach
    grown = (
        (box.x_mm[0] - right, box.x_mm[1] + left),
        (box.y_mm[0] - back, box.y_mm[1] + front),
    )
    first, last = 0.0, 1.0
    for a, b, (low, high) in zip(a_mm, b_mm, grown, strict=True):
        if abs(b - a) < SAME_MM:
            if not low <= a <= high:
                return False
            continue
        t0, t1 = sorted(((low - a) / (b - a), (high - a) / (b - a)))
        first, last = max(first, t0), min(last, t1)
    return first <= last
