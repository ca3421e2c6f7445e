"""The lighthouse as a resin job, and frames of it as a camera would save them.

    python docs/pictures/resin_lighthouse.py job lighthouse.zip
    python docs/pictures/resin_lighthouse.py card plan.json card/ --start 9 --blurred 40

Invented for the tutorial: 45 mm high, 450 layers of 0.1 mm, 6 of them lit for 30 s and the
others for 2.5 s, a lift of 6 mm at 60 mm/min, 1.5 s of rest at its top. Each frame shows the
plate with what hangs from it, before a wall with a pattern.
"""

from __future__ import annotations

import argparse
import io
import zipfile
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

from capturehook.demo import lighthouse_radius_mm
from capturehook.plan.record import PlanRecord, load_plan
from capturehook.rehearse.stand_in import save_jpeg

LAYERS, LAYER_MM, TALLER = 450, 0.1, 1.125
SCREEN_PX, PX_MM = (240, 136), 2.0
FRAME_PX, FRAME_PX_MM, RIM_PX = (480, 270), 4.5, 240
WALL = np.random.default_rng(4).integers(70, 130, (36, 64), dtype=np.uint8)


def radius_mm(z_mm: float) -> float:
    return TALLER * lighthouse_radius_mm(z_mm / TALLER)


def layer_image(z_mm: float) -> bytes:
    """What the screen shows for one layer: a filled circle, as PNG."""
    picture = Image.new("L", SCREEN_PX)
    x, y = SCREEN_PX[0] / 2, SCREEN_PX[1] / 2
    r = radius_mm(z_mm) * PX_MM
    ImageDraw.Draw(picture).ellipse((x - r, y - r, x + r, y + r), fill=255)
    out = io.BytesIO()
    picture.save(out, format="PNG")
    return out.getvalue()


def job_text() -> str:
    lines = [f";totalLayer:{LAYERS}", ";START_GCODE_BEGIN", "G21;", "G90;", "M106 S0;", "G28 Z0;"]
    lines += [";END_GCODE_BEGIN", f"G0 Z{LAYER_MM:g} F150;"]
    for index in range(LAYERS):
        z_mm = LAYER_MM * (index + 1)
        light_ms = 30_000 if index < 6 else 2500
        lines += [f";LAYER_START:{index}", f";currPos:{z_mm:.1f}", f'M6054 "{index + 1}.png";']
        lines += ["G4 P1000;", "M106 S255;", f"G4 P{light_ms};", "M106 S0;"]
        lines += [f"G0 Z{z_mm + 6:.1f} F60;", "G4 P1500;", f"G0 Z{z_mm + LAYER_MM:.1f} F150;"]
        lines += [";LAYER_END"]
    lines += [";START_GCODE_END", "M106 S0;", "G1 Z150 F25;", "M18;", ";END_GCODE_END"]
    return "\n".join(lines) + "\n"


def write_job(path: Path) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as job:
        job.writestr("run.gcode", job_text())
        for index in range(LAYERS):
            job.writestr(f"{index + 1}.png", layer_image(LAYER_MM * (index + 0.5)))


def scene(z_mm: float) -> Image.Image:
    """The plate 6 mm above where layer z_mm was lit, and what hangs from it."""
    wide, high = FRAME_PX
    wall = Image.fromarray(WALL).resize(FRAME_PX, Image.Resampling.NEAREST)
    picture = Image.merge("RGB", (wall, wall, wall.point(lambda value: value * 0.8)))
    draw = ImageDraw.Draw(picture)
    plate = RIM_PX - (z_mm + 6 - 35) * FRAME_PX_MM
    for row in range(int(plate), RIM_PX):
        r = radius_mm((row - plate) / FRAME_PX_MM) * FRAME_PX_MM
        draw.line((wide / 2 - r, row, wide / 2 + r, row), fill=(196, 92, 40))
    draw.rectangle((wide / 2 - 110, plate - 24, wide / 2 + 110, plate), fill=(150, 152, 156))
    draw.rectangle((0, RIM_PX, wide, high), fill=(52, 54, 60))
    return picture


def write_card(plan: PlanRecord, folder: Path, first_pose: int, blurred: int) -> int:
    """A frame for each pose from one on: the camera was switched on late."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(3)
    poses = plan.poses[first_pose - 1 :]
    for number, pose in enumerate(poses, 1):
        picture = scene(pose.z_mm)
        if pose.pose == blurred:
            picture = picture.filter(ImageFilter.GaussianBlur(3))
        noisy = np.asarray(picture) + rng.normal(0, 0.7, (FRAME_PX[1], FRAME_PX[0], 1))
        picture = Image.fromarray(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
        save_jpeg(folder / f"pict{number:04d}.jpg", picture, pose.t_s)
    return len(poses)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    what = words.add_subparsers(dest="what", required=True)
    what.add_parser("job").add_argument("path", type=Path)
    card = what.add_parser("card")
    card.add_argument("plan", type=Path)
    card.add_argument("folder", type=Path)
    card.add_argument("--start", type=int, default=1, help="First pose with a frame.")
    card.add_argument("--blurred", type=int, default=0, help="A pose that is out of focus.")
    given = words.parse_args()
    if given.what == "job":
        write_job(given.path)
    else:
        write_card(load_plan(given.plan), given.folder, given.start, given.blurred)


if __name__ == "__main__":
    main()
