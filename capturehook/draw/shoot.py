"""The shoot as a picture: the bed from above, height against time, and what the film shows."""

from __future__ import annotations

from math import ceil
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capturehook.draw.canvas import (
    BLUE,
    FAINT,
    GREY,
    INK,
    LETTER,
    PALE,
    PALE_BLUE,
    PAPER,
    Scale,
    Sheet,
    placed,
    round_marks,
)
from capturehook.draw.growth import Growth, draw_growth, minutes
from capturehook.errors import PlanError, Where, counted
from capturehook.extras import install_command
from capturehook.model.numbers import ordinal
from capturehook.model.profile import Machine
from capturehook.report.footprint import Outline, front_outline, printed_lines
from capturehook.report.shoot import Shoot

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

WIDTH, HEIGHT = 1200, 850
BED = (64, 96, 500, 460)
"""x, y, width and height of a panel; likewise the next two."""
TIME = (660, 96, 500, 460)
FILM = (64, 656, 1096, 128)
MOST_LAYERS, FAINT_POINTS, STRONG_POINTS = 40, 30_000, 6_000
MOST_LETTERS = 50
MOST_CELLS = 30
"""Boxes that show what grows in each second of the film."""
HEAD_ROOM = (6, 76, 600, 700)
"""x, y, right and bottom of what the head may be drawn on: clear of the titles."""


def draw_plan(shoot: Shoot, path: Path) -> None:
    """Write the picture, by the path's ending as SVG or PNG, whole or not at all.

    Raises
    ------
    PlanError
        The path ends in neither.
    FrameError
        PNG is wanted, and Pillow is not installed.
    """
    from capturehook.files import write_atomically

    kind = path.suffix.lower()
    if kind not in (".svg", ".png"):
        raise PlanError(
            Where(str(path)), "ends in neither .svg nor .png", "Name it plan.svg or plan.png"
        )
    sheet = plan_sheet(shoot)
    if kind == ".svg":
        write_atomically(path, sheet.as_svg().encode())
        return
    from importlib import import_module

    try:
        image, draw, font = (import_module(f"PIL.{n}") for n in ("Image", "ImageDraw", "ImageFont"))
    except ImportError as fault:
        raise PlanError(
            Where(str(path)),
            "drawing a PNG needs Pillow, which is not installed",
            f"Install it with: {install_command('video')}; or write plan.svg",
        ) from fault
    write_atomically(path, sheet.as_png(image, draw, font))


def plan_sheet(shoot: Shoot) -> Sheet:
    """The whole picture, not yet written."""
    poses = len(shoot.poses)
    name = Path(shoot.job.source.path).name
    short = name if len(name) <= MOST_LETTERS else f"{name[: MOST_LETTERS - 12]}...{name[-9:]}"
    title = (
        f"{short}: {counted(poses, 'frame')}, {float(shoot.film_s):.2f} s of film, "
        f"{_more(shoot.added_s)} more"
    )
    sheet = Sheet(WIDTH, HEIGHT, title)
    sheet.words(BED[0], 40, title, 20, bold=True)
    for box, name, lines in (
        (BED, "The bed from above, mm", draw_bed(sheet, shoot, BED, HEAD_ROOM)),
        (TIME, "Height against time, mm", draw_growth(sheet, growth_of(shoot), TIME)),
    ):
        left, top, _, high = box
        sheet.words(left, top - 28, name, 14, bold=True)
        for row, line in enumerate(lines):
            sheet.words(left, top + high + 40 + 17 * row, line, 12)
    draw_film(sheet, shoot, FILM)
    return sheet


def bed_sheet(shoot: Shoot) -> tuple[Sheet, list[str]]:
    """The bed alone, for a page, and what is to be said below it."""
    machine = shoot.profile.machine
    wide, high = np.ptp(machine.x_mm), np.ptp(machine.y_mm)
    box = (44, 24, 340, round(min(340 * high / wide, 420)))
    sheet = Sheet(400, box[3] + 60, "The bed from above with print, paths and park point")
    return sheet, draw_bed(sheet, shoot, box, (2, 4, 398, sheet.height - 4))


