"""Finding pictures and putting them in order: names, cards, clocks, copies."""

import os
from datetime import timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from capturehook.errors import FileError, FrameError
from capturehook.frames import needs
from capturehook.frames.decode import read_head, read_picture, read_reduced, upright_size
from capturehook.frames.listing import load_frames, order_names, refuse_over_frames
from tests.frames.shoot import START, make_shoot


def names(frames):
    return [frame.name for frame in frames.frames]


def codes(frames):
    return [finding.code for finding in frames.findings]


def without_exif(folder: Path, file_times=None):
    """Saves the pictures again without a time; sets the files' own times if given."""
    for index, path in enumerate(sorted(folder.rglob("*.jpg"))):
        with Image.open(path) as picture:
            picture.load()
        picture.save(path, quality=90)
        when = 1.7e9 if file_times is None else file_times[index]
        os.utime(path, (when, when))


def test_frames_of_a_card_come_in_order_with_hundredths(tmp_path):
    shoot = make_shoot(6)
    shoot.write(tmp_path)
    frames = load_frames([tmp_path])
    assert (frames.clock, frames.step_s, frames.size_px) == ("camera", 0.01, (160, 120))
    planned = [pose.t_s - shoot.plan.poses[0].t_s for pose in shoot.plan.poses]
    assert frames.t_s - frames.t_s[0] == pytest.approx(planned, abs=0.011)
    assert codes(frames) == []


def test_names_that_restart_after_9999_follow_it():
    paths = [Path(f"pict{number:04d}.jpg") for number in (1, 2, 3, 9997, 9998, 9999)]
    assert [path.stem[-4:] for path in order_names(paths)] == [
        "9997",
        "9998",
        "9999",
        "0001",
        "0002",
        "0003",
    ]


@pytest.mark.parametrize("numbers", [(1, 2, 3), (1, 2, 9000, 9001), (9990, 9991)])
def test_names_that_do_not_wrap_keep_their_order(numbers):
    paths = [Path(f"pict{number:04d}.jpg") for number in numbers]
    assert order_names(paths) == paths


def test_names_with_dates_are_in_natural_order():
    paths = [Path(name) for name in ("P_20240501_9.jpg", "P_20240501_10.jpg", "P_20240430_11.jpg")]
    assert [path.stem for path in order_names(paths)] == [
        "P_20240430_11",
        "P_20240501_9",
        "P_20240501_10",
    ]


@pytest.mark.property
@settings(max_examples=60)
@given(st.integers(1, 9999), st.integers(1, 400))
def test_order_of_names_is_the_order_of_shooting_wherever_the_count_began(first, count):
    shot = [Path(f"pict{(first + k - 1) % 9999 + 1:04d}.jpg") for k in range(count)]
    # The restart shows only if the numbers before it are few against the gap: any real card.
    assert order_names(sorted(shot)) == shot


def test_restart_of_names_without_any_times_is_followed(tmp_path):
    shoot = make_shoot(8)
    shoot.first_number = 9996
    written = shoot.write(tmp_path)
    without_exif(tmp_path)
    frames = load_frames([tmp_path])
    assert frames.clock == "order" and codes(frames) == ["no-times"]
    assert names(frames) == [path.name for path in written]


def test_two_cards_are_merged_by_time(tmp_path):
    shoot = make_shoot(10)
    first = shoot.write(tmp_path / "one", part=slice(0, None, 2))
    second = shoot.write(tmp_path / "two", part=slice(1, None, 2))
    frames = load_frames([tmp_path / "two", tmp_path / "one"])
    assert names(frames) == [p.name for pair in zip(first, second, strict=True) for p in pair]
    assert [frame.card for frame in frames.frames[:4]] == [1, 0, 1, 0]


def test_pictures_written_to_two_cards_alike_are_taken_once(tmp_path):
    shoot = make_shoot(5)
    shoot.write(tmp_path / "one")
    shoot.write(tmp_path / "two")
    frames = load_frames([tmp_path / "one", tmp_path / "two"])
    assert len(frames) == 5 and {frame.card for frame in frames.frames} == {0}
    assert codes(frames) == ["copies"]


def test_folders_of_one_card_follow_each_other(tmp_path):
    shoot = make_shoot(8)
    shoot.first_number = 9996
    head = shoot.write(tmp_path / "100CARD", part=slice(0, 4))
    tail = shoot.write(tmp_path / "101CARD", part=slice(4, None))
    without_exif(tmp_path)
    assert names(load_frames([tmp_path])) == [path.name for path in head + tail]


def test_clock_set_back_in_mid_shoot_is_put_right(tmp_path):
    shoot = make_shoot(12)
    shoot.clock_jump_s = {7: -3600}
    written = shoot.write(tmp_path)
    frames = load_frames([tmp_path])
    assert names(frames) == [path.name for path in written]
    assert codes(frames) == ["clock-jump"] and "60 min" in frames.findings[0].text
    assert np.diff(frames.t_s).max() < 70


