"""Random beds: boxes and cylinders as raw extrusion segments, layer by layer or one by one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from capturehook.model.profile import Carriage, KeepOut, Machine

Floats = NDArray[np.float64]
HATCH_MM = 4.0
WIDTH_MM = 0.6


@dataclass(frozen=True)
class Shape:
    """A box (half sizes) or a cylinder (half_x is the radius) standing on the bed."""

    round: bool
    x: float
    y: float
    half_x: float
    half_y: float
    height: float


@dataclass(frozen=True)
class Bed:
    """(n, 6) segments x0 y0 x1 y1 z width in the order of printing, and the object of each."""

    machine: Machine
    segments: Floats
    object_no: NDArray[np.int64]
    layer_ends: list[int]
    clear_mm: float


def outline(shape: Shape) -> Floats:
    """(n, 2) closed outline."""
    if shape.round:
        turn = np.linspace(0, 2 * np.pi, 25)
        around = np.column_stack([np.cos(turn), np.sin(turn)]) * shape.half_x
    else:
        around = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)], dtype=float)
        around = around * (shape.half_x, shape.half_y)
    return around + np.array([shape.x, shape.y])


def layer_of(shape: Shape, z: float) -> Floats:
    """(n, 6) outline and hatch of one layer."""
    ring = outline(shape)
    walls = np.hstack([ring[:-1], ring[1:]])
    half_y = shape.half_x if shape.round else shape.half_y
    y = np.arange(-half_y + HATCH_MM / 2, half_y, HATCH_MM)
    half = np.sqrt(np.maximum(shape.half_x**2 - y**2, 0)) if shape.round else shape.half_x
    half = np.broadcast_to(half, y.shape)
    hatch = np.column_stack([shape.x - half, shape.y + y, shape.x + half, shape.y + y])
    lines = np.vstack([walls, hatch])
    return np.hstack([lines, np.full((len(lines), 1), z), np.full((len(lines), 1), WIDTH_MM)])


def layer_tops(shape: Shape, layer_mm: float) -> list[float]:
    count = max(1, round(shape.height / layer_mm))
    return [layer_mm * (one + 1) for one in range(count)]


def print_order(
    shapes: list[Shape], layer_mm: float, one_at_a_time: bool
) -> list[tuple[int, float]]:
    """(index of the shape, z) of every layer of every shape, as printed."""
    todo = [(at, z) for at, shape in enumerate(shapes) for z in layer_tops(shape, layer_mm)]
    return todo if one_at_a_time else sorted(todo, key=lambda one: (one[1], one[0]))


def make_bed(
    machine: Machine, shapes: list[Shape], layer_mm: float, one_at_a_time: bool, clear_mm: float
) -> Bed:
    order = print_order(shapes, layer_mm, one_at_a_time)
    layers = [layer_of(shapes[at], z) for at, z in order]
    return Bed(
        machine,
        np.vstack(layers),
        np.repeat([at + 1 for at, _ in order], [len(one) for one in layers]),
        np.cumsum([len(one) for one in layers]).tolist(),
        clear_mm,
    )


def _mm(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(round(low * 4), round(high * 4)).map(lambda quarter: quarter / 4)


@st.composite
def shapes(draw: st.DrawFn) -> Shape:
    return Shape(
        draw(st.booleans()),
        draw(_mm(25, 155)),
        draw(_mm(25, 155)),
        draw(_mm(2, 14)),
        draw(_mm(2, 14)),
        draw(_mm(2, 60)),
    )


@st.composite
def boxes(draw: st.DrawFn) -> KeepOut:
    x, y, low = draw(_mm(0, 170)), draw(_mm(0, 170)), draw(st.sampled_from([0.0, 0.0, 40.0]))
    return KeepOut(
        name=draw(st.sampled_from(["clip left", "lamp", "switch bracket"])),
        x_mm=(x, x + draw(_mm(1, 25))),
        y_mm=(y, y + draw(_mm(1, 25))),
        z_mm=(low, low + draw(st.sampled_from([4.0, 12.0, 1000.0]))),
    )


@st.composite
def carriages(draw: st.DrawFn, size_mm: float, heights_mm: tuple[float, float]) -> Carriage:
    sides = [draw(_mm(0, size_mm)) for _ in range(4)]
    return Carriage(
        left=sides[0],
        right=sides[1],
        front=sides[2],
        back=sides[3],
        height=draw(_mm(*heights_mm)),
        clearance=draw(_mm(0, 6)),
    )


@st.composite
def beds(draw: st.DrawFn, tight: bool = False) -> Bed:
    """A small machine (180 x 180), some shapes and keep-out boxes.

    ``tight``: a small head under a high gantry, little room above, more to go round.
    """
    carriage = carriages(8, (1200, 1300)) if tight else carriages(30, (8, 40))
    tops = [20.0, 30.0] if tight else [20.0, 45.0, 62.0, 120.0]
    machine = Machine(
        firmware="marlin",
        x_mm=(0, 180),
        y_mm=(0, 180),
        z_mm=(0, draw(st.sampled_from(tops))),
        carriage_mm=draw(carriage),
        keep_out=tuple(draw(st.lists(boxes(), max_size=5 if tight else 2))),
    )
    return make_bed(
        machine,
        draw(st.lists(shapes(), min_size=1, max_size=6 if tight else 4)),
        draw(st.sampled_from([2.0, 5.0])),
        tight or draw(st.booleans()),
        draw(st.sampled_from([0.5, 0.8, 1.5])),
    )
