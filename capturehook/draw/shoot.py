"""The shoot as a picture: the bed from above, height against time, and what the film shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capturehook.draw.canvas import BLUE, FAINT, GREY, INK, PALE, PALE_BLUE, PAPER, Sheet
from capturehook.errors import PlanError, Where
from capturehook.report.footprint import Outline, front_outline, printed_lines
from capturehook.report.shoot import Shoot

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 1200, 850
BED = (64, 96, 500, 460)
"""x, y, width and height of a panel; likewise the next two."""
TIME = (660, 96, 500, 460)
FILM = (64, 656, 1096, 128)
MOST_LAYERS, FAINT_POINTS, STRONG_POINTS = 40, 30_000, 6_000
MOST_CELLS, MOST_TICKS, MOST_LETTERS = 30, 300, 50
LETTER = 6.4
"""Width of a letter in words of size 12, on the sheet."""
HEAD_ROOM = (6, 76, 600, 700)
"""x, y, right and bottom of what the head may be drawn on: clear of the titles."""


@dataclass(frozen=True, slots=True)
class Scale:
    """mm (or s) -> units of the sheet along one axis."""

    zero: float
    per_unit: float

    def __call__(self, value: float) -> float:
        return self.zero + self.per_unit * value

    def many(self, values: Floats) -> Floats:
        return self.zero + self.per_unit * values


def draw_plan(shoot: Shoot, routes: Sequence[Floats], path: Path) -> None:
    """Write the picture, by the path's ending as SVG or PNG, whole or not at all.

    Parameters
    ----------
    routes : (K, 3) mm of each pose, from the print to the park point

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
    sheet = plan_sheet(shoot, routes)
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
            "Install it with: pip install av pillow; or write plan.svg",
        ) from fault
    write_atomically(path, sheet.as_png(image, draw, font))


def plan_sheet(shoot: Shoot, routes: Sequence[Floats]) -> Sheet:
    """The whole picture, not yet written."""
    poses = len(shoot.poses)
    name = Path(shoot.job.source.path).name
    short = name if len(name) <= MOST_LETTERS else f"{name[: MOST_LETTERS - 12]}...{name[-9:]}"
    title = (
        f"{short}: {poses} frame{'s' * (poses != 1)}, {float(shoot.film_s):.2f} s of film, "
        f"{_more(shoot.added_s)} more"
    )
    sheet = Sheet(WIDTH, HEIGHT, title)
    sheet.words(BED[0], 40, title, 20, bold=True)
    _bed(sheet, shoot, routes)
    _growth(sheet, shoot)
    _film(sheet, shoot)
    return sheet


# --- the bed


def _bed(sheet: Sheet, shoot: Shoot, routes: Sequence[Floats]) -> None:
    machine = shoot.profile.machine
    (x_low, x_high), (y_low, y_high) = machine.x_mm, machine.y_mm
    left, top, wide, high = BED
    per_mm = min(wide / (x_high - x_low), high / (y_high - y_low))
    x = Scale(left - x_low * per_mm, per_mm)
    y = Scale(top + y_high * per_mm, -per_mm)
    middle = len(shoot.poses) // 2
    strong = shoot.poses[middle].layer - 1 if shoot.poses else len(shoot.job.layers) - 1
    sheet.words(left, top - 28, "The bed from above, mm", 14, bold=True)
    _bed_grid(sheet, x, y, machine.x_mm, machine.y_mm)
    shown = _footprints(sheet, shoot, x, y, strong)
    for box in machine.keep_out:
        sheet.hatch(
            x(box.x_mm[0]),
            y(box.y_mm[1]),
            per_mm * (box.x_mm[1] - box.x_mm[0]),
            per_mm * (box.y_mm[1] - box.y_mm[0]),
        )
    _routes(sheet, routes, x, y, middle)
    for box in machine.keep_out:
        _box_label(sheet, (x(box.x_mm[0]), x(box.x_mm[1])), y(sum(box.y_mm) / 2) + 4, box.name)
    _park(sheet, shoot, x, y)
    foot = y(y_low) + 40
    z_mm = float(shoot.job.layers.z_mm[strong])
    sheet.words(
        left, foot, f"Dark: layer {strong + 1}, at {z_mm:g} mm, and its path. Grey: {shown}.", 12
    )
    if machine.moves == "bed-y":
        sheet.words(
            left, foot + 17, f"The bed moves in Y: at each frame Y {shoot.profile.park.y_mm:g} "
            "of it is under the nozzle.", 12,
        )  # fmt: skip


