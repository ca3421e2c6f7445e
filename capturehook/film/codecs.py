"""The ways to compress a film, what goes into which container, and what players can decode.

Source of the levels: ITU-T H.264, Annex A, table A-1 (frame size and macroblock rate; levels
3 to 5.2).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import isqrt
from pathlib import Path

from capturehook.errors import FrameError
from capturehook.frames.needs import pyav

CONTAINERS = {".mp4": "mp4", ".m4v": "mp4", ".mov": "mov", ".mkv": "matroska", ".webm": "webm"}
MACROBLOCK_PX = 16

# level: (largest frame, macroblocks; largest rate, macroblocks/s)
LEVELS: dict[str, tuple[int, int]] = {
    "3.0": (1620, 40_500),
    "3.1": (3600, 108_000),
    "3.2": (5120, 216_000),
    "4.0": (8192, 245_760),
    "4.2": (8704, 522_240),
    "5.0": (22_080, 589_824),
    "5.1": (36_864, 983_040),
    "5.2": (36_864, 2_073_600),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Codec:
    """One way to compress: encoders to try in turn, and how good is good for them."""

    name: str
    encoders: tuple[str, ...]
    containers: tuple[str, ...]
    pixels: str = "yuv420p"
    rate_factor: tuple[int, int, int] | None = None  # small, good, fine; none: lossless
    options: tuple[tuple[str, str], ...] = ()
    deep: bool = False  # 10 bits, each frame by itself: a master


CODECS: dict[str, Codec] = {
    codec.name: codec
    for codec in (
        Codec(
            name="h264",
            encoders=("libx264",),
            containers=("mp4", "mov", "matroska"),
            rate_factor=(26, 19, 14),
            options=(("preset", "medium"),),
        ),
        Codec(
            name="h265",
            encoders=("libx265",),
            containers=("mp4", "mov", "matroska"),
            rate_factor=(28, 22, 17),
            options=(("preset", "medium"), ("x265-params", "log-level=error")),
        ),
        Codec(
            name="vp9",
            encoders=("libvpx-vp9",),
            containers=("webm", "matroska", "mp4"),
            rate_factor=(36, 28, 20),
            options=(("deadline", "good"), ("cpu-used", "2"), ("row-mt", "1")),
        ),
        Codec(
            name="av1",
            encoders=("libsvtav1", "libaom-av1"),
            containers=("mp4", "webm", "matroska"),
            rate_factor=(40, 30, 22),
        ),
        Codec(
            name="ffv1",
            encoders=("ffv1",),
            pixels="yuv444p",
            containers=("matroska",),
            options=(("level", "3"),),
        ),
        Codec(
            name="prores",
            encoders=("prores_ks",),
            pixels="yuv422p10le",
            containers=("mov",),
            options=(("profile", "hq"),),
            deep=True,
        ),
        Codec(
            name="dnxhr",
            encoders=("dnxhd",),
            pixels="yuv422p10le",
            containers=("mov",),
            options=(("profile", "dnxhr_hqx"),),
            deep=True,
        ),
    )
}


def available_codecs() -> list[str]:
    """Names of CODECS that this machine can write."""
    return [name for name, codec in CODECS.items() if encoder_of(codec) is not None]


def parse_fps(text: str) -> Fraction:
    """ "30", "23.976" or "30000/1001" -> an exact fraction; NTSC-like decimals are made exact.

    Raises
    ------
    FrameError
        Not a number, or not within 1 to 240.
    """
    try:
        fps = Fraction(text.strip())
    except (ValueError, ZeroDivisionError) as fault:
        raise FrameError(
            "--fps", f"{text!r} is not a frame rate", "Give a number or a fraction, like 30000/1001"
        ) from fault
    fps = _exact(fps)
    if not 1 <= fps <= 240:
        raise FrameError(
            "--fps", f"{text} frames/s is outside 1 to 240", "Common are 24, 25, 30, 60"
        )
    return fps


def _exact(fps: Fraction) -> Fraction:
    """23.976, 29.97, 59.94 mean n x 1000/1001 (common practice, no source)."""
    for whole in (24, 30, 60, 120):
        if fps != whole and abs(fps - Fraction(whole * 1000, 1001)) < Fraction(1, 200):
            return Fraction(whole * 1000, 1001)
    return fps


def codec_for(name: str, path: Path) -> Codec:
    if name not in CODECS:
        raise FrameError("--codec", f"{name!r} is not known", f"Use one of {', '.join(CODECS)}")
    codec = CODECS[name]
    container = container_of(path)
    if container not in codec.containers:
        endings = [end for end, kind in CONTAINERS.items() if kind in codec.containers]
        raise FrameError(
            str(path), f"{name} does not go into {path.suffix}", f"Use {' or '.join(endings)}"
        )
    if encoder_of(codec) is None:
        raise FrameError(
            "--codec",
            f"this machine's av library has no encoder for {name}",
            f"Use one of {', '.join(available_codecs())}",
        )
    return codec


def container_of(path: Path) -> str:
    kind = CONTAINERS.get(path.suffix.lower())
    if kind is None:
        raise FrameError(
            str(path),
            f"the ending {path.suffix or '(none)'} does not name a kind of film",
            f"Use one of {' '.join(CONTAINERS)}",
        )
    return kind


def encoder_of(codec: Codec) -> str | None:
    av = pyav()
    for name in codec.encoders:
        try:
            av.Codec(name, "w")
        except av.codec.codec.UnknownCodecError:
            continue
        return name
    return None


def check_size(width_px: int, height_px: int, fps: Fraction, codec: Codec) -> str | None:
    if width_px % 2 or height_px % 2 or min(width_px, height_px) < 16:
        raise FrameError(
            "film",
            f"{width_px} x {height_px} px: both sides must be even and at least 16",
            "Round them down to even numbers",
        )
    if codec.name == "dnxhr" and (width_px < 256 or height_px < 120):
        raise FrameError(
            "film",
            f"{width_px} x {height_px} px is less than dnxhr takes, 256 x 120",
            "Ask for a larger --width, or for --codec prores",
        )
    return h264_level(width_px, height_px, fps) if codec.name == "h264" else None


def macroblocks(width_px: int, height_px: int) -> tuple[int, int]:
    """Columns and rows of 16 x 16 px that cover the frame (1080 lines need 68 rows)."""
    return -(-width_px // MACROBLOCK_PX), -(-height_px // MACROBLOCK_PX)


def fits_level(level: str, width_px: int, height_px: int, fps: Fraction) -> bool:
    """Frame size, rate, and neither side longer than sqrt(8 x largest frame)."""
    columns, rows = macroblocks(width_px, height_px)
    most, most_per_s = LEVELS[level]
    side = isqrt(8 * most)
    return (
        columns * rows <= most and columns * rows * fps <= most_per_s and max(columns, rows) <= side
    )


def h264_level(width_px: int, height_px: int, fps: Fraction) -> str:
    """The lowest level the film fits.

    Raises
    ------
    FrameError
        No level up to 5.2 takes it.
    """
    for level in LEVELS:
        if fits_level(level, width_px, height_px, fps):
            return level
    columns, rows = macroblocks(width_px, height_px)
    raise FrameError(
        "film",
        f"{width_px} x {height_px} at {fps} frames/s is {columns * rows} blocks of 16 x 16 px a "
        "frame, more than any level of H.264 up to 5.2 allows",
        "Ask for a smaller --width, for --crop 16:9, fewer --fps, or another --codec such as h265",
    )
