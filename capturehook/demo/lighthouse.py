"""The built-in sample: a small lighthouse, sliced by a few lines of arithmetic.

Invented for the demo and for nothing else: a tower of 14 mm radius that tapers to 9 mm, a
gallery, and a lantern with a cone for a roof; 40 mm high, 0.25 mm layers, two walls and a
sparse infill, with retraction and a hop between the parts of a layer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, pi, sin, sqrt
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.errors import Finding
    from capturehook.model.profile import Profile
    from capturehook.page.stills import Still
    from capturehook.report.shoot import Shoot

Step = Callable[[int], None]
Written = tuple[Path, str]
"""A file of the demo, and what to see there."""

PAGE_TOLD = "the shoot page: open it in a browser, print it, keep it beside the printer"
FILM_TOLD = "the film as it should become, drawn before anything is printed"
LAYER_MM, FIRST_MM, TOP_MM = 0.25, 0.3, 40.0
CENTRE_MM = (117.5, 110.0)
WALL_MM = 0.45
FILAMENT_MM2 = pi * 1.75**2 / 4
RETRACT_MM = 0.8


def lighthouse_radius_mm(z_mm: float) -> float:
    """Outer radius of the lighthouse at a height."""
    if z_mm < 26:
        return 14 - 5 * z_mm / 26
    if z_mm < 28.5:
        return 9 + 2.4 * (z_mm - 26) / 2.5
    if z_mm < 30:
        return 11.4
    if z_mm < 35:
        return 6.5
    return 8 * (1 - (z_mm - 35) / 5.6)


def lighthouse_job() -> bytes:
    """The sample as a sliced job: layer comments after the Z move, relative extrusion."""
    lines = [*_START]
    z, number = FIRST_MM, 0
    while z <= TOP_MM + 1e-9:
        lines += _layer(number, z, FIRST_MM if number == 0 else LAYER_MM)
        z, number = round(z + LAYER_MM, 4), number + 1
    lines += _END
    return ("\n".join(lines) + "\n").encode("ascii")


_START = [
    "; a small lighthouse for the printer Heron",
    "M140 S60",
    "M104 S205",
    "G28 ; home all axes",
    "M190 S60",
    "M109 S205",
    "G21",
    "G90",
    "M83",
    "G92 E0",
    "G1 Z0.3 F720",
    "G1 X10 Y5 F9000",
    "G1 X90 E6 F1200 ; prime line",
    "G1 E-0.8 F2100",
    "M106 S0",
]
_END = [
    "G1 Z60 F720",
    "M107",
    "M104 S0",
    "M140 S0",
    "G1 X10 Y220 F9000",
    "M84",
]


def _layer(number: int, z: float, height: float) -> list[str]:
    radius = lighthouse_radius_mm(z)
    lines = [f"G1 Z{z + 0.4:.3f} F720", f";LAYER:{number}"]
    if number == 2:
        lines.append("M106 S255")
    for wall, kind in ((1, "WALL-INNER"), (0, "WALL-OUTER")):
        ring = radius - WALL_MM * (wall + 0.5)
        if ring > 0.3:
            lines += [f";TYPE:{kind}", *_ring(ring, z, height, 1500 if wall == 0 else 2400)]
    inner = radius - 2 * WALL_MM
    if inner > 1.5:
        lines += [";TYPE:FILL", *_fill(inner, z, height, number)]
    return lines


def _ring(radius: float, z: float, height: float, feed: int) -> list[str]:
    sides = max(24, min(96, round(radius * 8)))
    spots = [
        (radius * cos(2 * pi * k / sides), radius * sin(2 * pi * k / sides))
        for k in range(sides + 1)
    ]
    return _trace(spots, z, height, feed)


def _fill(radius: float, z: float, height: float, number: int) -> list[str]:
    """Parallel lines 2.4 mm apart, turned by a right angle each layer, as one zigzag."""
    spots: list[tuple[float, float]] = []
    offset, forward = -radius + 1.2, True
    while offset < radius - 0.6:
        half = sqrt(radius**2 - offset**2) - 0.3
        ends = [(-half, offset), (half, offset)]
        spots += ends if forward else ends[::-1]
        offset, forward = offset + 2.4, not forward
    if number % 2:
        spots = [(y, x) for x, y in spots]
    return _trace(spots, z, height, 3000)


def _trace(spots: list[tuple[float, float]], z: float, height: float, feed: int) -> list[str]:
    """Travel to the first spot, lower, push, print through the rest, retract, hop."""
    cx, cy = CENTRE_MM
    (x, y), rest = spots[0], spots[1:]
    lines = [
        f"G1 X{cx + x:.3f} Y{cy + y:.3f} F9000",
        f"G1 Z{z:.3f} F720",
        f"G1 E{RETRACT_MM} F2100",
        f"G1 F{feed}",
    ]
    for to_x, to_y in rest:
        length = sqrt((to_x - x) ** 2 + (to_y - y) ** 2)
        fed = length * WALL_MM * height / FILAMENT_MM2
        lines.append(f"G1 X{cx + to_x:.3f} Y{cy + to_y:.3f} E{fed:.5f}")
        x, y = to_x, to_y
    return [*lines, f"G1 E-{RETRACT_MM} F2100", f"G1 Z{z + 0.4:.3f} F720"]


@dataclass(frozen=True, slots=True)
class Demo:
    """What the demo has written: (path, what to see there), a summary, and findings."""

    summary: str
    files: list[Written]
    findings: list[Finding]

    def as_json(self) -> dict[str, Any]:
        """Plain data, as `--json` prints it."""
        return {
            "schema": 1,
            "summary": self.summary,
            "files": [{"path": str(path), "look_at": text} for path, text in self.files],
            "findings": [finding.as_json() for finding in self.findings],
        }


def make_demo(folder: Path, profile: Profile, *, with_film: bool, step: Step | None = None) -> Demo:
    """Slice the lighthouse, plan, film it (drawn), and write everything into a folder.

    Raises
    ------
    FileError
        The folder cannot be made or written.
    """
    from capturehook.page.stills import draw_stills
    from capturehook.report.shoot import plan_shoot

    make_folder(folder)
    applied, files = _film_job(folder, profile)
    shoot = plan_shoot(applied)
    files += _draw_plan(folder, shoot)
    if with_film:
        film, stills = _rehearse(folder, applied, step)
        files.append(film)
    else:
        stills = draw_stills(applied, step)
    files.append(_write_page(folder, shoot, stills))
    summary = (
        f"{len(applied.job.layers)} layers, {len(applied.poses)} poses; "
        f"the frames add {shoot.added_s / 60:.1f} min to {shoot.print_s / 60:.0f} min of printing; "
        f"the film lasts {float(shoot.film_s):.1f} s."
    )
    return Demo(summary, files, list(shoot.findings))


SAMPLES = {
    "lighthouse.gcode": (0, _START[0].encode()),
    "lighthouse.zip": (30, b"run.gcode"),
}
"""Jobs the demo writes first, and the bytes by which it knows its own: (place, bytes)."""
OTHERS = (
    *("lighthouse_filmed.gcode", "lighthouse_posed.zip"),
    *("plan.json", "plan.svg", "rehearsal.mp4", "shoot.html"),
)


def make_folder(folder: Path) -> None:
    """The demo's folder; files of a person's own that the demo would replace are refused.

    Raises
    ------
    FileError
        The folder cannot be made, or holds such a file.
    """
    from capturehook.errors import FileError, of_the_system

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise of_the_system(fault, "made", folder, "Name another folder") from fault
    strange = _strange_file(folder)
    if strange is not None:
        raise FileError(
            str(strange), "stands there, and is of no earlier demo", "Name another folder"
        )


def _strange_file(folder: Path) -> Path | None:
    """A file with a name of the demo's that the demo has not written."""
    samples = [folder / name for name in SAMPLES if (folder / name).exists()]
    for sample in samples:
        place, wanted = SAMPLES[sample.name]
        if not sample.is_file() or not _begins(sample, place, wanted):
            return sample
    others = [folder / name for name in OTHERS if (folder / name).exists()]
    return others[0] if others and not samples else None


