"""When and how a picture was taken, as its Exif fields tell it.

Source: the Exif definition (CIPA DC-008): DateTimeOriginal 0x9003 and its kin are local time as
"YYYY:MM:DD HH:MM:SS"; sub-seconds are a digit string read as a decimal fraction; the offset
from UTC is "+HH:MM" or "-HH:MM".
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime, timezone
from typing import Any

EXIF_FOLDER = 0x8769  # the pointer from IFD0 to the Exif fields
ORIENTATION = 0x0112
# (time, sub-seconds, offset from UTC): taken, digitised, last changed; the best first.
TIME_TAGS = (
    (0x9003, 0x9291, 0x9011),
    (0x9004, 0x9292, 0x9012),
    (0x0132, 0x9290, 0x9010),
)
TIME_FORM = re.compile(r"^(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)$")
OFFSET_FORM = re.compile(r"^([+-])(\d\d):(\d\d)$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A capture time.

    ``local_s`` counts seconds since 1970 on the camera's own clock, as if it showed UTC;
    ``offset_s`` is what that clock is ahead of UTC, None where the picture does not say;
    ``step_s`` is the finest difference the stamp can show.
    """

    local_s: float
    step_s: float
    offset_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How the camera was set; None where the picture does not say.

    ``auto_white`` is True where the camera chose the white balance of each picture itself.
    """

    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    auto_white: bool | None = None

    @property
    def exposure_ev(self) -> float | None:
        """Brightness that the settings alone give, EV: log2 of time x gain / aperture squared."""
        if not (self.exposure_s and self.iso):
            return None
        return math.log2(self.exposure_s * self.iso / (self.f_number or 1.0) ** 2)

    def __str__(self) -> str:
        words = []
        if self.exposure_s:
            slow = self.exposure_s >= 0.3
            words.append(f"{self.exposure_s:g} s" if slow else f"1/{1 / self.exposure_s:.0f} s")
        words += [f"f/{self.f_number:g}"] if self.f_number else []
        words += [f"ISO {self.iso:g}"] if self.iso else []
        return " ".join(words) or "unknown settings"


def settings_from(exif: Any) -> Settings | None:
    """Exposure time 0x829A, F number 0x829D, ISO 0x8827, white balance 0xA403; or None."""
    fields = exif.get_ifd(EXIF_FOLDER)
    white = fields.get(0xA403)
    iso = fields.get(0x8827)
    found = Settings(
        exposure_s=_positive(fields.get(0x829A)),
        f_number=_positive(fields.get(0x829D)),
        iso=_positive(iso[0] if isinstance(iso, tuple) and iso else iso),
        auto_white=white == 0 if white in (0, 1) else None,
    )
    return None if found == Settings() else found


def _positive(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and 0 < number < 1e9 else None


def parse_time(text: object) -> int | None:
    """ "2024:05:01 10:20:30" -> seconds since 1970 as if UTC; None for blank or impossible."""
    match = TIME_FORM.match(_clean(text))
    if match is None:
        return None
    try:
        when = datetime(*(int(part) for part in match.groups()), tzinfo=timezone.utc)  # type: ignore[misc,arg-type]
    except ValueError:  # 0000:00:00, a 61st second
        return None
    return int(when.timestamp())


def parse_sub_seconds(text: object) -> tuple[float, float]:
    """ "5" -> 0.5 s, "05" -> 0.05 s, "050" -> 0.05 s; and the step: 1 s where there is none."""
    digits = _clean(text)
    if not digits.isdecimal() or not digits.isascii():
        return 0.0, 1.0
    digits = digits[:9]  # nanoseconds; a damaged field can hold thousands of digits
    return int(digits) / 10 ** len(digits), 10.0 ** -len(digits)


def parse_offset(text: object) -> float | None:
    """ "+02:00" -> 7200.0 seconds ahead of UTC; None where blank."""
    match = OFFSET_FORM.match(_clean(text))
    if match is None:
        return None
    sign, hours, minutes = match.groups()
    return (-1.0 if sign == "-" else 1.0) * (int(hours) * 3600 + int(minutes) * 60)


def taken_from(exif: Any) -> Taken | None:
    """The best capture time among the Exif fields (a `PIL.Image.Exif`), or None."""
    fields = {**dict(exif), **exif.get_ifd(EXIF_FOLDER)}
    for time_tag, sub_tag, offset_tag in TIME_TAGS:
        whole = parse_time(fields.get(time_tag))
        if whole is not None:
            part, step_s = parse_sub_seconds(fields.get(sub_tag))
            return Taken(
                local_s=whole + part, step_s=step_s, offset_s=parse_offset(fields.get(offset_tag))
            )
    return None


def _clean(text: object) -> str:
    if isinstance(text, bytes):
        text = text.decode("ascii", "replace")
    return text.strip(" \0\t") if isinstance(text, str) else ""
