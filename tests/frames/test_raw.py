"""Raw files through the optional library, on a DNG written here by hand.

The file follows TIFF 6.0 and Adobe's DNG specification 1.4 (tags from memory). Without rawpy a
stand-in with its few calls takes its place; with it installed the real one decodes the file.
"""

from __future__ import annotations

import contextlib
import struct
import sys
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from capturehook.audit.judge import audit_frames
from capturehook.errors import FrameError
from capturehook.frames.decode import read_head, read_picture, read_reduced
from capturehook.frames.listing import load_frames

WIDE, HIGH = 400, 300
LINEAR = [(k % 4 == 0, 1) for k in range(9)]  # colours as they come


def write_dng(path: Path, second: int) -> None:
    """A mosaic of waves, taken at 10:00 and so many seconds."""
    y, x = np.mgrid[0:HIGH, 0:WIDE]
    pixels = (5000 + 3000 * np.sin(x / 7) * np.cos(y / 9)).astype("<u2").tobytes()
    taken = b"2024:05:01 10:00:%02d\0" % second
    exif = struct.pack("<HHHIII", 1, 0x9003, 2, 20, 1038, 0) + taken  # one field and its text
    fields = [
        (256, "H", (WIDE,)), (257, "H", (HIGH,)), (258, "H", (16,)), (259, "H", (1,)),
        (262, "H", (32803,)), (273, "I", (2000,)), (277, "H", (1,)), (278, "H", (HIGH,)),
        (279, "I", (len(pixels),)), (33421, "H", (2, 2)), (33422, "B", (0, 1, 1, 2)),
        (34665, "I", (1020,)), (50706, "B", (1, 4, 0, 0)), (50708, "s", (b"drawn\0",)),
        (50717, "I", (16383,)), (50721, "ii", LINEAR), (50728, "II", [(1, 1)] * 3),
    ]  # fmt: skip
    kinds = {"B": 1, "s": 2, "H": 3, "I": 4, "II": 5, "ii": 10}
    directory, behind, place = b"", b"", 8 + 2 + 12 * len(fields) + 4
    for tag, kind, values in fields:
        if kind == "s":
            data, count = values[0], len(values[0])
        else:
            flat = [part for value in values for part in np.atleast_1d(value).tolist()]
            data, count = struct.pack(f"<{len(flat)}{kind[0]}", *flat), len(values)
        if len(data) > 4:
            data, behind = (
                struct.pack("<I", place + len(behind)),
                behind + data + b"\0" * (len(data) % 2),
            )
        directory += struct.pack("<HHI", tag, kinds[kind], count) + data.ljust(4, b"\0")
    head = b"II*\0" + struct.pack("<IH", 8, len(fields)) + directory + bytes(4) + behind
    path.write_bytes((head.ljust(1020, b"\0") + exif).ljust(2000, b"\0") + pixels)


@contextlib.contextmanager
def stand_in_shot(path: str):
    """Of rawpy: sizes and postprocess, half or whole."""
    assert Path(path).read_bytes()[:4] == b"II*\0"
    grey = np.tile(np.arange(WIDE, dtype=np.uint8), (HIGH, 1))
    rgb = np.repeat(grey[..., None], 3, axis=2)
    yield SimpleNamespace(
        sizes=SimpleNamespace(width=WIDE, height=HIGH, flip=0),
        postprocess=lambda half_size, **_: rgb[::2, ::2] if half_size else rgb,
    )


@pytest.fixture(params=["stand-in", "rawpy"])
def card(request, tmp_path, monkeypatch):
    if request.param == "stand-in":
        monkeypatch.setitem(sys.modules, "rawpy", SimpleNamespace(imread=stand_in_shot))
    elif find_spec("rawpy") is None:
        pytest.skip("rawpy is not installed")
    for second in range(1, 7):
        write_dng(tmp_path / f"pict{second:04d}.dng", 2 * second)
    return tmp_path


def test_raw_file_tells_size_and_time(card):
    head = read_head(card / "pict0003.dng")
    assert head.stored_px == (WIDE, HIGH)
    assert head.taken.local_s % 86400 == 10 * 3600 + 6 and head.taken.step_s == 1


@pytest.mark.parametrize(
    ("least_px", "read_px"),
    [(None, (400, 300)), ((150, 112), (200, 150)), ((300, 225), (400, 300))],
)
def test_raw_file_is_decoded_at_half_size_where_that_is_enough(card, least_px, read_px):
    assert read_picture(card / "pict0001.dng", least_px).shape[1::-1] == read_px


def test_raw_shoot_is_audited(card):
    audit = audit_frames(load_frames([card]))
    assert audit.counts == {"good": 6} and audit.frames.clock == "camera"
    assert np.diff(audit.frames.t_s) == pytest.approx(np.full(5, 2.0))
    assert read_reduced(card / "pict0001.dng", (200, 150)).shape == (150, 200, 3)


def test_dng_of_another_writer_is_developed(tmp_path):
    """Tags as in Adobe's DNG specification 1.4, the file by tifffile."""
    tifffile = pytest.importorskip("tifffile")
    pytest.importorskip("rawpy")
    mosaic = np.full((HIGH, WIDE), 4000, np.uint16) + np.arange(WIDE, dtype=np.uint16) * 20
    matrix = tuple(part for k in range(9) for part in (int(k % 4 == 0), 1))
    tags = [
        (33421, "H", 2, (2, 2)), (33422, "B", 4, bytes((0, 1, 1, 2))),
        (50706, "B", 4, bytes((1, 4, 0, 0))), (50708, "s", 0, "drawn"),
        (50717, "H", 1, 16383), (50721, "2i", 9, matrix), (50728, "2I", 3, (1, 1) * 3),
    ]  # fmt: skip
    path = tmp_path / "a.dng"
    extra = [(*tag, True) for tag in tags]
    tifffile.imwrite(path, mosaic, photometric=32803, extratags=extra, metadata=None)
    assert read_head(path).stored_px == (WIDE, HIGH)
    rgb = read_picture(path, deep=True)
    assert rgb.shape == (HIGH, WIDE, 3) and rgb.dtype == np.uint16
    assert rgb[:, -40:].mean() > 1.2 * rgb[:, :40].mean()


@pytest.mark.parametrize("head", [b"", b"II*\0\x08\0\0\0", b"nothing of the kind"])
def test_what_no_raw_library_reads_is_said_with_what_to_do(tmp_path, head):
    pytest.importorskip("rawpy")
    path = tmp_path / "a.nef"
    path.write_bytes(head + bytes(300) if head else b"")
    for read in (read_head, read_picture):
        with pytest.raises(FrameError, match=r"a\.nef: cannot be read .* TIFF of 8 or 16 bits"):
            read(path)