def test_offset_from_utc_removes_a_change_of_zone(tmp_path):
    shoot = make_shoot(8)
    shoot.offset = "+02:00"
    shoot.write(tmp_path / "summer", part=slice(0, 4))
    shoot.offset, shoot.clock_jump_s = "+01:00", {0: -3600}
    shoot.write(tmp_path / "winter", part=slice(4, None))
    frames = load_frames([tmp_path / "summer", tmp_path / "winter"])
    planned = [pose.t_s - shoot.plan.poses[0].t_s for pose in shoot.plan.poses]
    assert frames.t_s - frames.t_s[0] == pytest.approx(planned, abs=0.011)
    assert codes(frames) == []


def test_sub_seconds_that_never_change_are_whole_seconds(tmp_path):
    shoot = make_shoot(8)
    exif = shoot.exif
    shoot.exif = lambda when: exif(when.replace(microsecond=0))
    shoot.write(tmp_path)
    assert load_frames([tmp_path]).step_s == 1.0


def test_pictures_without_a_time_go_by_the_files_times(tmp_path):
    shoot = make_shoot(6)
    shoot.write(tmp_path)
    when = [1.7e9 + pose.t_s for pose in shoot.plan.poses]
    without_exif(tmp_path, when)
    frames = load_frames([tmp_path])
    assert frames.clock == "file" and codes(frames) == ["file-times"]
    assert frames.t_s == pytest.approx(when, abs=0.01)


def test_one_picture_without_a_time_lies_between_its_neighbours(tmp_path):
    written = make_shoot(8).write(tmp_path)
    with Image.open(written[3]) as picture:
        picture.load()
    picture.save(written[3])
    frames = load_frames([tmp_path])
    assert names(frames) == [path.name for path in written]
    assert codes(frames) == ["time-guessed"]
    assert frames.t_s[3] == pytest.approx((frames.t_s[2] + frames.t_s[4]) / 2)


def test_png_and_tiff_hold_their_times_too(tmp_path):
    shoot = make_shoot(3)
    for kind in ("png", "tiff"):
        shoot.write(tmp_path / kind, kind)
        frames = load_frames([tmp_path / kind])
        assert (frames.clock, frames.step_s) == ("camera", 0.01)


