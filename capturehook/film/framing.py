"""Which part of the pictures the film shows and how large: crop, margins, even sizes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np

from capturehook.errors import Finding, FrameError
from capturehook.film.choose import Correction

FrameOn = Literal["still", "part"]
CROPS = {"keep": None, "16:9": Fraction(16, 9), "1:1": Fraction(1), "9:16": Fraction(9, 16)}
SHORT_SIDE_PX = 1080  # of the film, unless a width is asked for
MUCH_SHARE = 0.1
ACTION_SAFE, TITLE_SAFE = 0.035, 0.05
"""Of each side, that a screen may hide: what happens keeps out of the first, words out of both.

Source: EBU R 95 and SMPTE ST 2046-1: 93 % of width and height for action, 90 % for titles.
"""
PART_SHARE = 0.6  # of the film's height, that the finished part takes with ``part``
LEAST_FILM_PX = 240


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """A box of the original picture (px, not whole) and the film's size (px, even)."""

    left: float
    top: float
    width: float
    height: float
    width_px: int
    height_px: int


def frame_film(
    size_px: tuple[int, int],
    corrections: Iterable[Correction],
    crop: str = "keep",
    width_px: int | None = None,
    centre_px: tuple[float, float] | None = None,
    *,
    part_px: tuple[float, float, float, float] | None = None,
    on: FrameOn = "still",
) -> tuple[Framing, list[Finding]]:
    """The largest box of the crop's shape that every aligned frame fills.

    Parameters
    ----------
    size_px : (width, height) of the originals
    crop : a key of CROPS
    width_px : of the film; at most that of the box, rounded down to even
    centre_px : (x, y) in the original to have in the middle, as far as there is picture
    part_px : left, top, right, bottom of the finished part in the original, where known: the
        box is laid so that the part is within its action-safe area
    on : "still" shows as much as there is, "part" goes close to the part

    Raises
    ------
    FrameError
        Unknown crop, more pixels asked for than there are, or nothing left.
    """
    if crop not in CROPS:
        raise FrameError("--crop", f"{crop!r} is not known", f"Use one of {', '.join(CROPS)}")
    left, top, right, bottom = _common(size_px, list(corrections))
    wide, high = right - left, bottom - top
    if wide < 32 or high < 32:
        raise FrameError(
            "frames", "are shifted too far against each other", "Film them with --align none"
        )
    aspect = CROPS[crop] or Fraction(*size_px)
    # The film's size comes from the whole picture: a margin of a few pixels for aligning is
    # scaled away, or a shoot at 1920 x 1080 would give an odd size just below it.
    film_w, film_h = _film_size(*_largest(*size_px, float(aspect)), aspect, width_px)
    box_w, box_h = _largest(wide, high, film_w / film_h)
    close: list[Finding] = []
    if on == "part":
        box_w, box_h, film_w, film_h, close = _close(
            part_px, (box_w, box_h), (film_w, film_h), width_px
        )
    across, down = (None, None) if part_px is None else (part_px[::2], part_px[1::2])
    middle = centre_px or (
        _middle(left, right, box_w, across, on),
        _middle(top, bottom, box_h, down, on),
    )
    framing = Framing(
        left=float(np.clip(middle[0] - box_w / 2, left, right - box_w)),
        top=float(np.clip(middle[1] - box_h / 2, top, bottom - box_h)),
        width=box_w,
        height=box_h,
        width_px=film_w,
        height_px=film_h,
    )
    # With the whole picture in the film there is nothing that another crop would save.
    cut = _cut(framing, part_px) if crop != "keep" or on == "part" else []
    return framing, [*_margin_finding(size_px, wide, high), *close, *cut]


def _middle(
    low: float, high: float, box: float, part: tuple[float, ...] | None, on: FrameOn
) -> float:
    """In the middle of the picture, or as near it as has the part in the action-safe area; or
    in the middle of the part."""
    middle = (low + high) / 2
    if part is None:
        return middle
    inside = box * (0.5 - ACTION_SAFE)
    least, most = part[1] - inside, part[0] + inside
    if on == "part" or least > most:
        return (part[0] + part[1]) / 2
    return float(np.clip(middle, least, most))