def _bed_grid(
    sheet: Sheet, x: Scale, y: Scale, x_mm: tuple[float, float], y_mm: tuple[float, float]
) -> None:
    sheet.box(
        x(x_mm[0]), y(y_mm[1]), x.per_unit * (x_mm[1] - x_mm[0]), -y.per_unit * (y_mm[1] - y_mm[0]),
        stroke=INK, width=1.2,
    )  # fmt: skip
    for mark in _round_marks(*x_mm, 5):
        sheet.line((x(mark), y(y_mm[0])), (x(mark), y(y_mm[0]) + 5))
        sheet.words(x(mark), y(y_mm[0]) + 18, f"{mark:g}", 11, "middle")
    for mark in _round_marks(*y_mm, 5):
        sheet.line((x(x_mm[0]) - 5, y(mark)), (x(x_mm[0]), y(mark)))
        sheet.words(x(x_mm[0]) - 8, y(mark) + 4, f"{mark:g}", 11, "end")


def _footprints(sheet: Sheet, shoot: Shoot, x: Scale, y: Scale, strong: int) -> str:
    """Draws all layers faint and one strong; says which are shown."""
    moves, layers = shoot.job.moves, shoot.job.layers
    step = max(1, ceil(len(layers) / MOST_LAYERS))
    which = np.arange(0, len(layers), step)

    def placed(runs: list[Floats]) -> list[Floats]:
        return [np.column_stack((x.many(run[:, 0]), y.many(run[:, 1]))) for run in runs]

    sheet.lines(placed(printed_lines(moves, layers, which, FAINT_POINTS)), PALE, 0.5)
    own = printed_lines(moves, layers, np.array([strong]), STRONG_POINTS)
    sheet.lines(placed(own), INK, 0.9)
    return "all layers" if step == 1 else f"every {step}{_th(step)} layer"


