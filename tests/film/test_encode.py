"""The film writer: what is decoded again must be what was put in."""

import ctypes
import hashlib
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from capturehook.errors import FileError, FrameError
from capturehook.film.codecs import (
    CODECS,
    available_codecs,
    fits_level,
    h264_level,
    macroblocks,
    parse_fps,
)
from capturehook.film.encode import _refused, open_film
from capturehook.frames.needs import keep_memory_low
from tests.film.bt709 import rgb_to_ycbcr_8bit

# Two flat halves each; the colours are arbitrary, none is grey.
LEFT, RIGHT = (200, 30, 180), (128, 64, 32)


def halves(width=64, height=48):
    rgb = np.empty((height, width, 3), np.uint8)
    rgb[:, : width // 2], rgb[:, width // 2 :] = LEFT, RIGHT
    return rgb


@pytest.mark.parametrize("codec", sorted(CODECS))
def test_film_decodes_to_the_count_size_rate_tags_and_colours_put_in(tmp_path, codec):
    if codec not in available_codecs():
        pytest.skip(f"this av library cannot write {codec}")
    path = tmp_path / {"ffv1": "film.mkv", "prores": "a.mov", "dnxhr": "a.mov"}.get(
        codec, "film.mp4"
    )
    fps = Fraction(30000, 1001)
    wide, high = (256, 120) if codec == "dnxhr" else (64, 48)
    with open_film(path, wide, high, fps, codec, metadata={"title": "lighthouse"}) as film:
        film.add(halves(wide, high))
        film.add(halves(wide, high), repeat=6)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        frames = list(container.decode(stream))
        context = stream.codec_context
        assert (len(frames), frames[0].width, frames[0].height) == (7, wide, high)
        assert stream.average_rate == fps
        # H.273 code point 1 is BT.709 for all three; range 1 is narrow.
        tags = (context.color_primaries, context.color_trc, context.colorspace, context.color_range)
        assert tags == (1, 1, 1, 1)
        assert container.metadata["title"] == "lighthouse"
    planes = frames[3].reformat(format="yuv444p").to_ndarray()
    assert planes[:, 24, 10] == pytest.approx(rgb_to_ycbcr_8bit(LEFT), abs=2.5)
    assert planes[:, 24, wide - 10] == pytest.approx(rgb_to_ycbcr_8bit(RIGHT), abs=2.5)


def test_film_that_fails_midway_leaves_the_old_file_and_no_scrap(tmp_path):
    path = tmp_path / "film.mp4"
    path.write_bytes(b"old film")
    with pytest.raises(FrameError, match="is uint8 of shape"), open_film(path, 64, 48, 30) as film:
        film.add(halves())
        film.add(halves(32, 48))
    assert path.read_bytes() == b"old film"
    assert [one.name for one in tmp_path.iterdir()] == ["film.mp4"]


def test_film_interrupted_from_the_keyboard_leaves_no_scrap(tmp_path):
    with pytest.raises(KeyboardInterrupt), open_film(tmp_path / "film.mp4", 64, 48, 30) as film:
        film.add(halves())
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_film_without_frames_is_refused(tmp_path):
    with (
        pytest.raises(FrameError, match="no frame was added"),
        open_film(tmp_path / "film.mp4", 64, 48, Fraction(25)),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_film_into_a_missing_folder_is_a_file_error(tmp_path):
    with (
        pytest.raises(FileError, match="could not be written"),
        open_film(tmp_path / "none" / "film.mp4", 64, 48, Fraction(25)),
    ):
        pass


def test_same_frames_give_the_same_film(tmp_path):
    sums = []
    for name in ("a.mp4", "b.mp4"):
        with open_film(tmp_path / name, 64, 48, Fraction(25)) as film:
            film.add(halves(), repeat=5)
        sums.append(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert sums[0] == sums[1]


@pytest.mark.parametrize(
    ("name", "size", "codec", "text"),
    [
        ("film.mp4", (65, 48), "h264", "both sides must be even"),
        ("film.avi", (64, 48), "h264", "does not name a kind of film"),
        ("film.webm", (64, 48), "h264", "h264 does not go into .webm"),
        ("film.mp4", (64, 48), "x", "'x' is not known"),
        ("film.mp4", (6000, 4000), "h264", "more than any level of H.264 up to 5.2"),
    ],
)
def test_film_that_cannot_be_is_refused_before_writing(tmp_path, name, size, codec, text):
    with pytest.raises(FrameError, match=text), open_film(tmp_path / name, *size, 30, codec):
        pass
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "fps"),
    [
        ("30", Fraction(30)),
        ("30000/1001", Fraction(30000, 1001)),
        ("23.976", Fraction(24000, 1001)),
        ("29.97", Fraction(30000, 1001)),
        ("12.5", Fraction(25, 2)),
    ],
)
def test_parse_fps_keeps_exact_fractions(text, fps):
    assert parse_fps(text) == fps


@pytest.mark.parametrize("text", ["", "fast", "0", "1/0", "-5", "1000"])
def test_parse_fps_refuses_what_is_no_rate(text):
    with pytest.raises(FrameError):
        parse_fps(text)


# ITU-T H.264 Annex A, table A-1: macroblock counts and the rates they allow.
@pytest.mark.parametrize(
    ("size", "blocks", "level", "most_fps"),
    [
        ((1920, 1080), 8160, "4.0", 30.12),
        ((3840, 2160), 32400, "5.1", 30.34),
        ((3840, 2160), 32400, "5.2", 64.00),
    ],
)
def test_levels_agree_with_table_a1(size, blocks, level, most_fps):
    columns, rows = macroblocks(*size)
    assert columns * rows == blocks
    assert fits_level(level, *size, Fraction(str(most_fps)) - Fraction(1, 100))
    assert not fits_level(level, *size, Fraction(str(most_fps)) + Fraction(1, 100))


@pytest.mark.parametrize(
    ("size", "fps", "level"),
    [
        ((1280, 720), 30, "3.1"),
        ((1280, 720), 60, "3.2"),
        ((1920, 1080), 30, "4.0"),
        ((1920, 1080), 60, "4.2"),
        ((1080, 1920), 30, "4.0"),
        ((3840, 2160), 60, "5.2"),
    ],
)
def test_h264_level_is_the_lowest_that_fits(size, fps, level):
    assert h264_level(*size, Fraction(fps)) == level


# Annex A: each side in macroblocks at most sqrt(8 x MaxFS): a long thin frame is refused.
def test_h264_level_minds_the_longer_side():
    assert fits_level("4.0", 1920, 1080, Fraction(1))
    assert not fits_level("4.0", 16 * 257, 16, Fraction(1))


def test_encoder_that_gives_up_is_not_called_a_full_disk():
    full, refused = OSError(28, "No space left on device"), ValueError("no")
    refused.strerror = "Invalid argument"
    assert isinstance(_refused(Path("film.mp4"), "h264", full), FileError)
    assert "the encoder for h264 gave up" in str(_refused(Path("film.mp4"), "h264", refused))


# x264 writes its settings into the stream; ITU-T H.264 D.1.7, user data of its own.
def test_encoder_holds_few_pictures_of_a_large_film(tmp_path):
    path = tmp_path / "large.mp4"
    with open_film(path, 3840, 2160, Fraction(30)) as film:
        film.add(np.full((2160, 3840, 3), 90, np.uint8))
    data = path.read_bytes()
    held = (b" ref=1 ", b" bframes=0 ", b" rc_lookahead=2 ")
    assert all(word in data for word in held)


class _Library:
    def __init__(self, name):
        self.asked = []
        _Library.last = self

    def mallopt(self, option, value):
        self.asked.append((option, value))
        return 1


def test_memory_is_asked_for_where_the_c_library_can_and_else_not(monkeypatch):
    """M_ARENA_MAX is -8, M_MMAP_THRESHOLD -3, M_TRIM_THRESHOLD -1 in GNU's malloc.h."""
    monkeypatch.setattr(ctypes, "CDLL", _Library)
    keep_memory_low()
    assert [option for option, _ in _Library.last.asked] == [-8, -3, -1]
    monkeypatch.setattr(ctypes, "CDLL", lambda name: object())
    keep_memory_low()
