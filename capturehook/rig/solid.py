"""A bracket's figures -> a watertight solid -> STL and 3MF. Through manifold3d (extra `rig`)."""

from __future__ import annotations

from io import BytesIO
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import CaptureHookError
from capturehook.extras import install_command
from capturehook.rig.bracket import Bracket, Hole

ROUND = 48
"""Sides of a hole."""
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"


def _library() -> Any:
    try:
        import manifold3d
    except ImportError as fault:
        raise CaptureHookError(
            "bracket",
            "needs the library manifold3d, which is not installed",
            f"Install it with: {install_command('rig')}",
        ) from fault
    return manifold3d


def build(bracket: Bracket) -> Any:
    """The solid (a `manifold3d.Manifold`): boxes joined, then cuts and holes taken out.

    Raises
    ------
    CaptureHookError
        The library is missing, or the figures leave more or less than one piece.
    """
    manifold = _library().Manifold
    parts = [manifold.cube(box.size).translate(box.corner) for box in bracket.boxes]
    solid = parts[0]
    for part in parts[1:]:
        solid = solid + part
    for box in bracket.cuts:
        solid = solid - manifold.cube(box.size).translate(box.corner)
    for hole in bracket.holes:
        solid = solid - _round(manifold, hole)
    if solid.is_empty() or len(solid.decompose()) != 1:
        raise CaptureHookError(
            "bracket", "these measures leave no single piece", "Check them against the drawing"
        )
    return solid


def as_printed(bracket: Bracket, solid: Any) -> Any:
    """The solid as it lies on the bed, its lowest corner at 0, 0, 0."""
    turned = solid.rotate((*bracket.turn_deg, 0))
    low = turned.bounding_box()[:3]
    return turned.translate(tuple(-one for one in low))


def _round(manifold: Any, hole: Hole) -> Any:
    """The body of a hole; vertical ones reach half a millimetre beyond both faces."""
    radius, long = hole.diameter_mm / 2, hole.long_mm
    x, y, z = hole.centre
    if hole.axis == "z":
        low = z - 0.5 if z == 0 else z
        body = manifold.cylinder(long + 2 * (z - low), radius, radius, ROUND)
        if hole.slide_mm:
            half = hole.slide_mm / 2
            middle = manifold.cube((hole.slide_mm, hole.diameter_mm, long + 2 * (z - low)))
            body = (
                body.translate((-half, 0, 0))
                + body.translate((half, 0, 0))
                + middle.translate((-half, -radius, 0))
            )
        return body.translate((x, y, low))
    body = manifold.cylinder(long, radius, radius, ROUND)
    if hole.axis == "x":
        return body.rotate((0, 90, 0)).translate((x, y, z))
    return body.rotate((-90, 0, 0)).translate((x, y, z))


def triangles(solid: Any) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """(V, 3) corners in mm and (T, 3) triangles, outward by the right-hand rule."""
    mesh = solid.to_mesh()
    corners = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3]
    return corners, np.asarray(mesh.tri_verts, dtype=np.int64)


def as_stl(solid: Any) -> bytes:
    """Binary STL: 80 bytes, a count, then normal, three corners and two bytes a triangle."""
    corners, faces = triangles(solid)
    points = corners[faces].astype("<f4")
    normals = np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = normals / np.where(lengths > 0, lengths, 1)
    row = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
    rows = np.zeros(len(faces), dtype=row)
    rows["normal"], rows["corners"] = normals, points
    return b"bracket, mm".ljust(80) + len(faces).to_bytes(4, "little") + rows.tobytes()


def as_3mf(solid: Any) -> bytes:
    """3MF core: an OPC package with one model in millimetres (3MF Core Specification 1.x)."""
    corners, faces = triangles(solid)
    vertices = "".join(f'<vertex x="{x:.5f}" y="{y:.5f}" z="{z:.5f}"/>' for x, y, z in corners)
    sides = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in faces.tolist())
    head = '<?xml version="1.0" encoding="UTF-8"?>\n'
    package = "http://schemas.openxmlformats.org/package/2006"
    members = {
        "[Content_Types].xml": f'{head}<Types xmlns="{package}/content-types">'
        '<Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="model" '
        'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>',
        "_rels/.rels": f'{head}<Relationships xmlns="{package}/relationships">'
        '<Relationship Id="rel0" Target="/3D/3dmodel.model" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>',
        "3D/3dmodel.model": f'{head}<model unit="millimeter" xml:lang="en-US" xmlns="{CORE}">'
        f'<resources><object id="1" type="model"><mesh><vertices>{vertices}</vertices>'
        f"<triangles>{sides}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>',
    }
    out = BytesIO()
    with ZipFile(out, "w", ZIP_DEFLATED) as package_file:
        for name, text in members.items():
            info = ZipInfo(name, (2000, 1, 1, 0, 0, 0))
            info.compress_type = ZIP_DEFLATED
            package_file.writestr(info, text)
    return out.getvalue()


def outline(solid: Any, x_mm: float | None) -> list[NDArray[np.float64]]:
    """(K, 2) closed lines of a cut: (y, z) where it is upright at ``x_mm``, else (x, y) at half
    height."""
    if x_mm is None:
        low, high = solid.bounding_box()[2::3]
        return [np.asarray(one, np.float64) for one in solid.slice((low + high) / 2).to_polygons()]
    upright = solid.rotate((0, -90, 0)).slice(x_mm).to_polygons()  # x, y, z -> -z, y, x
    return [np.asarray(one, np.float64)[:, ::-1] * (1, -1) for one in upright]


def shadow(solid: Any) -> list[NDArray[np.float64]]:
    """(K, 2) closed lines of what the solid covers, seen from above."""
    return [np.asarray(one, dtype=np.float64) for one in solid.project().to_polygons()]