def _close(
    part_px: tuple[float, float, float, float] | None,
    box: tuple[float, float],
    film: tuple[int, int],
    width_px: int | None,
) -> tuple[float, float, int, int, list[Finding]]:
    """Box and film for a part that takes PART_SHARE of the height, or as much of the width;
    never more pixels than there are."""
    if part_px is None:
        text = "nothing is seen to grow, so the film shows as much as there is; try --centre"
        return *box, *film, [Finding("no-part", "film", text)]
    wide, high = part_px[2] - part_px[0], part_px[3] - part_px[1]
    aspect = film[0] / film[1]
    least = width_px if width_px is not None else LEAST_FILM_PX * max(1.0, aspect)
    box_w = max(high / PART_SHARE * aspect, wide / PART_SHARE, least)
    box_w = min(box_w, box[0])
    by = min(1.0, box_w / film[0])
    film_w = film[0] if width_px is not None else _near_even(film[0] * by)
    film_h = film[1] if width_px is not None else _near_even(film[1] * by)
    return box_w, box_w * film_h / film_w, film_w, film_h, []


def _cut(framing: Framing, part_px: tuple[float, float, float, float] | None) -> Iterator[Finding]:
    if part_px is None:
        return
    rim = ACTION_SAFE * framing.width, ACTION_SAFE * framing.height
    left, top = framing.left + rim[0], framing.top + rim[1]
    right, bottom = framing.left + framing.width - rim[0], framing.top + framing.height - rim[1]
    over = max(left - part_px[0], top - part_px[1], part_px[2] - right, part_px[3] - bottom)
    if over <= 0.005 * framing.height:
        return
    text = (
        f"the part reaches {over:.0f} px of the originals beyond the action-safe area (93 % of "
        "the picture); use another --crop or --centre, or film from further away"
    )
    yield Finding("part-cut", "film", text)


def _largest(wide: float, high: float, aspect: float) -> tuple[float, float]:
    """The largest box of a shape inside another, (width, height)."""
    return min(wide, high * aspect), min(high, wide / aspect)


def _common(
    size_px: tuple[int, int], corrections: list[Correction]
) -> tuple[float, float, float, float]:
    """left, top, right, bottom of what all frames show once they are aligned."""
    width, height = size_px
    dx = np.array([one.dx_px for one in corrections] or [0.0])
    dy = np.array([one.dy_px for one in corrections] or [0.0])
    turn = max((abs(np.radians(one.turn_deg)) for one in corrections), default=0.0)
    grow = max((abs(one.zoom - 1) for one in corrections), default=0.0)
    spare_x = turn * height / 2 + grow * width / 2
    spare_y = turn * width / 2 + grow * height / 2
    left, top = max(0.0, -dx.min()) + spare_x, max(0.0, -dy.min()) + spare_y
    right = width - max(0.0, dx.max()) - spare_x
    bottom = height - max(0.0, dy.max()) - spare_y
    return float(left), float(top), float(right), float(bottom)


def _film_size(
    box_w: float, box_h: float, aspect: Fraction, width_px: int | None
) -> tuple[int, int]:
    """Never larger than the box; both sides even, as colour is stored at half size."""
    if width_px is not None and width_px > box_w + 1e-6:
        raise FrameError(
            "--width", f"{width_px} px is more than the {int(box_w)} px there are", "Ask for less"
        )
    most = min(1.0, SHORT_SIDE_PX / min(box_w, box_h))
    film_w = width_px if width_px is not None else _near_even(box_w * most)
    film_h = int(float(film_w / aspect) + 1e-6)
    film_w, film_h = film_w // 2 * 2, film_h // 2 * 2
    if min(film_w, film_h) < 16:
        raise FrameError("--width", f"{film_w} x {film_h} px is no film", "Ask for more")
    return film_w, film_h


def _near_even(value: float) -> int:
    return int(value + 1e-6) // 2 * 2


def _margin_finding(size_px: tuple[int, int], wide: float, high: float) -> Iterator[Finding]:
    lost = 1 - min(wide / size_px[0], high / size_px[1])
    if lost <= MUCH_SHARE:
        return
    text = f"aligning leaves {100 * (1 - lost):.0f} % of the picture, as the camera moved so far"
    yield Finding("cropped", "film", text)