def _begins(path: Path, place: int, wanted: bytes) -> bool:
    with path.open("rb") as file:
        return file.read(place + len(wanted))[place:] == wanted


def _film_job(folder: Path, profile: Profile) -> tuple[PosedJob, list[Written]]:
    """The job before and after."""
    from capturehook.api import pose_job
    from capturehook.files import write_atomically
    from capturehook.read.job import read_job

    sliced, filmed = folder / "lighthouse.gcode", folder / "lighthouse_filmed.gcode"
    data = lighthouse_job()
    write_atomically(sliced, data)
    applied = pose_job(read_job(data, str(sliced), profile))
    write_atomically(filmed, applied.data)
    blocks = f'the same with {len(applied.poses)} pose blocks; search for "capturehook pose 80"'
    return applied, [(sliced, "the job as a slicing host would write it"), (filmed, blocks)]


def _draw_plan(folder: Path, shoot: Shoot) -> list[Written]:
    from capturehook.draw.shoot import draw_plan

    shoot.record().save(folder / "plan.json")
    draw_plan(shoot, folder / "plan.svg")
    return [
        (folder / "plan.svg", "the shoot: bed, park point, paths, growth; open it in a browser"),
        (folder / "plan.json", "the predicted second of each frame, for the audit after the print"),
    ]


def _rehearse(folder: Path, applied: PosedJob, step: Step | None) -> tuple[Written, list[Still]]:
    """The film, and the pictures of it that the page takes in."""
    from capturehook.page.stills import Stills
    from capturehook.rehearse.room import Wishes
    from capturehook.rehearse.run import Asked, rehearse

    film, stills = folder / "rehearsal.mp4", Stills(applied.poses)
    asked = Asked(film=film, on_frame=stills.take, advises=False)
    rehearse(applied, Wishes(), asked, step)
    return (film, FILM_TOLD), stills.kept


def _write_page(folder: Path, shoot: Shoot, stills: list[Still]) -> Written:
    from capturehook.draw.html import save_page
    from capturehook.page.before import shoot_page

    page = folder / "shoot.html"
    save_page(page, shoot_page(shoot, stills))
    return page, PAGE_TOLD
