"""Layer cycles -> the light timeline: what the lamp and the plate do, second by second.

The cycles come from a [resin] table or from a container; `lines.py` builds the same record
from a job's own lines.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capturehook.catalog.containers.fields import exposures
from capturehook.model.resin import ResinTable, Stage
from capturehook.model.resin_job import PHASES, Floats, LayerCycles, LightTimeline

DARK_BETWEEN_TESTS_S = 1.0
BEFORE_LIGHT, BEFORE_LIFT, LIFTED, DOWN = range(4)
"""Columns of LayerCycles.rest_s."""


def cycles_of_table(table: ResinTable, layers: int) -> LayerCycles:
    """The cycles that a [resin] table tells by itself."""
    first_mm = table.layer_mm if table.first_layer_mm is None else table.first_layer_mm
    fade = table.transition_layers
    light_s = exposures(
        layers,
        (table.bottom_layers, table.bottom_exposure_s),
        table.exposure_s,
        fade,
        fade + (table.transition == "between"),
    )
    z_mm = (first_mm + np.arange(layers) * table.layer_mm).astype(np.float64)
    return moved_by_table(table, z_mm, light_s, table.bottom_layers)


def moved_by_table(
    table: ResinTable, z_mm: Floats, light_s: Floats, bottom_layers: int
) -> LayerCycles:
    """Heights and exposures with the moves and rests of a [resin] table."""
    layers = len(z_mm)
    is_bottom = np.arange(layers) < bottom_layers
    tilts = table.tilt_s > 0
    lift = _stage_grid(table.lift, table.bottom_lift, is_bottom)
    retract = _stage_grid(table.retract, table.bottom_retract, is_bottom)
    rest_lifted_s = 0.0 if tilts else table.rest_lifted_s
    rests = (table.rest_before_s, table.rest_after_s, rest_lifted_s, 0.0)
    return LayerCycles(
        z_mm=z_mm.astype(np.float64),
        exposure_s=light_s,
        lift_mm=lift[0] * (not tilts),
        lift_mm_min=lift[1],
        retract_mm=retract[0] * (not tilts),
        retract_mm_min=retract[1],
        rest_s=np.tile(rests, (layers, 1)),
        light_off_s=np.full(layers, table.light_off_s),
        tilt_s=np.full(layers, table.tilt_s),
    )


def _stage_grid(
    normal: tuple[Stage, ...], low: tuple[Stage, ...] | None, is_bottom: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """((L, S) mm, (L, S) mm/min) of the stages; the shorter list is filled with 0 mm."""
    width = max(len(normal), len(low or ()))
    grids = []
    for stages in (low or normal, normal):
        grid = np.zeros((2, width))
        grid[0, : len(stages)] = [stage.mm for stage in stages]
        grid[1, : len(stages)] = [stage.mm_min for stage in stages]
        grids.append(grid)
    mm, mm_min = np.where(is_bottom[None, :, None], grids[0][:, None, :], grids[1][:, None, :])
    return mm, mm_min


def moves_s(mm: Floats, mm_min: Floats) -> Floats:
    """Seconds of each stage, same shape; 0 for a stage of 0 mm."""
    return np.asarray(np.where(mm > 0, mm / np.where(mm > 0, mm_min, 1.0) * 60.0, 0.0))


def light_off_rest_s(cycles: LayerCycles, reading: str, motion_s: Floats) -> Floats:
    """(L,) the rest that a light-off time leaves, by one of its readings."""
    if reading == "none":
        return np.zeros(len(cycles))
    if reading == "retract":
        return cycles.light_off_s
    return np.maximum(cycles.light_off_s - motion_s, 0.0)


def timeline_of_table(table: ResinTable, layers: int) -> LightTimeline:
    """The timeline that a [resin] table tells by itself."""
    return timeline_of(cycles_of_table(table, layers), table, table.light_off_from or "lift")


def timeline_of(cycles: LayerCycles, table: ResinTable, light_off: str = "lift") -> LightTimeline:
    """The timeline of some cycles; start-up, screen tests and lost seconds are the table's."""
    lift_s = moves_s(cycles.lift_mm, cycles.lift_mm_min)
    retract_s = moves_s(cycles.retract_mm, cycles.retract_mm_min)
    motion_s = lift_s.sum(axis=1) + cycles.rest_s[:, LIFTED] + retract_s.sum(axis=1)
    column = {
        "rest_before": cycles.rest_s[:, BEFORE_LIGHT],
        "light": cycles.exposure_s,
        "rest_after": cycles.rest_s[:, BEFORE_LIFT],
        "tilt": cycles.tilt_s,
        "lift": lift_s.sum(axis=1),
        "rest_lifted": cycles.rest_s[:, LIFTED],
        "retract": retract_s.sum(axis=1),
        "wait": cycles.rest_s[:, DOWN]
        + light_off_rest_s(cycles, light_off, motion_s)
        + table.layer_extra_s,
        "pose": np.zeros(len(cycles)),
    }
    phase_s = np.column_stack([column[name] for name in PHASES])
    test_on_s, test_off_s = false_starts(table)
    startup_s = max(table.startup_s, float(test_off_s.max(initial=0.0)))
    layer_end_s = startup_s + np.cumsum(phase_s.sum(axis=1))
    start_s = np.concatenate([[startup_s], layer_end_s[:-1]])
    phase_end_s = start_s[:, None] + np.cumsum(phase_s, axis=1)
    light = PHASES.index("light")
    knot_s, knot_mm = _knots(cycles, phase_end_s, lift_s, retract_s)
    layer_no = np.arange(1, len(cycles) + 1, dtype=np.int64)
    return LightTimeline(
        z_mm=cycles.z_mm,
        lift_mm=cycles.lift_mm.sum(axis=1),
        start_s=start_s,
        phase_s=phase_s,
        flash_on_s=np.concatenate([test_on_s, phase_end_s[:, light - 1]]),
        flash_off_s=np.concatenate([test_off_s, phase_end_s[:, light]]),
        flash_power=np.ones(len(test_on_s) + len(cycles)),
        flash_layer_no=np.concatenate([np.zeros(len(test_on_s), np.int64), layer_no]),
        knot_s=np.concatenate([[0.0], knot_s]),
        knot_mm=np.concatenate([cycles.z_mm[:1], knot_mm]),
        startup_s=startup_s,
        end_s=0.0,
    )


