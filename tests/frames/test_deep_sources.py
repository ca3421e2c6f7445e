"""TIFF, HEIC and PNG of more than 8 bits, written by other libraries, read as they stand."""

import os

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from capturehook.frames.decode import read_head, read_picture, upright_size
from capturehook.frames.listing import load_frames

RNG = np.random.default_rng(8)
WIDE, HIGH = 48, 32


def deep_picture():
    """Smooth, so that a lossy file keeps it; uint16."""
    small = RNG.uniform(8000, 60_000, (4, 6, 3)).astype(np.float32)
    return (
        cv2.resize(small, (WIDE, HIGH), interpolation=cv2.INTER_CUBIC)
        .clip(0, 65_535)
        .astype(np.uint16)
    )


@pytest.mark.parametrize("tag", range(1, 9))
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_tiff_of_every_orientation_stands_as_pillow_turns_it(tmp_path, tag, kind):
    rgb = deep_picture()
    stored = (rgb // 257).astype(np.uint8) if kind is np.uint8 else rgb
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, stored, photometric="rgb", extratags=[(274, 3, 1, tag, True)])
    flat = Image.fromarray((rgb // 257).astype(np.uint8))
    exif = flat.getexif()
    exif[274] = tag
    flat.info["exif"] = exif.tobytes()
    wanted = np.asarray(ImageOps.exif_transpose(flat))
    found = read_picture(path)
    assert found.shape == wanted.shape
    assert np.abs(found.astype(int) - wanted).max() <= 1
    head = read_head(path)
    assert upright_size(head.stored_px, head.orientation) == wanted.shape[1::-1]


@pytest.mark.parametrize("compression", [None, "zlib"])
def test_sixteen_bits_of_tiff_are_kept(tmp_path, compression):
    rgb = deep_picture()
    tifffile.imwrite(tmp_path / "a.tif", rgb, photometric="rgb", compression=compression)
    assert np.array_equal(read_picture(tmp_path / "a.tif", deep=True), rgb)


def test_sixteen_bits_of_png_are_kept(tmp_path):
    rgb = deep_picture()
    cv2.imwrite(str(tmp_path / "a.png"), rgb[..., ::-1])
    assert np.array_equal(read_picture(tmp_path / "a.png", deep=True), rgb)


def test_folder_of_mixed_kinds_is_one_shoot_in_order(tmp_path):
    heif = pytest.importorskip("pillow_heif")
    rgb = np.asarray((deep_picture() // 257).astype(np.uint8))
    heif.from_pillow(Image.fromarray(rgb)).save(tmp_path / "P1.heic", quality=95)
    Image.fromarray(rgb).save(tmp_path / "P2.jpg", quality=97, subsampling=0)
    tifffile.imwrite(tmp_path / "P3.tif", rgb.astype(np.uint16) * 257, photometric="rgb")
    Image.fromarray(rgb).save(tmp_path / "P4.png")
    for k in range(1, 5):
        path = next(tmp_path.glob(f"P{k}.*"))
        os.utime(path, (1_700_000_000 + 60 * k,) * 2)
    listed = load_frames([tmp_path])
    assert [frame.name[:2] for frame in listed.frames] == ["P1", "P2", "P3", "P4"]
    for frame in listed.frames:
        assert frame.fault is None and frame.size_px == (WIDE, HIGH)
        assert np.abs(read_picture(frame.path).astype(int) - rgb).mean() < 5  # HEIC halves colour
