"""Rehearsal frames as a camera would have saved them, faults and all if wished.

With them `audit` and `assemble` can be tried before anything is printed. The times are those
of the plan; the camera's clock shows START when the job begins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError
from capturehook.files import write_stream_atomically
from capturehook.frames.needs import need, pillow
from capturehook.model.plan import PlanRecord
from capturehook.physics.colour import gain_table_8bit

START = datetime(2024, 5, 1, 9, 0, 0)
DOUBLE_S = 1.3
"""A double frame comes this long after the first."""
NOISE_CODES = 0.7
QUALITY = 92
NAME = "pict"

ONE_NUMBER = ("missing", "double", "blurred", "dark", "restart", "flicker", "drift")
TWO_NUMBERS = ("moved", "pause")
KINDS = (*ONE_NUMBER, *TWO_NUMBERS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing gone wrong on purpose.

    missing, double, blurred, dark : at a pose. moved : from a pose on, by px to the right.
    pause : after a pose the print stood still for s. restart : from a pose on the camera's
    names begin anew. flicker : each frame lighter or darker by up to EV. drift : the
    camera's clock is fast, ppm.
    """

    kind: str
    number: float
    amount: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """One picture the stand-in camera takes: of which pose, when, and how well."""

    pose: int
    t_s: float
    number: int = 0
    right_px: float = 0.0
    ev: float = 0.0
    blur_px: float = 0.0


def read_fault(text: str) -> Fault:
    """ "missing=12", "moved=40:3.4" -> Fault.

    Raises
    ------
    FrameError
        An unknown kind, or numbers that are none.
    """
    kind, _, rest = text.partition("=")
    numbers = rest.split(":")
    wanted = 2 if kind in TWO_NUMBERS else 1
    if kind not in KINDS or len(numbers) != wanted:
        raise FrameError(
            "--fault",
            f"{text!r} is not a fault",
            f"Write {', '.join(f'{one}=N' for one in ONE_NUMBER)}, moved=POSE:PX or pause=POSE:S",
        )
    try:
        values = [float(number) for number in numbers]
    except ValueError as fault:
        raise FrameError("--fault", f"{rest!r} in {text!r} is no number", "Use digits") from fault
    return Fault(kind=kind, number=values[0], amount=values[-1] if wanted == 2 else 0.0)


def list_exposures(plan: PlanRecord, faults: Sequence[Fault] = ()) -> list[Exposure]:
    """The pictures of a whole shoot in the order they are taken, numbered by the camera.

    Raises
    ------
    FrameError
        A fault names a pose the plan does not have.
    """
    shoot = [Exposure(pose=pose.pose, t_s=pose.t_s) for pose in plan.poses]
    for fault in faults:
        _refuse_unknown_pose(fault, len(shoot), plan)
    for fault in sorted(
        faults, key=lambda one: KINDS.index(one.kind) if one.kind != "missing" else 99
    ):
        shoot = _with_fault(shoot, fault)
    shoot.sort(key=lambda one: one.t_s)
    return _numbered(shoot, faults)


def _refuse_unknown_pose(fault: Fault, poses: int, plan: PlanRecord) -> None:
    by_pose = fault.kind not in ("flicker", "drift")
    if by_pose and not (fault.number.is_integer() and 1 <= fault.number <= poses):
        raise FrameError(
            "--fault",
            f"{fault.kind}={fault.number:g}: {plan.job} has the poses 1 to {poses}",
            "Name one of these",
        )


def _with_fault(shoot: list[Exposure], fault: Fault) -> list[Exposure]:
    number = fault.number
    if fault.kind == "missing":
        return [one for one in shoot if one.pose != number]
    if fault.kind == "double":
        again = [replace(one, t_s=one.t_s + DOUBLE_S) for one in shoot if one.pose == number]
        return [*shoot, *again]
    if fault.kind == "flicker":
        ev = np.random.default_rng(5).uniform(-number, number, len(shoot))
        return [replace(one, ev=one.ev + float(by)) for one, by in zip(shoot, ev, strict=True)]
    return [_spoilt(one, fault) for one in shoot]


