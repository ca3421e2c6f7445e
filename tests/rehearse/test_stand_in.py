"""Stand-in frames: times of the plan in the pictures, and each fault as it was ordered."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from capturehook.errors import FrameError
from capturehook.frames.exif import taken_from
from capturehook.model.plan import PlannedPose, PlanRecord
from capturehook.rehearse.stand_in import (
    DOUBLE_S,
    START,
    Exposure,
    StandInCamera,
    list_exposures,
    read_fault,
    spoil,
)  # fmt: skip


def plan(poses: int = 12) -> PlanRecord:
    return PlanRecord(
        kind="filament", job="lighthouse.gcode", profile="heron", fps="30", hold_last_s=1.0,
        total_s=900.0, height_mm=6.0, moves="bed-y", lag_ms=100, exposure_ms=250, write_ms=900,
        poses=tuple(
            PlannedPose(pose=k + 1, layer=k + 2, z_mm=0.5 * k, t_s=300.1234 + 40.7 * k, still_s=1.0)
            for k in range(poses)
        ),
    )  # fmt: skip


def shoot(*faults: str, poses: int = 12) -> list[Exposure]:
    return list_exposures(plan(poses), [read_fault(text) for text in faults])


def test_every_picture_holds_the_time_of_its_pose(tmp_path):
    """Exif (CIPA DC-008): DateTimeOriginal and SubSecTimeOriginal, read back by Pillow."""
    camera = StandInCamera(tmp_path / "card", shoot())
    grey = np.full((24, 32, 3), 120, np.uint8)
    for pose in plan().poses:
        camera.take(pose.pose, grey)
    paths = sorted((tmp_path / "card").iterdir())
    assert len(paths) == camera.saved == 12
    for path, pose in zip(paths, plan().poses, strict=True):
        with Image.open(path) as picture:
            taken = taken_from(picture.getexif())
            fields = picture.getexif().get_ifd(0x8769)
        assert len(fields[0x9003]) == 19 and len(fields[0x9291]) == 3
        zero = (START - START.__class__(1970, 1, 1)).total_seconds()
        assert taken.local_s - zero == pytest.approx(pose.t_s, abs=0.0006)


def test_missing_and_double_change_the_count():
    assert [one.pose for one in shoot("missing=3")] == [1, 2, *range(4, 13)]
    doubled = shoot("double=3")
    assert [one.pose for one in doubled] == [1, 2, 3, 3, *range(4, 13)]
    assert doubled[3].t_s - doubled[2].t_s == pytest.approx(DOUBLE_S)


def test_pause_and_drift_change_the_times():
    steady = [one.t_s for one in shoot()]
    paused = [one.t_s for one in shoot("pause=5:600")]
    assert np.allclose(np.subtract(paused, steady), [0] * 5 + [600] * 7)
    fast = [one.t_s for one in shoot("drift=1000")]
    assert np.allclose(np.divide(fast, steady), 1.001)


def test_restart_makes_the_pose_the_first_after_9999():
    numbers = [one.number for one in shoot("restart=5")]
    assert numbers == [9996, 9997, 9998, 9999, *range(1, 9)]


def test_flicker_stays_within_its_bounds():
    values = [one.ev for one in shoot("flicker=0.3")]
    assert max(np.abs(values)) <= 0.3 and np.std(values) > 0.05


def test_moved_shifts_by_parts_of_a_pixel():
    """Against the upsampled cross-correlation of scikit-image (Guizar-Sicairos 2008)."""
    from skimage.registration import phase_cross_correlation

    rng = np.random.default_rng(2)
    rough = Image.fromarray(rng.integers(0, 256, (48, 64, 3), dtype=np.uint8))
    rgb = np.asarray(rough.resize((128, 96), Image.Resampling.BICUBIC))
    exposure = Exposure(pose=1, t_s=0, right_px=3.4)
    moved = np.asarray(spoil(rgb, exposure, np.random.default_rng(1))).astype(float)
    inner = (slice(8, -8), slice(8, -8))
    shift, *_ = phase_cross_correlation(
        moved[..., 1][inner],
        rgb[..., 1].astype(float)[inner],
        upsample_factor=20,
        normalization=None,
    )
    assert shift == pytest.approx((0, 3.4), abs=0.1)


def test_dark_is_darker_by_stops_of_light():
    """2.5 EV less: linear light times 2^-2.5, through the curve of IEC 61966-2-1."""
    rgb = np.full((40, 40, 3), 188, np.uint8)
    dark = np.asarray(spoil(rgb, Exposure(pose=1, t_s=0, ev=-2.5), np.random.default_rng(1)))
    linear = ((188 / 255 + 0.055) / 1.055) ** 2.4 * 2**-2.5
    coded = 255 * (1.055 * linear ** (1 / 2.4) - 0.055)
    assert dark.mean() == pytest.approx(coded, abs=0.7)


def test_blurred_has_less_detail():
    rgb = np.random.default_rng(2).integers(0, 256, (60, 60, 3), dtype=np.uint8)
    exposure = Exposure(pose=1, t_s=0, blur_px=3.0)
    blurred = np.asarray(spoil(rgb, exposure, np.random.default_rng(1))).astype(float)
    assert (
        np.abs(np.diff(blurred, axis=1)).mean()
        < 0.1 * np.abs(np.diff(rgb.astype(float), axis=1)).mean()
    )


@pytest.mark.property
@given(
    st.lists(
        st.sampled_from(["missing=4", "double=9", "pause=6:500", "drift=300", "flicker=0.2"]),
        unique=True,
    )
)
def test_pictures_are_in_the_order_of_their_times_and_numbers(faults):
    pictures = shoot(*faults)
    times = [one.t_s for one in pictures]
    assert times == sorted(times)
    assert [one.number for one in pictures] == list(range(1, len(pictures) + 1))
    assert len(pictures) == 12 - ("missing=4" in faults) + ("double=9" in faults)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("lost=3", "'lost=3' is not a fault"),
        ("moved=3", "'moved=3' is not a fault"),
        ("missing=x", "'x' in 'missing=x' is no number"),
    ],
)
def test_fault_that_is_none_is_refused(text, words):
    with pytest.raises(FrameError, match=words):
        read_fault(text)


def test_fault_at_a_pose_that_is_not_there_is_refused():
    with pytest.raises(FrameError, match="has the poses 1 to 12"):
        shoot("missing=13")


def test_folder_that_holds_something_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(FrameError, match="not empty"):
        StandInCamera(tmp_path, shoot())
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
