"""A shoot drawn over photographs, apart from everything of ours: the truth about it is known.

Scenery is a photograph that ships with scikit-image or scikit-learn, made larger and given fine
grain of its own. Before it stand a printer with a gantry that rises and a part that grows. Light
is linear until the picture is coded; a shot is moved, turned and zoomed by an exact amount, lit
by lamps that flicker in light and colour, and gets photon noise, a JPEG of quality 85 to 95 and
Exif fields. Invented data; nothing here imports capturehook.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

START = datetime(2024, 5, 1, 10, 0, 0)
MARGIN = 0.04  # of scenery beyond each edge, so that a knocked camera still sees something
FULL_WELL = 28_000.0  # electrons at white; a small sensor at its lowest gain
READ_NOISE = 6.0
GAP_S = 60.0
PHOTOS = ("workshop", "garden", "table")
LIGHTS = ("lamp", "daylight", "two lamps")


@lru_cache(maxsize=3)
def photograph(name: str) -> np.ndarray:
    """(h, w, 3) linear RGB, float32."""
    import skimage.data
    from sklearn.datasets import load_sample_image

    coded = {
        "workshop": lambda: Image.open(Path(skimage.data.__file__).parent / "motorcycle_left.png"),
        "garden": lambda: Image.fromarray(load_sample_image("china.jpg")),
        "table": lambda: Image.fromarray(skimage.data.coffee()),
    }[name]()
    return linear_of(np.asarray(coded.convert("RGB"), np.float32))


def linear_of(codes: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, codes 0..255 -> light 0..1."""
    x = codes / np.float32(255)
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4).astype(np.float32)