def _th(number: int) -> str:
    if number % 100 in (11, 12, 13):
        return "th"
    return {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")


def _routes(sheet: Sheet, routes: Sequence[Floats], x: Scale, y: Scale, middle: int) -> None:
    placed = [np.column_stack((x.many(path[:, 0]), y.many(path[:, 1]))) for path in routes]
    thin = placed[:: max(1, len(placed) // 60)]
    sheet.lines(thin, PALE_BLUE, 0.6)
    if placed:
        sheet.lines([placed[middle]], PAPER, 4.5)
        sheet.lines([placed[middle]], BLUE, 2.0)
        start = placed[middle][0]
        sheet.circle(start[0], start[1], 3.5, fill=PAPER, stroke=BLUE, width=1.6)


def _park(sheet: Sheet, shoot: Shoot, x: Scale, y: Scale) -> None:
    profile = shoot.profile
    park, body = profile.park, profile.machine.carriage_mm
    _head(
        sheet,
        (x(park.x_mm - body.left), x(park.x_mm + body.right)),
        (y(park.y_mm + body.back), y(park.y_mm - body.front)),
    )
    px, py = x(park.x_mm), y(park.y_mm)
    sheet.circle(px, py, 7, fill=PAPER, stroke=INK, width=1.6)
    sheet.line((px - 11, py), (px + 11, py), width=1.4)
    sheet.line((px, py - 11), (px, py + 11), width=1.4)
    right = park.x_mm > sum(profile.machine.x_mm) / 2
    _label(sheet, px, py - 15, "park", "middle")
    back = park.y_mm > sum(profile.machine.y_mm) / 2
    head_x = x(park.x_mm - body.left) + 4 if right else x(park.x_mm + body.right) - 4
    head_y = (
        max(y(park.y_mm + body.back), HEAD_ROOM[1]) + 13 if back else y(park.y_mm - body.front) - 4
    )
    sheet.words(head_x, head_y, "head", 12, "start" if right else "end", ink=GREY)
    _button(sheet, shoot, x, y)


def _head(sheet: Sheet, x: tuple[float, float], y: tuple[float, float]) -> None:
    """The carriage's outline; edges that would leave the panel are left out."""
    left, top, right, bottom = HEAD_ROOM
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
    _label(sheet, px + (5 if right else -5), py + 20, "button", "end" if right else "start")


def _label(sheet: Sheet, x: float, y: float, text: str, anchor: str, ink: str = INK) -> None:
    """Words on a patch of paper, so that lines below do not cross them."""
    wide = LETTER * len(text) + 4
    start = {"start": x - 2, "middle": x - wide / 2, "end": x - wide + 2}[anchor]
    sheet.box(start, y - 11, wide, 15, fill=PAPER)
    sheet.words(x, y, text, 12, anchor, ink=ink)  # type: ignore[arg-type]


def _box_label(sheet: Sheet, x: tuple[float, float], y: float, text: str) -> None:
    """A name within its box where it fits, else beside it, on the side with more room."""
    if LETTER * len(text) + 4 <= x[1] - x[0]:
        _label(sheet, sum(x) / 2, y, text, "middle")
    elif sum(x) / 2 < BED[0] + BED[2] / 2:
        _label(sheet, x[1] + 5, y, text, "start")
    else:
        _label(sheet, x[0] - 5, y, text, "end")


def _round_marks(low: float, high: float, about: int) -> list[float]:
    """Round numbers between two values, about so many."""
    if high <= low:
        return [low]
    raw = (high - low) / about
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(power * n for n in (1, 2, 2.5, 5, 10) if power * n >= raw * 0.999)
    first = ceil(low / step - 1e-9)
    return [round(step * n, 9) for n in range(first, int(high / step + 1e-9) + 1)]


# --- height against time


def _growth(sheet: Sheet, shoot: Shoot) -> None:
    left, top, wide, high = TIME
    layers = shoot.job.layers
    t_scale = Scale(left, wide / max(shoot.total_s, 1e-9))
    z_scale = Scale(top + high, -high / (shoot.height_mm * 1.05))
    sheet.words(left, top - 28, "Height against time, mm", 14, bold=True)
    _time_axes(sheet, shoot, t_scale, z_scale)
    ends_s = shoot.with_poses_s(shoot.job.moves.line_index[layers.last_move] + 1)
    starts_s = shoot.with_poses_s(shoot.job.moves.line_index[layers.first_move])
    second = np.column_stack((starts_s, ends_s)).ravel()
    z_mm = np.repeat(layers.z_mm, 2)
    curve = np.column_stack((t_scale.many(second), z_scale.many(z_mm)))
    breaks = np.flatnonzero(np.diff(layers.object_no)) * 2 + 2
    sheet.lines(_few(np.split(curve, breaks)), INK, 1.6)
    fine = 0.9 if len(shoot.poses) < 150 else 0.5
    each = ceil(len(shoot.poses) / MOST_TICKS) if shoot.poses else 1
    at_s = t_scale.many(shoot.fire_s[::each]).tolist()
    sheet.lines([np.array([(px, top + high - 14), (px, top + high)]) for px in at_s], BLUE, fine)
    at_z = z_scale.many(np.array([pose.z_mm for pose in shoot.poses[::each]])).tolist()
    sheet.lines(
        [np.array([(left + wide + 3, py), (left + wide + 14, py)]) for py in at_z], BLUE, fine
    )
    foot = top + high + 40
    ticks = f"every {each}{_th(each)} of the" if each > 1 else "the"
    sheet.words(left, foot, f"Ticks below and at the right: {ticks} {len(shoot.poses)} frames.", 12)
    startup_s = shoot.profile.machine.startup_s
    heating = f"{_minutes(startup_s)} of "
    heating = f"hatched: {heating}" if _shows_startup(shoot, t_scale) else f"{heating}it "
    sheet.words(
        left,
        foot + 17,
        f"{_minutes(shoot.print_s)} without poses, {_minutes(shoot.total_s)} with them"
        + (f"; {heating}heating and homing." if startup_s else "."),
        12,
    )


def _shows_startup(shoot: Shoot, t_scale: Scale) -> bool:
    """Heating and homing take long enough to be seen."""
    return t_scale.per_unit * min(shoot.profile.machine.startup_s, shoot.print_s) > 3


def _more(seconds: float) -> str:
    """Seconds, minutes or hours, as short as the picture's title wants them."""
    if seconds < 60:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.1f} min" if seconds < 3570 else _minutes(seconds)


def _minutes(seconds: float) -> str:
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def _few(runs: list[Floats]) -> list[Floats]:
    """Each line through at most some 2000 points."""
    return [
        run[np.unique(np.linspace(0, len(run) - 1, min(len(run), 2000)).astype(int))]
        for run in runs
    ]


def _time_axes(sheet: Sheet, shoot: Shoot, t_scale: Scale, z_scale: Scale) -> None:
    left, top, wide, high = TIME
    startup_s = min(shoot.profile.machine.startup_s, shoot.print_s)
    if _shows_startup(shoot, t_scale):
        sheet.hatch(left, top, t_scale.per_unit * startup_s, high, 9)
    sheet.box(left, top, wide, high, stroke=INK, width=1.2)
    for mark in _round_marks(0, shoot.height_mm, 6):
        sheet.line((left - 5, z_scale(mark)), (left, z_scale(mark)))
        sheet.words(left - 8, z_scale(mark) + 4, f"{mark:g}", 11, "end")
    per, unit = (3600, "h") if shoot.total_s > 3 * 3600 else (60, "min")
    marks = _round_marks(0, shoot.total_s / per, 6)
    for mark in marks:
        px = t_scale(mark * per)
        sheet.line((px, top + high), (px, top + high + 5))
        text = f"{mark:g} {unit}" if mark == marks[-1] else f"{mark:g}"
        sheet.words(px, top + high + 18, text, 11, "middle")


# --- the film


def _film(sheet: Sheet, shoot: Shoot) -> None:
    left, top, wide, high = FILM
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


def _cell(
    sheet: Sheet,
    shoot: Shoot,
    outline: Outline,
    shown: range,
    frame: tuple[float, float, float, float],
) -> None:
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
            placed = np.column_stack((x_scale.many(corners[:, 0]), z_scale.many(corners[:, 1])))
            sheet.area(placed, fill, stroke, 0.8)
    text = f"{shoot.poses[shown[-1]].z_mm:.1f}" if shown else "held"
    sheet.words(x + wide / 2, y + 13, text, 11 if wide > 40 else 9, "middle")