def growth_of(shoot: Shoot) -> Growth:
    """Height against time of a filament job; objects printed one after the other apart."""
    moves, layers = shoot.job.moves, shoot.job.layers
    ends_s = shoot.with_poses_s(moves.line_index[layers.last_move] + 1)
    starts_s = shoot.with_poses_s(moves.line_index[layers.first_move])
    curve = np.column_stack(
        (np.column_stack((starts_s, ends_s)).ravel(), np.repeat(layers.z_mm, 2))
    )
    breaks = np.flatnonzero(np.diff(layers.object_no)) * 2 + 2
    return Growth(
        print_s=shoot.print_s,
        total_s=shoot.total_s,
        startup_s=shoot.profile.machine.startup_s,
        startup_name="heating and homing",
        height_mm=shoot.height_mm,
        runs=np.split(curve, breaks),
        frames=np.column_stack((shoot.fire_s, [pose.z_mm for pose in shoot.poses])),
    )


# --- the bed


def draw_bed(sheet: Sheet, shoot: Shoot, panel: Box, room: Box) -> list[str]:
    """The bed in a panel (x, y, width, height); the head within ``room`` (x, y, right, bottom).
    Lines to be said below it."""
    machine = shoot.profile.machine
    (x_low, x_high), (y_low, y_high) = machine.x_mm, machine.y_mm
    left, top, wide, high = panel
    per_mm = min(wide / (x_high - x_low), high / (y_high - y_low))
    x = Scale(left - x_low * per_mm, per_mm)
    y = Scale(top + y_high * per_mm, -per_mm)
    middle = len(shoot.poses) // 2
    strong = shoot.poses[middle].layer - 1 if shoot.poses else len(shoot.job.layers) - 1
    _bed_grid(sheet, x, y, machine)
    shown = _footprints(sheet, shoot, x, y, strong)
    for box in machine.keep_out:
        sheet.hatch(
            x(box.x_mm[0]),
            y(box.y_mm[1]),
            per_mm * (box.x_mm[1] - box.x_mm[0]),
            per_mm * (box.y_mm[1] - box.y_mm[0]),
        )
    _routes(sheet, shoot, x, y, middle)
    for box in machine.keep_out:
        span = x(box.x_mm[0]), x(box.x_mm[1])
        _box_label(sheet, span, y(sum(box.y_mm) / 2) + 4, box.name, left + wide / 2)
    _park(sheet, shoot, x, y, room)
    z_mm = float(shoot.job.layers.z_mm[strong])
    lines = [f"Dark: layer {strong + 1}, at {z_mm:g} mm, and its path. Grey: {shown}."]
    if machine.moves == "bed-y":
        lines.append(
            f"The bed moves in Y: at each frame Y {shoot.profile.park.y_mm:g} of it is under "
            "the nozzle."
        )
    return lines


def _bed_grid(sheet: Sheet, x: Scale, y: Scale, machine: Machine) -> None:
    x_mm, y_mm = machine.x_mm, machine.y_mm
    wide, high = x.per_unit * (x_mm[1] - x_mm[0]), -y.per_unit * (y_mm[1] - y_mm[0])
    if machine.round:
        turn = np.linspace(0, 2 * np.pi, 73)
        rim_x = x(x_mm[0]) + wide / 2 * (1 + np.cos(turn))
        rim_y = y(y_mm[1]) + high / 2 * (1 + np.sin(turn))
        sheet.lines([np.column_stack((rim_x, rim_y))], INK, 1.2)
    else:
        sheet.box(x(x_mm[0]), y(y_mm[1]), wide, high, stroke=INK, width=1.2)
    for mark in round_marks(*x_mm, 5):
        sheet.line((x(mark), y(y_mm[0])), (x(mark), y(y_mm[0]) + 5))
        sheet.words(x(mark), y(y_mm[0]) + 18, f"{mark:g}", 11, "middle")
    for mark in round_marks(*y_mm, 5):
        sheet.line((x(x_mm[0]) - 5, y(mark)), (x(x_mm[0]), y(mark)))
        sheet.words(x(x_mm[0]) - 8, y(mark) + 4, f"{mark:g}", 11, "end")


