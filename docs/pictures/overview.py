"""The first picture: the rig, the plan and the film of the built-in lighthouse, side by side.

python docs/pictures/overview.py draws docs/pictures/overview.png; make.py does it too.
"""

from __future__ import annotations

import sys
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFont

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1]))

from capturehook.api import pose_job  # noqa: E402
from capturehook.block.poses import PosedJob  # noqa: E402
from capturehook.demo.lighthouse import lighthouse_job  # noqa: E402
from capturehook.draw.shoot import bed_sheet  # noqa: E402
from capturehook.profile import load_profile  # noqa: E402
from capturehook.read.job import read_job  # noqa: E402
from capturehook.rehearse import furniture  # noqa: E402
from capturehook.rehearse.camera import View, look_at  # noqa: E402
from capturehook.rehearse.canvas import STILL, average  # noqa: E402
from capturehook.rehearse.draw import Stage  # noqa: E402
from capturehook.rehearse.room import (  # noqa: E402
    Wishes,
    nozzle_points,
    part_box,
    place_camera,
    plate_offset,
)
from capturehook.report.shoot import plan_shoot  # noqa: E402

PANEL, GAP, TOP = (520, 440), 20, 44
DISTANCE_MM = 430.0
"""Of the drawn camera: a longer lens than the starter profile's, so that both are in the rig."""
POSES = (2, 40, 75, 105, 130, 158)
DARK, GLASS, LEG = (40, 42, 46), (90, 120, 150), (70, 72, 76)


def camera_faces(view: View, light: Any) -> list[furniture.Face]:
    """A camera with its lens where a view's eye is, on a column that stands on the table."""
    right, down, ahead = view.axes

    def box(behind: float, wide: float, high: float, deep: float, colour: Any):
        middle = view.eye_mm - behind * ahead
        sides = (right * wide / 2, down * high / 2, ahead * deep / 2)
        faces = []
        for k in range(3):
            a, b, n = sides[k - 2], sides[k - 1], sides[k]
            for sign in (-1, 1):
                corners = np.array([middle + sign * n + p * a + q * b
                                    for p, q in ((-1, -1), (-1, 1), (1, 1), (1, -1))])  # fmt: skip
                normal = sign * n / np.linalg.norm(n)
                shade = furniture.lit(colour, normal, light)
                faces.append(furniture.Face(corners, shade, STILL, None, normal))
        return faces

    x, y, z = view.eye_mm - 75 * ahead
    foot = furniture.box_faces((x - 8, x + 8), (y - 8, y + 8), (-70.0, z - 40), LEG, STILL, light)
    body, barrel = box(75, 130, 90, 60, DARK), box(22, 62, 62, 46, LEG)
    return [*foot, *body, *barrel, *box(0, 46, 46, 3, GLASS)]


def rig(applied: PosedJob, size: tuple[int, int]) -> Any:
    """The printer with its head parked and the camera before it, half-way through the print."""
    nozzle, box = nozzle_points(applied), part_box(applied.job)
    wishes = Wishes(distance_mm=DISTANCE_MM, azimuth_deg=24.0)
    filming = place_camera(applied.job.profile, box, nozzle[-2:], wishes, (960, 540))
    view = look_at(
        (180.0, -120.0, 95.0), azimuth_deg=-22.0, height_mm=470.0, distance_mm=1500.0,
        focal_px=2.0 * size[0], width_px=size[0], height_px=size[1],
    )  # fmt: skip
    stage = Stage(applied, view)
    light = stage.print.light
    next(stage.shots({105}))  # draws the room and the print; then camera and head before them
    furniture.draw_faces(stage.print.canvas, camera_faces(filming, light))
    pose = nozzle[104]
    place = pose + plate_offset(stage.machine, float(pose[1]), float(pose[2]))
    furniture.draw_faces(stage.print.canvas, furniture.head_faces(stage.machine, place, light))
    return Image.fromarray(average(stage.print.canvas.keys))


def film(applied: PosedJob, size: tuple[int, int]) -> Any:
    """Six frames, two beside each other."""
    wide, high = (size[0] - 8) // 2, (size[1] - 16) // 3
    view = place_camera(
        applied.job.profile, part_box(applied.job), nozzle_points(applied)[-2:], Wishes(),
        (wide, high),
    )  # fmt: skip
    picture = Image.new("RGB", size, "white")
    for place, shot in enumerate(Stage(applied, view).shots(POSES)):
        row, column = divmod(place, 2)
        picture.paste(Image.fromarray(shot.rgb), (column * (wide + 8), row * (high + 8)))
    return picture


def plan(applied: PosedJob, size: tuple[int, int]) -> Any:
    """The bed from above, as the page has it."""
    sheet, _ = bed_sheet(plan_shoot(applied))
    png = Image.open(BytesIO(sheet.as_png(Image, ImageDraw, ImageFont))).convert("RGB")
    png.thumbnail(size, Image.Resampling.LANCZOS)
    picture = Image.new("RGB", size, "white")
    picture.paste(png, ((size[0] - png.width) // 2, (size[1] - png.height) // 2))
    return picture


def main() -> None:
    applied = pose_job(read_job(lighthouse_job(), "lighthouse.gcode", load_profile("heron")))
    picture = Image.new("RGB", (3 * PANEL[0] + 2 * GAP, TOP + PANEL[1]), "white")
    pen, font = ImageDraw.Draw(picture), ImageFont.load_default(22)
    names = ("The rig: head parked, camera in front", "The plan: where it parks", "The film")
    for column, (name, draw) in enumerate(zip(names, (rig, plan, film), strict=True)):
        left = column * (PANEL[0] + GAP)
        pen.text((left, 8), name, fill=(26, 26, 26), font=font)
        picture.paste(draw(applied, PANEL), (left, TOP))
    few = picture.quantize(192, method=Image.Quantize.FASTOCTREE)
    few.save(HERE / "overview.png", optimize=True)
    print(f"overview.png: {(HERE / 'overview.png').stat().st_size:,} bytes")


if __name__ == "__main__":
    main()
