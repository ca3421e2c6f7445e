"""Resin jobs written by hand for the tests: no program made them.

The containers follow the description of two kinds of job: a zip with run.gcode and numbered
PNG images, and a zip with a text of `key = value` lines and numbered PNG images. All numbers
are invented; the PNG files are real (signature, IHDR, IDAT, IEND with checksums).
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np

DATE = (2024, 5, 17, 10, 30, 8)


def png(pixels: np.ndarray) -> bytes:
    """A grey 8-bit PNG of an (H, W) uint8 array, by the PNG specification."""
    height, width = pixels.shape
    rows = b"".join(b"\0" + row.tobytes() for row in pixels.astype(np.uint8))
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = [_chunk(b"IHDR", head), _chunk(b"IDAT", zlib.compress(rows)), _chunk(b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def bar(lit_columns: int, width: int = 20, height: int = 10) -> bytes:
    """A layer image with the first columns lit: share lit_columns / width."""
    pixels = np.zeros((height, width), np.uint8)
    pixels[:, :lit_columns] = 255
    return png(pixels)


def command_text(
    layers: int = 4,
    *,
    bottom: int = 1,
    bottom_ms: int = 20_000,
    normal_ms: int = 2_000,
    rest_ms: int = 1_000,
    lifted_ms: int = 0,
    lift_mm: float = 5.0,
    layer_mm: float = 0.05,
    lift_first: bool = False,
    relative: bool = False,
    marks: bool = True,
    shows: bool = True,
    screen_test: bool = False,
    eol: str = "\r\n",
    tail: str = ";",
    end: Sequence[str] = ("M106 S0", "G1 Z115 F25", "M18"),
) -> bytes:
    """A run.gcode: lift at 60 mm/min, retract at 150 mm/min.

    The plate is at layer_mm * n while layer n is lit, in G90 or in G91 steps.
    """
    lines = [";lighthouse, written by hand", f";totalLayer:{layers}", ";START_GCODE_BEGIN"]
    lines += ["G21;", "G90;", "M106 S0;", "G28 Z0;"]
    if screen_test:
        lines += ["M106 S255;", "G4 P500;", "M106 S0;"]
    lines += ["G91;"] if relative else []
    lines += [";END_GCODE_BEGIN", ""]
    for index in range(layers):
        lines += _layer(index, **{key: value for key, value in locals().items() if key in _LAYER})
    lines += [";START_GCODE_END", *(f"{line};" for line in end), ";END_GCODE_END"]
    text = eol.join(line if tail else line.rstrip(";") for line in lines) + eol
    return text.encode()


_LAYER = (
    "bottom", "bottom_ms", "normal_ms", "rest_ms", "lifted_ms", "lift_mm", "layer_mm",
    "lift_first", "relative", "marks", "shows",
)  # fmt: skip


def _layer(index: int, **k: object) -> list[str]:
    z = float(k["layer_mm"]) * (index + 1)  # type: ignore[arg-type]
    lift, down_to = float(k["lift_mm"]), z  # type: ignore[arg-type]
    step = float(k["layer_mm"])  # type: ignore[arg-type]
    light_ms = k["bottom_ms"] if index < int(k["bottom"]) else k["normal_ms"]  # type: ignore[call-overload]
    if not k["lift_first"]:
        down_to = z + step
    if k["relative"]:
        up, down = f"G0 Z{lift:g} F60;", f"G0 Z{step - lift:g} F150;"
    else:
        base = z - step if k["lift_first"] else z
        up, down = f"G0 Z{base + lift:.3f} F60;", f"G0 Z{down_to:.3f} F150;"
    moves = [up, *([f"G4 P{k['lifted_ms']};"] if k["lifted_ms"] else []), down]
    light = [f"G4 P{k['rest_ms']};", "M106 S255;", f"G4 P{light_ms};", "M106 S0;"]
    first = [] if k["lift_first"] or index else [f"G0 Z{step:g} F150;"]
    body = [*moves, *light] if k["lift_first"] else [*first, *light, *moves]
    return [
        *([f";LAYER_START:{index}", f";currPos:{z:.3f}"] if k["marks"] else []),
        *([f'M6054 "{index + 1}.png";show Image'] if k["shows"] else []),
        *body,
        *([";LAYER_END", ""] if k["marks"] else []),
    ]


def settings_text(**values: object) -> bytes:
    """A text of settings; keys of the open kind, plus some nobody needs."""
    lines = {
        "action": "print",
        "expTime": 7.5,
        "expTimeFirst": 35,
        "layerHeight": 0.05,
        "numFade": 10,
        "numFast": 30,
        "numSlow": 0,
        "printTime": 900.5,
        **values,
    }
    return "".join(f"{key} = {value}\n" for key, value in lines.items()).encode()


def write_zip(
    path: Path,
    members: Sequence[tuple[str, bytes]],
    *,
    method: int = zipfile.ZIP_DEFLATED,
    comment: bytes = b"made by hand",
) -> Path:
    """A zip with fixed dates, an extra field on each member and a comment."""
    with zipfile.ZipFile(path, "w") as out:
        out.comment = comment
        for name, data in members:
            info = zipfile.ZipInfo(name, DATE)
            info.compress_type = method
            info.external_attr = 0o644 << 16
            info.extra = struct.pack("<HH4s", 0xCAFE, 4, b"note")
            out.writestr(info, data)
    return path


def write_command_job(path: Path, text: bytes, images: Sequence[bytes]) -> Path:
    """A run.gcode container with a preview, as such files have."""
    numbered = [(f"{number}.png", data) for number, data in enumerate(images, start=1)]
    return write_zip(path, [("run.gcode", text), ("preview.png", bar(3)), *numbered])


def write_settings_job(path: Path, text: bytes, images: Sequence[bytes]) -> Path:
    numbered = [(f"tower{number:05d}.png", data) for number, data in enumerate(images)]
    return write_zip(
        path, [("config.ini", text), ("thumbnail/small400x400.png", bar(3)), *numbered]
    )


def local_records(data: bytes) -> dict[str, bytes]:
    """Every member's raw local record, header and packed bytes, in the file's order."""
    with zipfile.ZipFile(io.BytesIO(data)) as read:
        infos = sorted(read.infolist(), key=lambda info: info.header_offset)
        ends = [info.header_offset for info in infos[1:]] + [read.start_dir]
    return {
        info.filename: data[info.header_offset : end] for info, end in zip(infos, ends, strict=True)
    }


def write_lighthouse(path: Path) -> Path:
    """The job of docs/howto/resin_shoot.md: 1200 layers of 0.05 mm, 6 of 30 s, then 2.5 s each."""
    text = command_text(
        1200,
        bottom=6,
        bottom_ms=30_000,
        normal_ms=2500,
        lifted_ms=1500,
        lift_mm=6,
        screen_test=True,
    )
    return write_command_job(path, text, [bar(18)] * 1200)
