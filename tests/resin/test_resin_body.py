"""A part without layer images: STL files cut into layers, and the plain tower.

STL bytes are written here by hand; areas are checked against circles, boxes and the divergence
theorem, none of which the code uses.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from capturehook.errors import CaptureHookError, FileError
from capturehook.model.resin import ResinTable
from capturehook.resin.body import (
    WIDE_PX,
    BodyImages,
    body_of_stl,
    cut,
    layered,
    plain_body,
    read_stl,
    with_body,
)
from capturehook.resin.job import job_of_table


def box(x: float, y: float, z: float, at: tuple[float, float, float] = (0, 0, 0)) -> np.ndarray:
    """(12, 3, 3) a box from a corner, outsides anticlockwise."""
    corners = np.array([[i, j, k] for i in (0, x) for j in (0, y) for k in (0, z)], float) + at
    faces = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
    return np.array([corners[[f[a] for a in t]] for f in faces for t in ((0, 1, 2), (0, 2, 3))])


def cone(radius: float, top: float, tall: float, sides: int = 720) -> np.ndarray:
    """(N, 3, 3) a cone cut off at the top."""
    turn = np.linspace(0, 2 * np.pi, sides + 1)
    ring = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(sides + 1)])
    foot, head = ring * radius, ring * top + [0, 0, tall]
    low, high = np.zeros(3), np.array([0, 0, tall])
    found = []
    for n in range(sides):
        found += [(foot[n], foot[n + 1], head[n + 1]), (foot[n], head[n + 1], head[n])]
        found += [(low, foot[n + 1], foot[n]), (high, head[n], head[n + 1])]
    return np.array(found)


def binary_stl(triangles: np.ndarray) -> bytes:
    rows = [
        struct.pack("<12fH", 0, 0, 0, *triangle.astype(np.float32).ravel(), 0)
        for triangle in triangles
    ]
    return b"by hand".ljust(80) + struct.pack("<I", len(triangles)) + b"".join(rows)


def text_stl(triangles: np.ndarray) -> bytes:
    lines = ["solid by hand"]
    for triangle in triangles:
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += [f"vertex {x:.9g} {y:.9g} {z:.9g}" for x, y, z in triangle]
        lines += ["endloop", "endfacet"]
    return "\n".join([*lines, "endsolid"]).encode()


def save(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "part.stl"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("write", [binary_stl, text_stl])
def test_stl_of_both_kinds_is_read(tmp_path: Path, write: object) -> None:
    body = body_of_stl(save(tmp_path, write(box(20, 10, 30, (5, 5, 7)))))  # type: ignore[operator]
    assert (body.wide_mm, body.deep_mm, body.height_mm) == pytest.approx((20, 10, 30))
    assert body.triangles is not None
    np.testing.assert_allclose(body.triangles.reshape(-1, 3).min(axis=0), [-10, -5, 0], atol=1e-5)


def test_cut_of_a_cone_has_the_area_of_its_circles() -> None:
    """Area pi r^2 with r from 20 to 10 mm over 40 mm (plain geometry), pixels of 0.1 mm."""
    triangles = cone(20, 10, 40)
    for z_mm in (0.5, 11.3, 20.0, 39.9):
        area = np.count_nonzero(cut(triangles, z_mm, 0.1, (500, 500))) * 0.01
        radius = 20 - 10 * z_mm / 40
        assert area == pytest.approx(np.pi * radius**2, rel=0.002)
    assert not cut(triangles, 40.5, 0.1, (500, 500)).any()


def test_cut_keeps_a_hole_and_fills_overlaps() -> None:
    """A box with a box-shaped hole (walls turned inwards), and two boxes that overlap."""
    hollow = np.concatenate([box(20, 20, 10), box(10, 10, 10, (5, 5, 0))[:, ::-1]])
    hollow[:, :, :2] -= 10
    assert np.count_nonzero(cut(hollow, 5.0, 0.5, (60, 60))) * 0.25 == pytest.approx(300, rel=0.01)
    both = np.concatenate([box(20, 10, 10, (-10, -5, 0)), box(10, 20, 10, (-5, -10, 0))])
    assert np.count_nonzero(cut(both, 5.0, 0.5, (60, 60))) * 0.25 == pytest.approx(300, rel=0.01)


def test_volume_of_all_layers_is_that_of_the_divergence_theorem(tmp_path: Path) -> None:
    """Sum of a . (b x c) / 6 over the triangles, against lit pixels x pitch^2 x layer height."""
    triangles = cone(12, 3, 30, sides=90)
    a, b, c = triangles.swapaxes(0, 1)
    volume = float((a * np.cross(b, c)).sum() / 6)
    body = body_of_stl(save(tmp_path, binary_stl(triangles)))
    table = layered(ResinTable(layer_mm=0.5), body)
    assert table.layers == 60
    job = with_body(job_of_table(table, "tern"), body)
    assert job.findings == ()
    with BodyImages(body, job, 60.0) as images:
        lit = sum(np.count_nonzero(images.read(n)) for n in range(60))
    assert lit * (60.0 / WIDE_PX) ** 2 * 0.5 == pytest.approx(volume, rel=0.01)


def test_picture_is_seen_as_the_part_lies_on_the_plate(tmp_path: Path) -> None:
    """What lies at greater Y is in the upper rows, at greater X on the right."""
    triangles = np.concatenate([box(40, 40, 1), box(5, 5, 20, (35, 35, 0))])
    body = body_of_stl(save(tmp_path, binary_stl(triangles)))
    job = with_body(job_of_table(layered(ResinTable(layer_mm=1.0), body), "tern"), body)
    with BodyImages(body, job, 80.0) as images:
        row, column = (where.mean() for where in np.nonzero(images.read(10)))
        assert row < images.read(10).shape[0] / 2
        assert column > WIDE_PX / 2


def test_body_of_another_height_than_its_layers_is_told() -> None:
    job = job_of_table(ResinTable(layers=100, layer_mm=0.1), "tern")
    assert with_body(job, plain_body(10.0, 120)).findings == ()
    (finding,) = with_body(job, plain_body(30.0, 120)).findings
    assert finding.code == "resin-layer-count"


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "is no STL file, or was cut"),
        (binary_stl(box(9, 9, 9))[:-1], "is no STL file, or was cut"),
        (b"x" * 80 + struct.pack("<I", 0), "holds no body"),
        (b"solid\nvertex 1 2 x\n", "holds a corner that is no number"),
        (binary_stl(box(9, 9, 9) * np.nan), "holds no body"),
        (binary_stl(box(9, 9, 9000)), "no part of a resin printer"),
        (b"x" * 80 + struct.pack("<I", 4_000_000_000), "is no STL file, or was cut"),
    ],
)
def test_stl_that_is_none_is_one_error(tmp_path: Path, data: bytes, found: str) -> None:
    with pytest.raises(FileError, match=found):
        read_stl(save(tmp_path, data))


def test_part_wider_than_the_screen_is_refused(tmp_path: Path) -> None:
    body = body_of_stl(save(tmp_path, binary_stl(box(130, 10, 10))))
    job = with_body(job_of_table(layered(ResinTable(layer_mm=1.0), body), "tern"), body)
    with pytest.raises(CaptureHookError, match=r"is 130\.0 mm wide, the screen 120"):
        BodyImages(body, job, 120.0)
