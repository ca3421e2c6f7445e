"""One picture file -> pixels, decoded no larger than asked for. Files are only ever read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FrameError
from capturehook.frames.exif import ORIENTATION, Settings, Taken, settings_from, taken_from
from capturehook.frames.needs import MAX_PIXELS, need, opencv, pillow

PLAIN_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff"})
HEIF_ENDINGS = frozenset({".heic", ".heif"})
RAW_ENDINGS = frozenset(
    {".3fr", ".arw", ".cr2", ".cr3", ".dng", ".iiq", ".nef", ".nrw", ".orf", ".pef", ".raf"}
    | {".raw", ".rw2", ".srw"}
)
ENDINGS = PLAIN_ENDINGS | HEIF_ENDINGS | RAW_ENDINGS
SIDEWAYS = (5, 6, 7, 8)
PADDING = re.compile(r"(\d+) extraneous bytes before marker 0xd9")

SRGB_CURVE = (2.4, 12.92)  # power and slope near black, IEC 61966-2-1

Rgb = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """What a file says of its picture: stored size, Exif orientation, when and how taken."""

    stored_px: tuple[int, int]
    orientation: int = 1
    taken: Taken | None = None
    settings: Settings | None = None


def upright_size(stored_px: tuple[int, int], orientation: int) -> tuple[int, int]:
    """(width, height) once the picture stands upright."""
    return stored_px[::-1] if orientation in SIDEWAYS else stored_px


def upright(rgb: Rgb, orientation: int) -> Rgb:
    """The stored picture turned as its Exif orientation says (1 to 8).

    Source: the Exif definition, CIPA DC-008, tag 0x0112: where row 0 and column 0 are.
    """
    if orientation in SIDEWAYS:
        rgb = rgb.transpose(1, 0, 2)
    if orientation in (3, 4, 7, 8):
        rgb = rgb[::-1]
    if orientation in (2, 3, 6, 7):
        rgb = rgb[:, ::-1]
    return np.ascontiguousarray(rgb)


def is_raw(path: Path) -> bool:
    return path.suffix.lower() in RAW_ENDINGS


def read_head(path: Path) -> Head:
    """Size, orientation, time and settings, without decoding the picture.

    Raises
    ------
    FrameError
        The file is no picture we can read.
    """
    if is_raw(path):
        return _read_raw_head(path)
    with _opened(path) as picture:
        exif = _exif(picture)
        turn = exif.get(ORIENTATION, 1)
        if path.suffix.lower() in HEIF_ENDINGS:
            turn = 1  # the library turns these itself
        return Head(
            stored_px=_stored_px(picture),
            orientation=turn if turn in range(1, 9) else 1,
            taken=taken_from(exif),
            settings=settings_from(exif),
        )


def read_picture(
    path: Path,
    least_px: tuple[int, int] | None = None,
    orientation: int | None = None,
    *,
    deep: bool = False,
) -> Any:
    """The upright picture: (height, width, 3) uint8, coded sRGB.

    Parameters
    ----------
    least_px : (width, height); a JPEG is decoded at the smallest of 1/1, 1/2, 1/4, 1/8 that
        is not smaller than this, a raw file at 1/1 or 1/2, which takes a fraction of the time
    orientation : Exif orientation to go by instead of the file's own
    deep : uint16 from files that hold more than 8 bits (TIFF, PNG, raw)

    Raises
    ------
    FrameError
        The file cannot be decoded (cut short, damaged, of an unknown kind), or the decoder
        says that part of it is damaged.
    """
    if is_raw(path):
        return _read_raw(path, least_px, deep)
    with _opened(path) as picture:
        turn = orientation or _exif(picture).get(ORIENTATION, 1)
        if path.suffix.lower() in HEIF_ENDINGS:
            turn = 1
        stored_px = least_px[::-1] if least_px and turn in SIDEWAYS else least_px
        deep_png = deep and picture.format == "PNG"  # Pillow reads its colours as 8 bits
        if picture.format == "JPEG" and picture.mode in ("RGB", "L"):
            rgb = _read_jpeg(path, picture.size, stored_px)
        elif picture.format == "TIFF" or picture.mode.startswith("I") or deep_png:
            rgb = _read_deep(path, deep)
            if picture.format == "TIFF":  # OpenCV has turned it by its own tag, whatever one says
                own = _exif(picture).get(ORIENTATION, 1)
                rgb = upright(rgb, {6: 8, 8: 6}.get(own, own))
        else:
            rgb = _read_plain(picture, path)
    return upright(rgb, turn)


def read_reduced(path: Path, size_px: tuple[int, int], orientation: int | None = None) -> Rgb:
    """The picture scaled to ``size_px`` (width, height): (height, width, 3) uint8."""
    return scale_to(read_picture(path, size_px, orientation), size_px)


def scale_to(rgb: NDArray[Any], size_px: tuple[int, int]) -> NDArray[Any]:
    """Reduced (or enlarged) to (width, height) by means of areas."""
    if rgb.shape[1::-1] == size_px:
        return rgb
    cv = opencv()
    larger = size_px[0] > rgb.shape[1]
    return np.asarray(cv.resize(rgb, size_px, None, 0, 0, cv.INTER_CUBIC if larger else 3))


def _read_jpeg(path: Path, full_px: tuple[int, int], least_px: tuple[int, int] | None) -> Rgb:
    jpeg = need("simplejpeg", "reading JPEG pictures")
    data = path.read_bytes()
    by = _divisor(full_px, least_px or full_px)
    wishes = {"min_width": -(-full_px[0] // by), "min_height": -(-full_px[1] // by)}
    wishes["min_factor"] = 1
    try:
        return np.asarray(jpeg.decode_jpeg(data, "RGB", **wishes))
    except ValueError as fault:
        if not _is_padded(data, str(fault)):
            raise FrameError(
                str(path),
                f"is damaged: the decoder says {str(fault).strip()!r}",
                "Copy it from the card again",
            ) from fault
        return np.asarray(jpeg.decode_jpeg(data, "RGB", strict=False, **wishes))


def _divisor(full_px: tuple[int, int], least_px: tuple[int, int]) -> int:
    """Eighths between these are decoded too, but more slowly than the whole picture."""
    fits = (
        k for k in (8, 4, 2) if all(-(-a // k) >= b for a, b in zip(full_px, least_px, strict=True))
    )
    return next(fits, 1)


def _is_padded(data: bytes, complaint: str) -> bool:
    """The decoder only met blanks before the end of the picture, which is whole."""
    found = PADDING.search(complaint)
    end = data.rfind(b"\xff\xd9")
    blanks = data[end - int(found[1]) : end] if found and end > 0 else b"?"
    return not blanks.strip(b"\0\xff")


def _read_deep(path: Path, deep: bool) -> Any:
    """TIFF, and PNG of 16 bits; unless ``deep`` the high byte of each channel, rounded."""
    cv = opencv()
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
        picture = cv.imdecode(
            data, cv.IMREAD_COLOR | cv.IMREAD_ANYDEPTH | cv.IMREAD_IGNORE_ORIENTATION
        )
    except (OSError, cv.error) as fault:
        raise _unreadable(path, fault) from fault
    if picture is None or picture.dtype not in (np.uint8, np.uint16):
        raise _unreadable(path, ValueError("no picture of 8 or 16 bits"))
    if picture.dtype == np.uint16 and not deep:
        picture = ((picture.astype(np.uint32) + 128) // 257).astype(np.uint8)
    return np.asarray(cv.cvtColor(picture, cv.COLOR_BGR2RGB))


def _read_plain(picture: Any, path: Path) -> Rgb:
    try:
        picture.load()
        return np.asarray(picture if picture.mode == "RGB" else picture.convert("RGB"))
    except (OSError, ValueError, SyntaxError) as fault:
        raise _unreadable(path, fault) from fault


def _opened(path: Path) -> Any:
    if path.suffix.lower() in HEIF_ENDINGS:
        need("pillow_heif", f"the picture {path.name}", "heic").register_heif_opener()
    try:
        picture = pillow().open(path)
    except (OSError, ValueError, SyntaxError) as fault:
        raise _unreadable(path, fault) from fault
    except pillow().DecompressionBombError as fault:
        raise _too_large(path) from fault
    if picture.width * picture.height > MAX_PIXELS:
        picture.close()
        raise _too_large(path)
    return picture


def _too_large(path: Path) -> FrameError:
    found = "is far larger than a camera's picture"
    return FrameError(str(path), found, "Take it out of the folder")


def _stored_px(picture: Any) -> tuple[int, int]:
    """(width, height) as stored; for TIFF the library tells those of the turned picture."""
    if picture.format == "TIFF":
        wide, high = (int(picture.tag_v2[tag]) for tag in (256, 257))
        return wide, high
    wide, high = picture.size
    return wide, high


def _unreadable(path: Path, fault: Exception) -> FrameError:
    if isinstance(fault, (FileNotFoundError, PermissionError, IsADirectoryError)):
        return FrameError(str(path), f"cannot be read ({fault.strerror})", "Check the path")
    return FrameError(
        str(path),
        "cannot be read as a picture (cut short, damaged, or of an unknown kind)",
        "Copy it from the card again, or save it as JPEG, or as TIFF of 8 or 16 bits",
    )


def _exif(picture: Any) -> Any:
    """Exif fields; for PNG only those ahead of the pixels, since the rest needs a full decode."""
    if picture.format != "PNG":
        return picture.getexif()
    exif = pillow().Exif()
    if "exif" in picture.info:
        exif.load(picture.info["exif"])
    return exif


def _rawpy(path: Path) -> Any:
    return need("rawpy", f"the raw file {path.name}", "raw")


def _read_raw_head(path: Path) -> Head:
    """Size from the raw library; the rest from the Exif fields, as many raw kinds are TIFF."""
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
            return Head(stored_px=size, taken=taken_from(exif), settings=settings_from(exif))
    except Exception:  # no TIFF container: the file's own time is used instead
        return Head(stored_px=size)


def _read_raw(path: Path, least_px: tuple[int, int] | None, deep: bool) -> Any:
    """Camera white balance, the curve of sRGB, the same brightness for all; half size, which
    is far quicker, where that is enough."""
    raw = _rawpy(path)
    try:
        with raw.imread(str(path)) as shot:
            longest = max(int(shot.sizes.width), int(shot.sizes.height))
            half = least_px is not None and 2 * max(least_px) <= longest
            return np.asarray(
                shot.postprocess(
                    half_size=half,
                    use_camera_wb=True,
                    no_auto_bright=True,
                    gamma=SRGB_CURVE,
                    output_bps=16 if deep else 8,
                )
            )
    except Exception as fault:
        raise _unreadable(path, fault) from fault
