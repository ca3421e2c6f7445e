"""Capture times as the Exif definition (CIPA DC-008) lays them down."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from capturehook.frames.exif import parse_offset, parse_sub_seconds, parse_time, taken_from


def test_parse_time_counts_seconds_of_the_camera_clock():
    # 2024-05-01 10:20:30 as if UTC: seconds since 1970 by a calendar.
    assert parse_time("2024:05:01 10:20:30") == 1714558830
    assert parse_time(b"2024:05:01 10:20:30\x00") == 1714558830


@pytest.mark.parametrize(
    "text",
    [
        "    :  :     :  :  ",
        "0000:00:00 00:00:00",
        "",
        None,
        7,
        "2024-05-01 10:20:30",
        "2024:13:01 0:0:0",
    ],
)
def test_parse_time_takes_blank_and_impossible_fields_for_none(text):
    assert parse_time(text) is None


# Exif definition: SubSecTime is a string of digits that follow the decimal point.
@pytest.mark.parametrize(
    ("text", "part_s", "step_s"),
    [
        ("5", 0.5, 0.1),
        ("50", 0.5, 0.01),
        ("05", 0.05, 0.01),
        ("050", 0.05, 0.001),
        ("07 \0", 0.07, 0.01),
        ("", 0.0, 1.0),
        (None, 0.0, 1.0),
        ("x", 0.0, 1.0),
    ],
)
def test_parse_sub_seconds_reads_a_decimal_fraction(text, part_s, step_s):
    assert parse_sub_seconds(text) == pytest.approx((part_s, step_s))


# Exif 2.31: OffsetTimeOriginal is "+HH:MM" or "-HH:MM".
@pytest.mark.parametrize(
    ("text", "offset_s"),
    [("+02:00", 7200.0), ("-03:30", -12600.0), ("+00:00", 0.0), ("   :  ", None), (None, None)],
)
def test_parse_offset_is_ahead_of_utc(text, offset_s):
    assert parse_offset(text) == offset_s


def reread(exif):
    """As a picture file would hold it."""
    again = Image.Exif()
    again.load(exif.tobytes())
    return again


def test_taken_from_prefers_the_time_of_taking_over_later_changes():
    exif = Image.Exif()
    exif[0x0132] = "2024:06:01 00:00:00"
    exif[0x8769] = {
        0x9003: "2024:05:01 10:20:30",
        0x9291: "25",
        0x9011: "+01:00",
        0x9004: "2024:05:02 00:00:00",
    }
    taken = taken_from(reread(exif))
    assert (taken.local_s, taken.step_s, taken.offset_s) == (1714558830.25, 0.01, 3600.0)


def test_taken_from_falls_back_when_the_first_field_is_blank():
    exif = Image.Exif()
    exif[0x0132] = "2024:05:01 10:20:31"
    exif[0x8769] = {0x9003: "    :  :     :  :  "}
    assert taken_from(reread(exif)).local_s == 1714558831
    assert taken_from(Image.Exif()) is None


@pytest.mark.property
@given(st.text(max_size=24))
def test_any_text_in_a_field_is_read_or_passed_over(text):
    time, (part_s, step_s), offset_s = parse_time(text), parse_sub_seconds(text), parse_offset(text)
    assert time is None or isinstance(time, int)
    assert 0 <= part_s < 1 and 0 < step_s <= 1
    assert offset_s is None or abs(offset_s) < 100 * 3600


@pytest.mark.property
@given(st.integers(1, 9), st.data())
def test_sub_seconds_are_the_digits_after_the_point(count, data):
    digits = "".join(
        data.draw(st.lists(st.sampled_from("0123456789"), min_size=count, max_size=count))
    )
    assert parse_sub_seconds(digits)[0] == pytest.approx(float(f"0.{digits}"))
