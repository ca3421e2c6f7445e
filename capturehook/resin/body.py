"""Layer images of a job that has none: a plain body, or an STL file cut layer by layer.

STL: 80 bytes, a count, then for each triangle a normal and three corners as little-endian
32-bit floats and two bytes; or text, `vertex x y z` three times for each `facet` (StereoLithography
Interface Specification, 3D Systems, 1988). Z of the file is up from the plate; lengths are mm.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import CaptureHookError, FileError, Finding
from capturehook.files import Closes, read_bytes
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import Floats, ResinJob
from capturehook.resin.area import LayerImages

Mask = NDArray[np.uint8]

TRIANGLE = np.dtype([("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("more", "<u2")])
MOST_TRIANGLES = 2_000_000
MOST_TEXT_BYTES = 200_000_000
_VERTEX = re.compile(rb"vertex\s+(\S+)\s+(\S+)\s+(\S+)")
SCREEN_MM = 120.0
"""Width of the lamp's screen unless stated: of small printers (common practice, no source)."""
WIDE_PX = 400
SCREEN_SHAPE = 9 / 16
"""Depth of a lamp screen by its width, of most small printers (common practice, no source)."""
OFF_ROW = 0.0137
"""Rows are sampled a little beside their middles: corners of a part often lie exactly on a middle,
and files give one corner with slightly different numbers."""
TOWER_SHARE, TOWER_TAPER = 0.3, 0.4
"""Radius of the plain body at its foot, as a share of its height, and what it loses upwards."""


