"""Masters and all that is written beside a film, read again by libraries that wrote none of it.

Frames are 16-bit TIFF files by tifffile; the command line makes the films; PyAV, Pillow and
OpenCV read them. Nothing here imports capturehook but the tables of BT.709 in the tests.
"""

import os
import re
import subprocess
import sys
from itertools import pairwise

import av
import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from tests.film.bt709 import rgb_to_ycbcr_8bit

COUNT, WIDE, HIGH = 12, 320, 240
FLAT = (51_400, 12_850, 30_840)  # 200, 50, 120 of 255


def picture(k):
    """A fine ramp, a textured wall, a flat patch and a part that grows; uint16 coded sRGB."""
    rgb = np.zeros((HIGH, WIDE, 3))
    rgb[:] = np.linspace(9000, 21_000, WIDE)[None, :, None]
    noise = np.random.default_rng(4).normal(0, 1, (60, WIDE))
    rgb[:60] = (30_000 + 14_000 * cv2.GaussianBlur(noise, (0, 0), 1.5))[..., None]
    rgb[180:220, 20:80] = FLAT
    rgb[200 - 8 * (k + 1) : 200, 150:180] = (50_000, 20_000, 9000)
    return rgb.clip(0, 65_535).round().astype(np.uint16)


def run(folder, *words):
    done = subprocess.run(
        [sys.executable, "-m", "capturehook", "assemble", "card", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr + done.stdout
    return done.stdout


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("deep")
    (folder / "card").mkdir()
    for k in range(COUNT):
        path = folder / "card" / f"P{k + 1:04d}.tif"
        tifffile.imwrite(path, picture(k), photometric="rgb", compression="zlib")
        os.utime(path, (1_700_000_000 + 60 * k,) * 2)
    run(
        folder,
        *("-o", "master.mov", "--codec", "prores", "--fps", "25", "--align", "none"),
        *("--hold-last", "0.4", "--card", "0.2", "--title", "Lighthouse", "--images", "pictures"),
        *("--edit-list", "film.edl", "--preview", "film.gif", "--poster", "last.png"),
        *("--slit", "slit.png", "--list", "film.csv"),
    )
    return folder


def frames_of(path):
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        frames = list(container.decode(stream))
        rate, name = stream.average_rate, stream.codec_context.name
    return frames, rate, name


def luma(frame):
    plane = frame.planes[0]
    return np.frombuffer(plane, np.uint16).reshape(frame.height, -1)[:, : frame.width]


def check_master(path, codec):
    frames, rate, name = frames_of(path)
    assert (name, rate, frames[0].format.name) == (codec, 25, "yuv422p10le")
    assert all(frame.key_frame for frame in frames)
    ramp = luma(frames[-1])[64:100].mean(axis=0)
    codes = np.linspace(9000, 21_000, WIDE) / 257  # of 255
    wanted = 4 * (16 + 219 * codes / 255)
    assert np.abs(ramp - wanted)[4:-4].max() < 1.5
    assert len(np.unique(luma(frames[-1])[64:100])) > 130  # 8 bits hold 41 of these codes
    flat = np.array([np.median(luma(frames[-1])[190:210, 30:70])])
    wanted = 4 * rgb_to_ycbcr_8bit(np.array(FLAT) / 257)
    assert flat == pytest.approx(wanted[0], abs=2)
    colours = [
        np.median(np.frombuffer(p, np.uint16).reshape(HIGH, -1)[190:210, 15:35])
        for p in frames[-1].planes[1:]
    ]
    assert colours == pytest.approx(wanted[1:], abs=3)
    return frames


def test_prores_master_keeps_ten_bits_of_a_sixteen_bit_source(shoot):
    frames = check_master(shoot / "master.mov", "prores")
    assert len(frames) == 5 + COUNT + 10  # card, shots, hold


def test_dnxhr_master_keeps_ten_bits_too(shoot):
    words = ("--codec", "dnxhr", "--fps", "25", "--align", "none", "--hold-last", "0")
    run(shoot, "-o", "other.mov", *words)
    assert len(check_master(shoot / "other.mov", "dnxhd")) == COUNT


def test_card_shows_words_and_then_the_shoot(shoot):
    frames, _, _ = frames_of(shoot / "master.mov")
    card, shot = luma(frames[4]), luma(frames[5])
    assert card.max() > 800 and 0.002 < (card > 500).mean() < 0.2
    lit = np.argwhere(card > 500)
    rim = 0.05 * np.array([HIGH, WIDE])
    assert (lit.min(axis=0) > rim).all() and (lit.max(axis=0) < [HIGH, WIDE] - rim).all()
    assert np.abs(card.astype(int) - shot).mean() > 100


def test_images_are_sixteen_bits_one_for_each_film_frame(shoot):
    paths = sorted((shoot / "pictures").iterdir())
    assert len(paths) == 5 + COUNT + 10
    last = cv2.imread(str(paths[-1]), cv2.IMREAD_UNCHANGED)[..., ::-1]
    assert last.dtype == np.uint16 and last.shape == (HIGH, WIDE, 3)
    assert np.abs(last.astype(int) - picture(COUNT - 1))[62:].max() <= 260


def test_images_as_tiff_in_a_folder_that_must_be_new(shoot):
    words = ("-o", "f.mp4", "--images", "stills", "--image-kind", "tiff", "--hold-last", "0")
    run(shoot, *words)
    paths = sorted((shoot / "stills").iterdir())
    assert len(paths) == COUNT and cv2.imread(str(paths[0]), -1).dtype == np.uint16
    with pytest.raises(AssertionError, match="already holds"):
        run(shoot, *words)


def test_edit_list_is_whole_and_without_gaps(shoot):
    lines = (shoot / "film.edl").read_text().splitlines()
    assert lines[0] == "TITLE: Lighthouse" and lines[1].startswith("FCM:")
    events = [re.fullmatch(r"(\d+)  (\w+) +V +C +(\S+) (\S+) (\S+) (\S+)", one) for one in lines]
    events = [one for one in events if one]

    def frames(code):
        hours, minutes, seconds, left = map(int, code.split(":"))
        return ((hours * 60 + minutes) * 60 + seconds) * 25 + left

    spans = [(frames(one[5]), frames(one[6])) for one in events]
    assert [int(one[1]) for one in events] == list(range(1, COUNT + 2))
    assert spans[0][0] == 0 and spans[-1][1] == 5 + COUNT + 10
    assert all(before[1] == after[0] for before, after in pairwise(spans))
    assert sum("FROM CLIP NAME: P00" in line for line in lines) == COUNT
    assert any(line.startswith("M2   AX") for line in lines)  # the last frame stays


def test_preview_moves_loops_and_is_small(shoot):
    with Image.open(shoot / "film.gif") as gif:
        assert gif.n_frames >= 6 and gif.info["loop"] == 0
        total_ms = 0
        for k in range(gif.n_frames):
            gif.seek(k)
            total_ms += gif.info["duration"]
    assert total_ms == pytest.approx(1000 * (5 + COUNT + 10) / 25, rel=0.15)
    assert (shoot / "film.gif").stat().st_size <= 5_000_000


def test_poster_is_the_finished_part_and_slit_shows_all_shots_twice(shoot):
    poster = np.asarray(Image.open(shoot / "last.png"))
    assert np.abs(poster.astype(int) - picture(COUNT - 1) // 257)[62:].max() <= 1
    slit = np.asarray(Image.open(shoot / "slit.png"))
    assert slit.shape[0] == 2 * HIGH + 6 and slit.shape[1] >= 900
    part = (slit[:HIGH, :, 0].astype(int) - slit[:HIGH, :, 2] > 80).sum(axis=0)
    assert part[-1] > part[len(part) // 2] > part[0] > 0


def test_webp_preview_and_loops(shoot):
    words = ("--align", "none", "--fps", "25", "--hold-last", "0", "--codec", "ffv1")
    run(shoot, "-o", "loop.mkv", *words, "--loop", "--preview", "loop.webp")
    frames, _, _ = frames_of(shoot / "loop.mkv")
    grey = [frame.to_ndarray(format="gray").astype(float) for frame in frames]
    steps = [np.abs(a - b).mean() for a, b in pairwise([*grey, grey[0]])]
    assert len(frames) == COUNT + 25
    assert steps[-1] < 3 * np.median(steps)  # from the end to the beginning as small a step
    run(shoot, "-o", "back.mkv", *words, "--loop", "back")
    frames, _, _ = frames_of(shoot / "back.mkv")
    assert len(frames) == 2 * COUNT - 2
    first, last = (frames[k].to_ndarray(format="gray").astype(int) for k in (1, -1))
    assert np.abs(first - last).max() <= 1
    with Image.open(shoot / "loop.webp") as preview:
        assert preview.n_frames > 10


def test_upright_tiff_of_another_orientation_is_turned_once(tmp_path):
    """OpenCV turns a TIFF by its tag, whether one lets it or not."""
    (tmp_path / "card").mkdir()
    for k in range(3):
        stored = np.ascontiguousarray(np.rot90(picture(k)))  # tag 6: turn clockwise to view
        tifffile.imwrite(
            tmp_path / "card" / f"P{k}.tif",
            stored,
            photometric="rgb",
            extratags=[(274, 3, 1, 6, True)],
        )
    run(tmp_path, "-o", "film.mp4", "--poster", "p.png", "--hold-last", "0", "--align", "none")
    poster = np.asarray(Image.open(tmp_path / "p.png")).astype(int)
    assert poster.shape[:2] == (HIGH, WIDE)
    assert np.abs(poster - picture(2) // 257)[62:].mean() < 1
