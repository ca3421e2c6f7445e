"""Damaged containers: one clear error or a right-looking job, no traceback, bounded memory.

Each sample is cut at 50 places and has 200 bytes flipped, one at a time, spread over the file and
denser where its tables are. What is read must be sound: rising instants, exposures of its truth but
for the layers whose own bytes were hit.
"""

from __future__ import annotations

import random
import struct
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import sample_truth as truth

from capturehook.errors import CaptureHookError, FileError
from capturehook.model.resin import ResinTable
from capturehook.model.resin_job import ResinJob
from capturehook.resin.area import LayerImages
from capturehook.resin.job import read_job

NAMES = (*truth.BINARY, "tilt.sl1", "commands.zip", "layers.vdt", "layers.uvj", "plate.zip")
MOST_WORDS = 700
TABLE_BYTES = 4096


def cuts(data: bytes, name: str) -> Iterator[bytes]:
    """50 files that end early."""
    dice = random.Random(f"cut {name}")
    places = sorted({0, 1, 11, len(data) - 1, *(dice.randrange(len(data)) for _ in range(60))})
    for place in places[:50]:
        yield data[:place]


def flips(data: bytes, name: str) -> Iterator[bytes]:
    """200 files with one byte changed; half of them near either end, where tables stand."""
    dice = random.Random(f"flip {name}")
    for turn in range(200):
        at = dice.randrange(len(data))
        if turn % 4 == 0:
            at = dice.randrange(min(TABLE_BYTES, len(data)))
        elif turn % 4 == 1:
            at = len(data) - 1 - dice.randrange(min(TABLE_BYTES, len(data)))
        damaged = bytearray(data)
        damaged[at] ^= 1 << dice.randrange(8)
        yield bytes(damaged)


def outcome(path: Path, data: bytes) -> ResinJob | str:
    """The job, its first image looked at too; or the words of the one error."""
    path.write_bytes(data)
    try:
        job = read_job(path, ResinTable())
        if job.images and job.images[0]:
            with LayerImages(path, job.images, job.stored) as images:
                images.read(0)
    except CaptureHookError as fault:
        return str(fault)
    return job


def check_sound(job: ResinJob, layers: int) -> None:
    timeline = job.timeline
    assert 1 <= len(timeline) <= layers
    assert np.isfinite(timeline.knot_s).all()
    assert np.isfinite(timeline.knot_mm).all()
    assert (np.diff(timeline.flash_on_s) > 0).all()
    assert (timeline.phase_s >= 0).all()
    if len(timeline) < layers:
        assert job.findings, "fewer layers than there were, and nobody is told"


@pytest.mark.parametrize("name", NAMES)
def test_cut_container_is_one_error(tmp_path: Path, name: str) -> None:
    """No container without its end passes for a whole one, but for what stands after its data."""
    for data in cuts(truth.sample(name), name):
        found = outcome(tmp_path / "cut", data)
        if isinstance(found, str):
            assert str(tmp_path / "cut") in found
            assert len(found) < MOST_WORDS + 2 * len(str(tmp_path))
            assert "\n" not in found
        else:
            check_sound(found, truth.truth(name)["layers"])


@pytest.mark.parametrize("name", NAMES)
def test_container_with_a_flipped_bit_is_one_error_or_sound(tmp_path: Path, name: str) -> None:
    layers = truth.truth(name)["layers"]
    wanted = np.array(truth.exposures(name))
    for data in flips(truth.sample(name), name):
        found = outcome(tmp_path / "flipped", data)
        if isinstance(found, str):
            assert len(found) < MOST_WORDS + 2 * len(str(tmp_path))
            continue
        check_sound(found, layers)
        if len(found.timeline) == layers:
            light_s = found.timeline.flash_off_s - found.timeline.flash_on_s
            assert (np.abs(light_s[:layers] - wanted) > 1e-3).sum() <= 1


def test_count_of_four_thousand_million_is_refused_without_allocating(tmp_path: Path) -> None:
    data = bytearray(truth.sample("v2_key0.ctb"))
    struct.pack_into("<I", data, 0x44, 4_000_000_000)
    path = tmp_path / "count.ctb"
    path.write_bytes(data)
    tracemalloc.start()
    with pytest.raises(FileError, match="4000000000 is no valid count"):
        read_job(path, ResinTable())
    assert tracemalloc.get_traced_memory()[1] < 2_000_000
    tracemalloc.stop()


@pytest.mark.parametrize("name", ["v1.pws", "v2_key0.ctb"])
def test_image_larger_than_any_coding_of_the_screen_is_refused_unread(
    tmp_path: Path, name: str
) -> None:
    """9 MB of one-pixel runs for a screen of 230 400 pixels: 220 MB of them took 17 GB."""
    path = tmp_path / name
    path.write_bytes(truth.sample(name))
    job = read_job(path, ResinTable())
    at, size = job.images[0].split()
    head = struct.pack("<2I", int(at), int(size))
    data = path.read_bytes()
    assert data.count(head) == 1
    path.write_bytes(data.replace(head, struct.pack("<2I", len(data), 9 << 20)) + bytes(9 << 20))
    job = read_job(path, ResinTable())
    tracemalloc.start()
    with (
        LayerImages(path, job.images, job.stored) as images,
        pytest.raises(FileError, match="takes 9437184 bytes, the screen has 360 x 640 pixels"),
    ):
        images.read(0)
    assert tracemalloc.get_traced_memory()[1] < 2_000_000
    tracemalloc.stop()


@pytest.mark.parametrize("name", ["layers.uvj", "layers.vdt", "tilt.sl1"])
def test_zips_that_state_their_screen_hold_images_against_it(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(truth.sample(name))
    job = read_job(path, ResinTable())
    assert job.stored is not None
    wide, high = job.stored.screen_px
    with LayerImages(path, job.images, job.stored) as images:
        assert images.read(0).shape[:2] in ((wide, high), (high, wide))


def test_third_of_a_file_says_what_is_missing(tmp_path: Path) -> None:
    data = truth.sample("v2_key0.ctb")
    found = outcome(tmp_path / "cut.ctb", data[: len(data) // 3])
    assert isinstance(found, str)
    assert "the file has 18609" in found