def _footprints(sheet: Sheet, shoot: Shoot, x: Scale, y: Scale, strong: int) -> str:
    """Draws all layers faint and one strong; says which are shown."""
    moves, layers = shoot.job.moves, shoot.job.layers
    step = max(1, ceil(len(layers) / MOST_LAYERS))
    which = np.arange(0, len(layers), step)
    for shown, points, ink, width in (
        (which, FAINT_POINTS, PALE, 0.5),
        (np.array([strong]), STRONG_POINTS, INK, 0.9),
    ):
        runs = printed_lines(moves, layers, shown, points)
        sheet.lines([placed(run, x, y) for run in runs], ink, width)
    return "all layers" if step == 1 else f"every {ordinal(step)} layer"


def _routes(sheet: Sheet, shoot: Shoot, x: Scale, y: Scale, middle: int) -> None:
    """From the print to the park point, that of one pose strong."""
    paths = [pose.route.points for pose in shoot.poses]
    lines = [placed(path, x, y) for path in paths]
    sheet.lines(lines[:: max(1, len(lines) // 60)], PALE_BLUE, 0.6)
    if lines:
        sheet.lines([lines[middle]], PAPER, 4.5)
        sheet.lines([lines[middle]], BLUE, 2.0)
        start = lines[middle][0]
        sheet.circle(start[0], start[1], 3.5, fill=PAPER, stroke=BLUE, width=1.6)


def _park(sheet: Sheet, shoot: Shoot, x: Scale, y: Scale, room: Box) -> None:
    profile = shoot.profile
    park, body = profile.park, profile.machine.carriage_mm
    _head(
        sheet,
        (x(park.x_mm - body.left), x(park.x_mm + body.right)),
        (y(park.y_mm + body.back), y(park.y_mm - body.front)),
        room,
    )
    px, py = x(park.x_mm), y(park.y_mm)
    sheet.circle(px, py, 7, fill=PAPER, stroke=INK, width=1.6)
    sheet.line((px - 11, py), (px + 11, py), width=1.4)
    sheet.line((px, py - 11), (px, py + 11), width=1.4)
    right = park.x_mm > sum(profile.machine.x_mm) / 2
    sheet.label(px, py - 15, "park", "middle")
    back = park.y_mm > sum(profile.machine.y_mm) / 2
    head_x = x(park.x_mm - body.left) + 4 if right else x(park.x_mm + body.right) - 4
    head_y = max(y(park.y_mm + body.back), room[1]) + 13 if back else y(park.y_mm - body.front) - 4
    sheet.words(head_x, head_y, "head", 12, "start" if right else "end", ink=GREY)
    _button(sheet, shoot, x, y)


def _head(sheet: Sheet, x: tuple[float, float], y: tuple[float, float], room: Box) -> None:
    """The carriage's outline; edges that would leave the panel are left out."""
    left, top, right, bottom = room
    x0, x1 = np.clip(x, left, right).tolist()
    y0, y1 = np.clip(y, top, bottom).tolist()
    edges = [
        [(at, y0), (at, y1)] for at, wanted in zip((x0, x1), x, strict=True) if at == wanted
    ] + [[(x0, at), (x1, at)] for at, wanted in zip((y0, y1), y, strict=True) if at == wanted]
    sheet.lines([np.array(edge) for edge in edges], GREY, dash=(5, 4))


def _button(sheet: Sheet, shoot: Shoot, x: Scale, y: Scale) -> None:
    if shoot.profile.trigger.by != "button":
        return
    from capturehook.catalog.triggers.button_press import press_points, trigger_path

    points = press_points(shoot.profile)
    path = np.array([(x(px), y(py)) for px, py in trigger_path(shoot.profile)])
    if len(path) > 1:
        sheet.lines([path], BLUE, 1.2, dash=(2, 2))
    across, along = points.cross_mm, points.contact_mm
    place = (along, across) if points.axis == "x" else (across, along)
    px, py = x(place[0]), y(place[1])
    sheet.box(px - 5, py - 5, 10, 10, fill=INK)
    right = place[0] > sum(shoot.profile.machine.x_mm) / 2
    sheet.label(px + (5 if right else -5), py + 20, "button", "end" if right else "start")


def _box_label(sheet: Sheet, x: tuple[float, float], y: float, text: str, middle: float) -> None:
    """A name within its box where it fits, else beside it, on the side with more room."""
    if LETTER * len(text) + 4 <= x[1] - x[0]:
        sheet.label(sum(x) / 2, y, text, "middle")
    elif sum(x) / 2 < middle:
        sheet.label(x[1] + 5, y, text, "start")
    else:
        sheet.label(x[0] - 5, y, text, "end")


def _more(seconds: float) -> str:
    """Seconds, minutes or hours, as short as the picture's title wants them."""
    if seconds < 60:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.1f} min" if seconds < 3570 else minutes(seconds)


# --- the film


def draw_film(sheet: Sheet, shoot: Shoot, panel: Box) -> None:
    """A box for each second (or several) of film, in a panel (x, y, width, height)."""
    left, top, wide, high = panel
    film_s = float(shoot.film_s)
    sheet.words(left, top - 16, "What each second of the film shows, from the front", 14, bold=True)
    if not shoot.poses:
        return
    per_cell_s = max(1, ceil(film_s / MOST_CELLS))
    cells = max(1, ceil(film_s / per_cell_s - 1e-9))
    cell_wide = min(wide / cells, 120.0)
    outline = front_outline(shoot.job.moves, shoot.job.layers, shoot.job.features)
    fps = len(shoot.poses) / max(film_s - shoot.profile.capture.hold_last_s, 1e-9)
    for cell in range(cells):
        x = left + cell * cell_wide
        first = min(int(cell * per_cell_s * fps + 1e-6), len(shoot.poses))
        last = min(int((cell + 1) * per_cell_s * fps + 1e-6), len(shoot.poses))
        shown = range(first, max(last, first + 1)) if first < len(shoot.poses) else range(0)
        _cell(sheet, shoot, outline, shown, (x + 2, top, cell_wide - 4, high))
        end_s = min((cell + 1) * per_cell_s, film_s)
        sheet.words(x + cell_wide / 2, top + high + 15, f"{end_s:.3g} s", 11, "middle")
    unit = "second" if per_cell_s == 1 else f"{per_cell_s} seconds"
    sheet.words(
        left, top + high + 38,
        f"One box for each {unit}: dark is what grows in it, grey was there before, "
        "the line is the finished part; the number is the height reached, mm.", 12,
    )  # fmt: skip


def _cell(sheet: Sheet, shoot: Shoot, outline: Outline, shown: range, frame: Box) -> None:
    """One box: the finished part as a line, what stood before grey, what grows dark."""
    x, y, wide, high = frame
    sheet.box(x, y, wide, high, stroke=GREY, width=0.8)
    left, right = float(outline.low_mm.min()), float(outline.high_mm.max())
    top_mm = float(outline.top_mm.max())
    per_mm = min((wide - 8) / max(right - left, 1e-9), (high - 26) / max(top_mm, 1e-9))
    x_scale = Scale(x + wide / 2 - per_mm * (left + right) / 2, per_mm)
    z_scale = Scale(y + high - 4, -per_mm)
    layers = [pose.layer for pose in shoot.poses]
    reached = layers[shown[-1]] if shown else layers[-1]
    before = (layers[shown[0] - 1] if shown[0] else 0) if shown else reached
    for first, stop, fill, stroke in (
        (0, len(outline.top_mm), None, PALE),
        (0, before, FAINT, PALE),
        (before, reached, INK, None),
    ):
        for corners in outline.areas(first, stop):
            sheet.area(placed(corners, x_scale, z_scale), fill, stroke, 0.8)
    text = f"{shoot.poses[shown[-1]].z_mm:.1f}" if shown else "held"
    sheet.words(x + wide / 2, y + 13, text, 11 if wide > 40 else 9, "middle")