def _knots(
    cycles: LayerCycles, phase_end_s: Floats, lift_s: Floats, retract_s: Floats
) -> tuple[Floats, Floats]:
    """The corners of the plate's height; each cycle ends at the next layer's height."""
    z_mm = cycles.z_mm
    up_s = phase_end_s[:, PHASES.index("rest_after"), None]
    down_s = phase_end_s[:, PHASES.index("rest_lifted"), None]
    next_mm = np.append(z_mm[1:], z_mm[-1:])
    top_mm = z_mm + cycles.lift_mm.sum(axis=1)
    way_mm = cycles.retract_mm.sum(axis=1)
    share = np.where(way_mm > 0, (top_mm - next_mm) / np.where(way_mm > 0, way_mm, 1.0), 0.0)
    times = [
        up_s,
        up_s + np.cumsum(lift_s, axis=1),
        down_s,
        down_s + np.cumsum(retract_s, axis=1),
        down_s + retract_s.sum(axis=1, keepdims=True),
    ]
    heights = [
        z_mm[:, None],
        z_mm[:, None] + np.cumsum(cycles.lift_mm, axis=1),
        top_mm[:, None],
        top_mm[:, None] - share[:, None] * np.cumsum(cycles.retract_mm, axis=1),
        next_mm[:, None],
    ]
    return np.concatenate(times, axis=1).ravel(), np.concatenate(heights, axis=1).ravel()


def false_starts(table: ResinTable) -> tuple[Floats, Floats]:
    """(on, off) seconds of the flashes before the first layer that no job mentions."""
    lengths = np.array(table.sensor.false_starts_s, dtype=np.float64)
    off = np.cumsum(lengths + DARK_BETWEEN_TESTS_S)
    return off - lengths, off
