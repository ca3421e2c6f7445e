"""Drawn shoots for the tests: a still, textured background, a growing part, one known fault.

Invented data. The scene is drawn in linear light, so that exposure steps are true stops; the
background is one function of place, so that shifts by parts of a pixel are exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
from PIL import Image, ImageFilter

from capturehook.model.plan import PlannedPose, PlanRecord
from capturehook.physics.colour import linear_to_srgb

WIDTH, HEIGHT = 160, 120
START = datetime(2024, 5, 1, 10, 0, 0)
WAVES = np.random.default_rng(7)
WAVE_X, WAVE_Y = WAVES.uniform(-1.1, 1.1, (2, 60))
WAVE_PHASE = WAVES.uniform(0, 2 * np.pi, 60)


def background(dx: float = 0.0, dy: float = 0.0, turn_deg: float = 0.0) -> np.ndarray:
    """(H, W) 0..1: a sum of waves, the scene moved right by dx and down by dy."""
    angle = np.radians(-turn_deg)
    x, y = np.arange(WIDTH) - dx - WIDTH / 2, np.arange(HEIGHT) - dy - HEIGHT / 2
    # Each wave is exp(i (a x + b y)), a turn of the scene turns (a, b): two factors and a product.
    across = WAVE_X * np.cos(angle) + WAVE_Y * np.sin(angle)
    down = WAVE_Y * np.cos(angle) - WAVE_X * np.sin(angle)
    columns = np.exp(1j * np.multiply.outer(across, x))
    rows = np.exp(1j * (np.multiply.outer(y, down) + WAVE_PHASE))
    return np.clip(0.5 + (rows @ columns).imag / 24, 0.05, 0.95)


STILL = background()


@dataclass
class Shot:
    """One picture to be taken; ``t_s`` from the start of the job."""

    t_s: float
    grown: float  # 0..1 of the part
    dx: float = 0.0
    dy: float = 0.0
    turn_deg: float = 0.0
    ev: float = 0.0
    blur: float = 0.0
    carriage: tuple[float, float] | None = (0.06, 0.30)  # centre, as shares; None: out of sight

    def draw(self, rng: np.random.Generator) -> Image.Image:
        coded = coded_scene(self.dx, self.dy, self.turn_deg, self.ev).copy()
        bottom, middle = 0.92 * HEIGHT + self.dy, WIDTH / 2 + self.dx
        top = bottom - 0.6 * HEIGHT * self.grown
        y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
        coded[(y < bottom) & (y > top) & (np.abs(x - middle) < 16)] = coded_of(PART, self.ev)
        if self.carriage is not None:
            cx, cy = self.carriage
            box = (np.abs(x - cx * WIDTH - self.dx) < 9) & (np.abs(y - cy * HEIGHT - self.dy) < 9)
            coded[box] = coded_of(CARRIAGE, self.ev)
        noisy = coded + rng.normal(0, 0.8, coded.shape)
        picture = Image.fromarray(np.clip(noisy, 0, 255).round().astype(np.uint8))
        return picture.filter(ImageFilter.GaussianBlur(self.blur)) if self.blur else picture


PART, CARRIAGE = (0.55, 0.12, 0.08), (0.02, 0.02, 0.03)


def coded_of(linear: object, ev: float) -> np.ndarray:
    """Linear light, so many stops brighter, as codes 0..255."""
    return linear_to_srgb(np.clip(np.asarray(linear) * 2.0**ev, 0, 1)) * 255


@lru_cache(maxsize=8)
def coded_scene(dx: float, dy: float, turn_deg: float, ev: float) -> np.ndarray:
    grey = background(dx, dy, turn_deg) if dx or dy or turn_deg else STILL
    return coded_of((0.05 + 0.4 * grey)[..., None] * (1.0, 0.9, 0.7), ev)


@dataclass
class Shoot:
    """A plan and the shots of it; change ``shots`` to put a fault in, then ``write``."""

    plan: PlanRecord
    shots: list[Shot]
    sub_seconds: bool = True
    offset: str | None = None
    first_number: int = 1
    clock_jump_s: dict[int, float] = field(default_factory=dict)  # from shot on: clock moved by

    def write(self, folder: Path, kind: str = "jpg", part: slice = slice(None)) -> list[Path]:
        folder.mkdir(parents=True, exist_ok=True)
        paths = []
        rng = np.random.default_rng(3)
        shots = sorted(self.shots, key=lambda shot: shot.t_s)
        for index, shot in list(enumerate(shots))[part]:
            number = (self.first_number + index - 1) % 9999 + 1
            path = folder / f"pict{number:04d}.{kind}"
            jump_s = sum(by for start, by in self.clock_jump_s.items() if index >= start)
            exif = self.exif(START + timedelta(seconds=shot.t_s + 300 + jump_s))
            options = {"quality": 95} if kind == "jpg" else {}
            exif = exif.tobytes() if kind == "tiff" else exif  # an object would lose its fields
            shot.draw(rng).save(path, exif=exif, **options)
            paths.append(path)
        return paths

    def exif(self, when: datetime) -> Image.Exif:
        exif = Image.Exif()
        exif[0x0131] = "drawn"  # Pillow writes no Exif fields at all without one in IFD0
        fields = {0x9003: when.strftime("%Y:%m:%d %H:%M:%S")}
        if self.sub_seconds:
            fields[0x9291] = f"{when.microsecond // 10000:02d}"
        if self.offset is not None:
            fields[0x9011] = self.offset
        exif[0x8769] = fields
        return exif


def make_plan(
    poses: int = 24,
    *,
    even: bool = False,
    interval_s: float | None = None,
    gap_s: tuple[float, float] = (25, 60),
    **more,
) -> PlanRecord:
    rng = np.random.default_rng(11)
    gaps = np.full(poses, 40.0) if even else rng.uniform(*gap_s, poses)
    t_s = np.cumsum(gaps)
    plan = PlanRecord(
        kind="filament",
        job="lighthouse.gcode",
        profile="heron",
        fps="30",
        hold_last_s=0.2,
        total_s=float(t_s[-1]) + 30,
        height_mm=0.2 * poses,
        moves="bed-y",
        lag_ms=120,
        exposure_ms=250,
        write_ms=900,
        interval_s=interval_s,
        poses=tuple(
            PlannedPose(
                pose=k + 1,
                layer=k + 1,
                z_mm=round(0.2 * (k + 1), 2),
                t_s=float(t_s[k]),
                still_s=1.2,
                finished=k == poses - 1,
            )
            for k in range(poses)
        ),
    )
    return replace(plan, **more)


def make_shoot(poses: int = 24, **plan_wishes) -> Shoot:
    plan = make_plan(poses, **plan_wishes)
    shots = [Shot(t_s=pose.t_s, grown=(index + 1) / poses) for index, pose in enumerate(plan.poses)]
    return Shoot(plan=plan, shots=shots)