@pytest.mark.parametrize("tag", range(1, 9))
@pytest.mark.parametrize("kind", ["png", "jpg"])
def test_every_orientation_is_turned_upright_as_pillow_turns_it(tmp_path, tag, kind):
    """Pillow's `ImageOps.exif_transpose` is the other opinion."""
    rng = np.random.default_rng(3)
    coarse = rng.integers(0, 255, (5, 8, 3)).astype(np.uint8)
    exif = Image.Exif()
    exif[0x0112] = tag
    path = tmp_path / f"a.{kind}"
    options = {"quality": 95, "subsampling": 0} if kind == "jpg" else {}
    Image.fromarray(coarse).resize((256, 160), 0).save(path, exif=exif, **options)
    with Image.open(path) as picture:
        wanted = np.asarray(ImageOps.exif_transpose(picture)).astype(int)
    head = read_head(path)
    assert upright_size(head.stored_px, head.orientation) == wanted.shape[1::-1]
    assert np.abs(read_picture(path).astype(int) - wanted).mean() < 1.5
    small = read_reduced(path, (wanted.shape[1] // 4, wanted.shape[0] // 4)).astype(int)
    means = wanted.reshape(small.shape[0], 4, small.shape[1], 4, 3).mean(axis=(1, 3))
    assert np.abs(small - means).mean() < 4


def test_pictures_of_several_sizes_are_told_with_their_counts(tmp_path):
    for number, size in enumerate([(64, 48), (64, 48), (32, 24), (48, 64), (64, 48)]):
        Image.new("RGB", size, (number, 0, 0)).save(tmp_path / f"{number}.jpg")
    findings = {one.code: one.text for one in load_frames([tmp_path]).findings}
    assert findings["sizes-differ"].startswith(
        "3 pictures of 64 x 48 px, 1 picture of 32 x 24 px, 1 picture of 48 x 64 px: "
    )


def test_one_frame_with_another_orientation_tag_is_turned_like_the_rest(tmp_path):
    shoot = make_shoot(6)
    paths = shoot.write(tmp_path)
    with Image.open(paths[3]) as picture:
        exif, pixels = picture.getexif(), picture.copy()
    exif[0x0112] = 6
    pixels.save(paths[3], quality=95, exif=exif)
    listed = load_frames([tmp_path])
    assert {frame.size_px for frame in listed.frames} == {(160, 120)}
    assert [(one.code, one.where) for one in listed.findings] == [("orientation", paths[3].name)]


def test_reduced_decoding_of_a_large_jpeg_shows_the_same_scene(tmp_path):
    y, x = np.mgrid[0:800, 0:1200]
    grey = (127 + 80 * np.sin(x / 60) * np.cos(y / 45)).astype(np.uint8)
    Image.fromarray(grey).save(tmp_path / "a.jpg", quality=95)
    small = read_reduced(tmp_path / "a.jpg", (150, 100))
    whole = np.asarray(read_picture(tmp_path / "a.jpg"))
    assert small.shape == (100, 150, 3)
    means = whole.reshape(100, 8, 150, 8, 3).mean(axis=(1, 3))
    assert np.abs(small - means).mean() < 1.5


@pytest.mark.parametrize("kind", ["png", "tiff"])
def test_sixteen_bits_are_rounded_to_eight(tmp_path, kind):
    cv2.imwrite(str(tmp_path / f"a.{kind}"), np.full((20, 20, 3), 0x8020, np.uint16))
    assert (read_picture(tmp_path / f"a.{kind}") == round(0x8020 / 257)).all()


def test_half_damaged_jpeg_is_refused_though_it_decodes(tmp_path):
    """A sector of zeros in the middle: libraries fill the rest with green and say nothing."""
    path = make_shoot(1).write(tmp_path)[0]
    noise = np.random.default_rng(1).integers(0, 255, (400, 600, 3)).astype(np.uint8)
    Image.fromarray(noise).save(path, quality=90)
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 2000] = bytes(2000)
    path.write_bytes(data)
    Image.open(path).load()  # no fault
    with pytest.raises(FrameError, match="is damaged: the decoder says"):
        read_picture(path, (150, 100))


def test_jpeg_with_padding_before_its_end_is_whole(tmp_path):
    path = make_shoot(1).write(tmp_path)[0]
    data = path.read_bytes()
    path.write_bytes(data[:-2] + bytes(40) + data[-2:])
    assert read_picture(path).shape == (120, 160, 3)


def test_raw_beside_a_picture_is_passed_over_and_alone_needs_its_library(tmp_path, monkeypatch):
    shoot = make_shoot(3)
    for path in shoot.write(tmp_path):
        path.with_suffix(".dng").write_bytes(b"II*\0")
    assert len(load_frames([tmp_path])) == 3
    for path in tmp_path.glob("*.jpg"):
        path.unlink()
    monkeypatch.setitem(__import__("sys").modules, "rawpy", None)
    with pytest.raises(FrameError, match=r"raw file pict0001.dng needs it.*pip install rawpy"):
        load_frames([tmp_path])


def test_missing_library_is_one_clear_error(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "av", None)
    with pytest.raises(
        FrameError, match=r"pip install av opencv-python-headless pillow simplejpeg"
    ):
        needs.pyav()


@pytest.mark.parametrize("content", [b"", b"no picture", b"\xff\xd8\xff\xe0broken"])
def test_folder_without_a_readable_picture_is_refused(tmp_path, content):
    (tmp_path / "a.jpg").write_bytes(content)
    with pytest.raises(FrameError, match="holds no readable picture"):
        load_frames([tmp_path])


def test_empty_folder_and_missing_folder_are_refused(tmp_path):
    with pytest.raises(FrameError, match="holds no picture"):
        load_frames([tmp_path])
    with pytest.raises(FileError, match="no such file or folder"):
        load_frames([tmp_path / "none"])


def test_hidden_files_and_other_kinds_are_passed_over(tmp_path):
    make_shoot(3).write(tmp_path)
    (tmp_path / ".trash").mkdir()
    (tmp_path / ".trash" / "x.jpg").write_bytes(b"x")
    (tmp_path / "clip.mp4").write_bytes(b"x")
    assert len(load_frames([tmp_path])) == 3


def test_asked_for_clock_that_is_not_there_is_refused(tmp_path):
    make_shoot(3).write(tmp_path)
    assert load_frames([tmp_path], clock="order").clock == "order"
    without_exif(tmp_path)
    with pytest.raises(FrameError, match="no picture holds a capture time"):
        load_frames([tmp_path], clock="camera")


def test_originals_are_never_written_over(tmp_path):
    written = make_shoot(3).write(tmp_path / "card")
    frames = load_frames([tmp_path / "card"])
    with pytest.raises(FrameError, match="is one of the frames"):
        refuse_over_frames(frames, written[1])
    with pytest.raises(FrameError, match="would lie among the frames"):
        refuse_over_frames(frames, tmp_path / "card" / "sheet.png", picture=True)
    refuse_over_frames(frames, tmp_path / "sheet.png", picture=True)


def test_start_of_the_drawn_shoot_is_what_the_stamps_say(tmp_path):
    make_shoot(2).write(tmp_path)
    first = make_shoot(2).plan.poses[0].t_s
    expected = (START + timedelta(seconds=first + 300)).strftime("%Y:%m:%d %H:%M:%S")
    with Image.open(tmp_path / "pict0001.jpg") as picture:
        assert picture.getexif().get_ifd(0x8769)[0x9003] == expected
