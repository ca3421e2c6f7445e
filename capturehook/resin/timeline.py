"""The light timeline: what the lamp and the plate do in every layer, second by second.

Built here from a [resin] table; `run_gcode.py` builds the same record from a job's own lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from capturehook.model.resin import ResinTable, Stage

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PHASES = ("rest_before", "light", "rest_after", "lift", "rest_lifted", "retract", "wait", "pose")
"""The phases of one layer in their usual order; `pose` is time that pose blocks take."""

DARK_BETWEEN_TESTS_S = 1.0
AFTER_END_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LightTimeline:
    """L layers, B flashes (spans of light), K knots of the plate's height.

    Attributes
    ----------
    z_mm : (L,) height of the plate above the film while the layer is lit
    lift_mm : (L,) how far the plate rises after (or, in some jobs, before) the layer's light
    start_s : (L,) second at which the layer's cycle begins
    phase_s : (L, 8) seconds of each of PHASES
    flash_on_s, flash_off_s : (B,) seconds at which light begins and ends, rising
    flash_power : (B,) 0 to 1
    flash_layer_no : (B,) layer number from 1; 0 before the first layer, -1 after the last
    knot_s, knot_mm : (K,) the plate's height, linear between knots
    startup_s, end_s : before the first layer, and after the last one's cycle
    """

    z_mm: Floats
    lift_mm: Floats
    start_s: Floats
    phase_s: Floats
    flash_on_s: Floats
    flash_off_s: Floats
    flash_power: Floats
    flash_layer_no: Ints
    knot_s: Floats
    knot_mm: Floats
    startup_s: float
    end_s: float

    def __len__(self) -> int:
        return len(self.z_mm)

    @property
    def total_s(self) -> float:
        """Start-up + every phase of every layer + the end section."""
        return self.startup_s + float(self.phase_s.sum()) + self.end_s

    @property
    def height_mm(self) -> float:
        """Height of the part: the plate at the last layer."""
        return float(self.z_mm.max(initial=0.0))

    def plate_mm(self, t_s: Floats) -> Floats:
        """Height of the plate at some seconds, same shape as ``t_s``."""
        height: Floats = np.interp(t_s, self.knot_s, self.knot_mm)
        return height

    def still_from_s(self, t_s: Floats) -> Floats:
        """How long the plate stays still from each second on (0 while it moves).

        After its last move the plate waits for its owner: counted as AFTER_END_S.
        """
        moving = np.flatnonzero(np.diff(self.knot_mm) != 0)
        after_end = max(self.total_s, float(t_s.max(initial=0.0))) + AFTER_END_S
        starts = np.append(self.knot_s[moving], after_end)
        ends = np.append(self.knot_s[moving + 1], np.inf)
        at = np.searchsorted(ends, t_s, side="right")
        return np.maximum(starts[at] - t_s, 0.0)


def exposures(
    layers: int,
    bottom_layers: int,
    bottom_s: float,
    normal_s: float,
    transition_layers: int,
    transition: Literal["between", "reaching"],
) -> Floats:
    """Exposure of each layer, (layers,) seconds.

    After the bottom layers it falls linearly over n transition layers: "between" in n + 1
    steps, t_k = t_b - (t_b - t_n) k / (n + 1); "reaching" in n steps, so that t_n is met at
    k = n (both are common practice).
    """
    steps = transition_layers + (1 if transition == "between" else 0)
    k = np.arange(1, layers + 1, dtype=np.float64) - bottom_layers
    falling = bottom_s - (bottom_s - normal_s) * k / max(steps, 1)
    result: Floats = np.where(k <= transition_layers, falling, normal_s)
    result[k <= 0] = bottom_s
    return result


def stages_s(stages: tuple[Stage, ...]) -> float:
    """Seconds of a lift or retract in stages: the sum of d / (v / 60)."""
    return sum(stage.mm / (stage.mm_min / 60.0) for stage in stages)


def timeline_of_table(
    table: ResinTable,
    layers: int,
    light_s: Floats | None = None,
    layer_mm: float | None = None,
    bottom_layers: int | None = None,
) -> LightTimeline:
    """The timeline that a [resin] table tells by itself, or with a job's exposures.

    Parameters
    ----------
    light_s : (layers,) exposures; from the table unless given
    layer_mm : thickness; from the table unless given
    bottom_layers : how many use the bottom lift; from the table unless given
    """
    if light_s is None:
        light_s = exposures(
            layers,
            table.bottom_layers,
            table.bottom_exposure_s,
            table.exposure_s,
            table.transition_layers,
            table.transition,
        )
    bottoms = table.bottom_layers if bottom_layers is None else bottom_layers
    bottom = np.arange(layers) < bottoms
    phase_s = np.zeros((layers, len(PHASES)))
    phase_s[:, PHASES.index("rest_before")] = table.rest_before_s
    phase_s[:, PHASES.index("light")] = light_s
    phase_s[:, PHASES.index("rest_after")] = table.rest_after_s
    phase_s[:, PHASES.index("rest_lifted")] = table.rest_lifted_s
    for name in ("lift", "retract"):
        normal = getattr(table, name)
        low = getattr(table, f"bottom_{name}") or normal
        phase_s[:, PHASES.index(name)] = np.where(bottom, stages_s(low), stages_s(normal))
    phase_s[:, PHASES.index("wait")] = _wait_s(table, phase_s) + table.layer_extra_s
    z_mm = np.arange(1.0, layers + 1) * (table.layer_mm if layer_mm is None else layer_mm)
    return _assemble(table, z_mm, bottom, phase_s)


def _wait_s(table: ResinTable, phase_s: Floats) -> Floats:
    """The rest that a light-off delay leaves; its two meanings are both common."""
    if table.light_off_from == "retract":
        return np.full(len(phase_s), table.light_off_s)
    first, last = PHASES.index("lift"), PHASES.index("retract")
    moves_s: Floats = phase_s[:, first : last + 1].sum(axis=1)
    return np.maximum(table.light_off_s - moves_s, 0.0)


def _assemble(
    table: ResinTable, z_mm: Floats, bottom: NDArray[np.bool_], phase_s: Floats
) -> LightTimeline:
    test_on_s, test_off_s = false_starts(table)
    startup_s = max(table.startup_s, float(test_off_s.max(initial=0.0)))
    layer_end_s = startup_s + np.cumsum(phase_s.sum(axis=1))
    start_s = np.concatenate([[startup_s], layer_end_s[:-1]])
    phase_end_s = start_s[:, None] + np.cumsum(phase_s, axis=1)
    light = PHASES.index("light")
    lift = _stage_grid(table.lift, table.bottom_lift, bottom)
    retract = _stage_grid(table.retract, table.bottom_retract, bottom)
    knot_s, knot_mm = _knots(z_mm, phase_end_s, lift, retract)
    layer_no = np.arange(1, len(z_mm) + 1, dtype=np.int64)
    return LightTimeline(
        z_mm=z_mm,
        lift_mm=lift[1].sum(axis=1),
        start_s=start_s,
        phase_s=phase_s,
        flash_on_s=np.concatenate([test_on_s, phase_end_s[:, light - 1]]),
        flash_off_s=np.concatenate([test_off_s, phase_end_s[:, light]]),
        flash_power=np.ones(len(test_on_s) + len(z_mm)),
        flash_layer_no=np.concatenate([np.zeros(len(test_on_s), np.int64), layer_no]),
        knot_s=np.concatenate([[0.0], knot_s]),
        knot_mm=np.concatenate([z_mm[:1], knot_mm]),
        startup_s=startup_s,
        end_s=0.0,
    )


def _stage_grid(
    normal: tuple[Stage, ...], low: tuple[Stage, ...] | None, bottom: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """((L, S) seconds, (L, S) mm) of the stages; the shorter list is filled with nothing."""
    width = max(len(normal), len(low or ()))
    grids = []
    for stages in (low or normal, normal):
        grid = np.zeros((2, width))
        grid[0, : len(stages)] = [stage.mm / (stage.mm_min / 60.0) for stage in stages]
        grid[1, : len(stages)] = [stage.mm for stage in stages]
        grids.append(grid)
    seconds, mm = np.where(bottom[None, :, None], grids[0][:, None, :], grids[1][:, None, :])
    return seconds, mm


def _knots(
    z_mm: Floats,
    phase_end_s: Floats,
    lift: tuple[Floats, Floats],
    retract: tuple[Floats, Floats],
) -> tuple[Floats, Floats]:
    """The corners of the plate's height; a retract ends at the next layer's height."""
    up_s = phase_end_s[:, PHASES.index("rest_after"), None]
    down_s = phase_end_s[:, PHASES.index("rest_lifted"), None]
    top_mm = z_mm + lift[1].sum(axis=1)
    way_down = (top_mm - np.append(z_mm[1:], z_mm[-1:])) / retract[1].sum(axis=1)
    times = [up_s, up_s + np.cumsum(lift[0], axis=1)]
    heights = [z_mm[:, None], z_mm[:, None] + np.cumsum(lift[1], axis=1)]
    times += [down_s, down_s + np.cumsum(retract[0], axis=1)]
    heights += [
        top_mm[:, None],
        top_mm[:, None] - way_down[:, None] * np.cumsum(retract[1], axis=1),
    ]
    return np.concatenate(times, axis=1).ravel(), np.concatenate(heights, axis=1).ravel()


def false_starts(table: ResinTable) -> tuple[Floats, Floats]:
    """(on, off) seconds of the flashes before the first layer that no job mentions."""
    lengths = np.array(table.sensor.false_starts_s, dtype=np.float64)
    off = np.cumsum(lengths + DARK_BETWEEN_TESTS_S)
    return off - lengths, off
