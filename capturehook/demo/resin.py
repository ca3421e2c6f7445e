"""The built-in sample for resin printers: the same lighthouse, as layer images and run.gcode.

Made by a few lines of arithmetic for the demo and for nothing else: 40 mm high, 0.1 mm layers,
four windows and a door, on a screen 120 mm wide.
"""

from __future__ import annotations

import struct
import zipfile
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capturehook.demo.lighthouse import (
    FILM_TOLD,
    PAGE_TOLD,
    TOP_MM,
    Demo,
    Step,
    Written,
    lighthouse_radius_mm,
    make_folder,
)
from capturehook.files import write_atomically

if TYPE_CHECKING:
    from capturehook.model.profile import Profile
    from capturehook.model.resin import ResinTable
    from capturehook.page.stills import Still
    from capturehook.rehearse.hanging import Scene

SCREEN_MM, SCREEN_PX = 120.0, (480, 270)
LAYER_MM = 0.1
BOTTOM_LAYERS, BOTTOM_MS, NORMAL_MS = 4, 20_000, 2_500
LIFT_MM, RESTS_MS = 6.0, 1500
EVERY = 4
DATE = (2024, 5, 1, 9, 0, 0)
WINDOWS_MM = ((8.0, 12.0), (17.0, 21.0))
DOOR_MM = 5.0
DEEP_MM = 1.6


def resin_lighthouse(layers: int | None = None) -> bytes:
    """The sample as a container with run.gcode and a PNG for each layer.

    ``layers``: fewer, thicker ones for a quick try; the part stays as high.
    """
    import io

    count = layers or round(TOP_MM / LAYER_MM)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as container:
        members = [("run.gcode", _run_gcode(count))]
        members += [
            (f"{k + 1}.png", _png(_image((k + 0.5) * TOP_MM / count))) for k in range(count)
        ]
        for name, data in members:
            info = zipfile.ZipInfo(name, DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            container.writestr(info, data)
    return out.getvalue()


def _run_gcode(layers: int) -> bytes:
    step_mm = TOP_MM / layers
    lines = ["; a small lighthouse for the printer Tern", "G21;", "G90;", "M106 S0;", "G28 Z0;"]
    lines.append(f"G0 Z{step_mm:g} F150;")
    for index in range(layers):
        z_mm = step_mm * (index + 1)
        light_ms = BOTTOM_MS if index < BOTTOM_LAYERS else NORMAL_MS
        lines += [f";LAYER_START:{index}", f";currPos:{z_mm:.3f}", f'M6054 "{index + 1}.png"']
        lines += ["G4 P1000;", "M106 S255;", f"G4 P{light_ms};", "M106 S0;"]
        lines += [f"G0 Z{z_mm + LIFT_MM:.3f} F60;", f"G4 P{RESTS_MS};"]
        lines += [f"G0 Z{z_mm + step_mm:.3f} F150;", ";LAYER_END"]
    lines += [";START_GCODE_END", "M106 S0;", "G1 Z115 F180;", "M18;", ";END_GCODE_END"]
    return ("\n".join(lines) + "\n").encode("ascii")


def _image(z_mm: float) -> NDArray[np.uint8]:
    """(H, W) the lighthouse cut at one height, white on black."""
    wide, high = SCREEN_PX
    pitch_mm = SCREEN_MM / wide
    x = (np.arange(wide) + 0.5 - wide / 2) * pitch_mm
    y = (high / 2 - np.arange(high)[:, None] - 0.5) * pitch_mm
    radius_mm = lighthouse_radius_mm(z_mm)
    away = np.hypot(x, y)
    lit = away <= radius_mm
    outer = away > radius_mm - DEEP_MM
    if any(low < z_mm < top for low, top in WINDOWS_MM):
        lit &= ~(outer & ((np.abs(x) < 1.5) | (np.abs(y) < 1.5)))
    if z_mm < DOOR_MM:
        lit &= ~(outer & (np.abs(x + y) < 3.0) & (y < 0))
    return np.asarray(lit * 255, np.uint8)


def _png(pixels: NDArray[np.uint8]) -> bytes:
    """A grey 8-bit PNG. Source: W3C PNG specification, sections 5 and 11."""
    high, wide = pixels.shape
    rows = np.pad(pixels, ((0, 0), (1, 0))).tobytes()
    head = struct.pack(">IIBBBBB", wide, high, 8, 0, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(rows)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )


def make_resin_demo(
    folder: Path,
    profile: Profile,
    table: ResinTable,
    *,
    with_film: bool,
    step: Step | None = None,
) -> Demo:
    """Make the job, put poses into it, plan, and draw the film, all into a folder.

    Raises
    ------
    FileError
        The folder cannot be made or written.
    """
    from capturehook.draw.html import save_page
    from capturehook.page.resin import resin_page
    from capturehook.page.stills import draw_resin_stills
    from capturehook.rehearse.hanging import Scene
    from capturehook.resin.pose import insert_poses
    from capturehook.resin.shoot import plan_shoot

    make_folder(folder)
    job_path, posed_path = folder / "lighthouse.zip", folder / "lighthouse_posed.zip"
    write_atomically(job_path, resin_lighthouse())
    posed, added_s = insert_poses(job_path, posed_path, profile, table, EVERY)
    shoot = plan_shoot(posed, profile, table)
    scene = Scene(job=posed, shoot=shoot, profile=profile, table=table)
    shoot.plan.save(folder / "plan.json")
    files: list[Written] = [
        (job_path, "the job as a slicing host would write it: images and run.gcode"),
        (posed_path, f"the same with {len(shoot.plan.poses)} pose blocks in its run.gcode"),
        (folder / "plan.json", "the predicted second of each frame, for the audit"),
    ]
    if with_film:
        film, stills = _rehearse(folder, scene, step)
        files.append(film)
    else:
        stills = draw_resin_stills(scene, step)
    save_page(folder / "shoot.html", resin_page(scene, stills))
    files.append((folder / "shoot.html", PAGE_TOLD))
    total_s = posed.timeline.total_s
    summary = (
        f"{len(posed.timeline)} layers, {len(shoot.plan.poses)} poses; the frames add "
        f"{added_s / 60:.0f} min to {(total_s - added_s) / 60:.0f} min of printing; "
        f"the film lasts {shoot.film_s:.1f} s."
    )
    return Demo(summary, files, [*posed.findings, *shoot.findings])


def _rehearse(folder: Path, scene: Scene, step: Step | None) -> tuple[Written, list[Still]]:
    """The film, and the pictures of it that the page takes in."""
    from capturehook.page.stills import Stills
    from capturehook.rehearse.hanging import rehearse_resin
    from capturehook.rehearse.room import Wishes
    from capturehook.rehearse.run import Asked

    film, stills = folder / "rehearsal.mp4", Stills(scene.shoot.plan.poses)
    rehearse_resin(scene, Wishes(), Asked(film=film, on_frame=stills.take), step)
    return (film, FILM_TOLD), stills.kept