def read_stl(path: Path) -> Floats:
    """(N, 3, 3) corners of the triangles of an STL file, mm.

    Raises
    ------
    FileError
        It cannot be read, is no STL file, or holds no body.
    """
    data = read_bytes(path)
    count = int.from_bytes(data[80:84], "little")
    if len(data) >= 84 and len(data) == 84 + count * TRIANGLE.itemsize:
        if count > MOST_TRIANGLES:
            raise _bad(path, f"holds {count} triangles (at most {MOST_TRIANGLES})")
        corners = np.frombuffer(data, TRIANGLE, offset=84)["corner"].astype(np.float64)
    elif data.lstrip()[:5] == b"solid" and len(data) <= MOST_TEXT_BYTES:
        try:
            numbers = np.array(_VERTEX.findall(data), np.float64)
        except ValueError as fault:
            raise _bad(path, f"holds a corner that is no number ({fault})") from fault
        corners = numbers[: len(numbers) // 3 * 3].reshape(-1, 3, 3)
    else:
        raise _bad(path, "is no STL file, or was cut")
    if not len(corners) or not np.isfinite(corners).all():
        raise _bad(path, "holds no body")
    size = np.ptp(corners.reshape(-1, 3), axis=0)
    if not (size > 0.01).all() or size.max() > 1000:
        words = " x ".join(f"{side:.3g}" for side in size)
        raise _bad(path, f"is {words} mm, no part of a resin printer")
    return corners


def _bad(path: Path, found: str) -> FileError:
    return FileError(str(path), found, "Save the part as STL in millimetres")


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """What is printed, foot on the plate at Z 0 and in its middle.

    Attributes
    ----------
    triangles : (N, 3, 3), or None for the plain body: a round tower that tapers
    height_mm, wide_mm, deep_mm : its size
    name : in words
    """

    triangles: Floats | None
    height_mm: float
    wide_mm: float
    deep_mm: float
    name: str


def plain_body(height_mm: float, screen_mm: float) -> Body:
    """A round tower of some height that fits a screen."""
    width_mm = 2 * min(TOWER_SHARE * height_mm, 0.4 * SCREEN_SHAPE * screen_mm)
    return Body(
        triangles=None,
        height_mm=height_mm,
        wide_mm=width_mm,
        deep_mm=width_mm,
        name="a plain tower",
    )


def body_of_stl(path: Path) -> Body:
    """The body of an STL file, moved onto the middle of the plate."""
    triangles = read_stl(path)
    corners = triangles.reshape(-1, 3)
    low, high = corners.min(axis=0), corners.max(axis=0)
    middle = np.array([(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, low[2]])
    wide, deep, tall = (float(side) for side in high - low)
    return Body(
        triangles=triangles - middle, height_mm=tall, wide_mm=wide, deep_mm=deep, name=str(path)
    )


def layered(table: ResinTable, body: Body) -> ResinTable:
    """The table with as many layers as the body is tall."""
    first_mm = table.layer_mm if table.first_layer_mm is None else table.first_layer_mm
    layers = 1 + max(0, int(np.ceil((body.height_mm - first_mm) / table.layer_mm - 1e-6)))
    return table.model_copy(
        update={"layers": layers, "bottom_layers": min(table.bottom_layers, layers)}
    )


def with_body(job: ResinJob, body: Body) -> ResinJob:
    """The job with images, one a layer; told where its layers and the body differ in height."""
    images = tuple(f"layer {n}" for n in range(1, len(job.timeline) + 1))
    findings = job.findings
    step_mm = job.timeline.height_mm / len(job.timeline)
    if abs(job.timeline.height_mm - body.height_mm) > 2 * step_mm:
        text = (
            f"is {body.height_mm:.2f} mm tall, but {len(job.timeline)} layers make "
            f"{job.timeline.height_mm:.2f} mm"
        )
        findings = (*findings, Finding("resin-layer-count", body.name, text))
    evidence = (*job.evidence, f"drawn from {body.name}")
    return replace(job, images=images, findings=findings, evidence=evidence)


class BodyImages(Closes):
    """Layer images cut from a body; as `area.LayerImages`."""

    def __init__(self, body: Body, job: ResinJob, screen_mm: float) -> None:
        deep_mm = max(SCREEN_SHAPE * screen_mm, 1.05 * body.deep_mm)
        if body.wide_mm > screen_mm:
            raise CaptureHookError(
                body.name,
                f"is {body.wide_mm:.1f} mm wide, the screen {screen_mm:g}",
                "Give the screen's width with --screen-mm, or turn the part",
            )
        self.path, self.images, self._body = Path(body.name), job.images, body
        self._pitch_mm = screen_mm / WIDE_PX
        self._shape = (int(np.ceil(deep_mm / self._pitch_mm)), WIDE_PX)
        tops = job.timeline.z_mm
        self._cuts_mm = (np.concatenate([[0.0], tops[:-1]]) + tops) / 2

    def close(self) -> None:
        """Nothing is open."""

    def mark(self, index: int) -> object:
        """Equal for layers whose images are surely equal: never known beforehand."""
        return index

    def read(self, index: int) -> Mask:
        """(H, W) 0 or 255: the body cut in the middle of a layer."""
        z_mm = float(self._cuts_mm[index])
        if self._body.triangles is not None:
            lit = cut(self._body.triangles, z_mm, self._pitch_mm, self._shape)
        else:
            lit = self._tower(z_mm)
        return np.asarray(lit * 255, np.uint8)

    def _tower(self, z_mm: float) -> NDArray[np.bool_]:
        high, wide = self._shape
        x = (np.arange(wide) + 0.5 - wide / 2) * self._pitch_mm
        y = (np.arange(high)[:, None] + 0.5 - high / 2) * self._pitch_mm
        share = 1.0 - TOWER_TAPER * z_mm / self._body.height_mm
        return np.asarray(np.hypot(x, y) <= self._body.wide_mm / 2 * share)


def open_images(
    job: ResinJob, body: Body | None = None, screen_mm: float | None = None
) -> LayerImages | BodyImages:
    """The layer images of a job: its own, or those cut from a body."""
    if body is not None:
        return BodyImages(body, job, screen_mm or SCREEN_MM)
    return LayerImages(Path(job.path), job.images, job.stored)


def cut(
    triangles: Floats, z_mm: float, pitch_mm: float, shape: tuple[int, int]
) -> NDArray[np.bool_]:
    """(H, W) where a body is solid at one height, sampled at the middles of pixels.

    Along each row a wall whose outside looks to the left opens the body and one that looks to
    the right closes it; solid is where the sum is not 0 (non-zero winding rule).
    """
    z = triangles[:, :, 2]
    crossing = triangles[(z.min(axis=1) <= z_mm) & (z.max(axis=1) > z_mm)]
    high, wide = shape
    steps = np.zeros((high, wide + 1), np.int32)
    if len(crossing):
        a, b = _ends(crossing, z_mm)
        edge_1, edge_2 = crossing[:, 1] - crossing[:, 0], crossing[:, 2] - crossing[:, 0]
        outward_x = edge_1[:, 1] * edge_2[:, 2] - edge_1[:, 2] * edge_2[:, 1]
        _add_walls(steps, a, b, -np.sign(outward_x).astype(np.int32), pitch_mm)
    return np.asarray(np.cumsum(steps[:, :-1], axis=1) != 0)


def _ends(crossing: Floats, z_mm: float) -> tuple[Floats, Floats]:
    """((K, 2), (K, 2)) the two points at which each triangle's edges pass a height."""
    nxt = np.roll(crossing, -1, axis=1)
    under = crossing[:, :, 2] <= z_mm
    passes = under != (nxt[:, :, 2] <= z_mm)
    # From the lower end always: both triangles of an edge then give the very same point.
    low = np.where(under[:, :, None], crossing, nxt)
    high = np.where(under[:, :, None], nxt, crossing)
    rise = np.where(passes, high[:, :, 2] - low[:, :, 2], 1.0)
    share = (z_mm - low[:, :, 2]) / rise
    points = low[:, :, :2] + share[:, :, None] * (high - low)[:, :, :2]
    which = np.argsort(~passes, axis=1, kind="stable")[:, :2]
    rows = np.arange(len(crossing))
    return points[rows, which[:, 0]], points[rows, which[:, 1]]


def _add_walls(
    steps: NDArray[np.int32], a: Floats, b: Floats, sign: NDArray[np.int32], pitch_mm: float
) -> None:
    """Add each wall's sign where it passes the middle of a row; row 0 is at the back."""
    high, wide = steps.shape[0], steps.shape[1] - 1
    row_a, row_b = (high / 2 - end[:, 1] / pitch_mm - 0.5 + OFF_ROW for end in (a, b))
    first = np.clip(np.ceil(np.minimum(row_a, row_b)), 0, high).astype(np.int64)
    last = np.clip(np.ceil(np.maximum(row_a, row_b)), 0, high).astype(np.int64)
    count = last - first
    wall = np.repeat(np.arange(len(a)), count)
    row = np.arange(len(wall)) - np.repeat(np.cumsum(count) - count, count) + first[wall]
    share = (row - row_a[wall]) / (row_b - row_a)[wall]
    x_mm = a[wall, 0] + share * (b - a)[wall, 0]
    column = np.clip(np.ceil(x_mm / pitch_mm + wide / 2 - 0.5), 0, wide).astype(np.int64)
    np.add.at(steps, (row, column), sign[wall])
