"""The rehearsal as a row of small pictures inside a page, within a bound of bytes.

WebP where Pillow is there; else a PNG of 216 colours, so that the page needs no extra.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from capturehook.draw.html import data_uri

if TYPE_CHECKING:
    from capturehook.block.poses import PosedJob
    from capturehook.model.plan import PlannedPose
    from capturehook.model.pose import Pose
    from capturehook.rehearse.draw import Shot
    from capturehook.rehearse.hanging import Scene

MOST_STILLS, FEW_STILLS = 60, 20
"""With WebP, and with PNG."""
MOST_BYTES = 1_900_000
"""Of all pictures of a page before base64, which makes 4 bytes of 3 (RFC 4648)."""
SIZE = (640, 360)
QUALITIES = (74, 55, 35, 15)
KEYS = 6
"""Pictures that are printed."""


@dataclass(frozen=True, slots=True)
class Still:
    """One drawn frame: its place among the poses, counted from 0, and the picture."""

    index: int
    uri: str


def has_webp() -> bool:
    return find_spec("PIL") is not None


def chosen(count: int) -> list[int]:
    """Places of the poses that are shown, evenly spread, first and last among them."""
    most = MOST_STILLS if has_webp() else FEW_STILLS
    return sorted({round(one) for one in np.linspace(0, count - 1, min(count, most))})


class Stills:
    """Takes frames as they are drawn (`take` is the rehearsal's ``on_frame``)."""

    def __init__(self, poses: Sequence[Pose | PlannedPose]) -> None:
        self.places = {poses[index].pose: index for index in chosen(len(poses))} if poses else {}
        self.each_bytes = MOST_BYTES // max(1, len(self.places))
        self.kept: list[Still] = []

    def take(self, pose: int, rgb: NDArray[np.uint8]) -> None:
        """Keep a frame (H, W, 3) if it is among the chosen ones."""
        if pose in self.places:
            self.kept.append(Still(self.places[pose], picture_uri(rgb, self.each_bytes)))

    def taken(
        self, shots: Iterable[Shot], step: Callable[[int], None] | None = None
    ) -> list[Still]:
        """All of them, from the shots of just the chosen poses."""
        for done, (pose, shot) in enumerate(zip(self.places, shots, strict=True), 1):
            self.take(pose, shot.rgb)
            if step is not None:
                step(done)
        return self.kept


def draw_stills(applied: PosedJob, step: Callable[[int], None] | None = None) -> list[Still]:
    """The chosen frames of a job, before the rehearsal's own camera; no other frame is drawn."""
    from capturehook.rehearse.draw import Stage
    from capturehook.rehearse.room import Wishes, nozzle_points, part_box, place_camera

    if not applied.poses:
        return []
    stills, job = Stills(applied.poses), applied.job
    view = place_camera(job.profile, part_box(job), nozzle_points(applied)[-2:], Wishes(), SIZE)
    return stills.taken(Stage(applied, view).shots(stills.places), step)


def draw_resin_stills(scene: Scene, step: Callable[[int], None] | None = None) -> list[Still]:
    """As :func:`draw_stills`; none of a job that does not tell what the part looks like."""
    from capturehook.rehearse.hanging import HangingStage
    from capturehook.rehearse.room import Wishes

    poses = scene.shoot.plan.poses
    if not poses or not scene.has_shape:
        return []
    stills, view = Stills(poses), scene.view(Wishes(), SIZE)
    return stills.taken(HangingStage(scene.hanging, view).shots(stills.places), step)


def picture_uri(rgb: NDArray[np.uint8], most_bytes: int, wide_px: int = SIZE[0]) -> str:
    """A picture as a data URI, no wider than asked, coarser until it fits."""
    if not has_webp():
        return data_uri("image/png", _few_colours_png(_thinned(rgb, wide_px)))
    from PIL import Image

    picture: Any = Image.fromarray(rgb)
    if picture.width > wide_px:
        high = max(1, round(picture.height * wide_px / picture.width))
        picture = picture.resize((wide_px, high), Image.Resampling.BOX)
    for quality in QUALITIES:
        out = BytesIO()
        picture.save(out, "WEBP", quality=quality, method=2)
        if out.tell() <= most_bytes:
            break
    return data_uri("image/webp", out.getvalue())


def _thinned(rgb: NDArray[np.uint8], wide_px: int) -> NDArray[np.uint8]:
    step = -(-rgb.shape[1] // wide_px)
    return rgb[::step, ::step]


def _few_colours_png(rgb: NDArray[np.uint8]) -> bytes:
    """An indexed PNG of 6 x 6 x 6 colours. Source: W3C PNG specification, sections 5 and 11."""
    high, wide, _ = rgb.shape
    levels = np.rint(rgb / 51.0).astype(np.uint8)
    index = levels[..., 0] * 36 + levels[..., 1] * 6 + levels[..., 2]
    steps = np.arange(0, 256, 51, dtype=np.uint8)
    palette = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).tobytes()
    rows = np.pad(index, ((0, 0), (1, 0))).tobytes()
    head = struct.pack(">IIBBBBB", wide, high, 8, 3, 0, 0, 0)
    chunks = (
        (b"IHDR", head),
        (b"PLTE", palette),
        (b"IDAT", zlib.compress(rows, 9)),
        (b"IEND", b""),
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )
