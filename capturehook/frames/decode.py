"""One picture file -> pixels, decoded no larger than asked for. Files are only ever read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError
from capturehook.frames.exif import ORIENTATION, Taken, taken_from
from capturehook.frames.needs import MAX_PIXELS, need, pillow

PLAIN_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff"})
RAW_ENDINGS = frozenset(
    {".3fr", ".arw", ".cr2", ".cr3", ".dng", ".iiq", ".nef", ".nrw", ".orf", ".pef", ".raf"}
    | {".raw", ".rw2", ".srw"}
)
# Exif orientation -> what to do, as names of PIL.Image.Transpose.
TURNS = {
    2: "FLIP_LEFT_RIGHT",
    3: "ROTATE_180",
    4: "FLIP_TOP_BOTTOM",
    5: "TRANSPOSE",
    6: "ROTATE_270",
    7: "TRANSVERSE",
    8: "ROTATE_90",
}


def is_raw(path: Path) -> bool:
    return path.suffix.lower() in RAW_ENDINGS


def read_head(path: Path) -> tuple[tuple[int, int], Taken | None]:
    """Upright (width, height) in px and the capture time, without decoding the picture.

    Raises
    ------
    FrameError
        The file is no picture we can read.
    """
    if is_raw(path):
        return _read_raw_head(path)
    with _opened(path) as picture:
        exif = _exif(picture)
        width, height = picture.size
        turned = exif.get(ORIENTATION, 1) in (5, 6, 7, 8)
        return ((height, width) if turned else (width, height)), taken_from(exif)


def read_picture(path: Path, least_px: tuple[int, int] | None = None) -> Any:
    """The upright RGB picture (a `PIL.Image.Image`), coded sRGB, 8 bits.

    Parameters
    ----------
    least_px : (width, height); a JPEG is decoded at the smallest of 1/1, 1/2, 1/4, 1/8 that
        is not smaller than this, a raw file at 1/1 or 1/2, which takes a fraction of the time

    Raises
    ------
    FrameError
        The file cannot be decoded (cut short, damaged, of an unknown kind).
    """
    if is_raw(path):
        return _read_raw(path, least_px)
    with _opened(path) as picture:
        turn = _exif(picture).get(ORIENTATION, 1)
        if least_px is not None:
            wide, high = least_px
            picture.draft("RGB", (high, wide) if turn in (5, 6, 7, 8) else (wide, high))
        try:
            picture.load()
            rgb = _as_rgb(picture)
        except (OSError, ValueError, SyntaxError) as fault:
            raise _unreadable(path, fault) from fault
    if turn in TURNS:
        rgb = rgb.transpose(getattr(pillow().Transpose, TURNS[turn]))
    return rgb


def read_reduced(path: Path, size_px: tuple[int, int]) -> NDArray[np.uint8]:
    """The picture scaled to ``size_px`` (width, height): (height, width, 3) uint8."""
    picture = read_picture(path, size_px)
    if picture.size != size_px:
        picture = picture.resize(size_px, pillow().Resampling.BOX, reducing_gap=None)
    return np.asarray(picture)


def _opened(path: Path) -> Any:
    try:
        picture = pillow().open(path)
    except (OSError, ValueError, SyntaxError) as fault:
        raise _unreadable(path, fault) from fault
    except pillow().DecompressionBombError as fault:
        raise FrameError(
            str(path), "is far larger than a camera's picture", "Take it out of the folder"
        ) from fault
    if picture.width * picture.height > MAX_PIXELS:
        picture.close()
        raise FrameError(
            str(path), "is far larger than a camera's picture", "Take it out of the folder"
        )
    return picture


def _unreadable(path: Path, fault: Exception) -> FrameError:
    if isinstance(fault, (FileNotFoundError, PermissionError, IsADirectoryError)):
        return FrameError(str(path), f"cannot be read ({fault.strerror})", "Check the path")
    return FrameError(
        str(path),
        "cannot be read as a picture (cut short, damaged, or of an unknown kind)",
        "Copy it from the card again, or save it as JPEG or 8-bit PNG",
    )


def _exif(picture: Any) -> Any:
    """Exif fields; for PNG only those ahead of the pixels, since the rest needs a full decode."""
    if picture.format != "PNG":
        return picture.getexif()
    exif = pillow().Exif()
    if "exif" in picture.info:
        exif.load(picture.info["exif"])
    return exif


def _as_rgb(picture: Any) -> Any:
    if picture.mode.startswith("I"):  # 16-bit grey: keep the high byte
        grey = np.asarray(picture).astype(np.int64)
        return pillow().fromarray((grey >> 8).clip(0, 255).astype(np.uint8)).convert("RGB")
    return picture if picture.mode == "RGB" else picture.convert("RGB")


def _rawpy(path: Path) -> Any:
    return need("rawpy", f"the raw file {path.name}", "rawpy")


def _read_raw_head(path: Path) -> tuple[tuple[int, int], Taken | None]:
    """Size from the raw library; the time from the Exif fields, as many raw kinds are TIFF."""
    raw = _rawpy(path)
    try:
        with raw.imread(str(path)) as shot:
            size = (int(shot.sizes.width), int(shot.sizes.height))
            size = size[::-1] if shot.sizes.flip in (5, 6) else size
    except Exception as fault:
        raise _unreadable(path, fault) from fault
    exif = pillow().Exif()
    try:
        with path.open("rb") as file:
            exif.load_from_fp(file)
            return size, taken_from(exif)
    except Exception:  # no TIFF container: the file's own time is used instead
        return size, None


def _read_raw(path: Path, least_px: tuple[int, int] | None) -> Any:
    """Camera white balance; half size, which is far quicker, where that is enough."""
    raw = _rawpy(path)
    try:
        with raw.imread(str(path)) as shot:
            longest = max(int(shot.sizes.width), int(shot.sizes.height))
            half = least_px is not None and 2 * max(least_px) <= longest
            rgb = shot.postprocess(
                half_size=half, use_camera_wb=True, no_auto_bright=True, output_bps=8
            )
    except Exception as fault:
        raise _unreadable(path, fault) from fault
    return pillow().fromarray(rgb)