def codes_of(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, light 0..1 -> codes 0..255, not rounded."""
    x = np.clip(light, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055) * 255


@dataclass
class Shot:
    """One exposure. Shift in px (right, down), turn in degrees clockwise, both about the middle
    of the picture; ``gain`` is of light, red, green and blue."""

    t_s: float
    grown: float
    dx: float = 0.0
    dy: float = 0.0
    turn_deg: float = 0.0
    zoom: float = 1.0
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    side_gain: float = 1.0  # of a second lamp that lights the left
    blur_px: float = 0.0
    smear_px: float = 0.0  # along x, as of a vibration
    head_at: tuple[float, float] | None = None  # centre, as shares; None: parked on its gantry
    damage: float | None = None  # share of the file after which its bytes are spoilt
    exposure_s: float = 1 / 30
    iso: int = 200
    orientation: int = 1
    t_exif: bool = True


@dataclass
class Scene:
    """A printer before a photograph; ``shots`` may be changed before `write`."""

    photo: str = "workshop"
    size_px: tuple[int, int] = (4000, 3000)
    frames: int = 40
    seed: int = 1
    layers: int = 0  # of the part while it grows to its end; 0: as many as frames
    shots: list[Shot] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.shots:
            count = self.frames
            self.shots = [Shot(t_s=GAP_S * k, grown=(k + 1) / count) for k in range(count)]
        self.rng = np.random.default_rng(self.seed)

    # --- what goes wrong

    def shake(self, rms_px: float = 1.0, turn_deg: float = 0.02, knocks: int = 2) -> Scene:
        """Every frame a little elsewhere, and a camera knocked so many times for good."""
        steps = np.sort(self.rng.choice(np.arange(5, self.frames - 5), knocks, replace=False))
        place = self.rng.normal(0, rms_px, (self.frames, 2)).clip(-3 * rms_px, 3 * rms_px)
        turn = self.rng.normal(0, turn_deg, self.frames).clip(-3 * turn_deg, 3 * turn_deg)
        zoom = 1 + self.rng.normal(0, 1e-4, self.frames)
        for step in steps:
            place[step:] += self.rng.uniform(-3, 3, 2) * rms_px
            turn[step:] += self.rng.uniform(-2, 2) * turn_deg
        for shot, (dx, dy), angle, scale in zip(self.shots, place, turn, zoom, strict=True):
            shot.dx, shot.dy, shot.turn_deg, shot.zoom = dx, dy, angle, scale
        return self

    def light(self, kind: str = "lamp", ev: float = 0.2, colour_ev: float = 0.04) -> Scene:
        """Lamps that flicker from frame to frame; daylight that drifts and is clouded over."""
        count = self.frames
        flicker = self.rng.normal(0, ev, count).clip(-2.5 * ev, 2.5 * ev)
        colour = self.rng.normal(0, colour_ev, (count, 2)).clip(-2.5 * colour_ev, 2.5 * colour_ev)
        if kind == "daylight":
            hours = np.linspace(0, 1, count)
            clouds = np.convolve(self.rng.normal(0, 0.5, count + 8), np.ones(9) / 9, "valid")
            flicker = -0.9 * hours**2 + clouds + 0.15 * flicker
            colour = 0.3 * colour + np.outer(hours, (0.15, -0.1))
        for k, shot in enumerate(self.shots):
            red, blue = colour[k]
            shot.gain = tuple(2.0 ** (flicker[k] + np.array((red, 0.0, blue))))
            if kind == "two lamps":
                shot.gain = tuple(2.0 ** (0.4 * flicker[k] + 0.4 * np.array((red, 0.0, blue))))
                shot.side_gain = 2.0 ** float(self.rng.normal(0, 0.3 * ev))
        return self

    # --- drawing

    @property
    def canvas(self) -> tuple[int, int, int, int]:
        """left and top margin, width and height of the master, px."""
        wide, high = self.size_px
        x, y = round(MARGIN * wide), round(MARGIN * high)
        return x, y, wide + 2 * x, high + 2 * y

    def scenery(self) -> np.ndarray:
        """(H, W, 3) linear: the photograph with grain, and the printer's frame and bed."""
        if not hasattr(self, "_scenery"):
            _, _, wide, high = self.canvas
            photo = photograph(self.photo)
            picture = cv2.resize(photo, (wide, high), interpolation=cv2.INTER_CUBIC).clip(0, 1)
            grain = np.random.default_rng(7).normal(0, 1, (high, wide)).astype(np.float32)
            fine = cv2.GaussianBlur(grain, (0, 0), 0.9)
            coarse = cv2.GaussianBlur(grain, (0, 0), 3.0)
            texture = 1 + 0.10 * fine / fine.std() + 0.08 * coarse / coarse.std()
            picture = (0.02 + 0.6 * picture) * texture[..., None]
            for x in (0.16, 0.80):  # uprights of painted metal
                self._box(picture, x, 0.05, x + 0.035, 0.92, (0.04, 0.045, 0.05), texture)
            self._box(picture, 0.10, 0.86, 0.88, 0.93, (0.10, 0.09, 0.08), texture)
            self._scenery = picture
        return self._scenery

    def _box(self, picture, x0, y0, x1, y1, light, texture=None) -> None:
        left, top, _, _ = self.canvas
        wide, high = self.size_px
        rows = slice(top + round(y0 * high), top + round(y1 * high))
        columns = slice(left + round(x0 * wide), left + round(x1 * wide))
        body = np.array(light, np.float32)
        picture[rows, columns] = body if texture is None else body * texture[rows, columns, None]

    def master(self, shot: Shot) -> np.ndarray:
        """The scene as it stands at a shot, larger than the picture by the margins."""
        picture = self.scenery().copy()
        left, top, _, _ = self.canvas
        wide, high = self.size_px
        crest = 0.86 - 0.46 * shot.grown
        count = self.layers or self.frames
        rows = np.arange(round(crest * high), round(0.86 * high))
        for row in rows:  # each layer a shade of its own
            share = 1 - (row / high - 0.40) / 0.46
            half = wide * (0.10 - 0.05 * share)
            layer = int(share * count)
            shade = 0.75 + 0.25 * np.sin(1.7 * layer)
            columns = slice(left + round(0.48 * wide - half), left + round(0.48 * wide + half))
            across = np.cos(np.linspace(-1.4, 1.4, columns.stop - columns.start))[:, None]
            body = np.array((0.62, 0.55, 0.50) if layer % 9 < 5 else (0.55, 0.09, 0.06))
            picture[top + row, columns] = body * shade * (0.25 + 0.75 * across)
        gantry = crest - 0.14
        self._box(picture, 0.16, gantry, 0.835, gantry + 0.03, (0.16, 0.17, 0.18))
        x, y = shot.head_at or (0.145, gantry + 0.015)
        self._box(picture, x - 0.03, y - 0.05, x + 0.03, y + 0.06, (0.025, 0.025, 0.03))
        self._box(picture, x - 0.008, y + 0.06, x + 0.008, y + 0.085, (0.30, 0.22, 0.08))
        return picture

    def matrix(self, shot: Shot) -> np.ndarray:
        """(2, 3): a place in the still picture -> the same place in this shot."""
        wide, high = self.size_px
        angle = np.radians(shot.turn_deg)
        cos, sin = shot.zoom * np.cos(angle), shot.zoom * np.sin(angle)
        x, y = wide / 2, high / 2
        return np.array(
            [
                [cos, -sin, x + shot.dx - cos * x + sin * y],
                [sin, cos, y + shot.dy - sin * x - cos * y],
            ]
        )

    def render(self, shot: Shot) -> np.ndarray:
        """(H, W, 3) uint8 as the sensor and the camera's coding leave it."""
        left, top, _, _ = self.canvas
        wide, high = self.size_px
        move = self.matrix(shot)
        move[:, 2] -= move[:, :2] @ (left, top)
        light = cv2.warpAffine(self.master(shot), move, (wide, high), flags=cv2.INTER_CUBIC)
        light *= np.array(shot.gain, np.float32)
        if shot.side_gain != 1:
            fall = np.exp(-np.linspace(0, 2.5, wide)).astype(np.float32)
            light *= (1 + (shot.side_gain - 1) * fall)[None, :, None]
        if shot.blur_px:
            light = cv2.GaussianBlur(light, (0, 0), shot.blur_px)
        if shot.smear_px:
            light = cv2.blur(light, (max(1, round(shot.smear_px)), 1))
        np.clip(light, 0, 1, out=light)
        light += _noise(light, self.rng)
        table = np.rint(codes_of(np.arange(4097) / 4096)).astype(np.uint8)
        np.clip(light, 0, 1, out=light)
        light *= 4096
        light += 0.5
        return np.take(table, light.astype(np.uint16))

    def write(self, folder: Path) -> list[Path]:
        folder.mkdir(parents=True, exist_ok=True)
        paths = []
        for index, shot in enumerate(self.shots):
            path = folder / f"DSC_{index + 1:04d}.JPG"
            save_jpeg(path, self.render(shot), shot, quality=int(self.rng.integers(85, 96)))
            paths.append(path)
        return paths

    def crossed(self) -> np.ndarray:
        """(H, W) bool: where part, gantry or parked head are in any of the shots."""
        wide, high = self.size_px
        mask = np.zeros((high, wide), bool)

        def add(x0: float, y0: float, x1: float, y1: float) -> None:
            rows = slice(round(y0 * high), round(y1 * high))
            mask[rows, round(x0 * wide) : round(x1 * wide)] = True

        for shot in self.shots:
            crest = 0.86 - 0.46 * shot.grown
            gantry = crest - 0.14
            add(0.38, crest, 0.58, 0.86)
            add(0.16, gantry, 0.835, gantry + 0.03)
            add(0.115, gantry - 0.035, 0.175, gantry + 0.1)
        return mask

    def still_mask(self) -> np.ndarray:
        """(H, W) bool: neither part, gantry nor head is ever here, with a rim."""
        wide, high = self.size_px
        mask = np.ones((high, wide), bool)
        rows, columns = slice(int(0.2 * high), int(0.9 * high)), slice(0, int(0.86 * wide))
        mask[rows, columns] = False
        mask[:, : int(0.06 * wide)] = True
        rim = max(8, int(0.02 * wide))
        mask[:rim] = mask[-rim:] = False
        mask[:, :rim] = mask[:, -rim:] = False
        return mask


def _noise(light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Photon noise (variance = count) and read noise, in units of white; from one bank of
    normal numbers, read from another place each time."""
    bank = _bank()
    start = int(rng.integers(0, len(bank) // 3))
    count = light.size
    repeats = -(-(count + start) // len(bank))
    numbers = np.tile(bank, repeats)[start : start + count].reshape(light.shape)
    spread = light * np.float32(1 / FULL_WELL) + np.float32((READ_NOISE / FULL_WELL) ** 2)
    np.sqrt(spread, out=spread)
    spread *= numbers
    return spread


@lru_cache(maxsize=1)
def _bank() -> np.ndarray:
    return np.random.default_rng(5).standard_normal(7_654_321, dtype=np.float32)


def save_jpeg(path: Path, rgb: np.ndarray, shot: Shot, quality: int = 92) -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Drawn", "Scene"
    if shot.orientation != 1:
        exif[0x0112] = shot.orientation
    fields: dict[int, object] = {
        0x829A: shot.exposure_s,
        0x829D: 8.0,
        0x8827: shot.iso,
        0x920A: 50.0,
        0xA402: 1,  # exposure set by hand
        0xA403: 1,  # white balance set by hand
    }
    when = START + timedelta(seconds=shot.t_s)
    if shot.t_exif:
        fields[0x9003] = when.strftime("%Y:%m:%d %H:%M:%S")
        fields[0x9291] = f"{when.microsecond // 10_000:02d}"
    exif[0x8769] = fields
    Image.fromarray(rgb).save(path, quality=quality, subsampling=1, exif=exif)
    if shot.damage is not None:
        spoil(path, shot.damage)


def spoil(path: Path, share: float) -> None:
    """A sector of the card gone: zeros from here to the end of it, the rest as it was."""
    data = bytearray(path.read_bytes())
    start = int(len(data) * share)
    data[start : start + 4096] = bytes(len(data[start : start + 4096]))
    path.write_bytes(data)


def plan_of(scene: Scene, path: Path) -> Path:
    """A plan record (schema 1, docs/howto/plan.md) for a scene, as JSON."""
    import json

    count = scene.frames
    poses = [
        {
            "pose": k + 1,
            "layer": k + 1,
            "z_mm": round(0.2 * (k + 1), 3),
            "t_s": GAP_S * k + 20.0,
            "still_s": 1.5,
            "finished": k == count - 1,
        }
        for k in range(count)
    ]
    record = {
        "schema": 1,
        "kind": "filament",
        "job": "lighthouse.gcode",
        "profile": "heron",
        "fps": "30",
        "hold_last_s": 0.0,
        "total_s": GAP_S * count + 60,
        "height_mm": 0.2 * count,
        "moves": "bed-y",
        "lag_ms": 120.0,
        "exposure_ms": 33.0,
        "write_ms": 900.0,
        "interval_s": None,
        "poses": poses,
    }
    path.write_text(json.dumps(record), encoding="utf-8")
    return path