def _spoilt(one: Exposure, fault: Fault) -> Exposure:
    """One picture with a fault that leaves the others as they are; a restart changes names only."""
    number, amount = fault.number, fault.amount
    if fault.kind == "blurred" and one.pose == number:
        return replace(one, blur_px=3.0)
    if fault.kind == "dark" and one.pose == number:
        return replace(one, ev=one.ev - 2.5)
    if fault.kind == "moved" and one.pose >= number:
        return replace(one, right_px=amount)
    if fault.kind == "pause" and one.pose > number:
        return replace(one, t_s=one.t_s + amount)
    if fault.kind == "drift":
        return replace(one, t_s=one.t_s * (1 + number * 1e-6))
    return one


def _numbered(shoot: list[Exposure], faults: Sequence[Fault]) -> list[Exposure]:
    """Numbers from 1; with a restart, the pose it names is the first after 9999."""
    first = 1
    for fault in faults:
        if fault.kind == "restart":
            before = sum(one.pose < fault.number for one in shoot)
            first = 10_000 - before
    return [replace(one, number=(first + k - 1) % 9999 + 1) for k, one in enumerate(shoot)]


@dataclass
class StandInCamera:
    """Saves the pictures of a shoot into a folder as the poses come by.

    Raises
    ------
    FrameError
        The folder holds something already.
    """

    folder: Path
    exposures: list[Exposure]
    _rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(3))
    saved: int = 0

    def __post_init__(self) -> None:
        pillow()
        if self.folder.exists() and (not self.folder.is_dir() or any(self.folder.iterdir())):
            raise FrameError(
                str(self.folder), "is there already and not empty", "Give a new folder for --frames"
            )
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise FrameError(
                str(self.folder), f"cannot be made ({fault.strerror})", "Give another --frames"
            ) from fault

    def take(self, pose: int, rgb: NDArray[np.uint8]) -> None:
        """Save every picture of one pose."""
        for exposure in self.exposures:
            if exposure.pose == pose:
                picture = spoil(rgb, exposure, self._rng)
                save_jpeg(self.folder / f"{NAME}{exposure.number:04d}.jpg", picture, exposure.t_s)
                self.saved += 1


def spoil(rgb: NDArray[np.uint8], exposure: Exposure, rng: np.random.Generator) -> Any:
    """A PIL picture of a frame as this exposure shows it, with a little noise."""
    image = pillow()
    picture = image.fromarray(_moved(rgb, exposure.right_px))
    if exposure.blur_px:
        picture = picture.filter(need("PIL.ImageFilter", "blurring").GaussianBlur(exposure.blur_px))
    values = np.asarray(picture)
    if exposure.ev:
        values = gain_table_8bit(2.0**exposure.ev)[values]
    noisy = values + rng.normal(0.0, NOISE_CODES, values.shape[:2])[..., None]
    return image.fromarray(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))


def _moved(rgb: NDArray[np.uint8], right_px: float) -> NDArray[np.uint8]:
    """The picture shifted to the right by parts of a pixel; its edge column goes on."""
    if not right_px:
        return rgb
    image = pillow()
    rim = int(abs(right_px)) + 4
    wide = image.fromarray(np.pad(rgb, ((0, 0), (rim, rim), (0, 0)), mode="edge"))
    matrix = (1, 0, -right_px, 0, 1, 0)
    shifted = wide.transform(
        wide.size, image.Transform.AFFINE, matrix, resample=image.Resampling.BICUBIC
    )
    return np.asarray(shifted)[:, rim:-rim]


def save_jpeg(path: Path, picture: Any, t_s: float) -> None:
    """Write one picture with its capture time, START + t_s, to the millisecond."""
    exif = capture_time(t_s)
    write_stream_atomically(
        path, lambda out: picture.save(out, format="JPEG", quality=QUALITY, exif=exif)
    )


def capture_time(t_s: float) -> Any:
    """Exif fields of a picture taken ``t_s`` after START.

    Source: the Exif definition (CIPA DC-008): DateTimeOriginal, SubSecTimeOriginal.
    """
    when = START + timedelta(milliseconds=round(t_s * 1000))
    exif = pillow().Exif()
    fields = exif.get_ifd(0x8769)
    fields[0x9003] = when.strftime("%Y:%m:%d %H:%M:%S")
    fields[0x9291] = f"{when.microsecond // 1000:03d}"
    return exif
